"""Error of events, knee curves and metrics against the truth of rendered clips."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import numpy as np
import pandas as pd
import typer

from pipeline.batch import StudyResult, run_study
from pipeline.bench.clip_set import ensure_set, truth_path
from pipeline.bench.truth import ClipTruth, load_truth
from pipeline.config import ModelChoice, load_settings, with_model
from pipeline.manifest import read_manifest
from pipeline.metrics import COMPARISONS, METRICS
from pipeline.metrics.estimates import run_metrics
from pipeline.model import SIDES, Clip, FloatArray, MetricValue, Side, other_side
from pipeline.store import write_text
from pipeline.strides import join, load, stride_curve


class ClipSetChoice(StrEnum):
    """Which clips are measured."""

    example = "example"
    full = "full"


class PartChoice(StrEnum):
    """Halves of the varied clips."""

    tuning = "tuning"
    test = "test"


EXAMPLE = Path("example_data/study")
EXAMPLE_TRUTH = Path("example_data/truth")
# A found event belongs to a true one that is nearer than this. Own choice: a quarter of a short stride.
SAME_EVENT_S = 0.25
REPORTED = (
    ("stance_time_ratio", "both"),
    ("step_time_ratio", "both"),
    ("hip_vault_height", "sound"),
    ("foot_rotation_at_contact", "prosthetic"),
    ("arm_swing_asymmetry", "both"),
    ("knee_flexion_rise_in_stance", "prosthetic"),
    ("heel_whip", "prosthetic"),
)


INTRODUCTION = """# Accuracy against rendered clips

Printed by `python -m pipeline bench accuracy` on {day}, version {version}, {model} model, from {what}:
{done} of {clips} clips measured. The clips are rendered, so their joints and events are known exactly; people, light
and cloth of real clips are harder. This is no validation: the figures say what works, not how well it will work on
patients.

Errors are found minus true. *near* and *far* say where the limb is from the camera. Values of a visit stand beside the
same metric computed from the true joints; *low* and *high* bound the 95 % interval that verdicts use."""


def accuracy(
    clip_set: Annotated[
        ClipSetChoice, typer.Option("--set", help="The example study, or varied clips that are rendered on demand.")
    ] = ClipSetChoice.example,
    part: Annotated[
        PartChoice, typer.Option(help="Half of the varied clips; the test half is for the last measurement only.")
    ] = PartChoice.tuning,
    seed: Annotated[int, typer.Option(help="Seed of the varied clips.")] = 1,
    count: Annotated[int, typer.Option(help="Varied clips, both halves together.")] = 60,
    out: Annotated[Path, typer.Option(help="Results; what is unchanged is used again.")] = Path("results"),
    model: Annotated[ModelChoice, typer.Option(help="Pose model.")] = ModelChoice.heavy,
    write: Annotated[Path | None, typer.Option(help="Also write the tables to this file.")] = None,
) -> None:
    """Print the error against truth: contacts, toe-offs, knee curves, and each visit's metrics."""
    if clip_set is ClipSetChoice.example:
        study, what = EXAMPLE, "the example study"
    else:
        study = ensure_set(out / "clips", seed, count, part.value, workers=2, say=typer.echo)
        out, what = out / f"seed-{seed}-{part.value}", f"the {part.value} half of {count} varied clips, seed {seed}"
    result = run_study(study, out, settings=with_model(load_settings(), model))
    clips = [clip for clip in read_manifest(study) if _done(result, clip)]
    truths = {clip.clip_id: load_truth(_truth_file(clip_set, study, clip)) for clip in clips}
    values = visit_table(result, clips, truths)
    parts = [
        INTRODUCTION.format(
            what=what,
            day=result.run.started[:10],
            version=result.run.code_version,
            model=model.value,
            done=len(clips),
            clips=len(result.clips),
        ),
        "### Events, found minus true\n\n" + _markdown(_event_table(event_errors(clips, truths, out))),
        "### Knee-flexion curve, 101 points a stride\n\n" + _markdown(knee_table(clips, truths, out)),
        "### Metrics over all visits, found minus true\n\n" + _markdown(metric_table(values)),
    ]
    if clip_set is ClipSetChoice.example:
        parts.append("### Values of each visit\n\n" + _markdown(values))
    text = "\n\n".join(parts)
    typer.echo(text)
    if write is not None:
        write_text(write, text + "\n")


