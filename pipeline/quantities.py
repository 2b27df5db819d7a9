"""The per-frame quantities of a clip, from which stride curves are cut: what each one is.

A name ends in its unit: `deg` or `pct`. How they are read from landmarks stands in `quantities_sagittal` and
`quantities_frontal`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import SIDES, FloatArray, Side, View


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a curve is: its name, title, unit, the views it is read in, and which way is positive."""

    name: str
    title: str
    unit: str
    views: tuple[View, ...]
    positive: str


END_VIEWS: tuple[View, ...] = ("anterior", "posterior")
QUANTITIES: tuple[Quantity, ...] = (
    Quantity("knee_flexion_deg", "Knee flexion", "deg", ("sagittal",), "flexion"),
    Quantity("knee_flexion_quick_deg", "Knee flexion, little smoothed", "deg", ("sagittal",), "flexion"),
    Quantity("ankle_dorsiflexion_deg", "Ankle dorsiflexion", "deg", ("sagittal",), "dorsiflexion"),
    Quantity("foot_pitch_deg", "Foot pitch", "deg", ("sagittal",), "toes up"),
    Quantity("arm_angle_deg", "Arm angle", "deg", ("sagittal",), "arm forward of the shoulder"),
    Quantity("trunk_lean_deg", "Trunk lean", "deg", ("sagittal",), "forward"),
    Quantity("hip_height_pct", "Hip height", "% leg length", ("sagittal",), "above the walk's mean height"),
    Quantity("heel_height_pct", "Heel height", "% leg length", ("sagittal",), "above its level in stance"),
    Quantity("foot_direction_deg", "Foot direction", "deg", ("anterior",), "external (toe out)"),
    Quantity("foot_level_deg", "Foot direction, its level", "deg", ("anterior",), "external (toe out)"),
    Quantity("ankle_beside_knee_pct", "Ankle beside the knee", "% leg length", ("posterior",), "ankle further out"),
    Quantity("ankle_beside_hip_pct", "Ankle beside the hip", "% leg length", END_VIEWS, "ankle further out"),
    Quantity("ankle_offset_pct", "Sideways ankle position", "% leg length", END_VIEWS, "away from the midline"),
    Quantity("other_ankle_offset_pct", "Other ankle's position", "% leg length", END_VIEWS, "away from the midline"),
    Quantity("trunk_side_lean_deg", "Sideways trunk lean", "deg", END_VIEWS, "over this limb"),
    Quantity("pelvic_obliquity_deg", "Pelvic obliquity", "deg", END_VIEWS, "this side up"),
)


def names_in(view: View) -> list[str]:
    """Return the names of the quantities that a view gives."""
    return [quantity.name for quantity in QUANTITIES if view in quantity.views]


def empty_signals(names: list[str], n_frames: int) -> dict[str, dict[Side, FloatArray]]:
    """Return signals of both sides without any value yet, by quantity and side, (n_frames,)."""
    return {name: {side: np.full(n_frames, np.nan) for side in SIDES} for name in names}


def without_line(values: FloatArray, time_s: FloatArray) -> FloatArray:
    """Return the values minus their straight line in time, (n_frames,)."""
    use = np.isfinite(values)
    if use.sum() < 2:
        return values
    return values - np.polynomial.Polynomial.fit(time_s[use], values[use], 1)(time_s)
