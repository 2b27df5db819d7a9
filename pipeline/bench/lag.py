"""How far landmarks trail the movement of rendered clips, by cross-correlation with the true joints in the picture."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.interpolate import CubicSpline

from pipeline.geometry import LEG_PARTS, point
from pipeline.model import SIDES, FloatArray
from pipeline.motion import Motion
from pipeline.signals import derivative, parabola_peak

# The joint of a truth file that stands for each landmark.
TRUE_JOINTS = {"hip": "hip", "knee": "knee", "ankle": "ankle", "heel": "heel_back", "foot_index": "toe"}
# Shifts that are tried; the estimator's own smoothing trailed by up to 50 ms. Own choice.
LONGEST_LAG_S = 0.15
LAG_STEP_S = 0.005
# Below this correlation of speeds the landmark was not on its joint, or hardly changes its speed (the hip along the
# walk), and a lag says nothing. Own choice: half of the variance is shared.
LEAST_CORRELATION = 0.7
AXES = ("horizontal", "vertical")


def lag_table(clips: Iterable[tuple[Motion, Path]]) -> pd.DataFrame:
    """Return how much each leg landmark trails its joint, by landmark and frame rate.

    Parameters
    ----------
    clips : pairs of Motion and Path
        Side views with their truth files. The event signals are measured, `fast_xy_px`.

    Returns
    -------
    DataFrame
        landmark, frame rate, limbs (measured and all), and for each axis of the picture the median lag in ms and in
        frames and the 5th and 95th percentile in ms. Positive: later than the joint.
    """
    rows = []
    for motion, truth in clips:
        record = json.loads(truth.read_text(encoding="utf-8"))
        true_s = np.array(record["gait"]["time_s"], dtype=float)
        for side in SIDES:
            for part in LEG_PARTS:
                true_px = np.array(record["joints_px"][f"{side}_{TRUE_JOINTS[part]}"], dtype=float)
                found_px = point(motion.fast_xy_px, side, part)
                row: dict[str, object] = {"landmark": part, "fps": round(motion.fps)}
                for axis, name in enumerate(AXES):
                    row[name] = lag_s(found_px[:, axis], motion.time_s, true_px[:, axis], true_s)
                rows.append(row)
    if not rows:
        return pd.DataFrame()
    return _summary(pd.DataFrame(rows))


def lag_s(found_px: FloatArray, time_s: FloatArray, true_px: FloatArray, true_s: FloatArray) -> float:
    """Return by how much a path trails the true one: the shift at which their speeds correlate best.

    Parameters
    ----------
    found_px : (n_frames,)
        One coordinate on an even clock, NaN where not seen. [px]
    time_s : (n_frames,)
        [s]
    true_px, true_s : (n_true,)
        The same coordinate of the joint and its times. [px], [s]

    Returns
    -------
    float
        Positive when late. NaN when the paths have too little in common or the best shift is the longest tried. [s]
    """
    true_speed = CubicSpline(true_s, true_px).derivative()
    speed = derivative(found_px, fps=1.0 / float(time_s[1] - time_s[0]))
    inside = (time_s >= true_s[0] + LONGEST_LAG_S) & (time_s <= true_s[-1] - LONGEST_LAG_S)
    use = inside & np.isfinite(speed)
    if use.sum() < 10:
        return float("nan")
    shifts_s = np.arange(-LONGEST_LAG_S, LONGEST_LAG_S + LAG_STEP_S / 2, LAG_STEP_S)
    match = np.array([np.corrcoef(speed[use], true_speed(time_s[use] - shift_s))[0, 1] for shift_s in shifts_s])
    best = int(np.argmax(match))
    if not match[best] >= LEAST_CORRELATION or best in (0, len(match) - 1):
        return float("nan")
    return float(shifts_s[0] + LAG_STEP_S * parabola_peak(match, best))


def _summary(lags: pd.DataFrame) -> pd.DataFrame:
    """Medians and spread over limbs, by landmark and frame rate."""
    rows = []
    for (part, _), group in lags.sort_values("fps", kind="stable").groupby(["landmark", "fps"], sort=False):
        fps = int(group["fps"].iloc[0])
        row: dict[str, object] = {"landmark": part, "frames a second": fps}
        for name in AXES:
            known_ms = 1000.0 * group[name].dropna().to_numpy(dtype=float)
            low, middle, high = np.percentile(known_ms, [5, 50, 95]) if len(known_ms) else [np.nan] * 3
            row |= {
                f"limbs, {name}": f"{len(known_ms)} of {len(group)}",
                f"{name} lag [ms]": middle,
                f"{name} lag [frames]": middle * fps / 1000.0,
                f"{name} 5 % [ms]": low,
                f"{name} 95 % [ms]": high,
            }
        rows.append(row)
    return pd.DataFrame(rows)