def metric_table(values: pd.DataFrame) -> pd.DataFrame:
    """Return each metric's error over all visits, and in how many visits it could not be measured."""
    rows = []
    for (metric, unit), group in values.groupby(["metric", "unit"], sort=False):
        known = group[group["true"].notna()]
        errors = known["error"].dropna().to_numpy(dtype=float)
        summary = {name.replace(" []", ""): value for name, value in _summary(errors, "").items()}
        unmeasured = f"{len(known) - len(errors)} of {len(known)}"
        rows.append({"metric": metric, "unit": unit} | summary | {"cannot say": unmeasured})
    return pd.DataFrame(rows)


def event_errors(clips: list[Clip], truths: dict[str, ClipTruth], out: Path) -> pd.DataFrame:
    """Return one row per true event of each foot: its error, NaN when missed.

    Columns: look, view, limb (prosthetic or sound), near, kind, error_ms; and `extra` rows for found events
    without a true one.
    """
    rows = []
    for clip in clips:
        found = pd.read_csv(_folder(out, clip) / "events.csv")
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
                    "kind": kind,
                }
                for error_s in _nearest(there, here):
                    missed = not abs(error_s) < SAME_EVENT_S
                    rows.append(facts | {"error_ms": np.nan if missed else 1000 * error_s, "extra": False})
                extra = int((np.abs(_nearest(here, there)) >= SAME_EVENT_S).sum())
                rows += [facts | {"error_ms": np.nan, "extra": True}] * extra
    return pd.DataFrame(rows)


def _event_table(errors: pd.DataFrame) -> pd.DataFrame:
    """Errors by kind, view and limb."""
    rows = []
    for (kind, view, near, limb, look), group in errors.groupby(["kind", "view", "near", "limb", "look"]):
        true = group[~group["extra"]]
        limbs = f"{view} {near}" if near != "-" else view
        rows.append(
            {"event": kind, "view": limbs, "limb": limb, "look": look}
            | _summary(true["error_ms"].dropna().to_numpy(), "ms")
            | {"missed": int(true["error_ms"].isna().sum()), "extra": int(group["extra"].sum())}
        )
    return pd.DataFrame(rows)


def knee_table(clips: list[Clip], truths: dict[str, ClipTruth], out: Path) -> pd.DataFrame:
    """Return the knee curve's error by limb and look: over all points of all used strides."""
    rows = []
    for clip in clips:
        if clip.view != "sagittal":
            continue
        strides = load(_folder(out, clip))
        true = truths[clip.clip_id]
        curves = strides.curves["knee_flexion_deg"]
        columns = [strides.table[name] for name in ("side", "near", "start_s", "end_s")]
        for i in np.flatnonzero(strides.table["use"]):
            side, near, start_s, end_s = (column.iloc[i] for column in columns)
            truth = stride_curve(true.signals["knee_flexion_deg"][side], true.time_s, start_s, end_s)
            limb = "prosthetic" if side in clip.prosthetic_sides else "sound"
            facts = {"look": true.look, "limb": limb, "near": "near" if near else "far"}
            rows.append(facts | {"error": curves[i] - truth})
    table = []
    for (look, limb_name, near), group in pd.DataFrame(rows).groupby(["look", "limb", "near"]):
        error = np.concatenate(group["error"].to_list())
        free = np.concatenate([one - np.nanmean(one) for one in group["error"]])
        table.append(
            {
                "look": look,
                "limb": f"{limb_name} {near}",
                "strides": len(group),
                "bias [deg]": np.nanmean(error),
                "RMSE [deg]": np.sqrt(np.nanmean(error**2)),
                "RMSE, offset removed [deg]": np.sqrt(np.nanmean(free**2)),
                "median absolute error, offset removed [deg]": np.nanmedian(np.abs(free)),
            }
        )
    return pd.DataFrame(table)


