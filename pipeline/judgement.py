"""The records of limits, findings, faults and candidates, and of the report that holds them, without behaviour."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Literal

from pipeline.model import Aid, Level, MetricValue, OwnError, QualityNote, Side
from pipeline.model import Verdict as Verdict
from pipeline.review import PersonVerdict, Reviewed, in_force
from pipeline.shown import Shown

Standing = Literal["published", "common practice", "from memory", "provisional"]
Severity = Literal["", "slight", "clear", "severe"]
CauseGroup = Literal["prosthesis", "person"]
# Which way a recorded measure gets better.
Better = Literal["less", "more", "neither"]
# A line of a sum: a fault explained, one that should have shown, one that contradicts, a word of the change log.
LineKind = Literal["explained", "missing", "contradicted", "changed"]


@dataclass(frozen=True, slots=True)
class Check:
    """One limit of `configs/checks/`, tied to a metric of the catalogue.

    `side`: `prosthetic` or `sound` limb, or `both` for a comparison of sides. Beyond `clear` and `severe` a finding
    is called so. `levels` of amputation, `aids` and `speed_legs` (lowest and highest walking speed, leg lengths/s) say
    for whom the limit holds; empty or None is for everybody.
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
    clear: float | None = None
    severe: float | None = None
    levels: tuple[Level, ...] = ()
    aids: tuple[Aid, ...] = ()
    speed_legs: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class FaultDefinition:
    """What one fault is, in the words of the report.

    `rule`: `any` check outside makes the verdict, or `all` on one limb, where one that does not apply cannot say; of
    two limbs the stronger counts. `curve` is the quantity drawn for it, `phase_pct` the stretch of the stride to look
    at, in percent. `prosthesis_only`: a person without a prosthesis is not judged. `file_sha256` is its file's hash.
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
    prosthesis_only: bool = False
    file_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Limits:
    """All fault definitions and checks in their order, each metric's own error, folder name and hash of the files."""

    faults: tuple[FaultDefinition, ...]
    checks: tuple[Check, ...]
    measurement_error: dict[str, OwnError]
    sha256: str
    folder: str = ""


@dataclass(frozen=True, slots=True)
class Finding(Shown):
    """One metric value against one limit.

    `severity` is that of the value where the verdict is `present`, by the steps `clear` and `severe`. A finding that
    does not apply to this person (`applies` is False) has no say in the verdict of its fault.
    """

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
    severity: Severity = ""
    clear: float | None = None
    severe: float | None = None
    applies: bool = True


@dataclass(frozen=True, slots=True)
class Fault(Shown):
    """One named deviation with its verdict and findings.

    `limits_sha256` is the hash of its own file of limits. `verdict` is always the pipeline's own; where a person
    overruled it, `person` holds in its place, and `urgent` then means that either of the two saw it. `corrections` are
    the ids of the records by which events, legs or strides behind its findings were corrected.
    """

    name: str
    title: str
    side: str
    verdict: Verdict
    reason: str
    urgent: bool
    findings: tuple[Finding, ...]
    severity: Severity = ""
    limits_sha256: str = ""
    person: PersonVerdict | None = None
    corrections: tuple[str, ...] = ()


def leading_finding(fault: Fault) -> Finding | None:
    """The finding that decided the verdict: the severest with the fault's own verdict, else the first."""
    order = ("severe", "clear", "slight", "")
    own = [finding for finding in fault.findings if finding.verdict == fault.verdict and finding.applies]
    return min(own or fault.findings, key=lambda finding: order.index(finding.severity), default=None)


def verdict_in_force(fault: Fault) -> Verdict:
    """The verdict that holds: a person's where there is one, else the pipeline's own."""
    return in_force(fault.verdict, fault.person)


def severity_in_force(fault: Fault) -> Severity:
    """The severity that goes with the verdict in force; a person gives none."""
    return fault.severity if verdict_in_force(fault) == fault.verdict else ""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a candidate's sum.

    `fault` is the name of the fault that the line is about; empty for the change log. `amount` is in points.
    """

    text: str
    amount: int
    kind: LineKind
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Candidate:
    """Something to consider at a visit, and how to examine it; never a diagnosis.

    Attributes
    ----------
    cause : str
        Its id in the file of causes.
    rank : int
        1 is the first to examine; equal scores share it (1, 1, 3).
    score : int
        Sum of the amounts of `lines`. [points]
    open : tuple of str
        Faults that would count, but could not be judged.
    cautions : tuple of str
        The cause's own, and what to tell it apart from.
    sources : tuple of (str, str)
        Keys of the bibliography, each with how well it is known.
    """

    cause: str
    group: CauseGroup
    title: str
    rank: int
    score: int
    lines: tuple[Line, ...]
    open: tuple[str, ...]
    examine: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Recorded:
    """An outcome measure that the clinic recorded at a visit, with what its list says of the measure.

    Attributes
    ----------
    measure, title, unit : str
        Id in the list, words for a reader, and unit of the numbers here.
    value : float or None
        None where it was not done: `note` then says why.
    note : str
        As written beside the value.
    better : {"less", "more", "neither"}
        Which way it gets better.
    walking : bool
        It is done walking, so that another aid or other footwear keeps two visits from being compared.
    detectable : float or None
        Smallest change that is more than chance, at 95 % confidence; None where it is not known.
    source : str
        Of the detectable change: a key of `configs/sources.toml`, or words.
    about : str
        How it is taken.
    """

    measure: str
    title: str
    unit: str
    value: float | None
    note: str
    better: Better
    walking: bool
    detectable: float | None = None
    source: str = ""
    about: str = ""


@dataclass(frozen=True, slots=True)
class ClipResult:
    """How one clip ended: done, or failed at a stage with the message shown to the user.

    `reused`: stages taken over from an earlier run. `repaired`: those made again since a saved file was damaged.
    """

    clip_id: str
    relative_path: str
    state: Literal["done", "failed"]
    stage: str
    error_type: str
    message: str
    seconds: float
    reused: tuple[str, ...] = ()
    repaired: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RunRecord:
    """What produced a result; older records lack some. `measuring_sha256`: of the settings that values depend on."""

    run_id: str
    started: str
    finished: str
    code_version: str
    package_versions: dict[str, str]
    model: str
    model_sha256: str
    settings_sha256: str
    limits_sha256: str
    causes_file: str = ""
    causes_sha256: str = ""
    recorded_file: str = ""
    recorded_sha256: str = ""
    measuring_sha256: str = ""


@dataclass(frozen=True, slots=True)
class VisitReport(Shown):
    """Everything that a visit's page shows, apart from the curves and pictures saved beside it.

    `levels` of amputation belong to `prosthetic_sides`; empty where the manifest names none. `candidates` stand in the
    order of their ranks. `measured_by` is the version of the calculations behind the values; 0 where it is not known.
    `footwear` is empty where the manifest says nothing of it; `recorded` stands in the order of the clinic's list.
    `corrections` are all records of people at this visit, in the order of time.
    """

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
    levels: tuple[Level, ...] = ()
    aid: Aid | None = None
    candidates: tuple[Candidate, ...] = ()
    measured_by: int = 0
    footwear: str = ""
    recorded: tuple[Recorded, ...] = ()
    corrections: tuple[Reviewed, ...] = ()
