"""Errors of events, knee curves and metric values against the truth of rendered clips, one row each."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.bench.truth import ClipTruth
from pipeline.metrics import CATALOGUE, COMPARISONS, METRICS
from pipeline.metrics.estimates import run_metrics
from pipeline.model import SIDES, Clip, FloatArray, MetricValue, Side, StrideSet
from pipeline.strides import LAST_STANCE, join, load, stride_curve
from pipeline.study_result import StudyResult

# Values by metric and side; None where there is none.
TrueValues = dict[tuple[str, str], float | None]
# A found event belongs to a true one that is nearer than this. Own choice: a quarter of a short stride.
SAME_EVENT_S = 0.25


def event_errors(clips: list[Clip], truths: dict[str, ClipTruth], out: Path) -> pd.DataFrame:
    """Return one row per true event of each foot: its error, NaN when missed.

    Columns: look, view, limb (prosthetic or sound), near, fps, kind, error_ms; and `extra` rows for found events
    without a true one.
    """
    rows = []
    for clip in clips:
        found = pd.read_csv(clip_folder(out, clip) / "events.csv")
        true = truths[clip.clip_id]
        near = true.strides.table.groupby("side")["near"].first()
        for side in SIDES:
            # Toe-off is timed from the side only.
            for kind in ("contact", "toe_off") if clip.view == "sagittal" else ("contact",):
                there = _times(true.events, side, kind)
                here = _times(found, side, kind)
                facts = {
                    "look": true.look,
                    "view": clip.view,
                    "limb": "prosthetic" if side in clip.prosthetic_sides else "sound",
                    "near": ("near" if near.get(side, False) else "far") if clip.view == "sagittal" else "-",
                    "fps": round(1 / float(np.median(np.diff(true.time_s)))),
                    "kind": kind,
                }
                for error_s in _nearest(there, here):
                    missed = not abs(error_s) < SAME_EVENT_S
                    rows.append(facts | {"error_ms": np.nan if missed else 1000 * error_s, "extra": False})
                extra = int((np.abs(_nearest(here, there)) >= SAME_EVENT_S).sum())
                rows += [facts | {"error_ms": np.nan, "extra": True}] * extra
    return pd.DataFrame(rows)


def knee_errors(clips: list[Clip], truths: dict[str, ClipTruth], out: Path) -> pd.DataFrame:
    """Return one row per whole stride of a side view: clip, look, limb, near, used, its knee error (101,)."""
    rows = []
    for clip in clips:
        if clip.view != "sagittal":
            continue
        strides = load(clip_folder(out, clip))
        true = truths[clip.clip_id]
        curves = strides.curves["knee_flexion_deg"]
        columns = [strides.table[name] for name in ("side", "near", "start_s", "end_s", "use", "why_not")]
        for i, (side, near, start_s, end_s, use, why_not) in enumerate(zip(*columns, strict=True)):
            # What lies before the first and after the last contact is no stride.
            if why_not in ("before the first contact", LAST_STANCE):
                continue
            truth = stride_curve(true.signals["knee_flexion_deg"][side], true.time_s, start_s, end_s)
            limb = "prosthetic" if side in clip.prosthetic_sides else "sound"
            facts = {"clip": clip.clip_id, "look": true.look, "limb": limb, "near": "near" if near else "far"}
            rows.append(facts | {"used": bool(use), "error": curves[i] - truth})
    return pd.DataFrame(rows, columns=["clip", "look", "limb", "near", "used", "error"])


def value_errors(result: StudyResult, clips: list[Clip], truths: dict[str, ClipTruth]) -> pd.DataFrame:
    """Return each visit's metric values beside the same metrics of the true strides; only metrics that have a truth."""
    rows = []
    for visit in result.visits:
        if visit.report is None:
            continue
        own = [clip for clip in clips if (clip.subject, clip.visit) == (visit.subject, visit.visit)]
        if not own:
            continue
        sides = visit.report.prosthetic_sides
        true = true_values(join([truths[clip.clip_id].strides for clip in own]), sides)
        rows += beside_truth(f"{visit.subject} {visit.visit}", visit.report.metrics, true, sides)
    return pd.DataFrame(rows)


def true_values(strides: StrideSet, prosthetic_sides: tuple[Side, ...]) -> TrueValues:
    """Return every metric of true strides, by metric and side."""
    values = run_metrics(
        METRICS, COMPARISONS, strides, prosthetic_sides=prosthetic_sides, min_strides=1, measurement_error={}
    )
    return {(value.metric, value.side): value.value for value in values}


def beside_truth(
    visit: str, found: Iterable[MetricValue], true: TrueValues, prosthetic_sides: tuple[Side, ...]
) -> list[dict[str, object]]:
    """Return one row for each found value of a visit that has a truth."""
    return [
        {
            "visit": visit,
            "metric": value.metric,
            "limb": _limb(value.side, prosthetic_sides),
            "unit": CATALOGUE[value.metric].unit,
            "true": truth,
            "found": value.value,
            "low": value.low,
            "high": value.high,
            "error": np.nan if value.value is None else value.value - truth,
            "strides": value.n_strides,
            "spread": np.nan if value.spread is None else value.spread,
            "compared": value.metric in COMPARISONS,
            "status": value.status,
        }
        for value in found
        if (truth := true.get((value.metric, value.side))) is not None and value.status != "wrong_view"
    ]


def clip_folder(out: Path, clip: Clip) -> Path:
    """Return where a run keeps a clip's results."""
    return out / f"sub-{clip.subject}" / f"ses-{clip.visit}" / clip.clip_id


def _limb(side: str, prosthetic_sides: tuple[Side, ...]) -> str:
    """A side as prosthetic or sound; a comparison stays as it is."""
    if side not in SIDES or not prosthetic_sides:
        return side
    return "prosthetic" if side in prosthetic_sides else "sound"


def _nearest(times_s: FloatArray, others_s: FloatArray) -> FloatArray:
    """The nearest other time minus each time; infinite where there is no other."""
    if not len(others_s):
        return np.full(len(times_s), np.inf)
    return np.array([others_s[np.argmin(np.abs(others_s - time_s))] - time_s for time_s in times_s])


def _times(events: pd.DataFrame, side: Side, kind: str) -> FloatArray:
    return events[(events["side"] == side) & (events["kind"] == kind)]["time_s"].to_numpy(dtype=float)
