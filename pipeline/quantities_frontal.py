"""Directions, leans and sideways places of a front or back view, frame by frame."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.geometry import (
    FOOT_OF_HEIGHT,
    SHOULDER_TO_HIP_OF_HEIGHT,
    TRUNK_OVER_LEG,
    foot_direction_deg,
    middle,
    point,
)
from pipeline.model import SIDES, FloatArray, Pass, Side, View, other_side
from pipeline.motion import Motion
from pipeline.parallax import ahead_of_hips, straight_course
from pipeline.passes import size_in_pass_px
from pipeline.quantities import empty_signals, names_in

# The estimator turns the line of the hips with the trunk, by this share of its lean: on 36 rendered clips a lean of up
# to 16 deg then no longer changes what is read in mid-swing. Own choice. [1]
HIP_LINE_FOLLOWS_TRUNK = 0.64
# Share of a lift of the pelvis that the estimator's hip line shows from the front: slope of found on true over the
# same clips. What is read is divided by it, so that limits and errors are those of the pelvis. Own choice. [1]
HIP_LINE_SHOWS = 0.30


def frontal_quantities(
    motion: Motion, passes: list[Pass], view: View, events: pd.DataFrame | None = None
) -> dict[str, dict[Side, FloatArray]]:
    """Return the quantities of a front or back view; NaN outside passes.

    Lengths are taken against the trunk's, whose picture grows or shrinks evenly along the pass. The
    feet's sideways places are freed from what their way ahead of the hips adds, which contacts tell (see `parallax`).
    """
    signals = empty_signals(names_in(view), len(motion.time_s))
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        xy, quick = motion.xy_px[part], motion.fast_xy_px[part]
        time_s = motion.time_s[part]
        trunk = size_in_pass_px(motion, stretch)
        foot = trunk * FOOT_OF_HEIGHT / SHOULDER_TO_HIP_OF_HEIGHT
        course = straight_course(motion, stretch, trunk / TRUNK_OVER_LEG, view)
        speed = course.speed(time_s, motion.fps)
        ahead = {side: ahead_of_hips(events, side, time_s, speed) for side in SIDES}
        ankle_pct = {side: course.place_pct(point(xy, side, "ankle")[:, 0], ahead[side]) for side in SIDES}
        lean_deg = lean_to_right_deg(middle(xy, "hip"), middle(xy, "shoulder"))
        for side in SIDES:
            other, outward = other_side(side), outward_of(view, side)
            hip, other_hip = point(xy, side, "hip"), point(xy, other, "hip")
            signals["ankle_offset_pct"][side][part] = outward * ankle_pct[side]
            signals["other_ankle_offset_pct"][side][part] = -outward * ankle_pct[other]
            signals["ankle_beside_hip_pct"][side][part] = outward * (ankle_pct[side] - course.place_pct(hip[:, 0]))
            signals["trunk_side_lean_deg"][side][part] = outward * lean_deg
            shown_deg = obliquity_deg(hip, other_hip) + HIP_LINE_FOLLOWS_TRUNK * outward * lean_deg
            signals["pelvic_obliquity_deg"][side][part] = shown_deg / HIP_LINE_SHOWS
            if view == "anterior":
                # A turn at contact is over in a tenth of a second: the quicker low-pass.
                signals["foot_direction_deg"][side][part] = foot_direction_deg(
                    point(quick, side, "heel"), point(quick, side, "foot_index"), foot, outward
                )
                signals["foot_level_deg"][side][part] = signals["foot_direction_deg"][side][part]
            else:
                # A whip is as quick. Just after toe-off the knee passes below the hips, and is as far away as they are.
                shank = course.place_pct(point(quick, side, "ankle")[:, 0], ahead[side])
                shank = shank - course.place_pct(point(quick, side, "knee")[:, 0])
                signals["ankle_beside_knee_pct"][side][part] = outward * shank
    return signals


def lean_to_right_deg(hip: FloatArray, shoulder: FloatArray) -> FloatArray:
    """Return the lean of the line from hips to shoulders toward the right of the picture, (n,). [deg]"""
    along = shoulder - hip
    return np.degrees(np.arctan2(along[:, 0], -along[:, 1]))


def obliquity_deg(hip: FloatArray, other_hip: FloatArray) -> FloatArray:
    """Return the slope of the line between both hips, positive when the first stands higher, (n,). [deg]"""
    along = hip - other_hip
    return np.degrees(np.arctan2(-along[:, 1], np.abs(along[:, 0])))


def outward_of(view: View, side: Side) -> int:
    """Return +1 when a limb's outer side lies to the right of the picture, else -1.

    Seen from the front the person's left is on the right of the picture; from behind it is on the left.
    """
    on_the_right = side == ("left" if view == "anterior" else "right")
    return 1 if on_the_right else -1
