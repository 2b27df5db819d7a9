"""The figures to reach, each beside the best published value: walker found, legs, events, knee curve, lengths."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.bench.errors import clip_folder
from pipeline.clip_stages import saved_legs
from pipeline.config import Settings
from pipeline.geometry import point
from pipeline.legs import RightedLegs
from pipeline.model import SIDES, Clip, FloatArray, LandmarkTrack

# A leg is another one's when its knee, ankle, heel and foot tip lie nearer to the other true leg by a fifth.
CLEARLY_NEARER = 0.8
PARTS = {"knee": "knee", "ankle": "ankle", "heel": "heel_back", "foot_index": "toe"}
# Bodies smaller than this share of the picture's height need not be found. [1]
LEAST_BODY_SHARE = 0.15


def put_right(clips: list[Clip], out: Path, settings: Settings) -> dict[str, tuple[LandmarkTrack, RightedLegs]]:
    """Return each clip's saved landmarks, as the estimator gave them and with their legs put right."""
    return {clip.clip_id: saved_legs(clip, clip_folder(out, clip), settings) for clip in clips}


def leg_facts(
    clips: list[Clip], truth_files: dict[str, Path], tracks: dict[str, tuple[LandmarkTrack, RightedLegs]]
) -> pd.DataFrame:
    """Return one row per clip: frames, those with a body large enough, those found, and those with swapped legs.

    Columns: clip, view, look, frames, large, found, swapped_before, swapped, rebuilt.
    """
    rows = []
    for clip in clips:
        record = json.loads(truth_files[clip.clip_id].read_text(encoding="utf-8"))
        track, legs = tracks[clip.clip_id]
        seen = np.isfinite(track.xy_px[:, 0, 0])
        head, feet = (np.array(record["joints_px"][name], dtype=float)[:, 1] for name in ("head_top", "left_heel_back"))
        large = np.abs(feet - head) >= LEAST_BODY_SHARE * track.height_px
        rows.append(
            {
                "clip": clip.clip_id,
                "view": clip.view,
                "look": record["look"]["limb"],
                "frames": len(seen),
                "large": int(large.sum()),
                "found": int((seen & large).sum()),
                "swapped_before": int(_swapped(track, record).sum()),
                "swapped": int(_swapped(legs.track, record).sum()),
                "rebuilt": int(legs.rebuilt.any(axis=1).sum()),
            }
        )
    return pd.DataFrame(rows)


def goal_table(facts: pd.DataFrame, events: pd.DataFrame, knees: pd.DataFrame, values: pd.DataFrame) -> pd.DataFrame:
    """Return each figure with the published value and the goal beside it."""
    side = facts[facts["view"] == "sagittal"]
    contacts = events[(events["kind"] == "contact") & (events["view"] == "sagittal") & ~events["extra"]]
    frontal = events[(events["kind"] == "contact") & (events["view"] != "sagittal") & ~events["extra"]]
    toe_offs = events[(events["kind"] == "toe_off") & ~events["extra"]]
    used = knees[knees["used"]]
    rows = [
        ("knee flexion curve, RMSE, near limb, offset removed [deg]", "5.6", "3", _knee(used, "near"), len(used)),
        ("knee flexion curve, RMSE, far limb, offset removed [deg]", "5.6", "5", _knee(used, "far"), len(used)),
        ("side-view strides whose knee curve is used", "", "", f"{used.shape[0]} of {knees.shape[0]}", len(knees)),
        ("frames with legs swapped, before", "", "", f"{_ratio(side, 'swapped_before'):.2%}", len(side)),
        ("frames with legs swapped, after correction", "", "under 0.5 %", f"{_ratio(side, 'swapped'):.2%}", len(side)),
    ]
    for fps, goal in ((60, "12"), (50, ""), (30, "18"), (25, "")):
        some = contacts[contacts["fps"] == fps]
        rows.append((f"heel contact, side view, {fps} frames/s, MAE [ms]", "20", goal, *_mae(some["error_ms"])))
    rows += [
        ("heel contact, front and back, MAE [ms]", "20", "", *_mae(frontal["error_ms"])),
        ("toe-off, side view, MAE [ms]", "20", "20", *_mae(toe_offs[toe_offs["view"] == "sagittal"]["error_ms"])),
        ("stance-time ratio, MAE", "", "0.03", *_mae(_errors(values, "stance_time_ratio"))),
        ("step length with a scale, MAE [mm]", "49", "20", *_mae(1000 * _errors(values, "step_length_m"))),
        (
            "walker found, body at least 15 % of the picture",
            "",
            "98 %",
            f"{facts['found'].sum() / max(facts['large'].sum(), 1):.1%}",
            len(facts),
        ),
    ]
    return pd.DataFrame(rows, columns=["figure", "published", "goal", "reached", "n"])


def _knee(used: pd.DataFrame, near: str) -> float:
    """RMSE of the knee curves of near or far limbs, the mean of each stride's error removed. [deg]"""
    curves = used[used["near"] == near]["error"].to_list()
    if not curves:
        return float("nan")
    return float(np.sqrt(np.nanmean(np.concatenate([(curve - np.nanmean(curve)) ** 2 for curve in curves]))))


def _mae(errors: pd.Series) -> tuple[str, int]:
    """Mean absolute error, bias and how many could not be measured, in words; and the number of cases."""
    known = errors.dropna().astype(float)
    missing = f"{len(errors) - len(known)} not measured"
    if not len(known):
        return (missing if len(errors) else "-"), len(errors)
    return f"{known.abs().mean():.3g} (bias {known.mean():+.2g}, {missing})", len(errors)


def _errors(values: pd.DataFrame, metric: str) -> pd.Series:
    """Errors of a metric over visits and limbs."""
    return values[values["metric"] == metric]["error"].astype(float)


def _ratio(facts: pd.DataFrame, column: str) -> float:
    """Frames of a kind over all frames."""
    return float(facts[column].sum() / max(facts["frames"].sum(), 1))


def _swapped(track: LandmarkTrack, record: dict[str, dict[str, object]]) -> FloatArray:
    """Frames in which each leg lies nearer to the other true one, (n_frames,)."""
    joints = record["joints_px"]
    true = np.stack([[np.array(joints[f"{side}_{name}"], dtype=float) for name in PARTS.values()] for side in SIDES])
    found = np.stack([[point(track.xy_px, side, part) for part in PARTS] for side in SIDES])
    own = np.linalg.norm(found - true, axis=-1).sum(axis=(0, 1))
    other = np.linalg.norm(found[::-1] - true, axis=-1).sum(axis=(0, 1))
    return np.asarray(other < CLEARLY_NEARER * own)
