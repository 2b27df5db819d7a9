"""Angles and heights of a side view, frame by frame."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import (
    ankle_dorsiflexion_deg,
    body_axes,
    from_vertical_deg,
    knee_flexion_deg,
    middle,
    point,
    trunk_lean_deg,
)
from pipeline.model import SIDES, FloatArray, Pass, Side
from pipeline.motion import Motion
from pipeline.quantities import empty_signals, names_in, without_line
from pipeline.walkline import walk_line

# The heel is down for the first 31 % of the stride (perry_2010, from memory): the middle of its heights there.
HEEL_LEVEL_PERCENTILE = 16


def sagittal_quantities(motion: Motion, passes: list[Pass]) -> dict[str, dict[Side, FloatArray]]:
    """Return the quantities of a side view; NaN outside passes.

    Heights are read against the walking line of each pass: a camera that is not level or not square to the walkway
    makes a walker seem to climb and to grow. Hip height is followed at the shoulders, with the trunk taken as stiff: a
    lean of 8 deg, forward or sideways, lowers them by 0.6 % of the leg length.
    """
    signals = empty_signals(names_in("sagittal"), len(motion.time_s))
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        line = walk_line(motion, stretch)
        axes = body_axes(motion.xy_px[part], stretch.direction)
        # The hips rise and fall with the trunk, and the estimator holds shoulders two to three times as steadily.
        rise_pct = 100.0 * line.height_legs(middle(motion.xy_px[part], "shoulder"))
        hip_pct = without_line(rise_pct, motion.time_s[part])
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
