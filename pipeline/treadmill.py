"""Walking on a treadmill, seen from the side: the hips stay, and the standing foot goes back with the belt."""

from __future__ import annotations

import numpy as np

from pipeline.geometry import body_axes, middle, point
from pipeline.model import SIDES, FloatArray, Pass
from pipeline.motion import Motion, body_leg_px
from pipeline.signals import derivative, runs

# A slower belt is none, and faster hips walk over ground. Own choice: a third of a slow walk, about 0.2 m/s for a leg
# of 0.85 m.
SLOWEST_LEGS_PER_S = 0.25
# The shortest walk that is looked for. Own choice: a stride or two.
SHORTEST_S = 2.0
# The hips of a treadmill walker drift and surge by less than this about their place. Own choice.
LARGEST_DRIFT_LEGS = 0.75
# Each ankle gets this far ahead of the other; in jumps and marching on the spot neither does. Own choice: a step of a
# third of the usual length.
SMALLEST_STEP_LEGS = 0.25
# The slower foot stands on the belt nearly all the time: its speed is within half of the belt's in this share of the
# frames or more. Own choice: 0.8 to 1 when walking, 0.4 at most in dances, rolls and crawls.
SMALLEST_BELT_SHARE = 0.6


def treadmill_passes(motion: Motion) -> list[Pass]:
    """Return the frames of a side view in which a person walks on a treadmill, as one pass; none if nobody does.

    The hips stay within three quarters of a leg length while the feet step past each other and one or the other always
    goes back evenly. The direction is that of the feet: the tips are ahead of the heels.
    """
    leg_px = body_leg_px(motion)
    hips = middle(motion.xy_px, "hip")[:, 0] / leg_px
    feet = [point(motion.xy_px, side, "foot_index") - point(motion.xy_px, side, "heel") for side in SIDES]
    found = []
    for start, stop in runs(np.isfinite(hips)):
        part = slice(start, stop)
        tips_ahead = np.concatenate([foot[part, 0] for foot in feet])
        if (stop - start) / motion.fps < SHORTEST_S or not np.isfinite(tips_ahead).any():
            continue
        direction = 1 if np.nanmedian(tips_ahead) > 0 else -1
        axes = body_axes(motion.xy_px[part], direction) / leg_px
        drift = float(np.ptp(hips[part]))
        if drift < LARGEST_DRIFT_LEGS and _stepping(axes) and _on_belt(standing_speed(axes, motion.fps)):
            found.append(Pass(start, stop, direction, "right" if direction > 0 else "left"))
    return found


def standing_speed(axes: FloatArray, fps: float) -> FloatArray:
    """Return the speed of the slower foot, which is the one that stands, (n_frames,). [legs/s]

    Parameters
    ----------
    axes : (n_frames, 33, 2)
        Landmarks, forwards positive. [legs]
    fps : float
        [1/s]
    """
    feet = [(point(axes, side, "heel") + point(axes, side, "foot_index"))[:, 0] / 2 for side in SIDES]
    return np.asarray(np.fmin(*(derivative(foot, fps=fps) for foot in feet)))


def floor_speed(axes: FloatArray, fps: float) -> float:
    """Return how fast the floor moves along a pass: 0 over ground, on a treadmill as the standing foot. [legs/s]"""
    hips = middle(axes, "hip")[:, 0]
    if abs(float(np.nanmedian(derivative(hips, fps=fps)))) > SLOWEST_LEGS_PER_S:
        return 0.0
    speed = standing_speed(axes, fps)
    return float(np.nanmedian(speed)) if np.isfinite(speed).any() else 0.0


def _stepping(axes: FloatArray) -> bool:
    """Whether each ankle gets ahead of the other."""
    ahead = (point(axes, "left", "ankle") - point(axes, "right", "ankle"))[:, 0]
    if not np.isfinite(ahead).any():
        return False
    backmost, foremost = np.nanpercentile(ahead, [5, 95])
    return bool(foremost > SMALLEST_STEP_LEGS and backmost < -SMALLEST_STEP_LEGS)


def _on_belt(speed: FloatArray) -> bool:
    """Whether the standing foot goes back evenly, faster than standing counts."""
    belt = float(np.nanmedian(speed)) if np.isfinite(speed).any() else 0.0
    even = np.abs(speed - belt) < 0.5 * abs(belt)
    return belt < -SLOWEST_LEGS_PER_S and float(even.mean()) >= SMALLEST_BELT_SHARE
