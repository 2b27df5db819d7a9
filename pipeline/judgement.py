"""The records of limits, findings and faults, and of the report that holds them: frozen, small, without behaviour."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from pipeline.model import MetricValue, QualityNote, Side

Verdict = Literal["present", "borderline", "not seen", "cannot say"]
Standing = Literal["published", "common practice", "from memory", "provisional"]


@dataclass(frozen=True, slots=True)
class Check:
    """One limit of `configs/checks/`, tied to a metric of the catalogue.

    `side`: `prosthetic` or `sound` limb, or `both` for a comparison of sides.
    """

    id: str
    fault: str
    metric: str
    side: Literal["prosthetic", "sound", "both"]
    direction: Literal["above", "below"]
    limit: float
    unit: str
    standing: Standing
    source: str
    note: str


@dataclass(frozen=True, slots=True)
class FaultDefinition:
    """What one fault is, in the words of the report.

    `rule` says how its checks make the verdict: `any` check outside, or `all` of them. `curve` is the
    quantity drawn for it, `phase_pct` the stretch of the stride to look at, in percent.
    """

    name: str
    title: str
    view: str
    side: Literal["prosthetic", "sound", "both"]
    phase: str
    seen: str
    cannot_tell: str
    rule: Literal["any", "all"]
    urgent: bool
    caution: str
    curve: str
    phase_pct: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Limits:
    """All fault definitions and checks in their order, each metric's own error (one sd), and the files' hash."""

    faults: tuple[FaultDefinition, ...]
    checks: tuple[Check, ...]
    measurement_error: dict[str, float]
    sha256: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One metric value against one limit."""

    check: str
    fault: str
    metric: str
    side: str
    value: float | None
    low: float | None
    high: float | None
    limit: float
    direction: Literal["above", "below"]
    unit: str
    verdict: Verdict
    reason: str
    n_strides: int
    standing: Standing
    source: str
    stride_ids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Fault:
    """One named deviation with its verdict and the findings behind it."""

    name: str
    title: str
    side: str
    verdict: Verdict
    reason: str
    urgent: bool
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class ClipResult:
    """How one clip ended: done, or failed at a stage with the message shown to the user."""

    clip_id: str
    relative_path: str
    state: Literal["done", "failed"]
    stage: str
    error_type: str
    message: str
    seconds: float
    reused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RunRecord:
    """What produced a result: versions, hashes and counts."""

    run_id: str
    started: str
    finished: str
    code_version: str
    package_versions: dict[str, str]
    model: str
    model_sha256: str
    settings_sha256: str
    limits_sha256: str


@dataclass(frozen=True, slots=True)
class VisitReport:
    """Everything that a visit's page shows, apart from the curves and pictures saved beside it."""

    subject: str
    visit: str
    visit_date: date
    prosthetic_sides: tuple[Side, ...]
    changes: str
    clips: tuple[ClipResult, ...]
    quality: dict[str, tuple[QualityNote, ...]]
    metrics: tuple[MetricValue, ...]
    faults: tuple[Fault, ...]
    run: RunRecord
    notes: tuple[str, ...] = field(default=())