def visit_table(result: StudyResult, clips: list[Clip], truths: dict[str, ClipTruth]) -> pd.DataFrame:
    """Return each visit's metric values beside the same metrics of the true strides."""
    rows = []
    for visit in result.visits:
        if visit.report is None:
            continue
        own = [clip for clip in clips if (clip.subject, clip.visit) == (visit.subject, visit.visit)]
        sides = visit.report.prosthetic_sides
        first: Side = sides[0] if sides else "left"
        both = "prosthetic/sound" if len(sides) == 1 else "left/right"
        true_values = run_metrics(
            METRICS,
            COMPARISONS,
            join([truths[clip.clip_id].strides for clip in own]),
            prosthetic_sides=sides,
            min_strides=1,
            measurement_error={},
        )
        for metric, limb in REPORTED:
            key = {"both": both, "prosthetic": first, "sound": other_side(first)}[limb]
            found, true = _value(visit.report.metrics, metric, key), _value(true_values, metric, key)
            rows.append(
                {
                    "visit": f"{visit.subject} {visit.visit}",
                    "metric": metric,
                    "unit": found.unit,
                    "true": true.value,
                    "found": found.value,
                    "low": found.low,
                    "high": found.high,
                    "error": None if found.value is None or true.value is None else found.value - true.value,
                    "strides": found.n_strides,
                    "status": found.status,
                }
            )
    return pd.DataFrame(rows)


def _nearest(times_s: FloatArray, others_s: FloatArray) -> FloatArray:
    """The nearest other time minus each time; infinite where there is no other."""
    if not len(others_s):
        return np.full(len(times_s), np.inf)
    return np.array([others_s[np.argmin(np.abs(others_s - time_s))] - time_s for time_s in times_s])


def _summary(errors: FloatArray, unit: str) -> dict[str, float]:
    """Count, bias, mean absolute and root mean square error, 95 % limits."""
    if not len(errors):
        return {"n": 0}
    spread = float(np.std(errors, ddof=1)) if len(errors) > 1 else float("nan")
    bias = float(np.mean(errors))
    return {
        "n": len(errors),
        f"bias [{unit}]": bias,
        f"MAE [{unit}]": float(np.mean(np.abs(errors))),
        f"RMSE [{unit}]": float(np.sqrt(np.mean(errors**2))),
        f"95 % low [{unit}]": bias - 1.96 * spread,
        f"95 % high [{unit}]": bias + 1.96 * spread,
    }


def _markdown(table: pd.DataFrame) -> str:
    """A table as markdown, numbers to three significant digits."""
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * len(table.columns)]
    for row in table.itertuples(index=False):
        lines.append("| " + " | ".join(_cell(value) for value in row) + " |")
    return "\n".join(lines)


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and not np.isfinite(value)):
        return "-"
    return f"{value:.3g}" if isinstance(value, float) else str(value)


def _times(events: pd.DataFrame, side: Side, kind: str) -> FloatArray:
    return events[(events["side"] == side) & (events["kind"] == kind)]["time_s"].to_numpy(dtype=float)


def _value(values: tuple[MetricValue, ...], metric: str, side: str) -> MetricValue:
    return next(value for value in values if (value.metric, value.side) == (metric, side))


def _done(result: StudyResult, clip: Clip) -> bool:
    return any(one.clip_id == clip.clip_id and one.state == "done" for one in result.clips)


def _truth_file(clip_set: ClipSetChoice, study: Path, clip: Clip) -> Path:
    if clip_set is ClipSetChoice.full:
        return truth_path(study, clip.relative_path)
    return EXAMPLE_TRUTH / Path(clip.relative_path).with_suffix(".truth.json")


def _folder(out: Path, clip: Clip) -> Path:
    return out / f"sub-{clip.subject}" / f"ses-{clip.visit}" / clip.clip_id
