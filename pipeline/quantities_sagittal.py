"""Angles and heights of a side view, frame by frame."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import (
    TRUNK_OVER_LEG,
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
from pipeline.signals import lowpass
from pipeline.walkline import walk_line

# The estimator's hips lie about 3 cm in front of the joints, so that its trunk line leans back: by 2.3 deg forward and
# 3.6 deg backward peaks on 44 limbs of rendered walkers. Added to what is read. [deg]
TRUNK_LINE_BACK_DEG = 3.0
# The heel is down for the first 31 % of the stride (perry_2010, from memory): the middle of its heights there.
HEEL_LEVEL_PERCENTILE = 16
# A back bends about once a stride; of what is quicker the shoulders tell more. Own choice on rendered clips: 0.8 Hz
# puts the vault of upright walkers off by 0.6 % of the leg length and that of forward bending ones by 0.9; following
# the shoulders alone does 0.55 and 2.0, following the hips at 1.6 Hz 0.9 and 0.7. [Hz]
TRUNK_CHANGE_HZ = 0.8


def sagittal_quantities(motion: Motion, passes: list[Pass]) -> dict[str, dict[Side, FloatArray]]:
    """Return the quantities of a side view; NaN outside passes.

    Heights are read against the walking line of each pass: a camera that is not level or not square to the walkway
    makes a walker seem to climb and to grow. Hip height is followed at the shoulders, over a stiff trunk that leans as
    seen; what the hips tell besides, as a bending back does, counts where it is slow. A sideways lean of 8 deg still
    lowers the hips by 0.6 % of the leg length.
    """
    signals = empty_signals(names_in("sagittal"), len(motion.time_s))
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        line = walk_line(motion, stretch)
        axes = body_axes(motion.xy_px[part], stretch.direction)
        # A foot drops to the floor, and a knee snaps straight, in a tenth of a second: the quicker low-pass.
        quick = body_axes(motion.fast_xy_px[part], stretch.direction)
        lean_deg = trunk_lean_deg(middle(axes, "hip"), middle(axes, "shoulder"))
        hips, shoulders = (100.0 * line.height_legs(middle(motion.xy_px[part], name)) for name in ("hip", "shoulder"))
        # The hips rise and fall with the trunk, and the estimator holds shoulders two to three times as steadily.
        stiff = shoulders - 100.0 * TRUNK_OVER_LEG * np.cos(np.radians(lean_deg))
        slow = lowpass((hips - stiff)[:, None], fps=motion.fps, cutoff_hz=TRUNK_CHANGE_HZ)[:, 0]
        hip_pct = without_line(stiff + slow, motion.time_s[part])
        for side in SIDES:
            at = {name: point(axes, side, name) for name in ("hip", "knee", "ankle", "heel", "foot_index")}
            rise = 100.0 * line.height_legs(point(motion.xy_px[part], side, "heel"))
            signals["knee_flexion_deg"][side][part] = knee_flexion_deg(at["hip"], at["knee"], at["ankle"])
            signals["knee_flexion_quick_deg"][side][part] = knee_flexion_deg(
                *(point(quick, side, name) for name in ("hip", "knee", "ankle"))
            )
            signals["ankle_dorsiflexion_deg"][side][part] = ankle_dorsiflexion_deg(
                at["knee"], at["ankle"], at["heel"], at["foot_index"]
            )
            signals["foot_pitch_deg"][side][part] = foot_pitch_deg(
                point(quick, side, "heel"), point(quick, side, "foot_index")
            )
            signals["arm_angle_deg"][side][part] = from_vertical_deg(
                point(axes, side, "shoulder"), point(axes, side, "wrist")
            )
            signals["trunk_lean_deg"][side][part] = lean_deg + TRUNK_LINE_BACK_DEG
            signals["hip_height_pct"][side][part] = hip_pct
            level = np.nanpercentile(rise, HEEL_LEVEL_PERCENTILE) if np.isfinite(rise).any() else np.nan
            signals["heel_height_pct"][side][part] = rise - level
    return signals


def foot_pitch_deg(heel: FloatArray, toe: FloatArray) -> FloatArray:
    """Return the angle of the heel-toe line against the floor, (n,). [deg]

    Parameters
    ----------
    heel, toe : (n, 2)
        In body axes (x forward, y up). [px]

    Returns
    -------
    (n,)
        Toes up positive. [deg]
    """
    along = toe - heel
    return np.asarray(np.degrees(np.arctan2(along[:, 1], along[:, 0])))
