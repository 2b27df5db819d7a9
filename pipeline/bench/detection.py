"""What the pipeline says of walkers with known faults, beside what their true joints say; one row a visit and fault."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.bench.errors import TrueValues, beside_truth, clip_folder, true_values
from pipeline.bench.truth import load_truth
from pipeline.checks import Person
from pipeline.config import Settings
from pipeline.judgement import Fault, Finding, Limits
from pipeline.metrics import COMPARISONS, METRICS
from pipeline.model import Clip, MetricValue, OwnError, Side
from pipeline.stages import judge_visit
from pipeline.strides import join, load

Walk = dict[str, str]


@dataclass(frozen=True, slots=True)
class Judged:
    """One visit of the benchmark: the injected faults by size, and the values and verdicts found and true."""

    subject: str
    label: str
    limb: str
    fps: float
    injected: dict[str, float]
    sides: tuple[Side, ...]
    found: tuple[MetricValue, ...]
    true: TrueValues
    faults: tuple[Fault, ...]
    own_errors: Mapping[str, OwnError]


@dataclass(frozen=True, slots=True)
class WalkedStudy:
    """The measured clips of a benchmark run.

    Attributes
    ----------
    clips : list of Clip
        All of the manifest.
    done : set of str
        Clip ids that gave strides; the others were refused.
    walks : dict of subject to its rows of `walks.csv`
        What was injected, one row a fault.
    out : Path
        Results of the run.
    truth_files : dict of clip id to Path
    """

    clips: list[Clip]
    done: set[str]
    walks: dict[str, list[Walk]]
    out: Path
    truth_files: dict[str, Path]


def judge_walks(study: WalkedStudy, settings: Settings, limits: Limits) -> Iterator[Judged]:
    """Yield every walk judged from its saved strides; of one whose clips were all refused nothing can be said."""
    for subject, rows in study.walks.items():
        own = [clip for clip in study.clips if clip.subject == subject]
        if not own:
            continue
        sides = own[0].prosthetic_sides
        strides = join([load(clip_folder(study.out, clip)) for clip in own if clip.clip_id in study.done])
        found, faults = judge_visit(strides, Person(sides), settings, limits)
        true_strides = join([load_truth(study.truth_files[clip.clip_id]).strides for clip in own])
        yield Judged(
            subject=subject,
            label=rows[0]["size"],
            limb=rows[0]["limb"],
            fps=float(strides.table["fps"].max()),
            injected={row["fault"]: float(row["wanted"]) for row in rows if row["wanted"]},
            sides=sides,
            found=found,
            true=true_values(true_strides, sides),
            faults=faults,
            own_errors=limits.measurement_error,
        )


def verdict_rows(judged: list[Judged]) -> pd.DataFrame:
    """Return one row for each visit and fault.

    Columns: subject, label, limb, too_slow (filmed with fewer frames a second than each metric of the fault asks for),
    injected (this fault was), alone (no other was), fault, wanted (the size that was injected), verdict, reason (in
    words, why nothing can be said), metric and unit of the leading finding, its limit, beyond and found_beyond (by how
    much its true value and the one found lie beyond the limit; negative within; NaN where it is not known), margin
    (how far the 95 % interval reaches from the value towards the limit), own_error (of the metric on this limb, bias
    and standard deviation together), true, found.
    """
    rows = []
    for visit in judged:
        for fault in visit.faults:
            lead = _furthest(visit, fault)
            rows.append(
                {
                    "subject": visit.subject,
                    "label": visit.label,
                    "limb": visit.limb,
                    "too_slow": all(_least_fps(one.metric) > round(visit.fps) for one in fault.findings),
                    "injected": fault.name in visit.injected,
                    "alone": visit.injected.keys() == {fault.name},
                    "fault": fault.name,
                    "wanted": visit.injected.get(fault.name, float("nan")),
                    "verdict": fault.verdict,
                    "reason": fault.reason,
                    "metric": lead[0].metric if lead else "",
                    "unit": lead[0].unit if lead else "",
                }
                | _sizes(lead)
                | {"own_error": _own_error(visit, lead[0]) if lead else float("nan")}
            )
    return pd.DataFrame(rows)


def value_rows(judged: list[Judged]) -> pd.DataFrame:
    """Return each metric's found and true value of each visit and limb, in the form of `errors.value_errors`."""
    return pd.DataFrame(
        [row for visit in judged for row in beside_truth(visit.subject, visit.found, visit.true, visit.sides)]
    )


def _least_fps(metric: str) -> float:
    """Frames a second that a metric, or what it compares, asks for."""
    return METRICS[COMPARISONS[metric].metric if metric in COMPARISONS else metric].min_fps


def _furthest(visit: Judged, fault: Fault) -> tuple[Finding, float] | None:
    """The finding whose true value is furthest beyond its limit, in shares of it, and that value; None without any."""
    known = []
    for finding in fault.findings:
        true = visit.true.get((finding.metric, finding.side))
        if finding.applies and true is not None:
            known.append((finding, true))
    return max(known, key=lambda pair: _beyond(*pair) / (abs(pair[0].limit) or 1.0), default=None)


def _beyond(finding: Finding, value: float) -> float:
    """By how much a value lies beyond the finding's limit; negative within."""
    return value - finding.limit if finding.direction == "above" else finding.limit - value


def _own_error(visit: Judged, finding: Finding) -> float:
    """The own error of a finding's metric on its limb, bias and standard deviation together."""
    own = visit.own_errors.get(finding.metric, OwnError()).of_limb(finding.side in visit.sides)
    return float(np.hypot(own.sd, own.bias))


def _sizes(lead: tuple[Finding, float] | None) -> dict[str, float]:
    """The limit of the leading finding, what is true of it and what was found."""
    sizes = dict.fromkeys(("limit", "beyond", "true", "found", "found_beyond", "margin"), float("nan"))
    if lead is None:
        return sizes
    finding, true = lead
    sizes |= {"limit": finding.limit, "beyond": _beyond(finding, true), "true": true}
    if finding.value is None:
        return sizes
    sizes |= {"found": finding.value, "found_beyond": _beyond(finding, finding.value)}
    if finding.low is not None and finding.high is not None:
        sizes["margin"] = sizes["found_beyond"] - min(_beyond(finding, finding.low), _beyond(finding, finding.high))
    return sizes
