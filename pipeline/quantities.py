"""The per-frame quantities of a clip, from which stride curves are cut.

Each quantity is a dict of side to (n_frames,). Its name ends in its unit: `deg` or `pct`. `QUANTITIES` names
them all, with the view they are read in, the axis label and the sign.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import (
    FOOT_OF_HEIGHT,
    HIP_TO_ANKLE_OF_HEIGHT,
    SHOULDER_TO_HIP_OF_HEIGHT,
    ankle_dorsiflexion_deg,
    body_axes,
    foot_direction_deg,
    from_vertical_deg,
    knee_flexion_deg,
    middle,
    point,
    trunk_lean_deg,
)
from pipeline.model import SIDES, FloatArray, Pass, Side, View
from pipeline.motion import Motion
from pipeline.passes import size_in_pass_px
from pipeline.walkline import walk_line

# Trunk length (mid-shoulder to mid-hip) as a share of leg length (hip to ankle), Drillis & Contini 1966.
TRUNK_OVER_LEG = SHOULDER_TO_HIP_OF_HEIGHT / HIP_TO_ANKLE_OF_HEIGHT

# The heel is down for the first 31 % of the stride (perry_2010, from memory): the middle of its heights there.
HEEL_LEVEL_PERCENTILE = 16


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a curve is: its name, title, unit, the view it is read in, and which way is positive."""

    name: str
    title: str
    unit: str
    view: View
    positive: str


QUANTITIES: tuple[Quantity, ...] = (
    Quantity("knee_flexion_deg", "Knee flexion", "deg", "sagittal", "flexion"),
    Quantity("ankle_dorsiflexion_deg", "Ankle dorsiflexion", "deg", "sagittal", "dorsiflexion"),
    Quantity("arm_angle_deg", "Arm angle", "deg", "sagittal", "arm forward of the shoulder"),
    Quantity("trunk_lean_deg", "Trunk lean", "deg", "sagittal", "forward"),
    Quantity("hip_height_pct", "Hip height", "% leg length", "sagittal", "above the walk's mean height"),
    Quantity("heel_height_pct", "Heel height", "% leg length", "sagittal", "above its level in stance"),
    Quantity("foot_direction_deg", "Foot direction", "deg", "anterior", "external (toe out)"),
    Quantity("heel_offset_pct", "Sideways heel position", "% leg length", "posterior", "away from the midline"),
)


def sagittal_quantities(motion: Motion, passes: list[Pass]) -> dict[str, dict[Side, FloatArray]]:
    """Return the quantities of a side view; NaN outside passes.

    Heights are read against the walking line of each pass: a camera that is not level or not square to the walkway
    makes a walker seem to climb and to grow. Hip height is followed at the shoulders, with the trunk taken as stiff: a
    lean of 8 deg, forward or sideways, lowers them by 0.6 % of the leg length.
    """
    names = [quantity.name for quantity in QUANTITIES if quantity.view == "sagittal"]
    signals = _empty(names, len(motion.time_s))
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        line = walk_line(motion, stretch)
        axes = body_axes(motion.xy_px[part], stretch.direction)
        # The hips rise and fall with the trunk, and the estimator holds shoulders two to three times as steadily.
        rise_pct = 100.0 * line.height_legs(middle(motion.xy_px[part], "shoulder"))
        hip_pct = _without_line(rise_pct, motion.time_s[part])
        lean_deg = trunk_lean_deg(middle(axes, "hip"), middle(axes, "shoulder"))
        for side in SIDES:
            at = {name: point(axes, side, name) for name in ("hip", "knee", "ankle", "heel", "foot_index")}
            rise = 100.0 * line.height_legs(point(motion.xy_px[part], side, "heel"))
            signals["knee_flexion_deg"][side][part] = knee_flexion_deg(at["hip"], at["knee"], at["ankle"])
            signals["ankle_dorsiflexion_deg"][side][part] = ankle_dorsiflexion_deg(
                at["knee"], at["ankle"], at["heel"], at["foot_index"]
            )
            signals["arm_angle_deg"][side][part] = from_vertical_deg(
                point(axes, side, "shoulder"), point(axes, side, "wrist")
            )
            signals["trunk_lean_deg"][side][part] = lean_deg
            signals["hip_height_pct"][side][part] = hip_pct
            level = np.nanpercentile(rise, HEEL_LEVEL_PERCENTILE) if np.isfinite(rise).any() else np.nan
            signals["heel_height_pct"][side][part] = rise - level
    return signals


def frontal_quantities(motion: Motion, passes: list[Pass], view: View) -> dict[str, dict[Side, FloatArray]]:
    """Return the quantities of a front or back view; NaN outside passes.

    Lengths are taken against the trunk's, whose picture grows or shrinks evenly along the pass.
    """
    names = [quantity.name for quantity in QUANTITIES if quantity.view == view]
    signals = _empty(names, len(motion.time_s))
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        time_s = motion.time_s[part]
        trunk = size_in_pass_px(motion, stretch)
        leg = trunk / TRUNK_OVER_LEG
        # Place across the picture in leg lengths: what the walk's straight line leaves is sideways movement.
        hips = middle(motion.xy_px[part], "hip")[:, 0] / leg
        midline = hips - _without_line(hips, time_s)
        foot = trunk * FOOT_OF_HEIGHT / SHOULDER_TO_HIP_OF_HEIGHT
        for side in SIDES:
            outward = outward_of(view, side)
            if view == "anterior":
                # A turn at contact is over in a tenth of a second: the quicker low-pass.
                quick = motion.fast_xy_px[part]
                signals["foot_direction_deg"][side][part] = foot_direction_deg(
                    point(quick, side, "heel"), point(quick, side, "foot_index"), foot, outward
                )
            else:
                heel = point(motion.xy_px[part], side, "heel")[:, 0] / leg
                signals["heel_offset_pct"][side][part] = 100.0 * outward * (heel - midline)
    return signals


def outward_of(view: View, side: Side) -> int:
    """Return +1 when a limb's outer side lies to the right of the picture, else -1.

    Seen from the front the person's left is on the right of the picture; from behind it is on the left.
    """
    on_the_right = side == ("left" if view == "anterior" else "right")
    return 1 if on_the_right else -1


def _empty(names: list[str], n_frames: int) -> dict[str, dict[Side, FloatArray]]:
    """Signals of both sides without any value yet."""
    return {name: {side: np.full(n_frames, np.nan) for side in SIDES} for name in names}


def _without_line(values: FloatArray, time_s: FloatArray) -> FloatArray:
    """Return the values minus their straight line in time."""
    use = np.isfinite(values)
    if use.sum() < 2:
        return values
    return values - np.polynomial.Polynomial.fit(time_s[use], values[use], 1)(time_s)
