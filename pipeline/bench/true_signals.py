"""The pipeline's quantities from the 3D joints of a rendered walk: same definitions, no camera."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.geometry import ankle_dorsiflexion_deg, trunk_lean_deg
from pipeline.model import SIDES, FloatArray, Side, View, other_side
from pipeline.quantities import names_in
from pipeline.quantities_sagittal import HEEL_LEVEL_PERCENTILE, foot_pitch_deg

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
    axes = _body_axes(joints)
    hip, shoulder = ((axes[f"left_{name}"] + axes[f"right_{name}"]) / 2 for name in ("hip", "shoulder"))
    hip_pct = 100 * (hip[:, 1] - hip[:, 1].mean()) / leg_m
    lean_deg = trunk_lean_deg(hip, shoulder)
    signals: Signals = {name: {} for name in names_in("sagittal")}
    for side in SIDES:
        knee, ankle, heel, toe = (axes[f"{side}_{name}"] for name in ("knee", "ankle", "heel_back", "toe"))
        rise = 100 * heel[:, 1] / leg_m
        found = {
            "knee_flexion_deg": np.array(gait["knee_flexion_deg"][side], dtype=float)[part],
            "knee_flexion_quick_deg": np.array(gait["knee_flexion_deg"][side], dtype=float)[part],
            "ankle_dorsiflexion_deg": ankle_dorsiflexion_deg(knee, ankle, heel, toe),
            "foot_pitch_deg": foot_pitch_deg(heel, toe),
            "arm_angle_deg": np.array(gait["arm_angle_deg"][side], dtype=float)[part],
            "trunk_lean_deg": lean_deg,
            "hip_height_pct": hip_pct,
            "heel_height_pct": rise - np.percentile(rise, HEEL_LEVEL_PERCENTILE),
        }
        for name, by_side in signals.items():
            by_side[side] = found[name]
    return signals


def _body_axes(joints: Joints) -> Joints:
    """Joints along the walk and up, (n, 2). [m]"""
    way = (joints["pelvis"][-1] - joints["pelvis"][0])[:2]
    way = way / np.linalg.norm(way)
    return {name: np.column_stack([place[:, :2] @ way, place[:, 2]]) for name, place in joints.items()}


def _frontal(
    gait: dict[str, Any], joints: Joints, time_s: FloatArray, view: View, leg_m: float, part: slice
) -> Signals:
    """Directions, leans and sideways places."""
    across = _across(joints)
    hip, shoulder = (joints[f"left_{name}"] / 2 + joints[f"right_{name}"] / 2 for name in ("hip", "shoulder"))
    # As in the pipeline: the straight line of the walk, not the hips that sway about it.
    midline_m = np.polynomial.Polynomial.fit(time_s, hip @ across, 1)(time_s)
    lean_deg = np.degrees(np.arctan2((shoulder - hip) @ across, (shoulder - hip)[:, 2]))
    signals: Signals = {name: {} for name in names_in(view)}
    for side in SIDES:
        outward = 100 / leg_m if side == "left" else -100 / leg_m
        own, other = (joints[f"{one}_ankle"] @ across for one in (side, other_side(side)))
        pelvis = joints[f"{side}_hip"] - joints[f"{other_side(side)}_hip"]
        found = {
            "ankle_offset_pct": outward * (own - midline_m),
            "other_ankle_offset_pct": -outward * (other - midline_m),
            "ankle_beside_hip_pct": outward * (own - joints[f"{side}_hip"] @ across),
            "trunk_side_lean_deg": np.sign(outward) * lean_deg,
            "pelvic_obliquity_deg": np.degrees(np.arctan2(pelvis[:, 2], np.abs(pelvis @ across))),
            "foot_direction_deg": np.array(gait["foot_direction_deg"][side], dtype=float)[part],
            "foot_level_deg": np.array(gait["foot_direction_deg"][side], dtype=float)[part],
            "ankle_beside_knee_pct": outward * (own - joints[f"{side}_knee"] @ across),
        }
        for name, by_side in signals.items():
            by_side[side] = found[name]
    return signals


def _across(joints: Joints) -> FloatArray:
    """Sideways axis of the walk, from the right hip to the left one on average, (3,). [1]"""
    across = (joints["left_hip"] - joints["right_hip"]).mean(axis=0)
    across[2] = 0.0
    return np.asarray(across / np.linalg.norm(across))
