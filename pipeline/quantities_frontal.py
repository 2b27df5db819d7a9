"""Directions and sideways places of a front or back view, frame by frame."""

from __future__ import annotations

from pipeline.geometry import (
    FOOT_OF_HEIGHT,
    HIP_TO_ANKLE_OF_HEIGHT,
    SHOULDER_TO_HIP_OF_HEIGHT,
    foot_direction_deg,
    middle,
    point,
)
from pipeline.model import SIDES, FloatArray, Pass, Side, View
from pipeline.motion import Motion
from pipeline.passes import size_in_pass_px
from pipeline.quantities import empty_signals, names_in, without_line

# Trunk length (mid-shoulder to mid-hip) as a share of leg length (hip to ankle), Drillis & Contini 1966.
TRUNK_OVER_LEG = SHOULDER_TO_HIP_OF_HEIGHT / HIP_TO_ANKLE_OF_HEIGHT


def frontal_quantities(motion: Motion, passes: list[Pass], view: View) -> dict[str, dict[Side, FloatArray]]:
    """Return the quantities of a front or back view; NaN outside passes.

    Lengths are taken against the trunk's, whose picture grows or shrinks evenly along the pass.
    """
    signals = empty_signals(names_in(view), len(motion.time_s))
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        time_s = motion.time_s[part]
        trunk = size_in_pass_px(motion, stretch)
        leg = trunk / TRUNK_OVER_LEG
        # Place across the picture in leg lengths: what the walk's straight line leaves is sideways movement.
        hips = middle(motion.xy_px[part], "hip")[:, 0] / leg
        midline = hips - without_line(hips, time_s)
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
