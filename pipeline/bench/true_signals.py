"""The pipeline's quantities from the 3D joints of a rendered walk: same definitions, no camera."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.model import SIDES, FloatArray, Side, View
from pipeline.quantities_sagittal import HEEL_LEVEL_PERCENTILE

Joints = dict[str, FloatArray]
Signals = dict[str, dict[Side, FloatArray]]


def true_signals(
    gait: dict[str, Any], joints: Joints, time_s: FloatArray, *, view: View, leg_m: float, part: slice
) -> Signals:
    """Return the quantities of one walk as its view would show them.

    Parameters
    ----------
    gait : dict
        The walker's own truth, with angles of every frame of the clip.
    joints : dict of name to (n_frames, 3)
        Joints of the walk alone: x, y, z, up positive. [m]
    time_s : (n_frames,)
        [s]
    leg_m : float
        Leg length, hip to ankle. [m]
    part : slice
        Frames of the walk in the clip.
    """
    if view == "sagittal":
        return _sagittal(gait, joints, leg_m, part)
    return _frontal(gait, joints, time_s, view, leg_m, part)


def _sagittal(gait: dict[str, Any], joints: Joints, leg_m: float, part: slice) -> Signals:
    """Angles and heights."""
    hip = (joints["left_hip"] + joints["right_hip"]) / 2
    hip_pct = 100 * (hip[:, 2] - hip[:, 2].mean()) / leg_m
    signals: Signals = {
        name: {side: np.array(gait[name][side], dtype=float)[part] for side in SIDES}
        for name in ("knee_flexion_deg", "arm_angle_deg")
    }
    signals["hip_height_pct"] = {side: hip_pct for side in SIDES}
    signals["heel_height_pct"] = {}
    for side in SIDES:
        rise = 100 * joints[f"{side}_heel_back"][:, 2] / leg_m
        signals["heel_height_pct"][side] = rise - np.percentile(rise, HEEL_LEVEL_PERCENTILE)
    return signals


def _frontal(
    gait: dict[str, Any], joints: Joints, time_s: FloatArray, view: View, leg_m: float, part: slice
) -> Signals:
    """Directions and sideways places."""
    if view == "anterior":
        direction = {side: np.array(gait["foot_direction_deg"][side], dtype=float)[part] for side in SIDES}
        return {"foot_direction_deg": direction}
    hip = (joints["left_hip"] + joints["right_hip"]) / 2
    # Sideways axis of the walk: from the right hip to the left one, on average.
    across = (joints["left_hip"] - joints["right_hip"]).mean(axis=0)
    across[2] = 0.0
    across /= np.linalg.norm(across)
    # As in the pipeline: the straight line of the walk, not the hips that sway about it.
    midline_m = np.polynomial.Polynomial.fit(time_s, hip @ across, 1)(time_s)
    offset = {}
    for side in SIDES:
        outward = 1 if side == "left" else -1
        offset[side] = 100 * outward * (joints[f"{side}_heel_back"] @ across - midline_m) / leg_m
    return {"heel_offset_pct": offset}
