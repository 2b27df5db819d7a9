"""Quiet standing in a side view, and the constant error of the knee angle that it shows.

The pose estimator's hip, knee and ankle are not the joint centres: its knee angle is off by a few degrees, always to
the same side in one clip. In quiet standing the true angle is known well enough to see by how much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import (
    FOOT_OF_HEIGHT,
    HIP_TO_ANKLE_OF_HEIGHT,
    INDEX,
    SHOULDER_TO_HIP_OF_HEIGHT,
    Lens,
    body_axes,
    knee_flexion_deg,
    middle,
    point,
)
from pipeline.model import SIDES, BoolArray, FloatArray, Pass, QualityNote, Side
from pipeline.motion import Motion, body_leg_px, trunk_px
from pipeline.recording import at_least
from pipeline.signals import derivative, lowpass, runs
from pipeline.walkway import NARROW_SHOULDERS

# Hips and ankles slower than this stand still, smoothed this much. Own choice: quiet standing sways by 1-2 cm/s (from
# memory), landmarks of a hidden leg jitter more; a swinging foot moves at 2-3 legs/s.
STILL_LEGS_PER_S = 0.15
STILL_CUTOFF_HZ = 1.0
# Shortest standing that counts, and what is left out at both ends, where the step begins or ends. Own choice. [s]
SHORTEST_STAND_S = 1.0
STEP_S = 0.2
# Upright: hips at least this high over the ankles; both feet on the floor: ankles this far apart in height. A near and
# a far foot are seen up to 0.09 legs apart by perspective alone. Own choice. [legs]
UPRIGHT_LEGS = 0.85
LEVEL_LEGS = 0.15
# Seen from the side a foot shows at least this share of its length. Own choice.
FOOT_SHARE = 0.5
# Distance of the shoulder joints over the trunk's length, by body-segment proportions (from memory, see walkway.py).
SHOULDERS_OVER_TRUNK = 0.21 / SHOULDER_TO_HIP_OF_HEIGHT
# Knee flexion of a person who stands quietly. Own choice: sound knees stand at 0-5 deg (from memory), a prosthetic knee
# at its stop, 0 deg; the middle of it. What this may be off, as one standard deviation.
STANDING_KNEE_DEG = 2.0
STANDING_KNEE_SD_DEG = 3.0
# How far the offset where the person stands is from that of the whole pass, and how large offsets are. Own choice on
# rendered clips: it changes by 2-4 deg along a pass; biases are 3 to 6 deg.
ALONG_PASS_SD_DEG = 3.0
OFFSET_SD_DEG = 4.0
# So much of a reading is taken for offset, the rest for its error: the best linear estimate of one normal quantity seen
# with independent errors (textbook).
OFFSET_SHARE = OFFSET_SD_DEG**2 / (OFFSET_SD_DEG**2 + STANDING_KNEE_SD_DEG**2 + ALONG_PASS_SD_DEG**2)
# A reading further off is posture, for example a contracture, and stays. Own choice: the estimator's offsets measured
# on rendered clips go to 7 deg on the near leg.
LARGEST_OFFSET_DEG = 10.0
# Advice only: a clip without standing is no worse than it was.
STANDING_NOTE = "frames of quiet standing"


@dataclass(frozen=True, slots=True)
class Standing:
    """The frames of quiet standing with the walker facing one way, and the near leg's knee in them.

    Attributes
    ----------
    facing : int
        +1 to the right of the picture, -1 to the left.
    n_frames : int
    knee_deg : float
        Median knee flexion of the leg towards the camera. [deg]
    spread_deg : float
        Its standard deviation over the frames. [deg]
    """

    facing: int
    n_frames: int
    knee_deg: float
    spread_deg: float

    @property
    def is_posture(self) -> bool:
        """The knee is bent, or bent back, by more than the estimator is ever wrong."""
        return abs(self.knee_deg - STANDING_KNEE_DEG) > LARGEST_OFFSET_DEG

    @property
    def offset_deg(self) -> float:
        """What the knee angle probably reads too much; 0 where the reading is posture. [deg]"""
        return 0.0 if self.is_posture else OFFSET_SHARE * (self.knee_deg - STANDING_KNEE_DEG)


def find_standing(motion: Motion, lens: Lens) -> tuple[Standing, ...]:
    """Return the standing reference of a side view for each way in which the walker stood, right first.

    Parameters
    ----------
    motion : Motion
        Of a level camera.
    lens : Lens

    Notes
    -----
    Quiet standing: hips and ankles still for a second or more, hips up, both feet on the floor, seen from the side.
    Only the near leg is read: the far one stands behind it, and what the estimator says of it is a guess.
    """
    found = []
    for facing in (1, -1):
        near: Side = "right" if facing > 0 else "left"
        frames = _standing_frames(motion, facing, lens)
        axes = body_axes(motion.xy_px[frames], facing)
        knee_deg = knee_flexion_deg(*(point(axes, near, part) for part in ("hip", "knee", "ankle")))
        knee_deg = knee_deg[np.isfinite(knee_deg)]
        if len(knee_deg):
            found.append(Standing(facing, len(knee_deg), float(np.median(knee_deg)), float(np.std(knee_deg))))
    return tuple(found)


def without_offset(
    knee_deg: dict[Side, FloatArray], passes: list[Pass], standing: tuple[Standing, ...]
) -> dict[Side, FloatArray]:
    """Return the knee flexion of both legs without the offset that standing shows.

    Parameters
    ----------
    knee_deg : dict of side to (n_frames,)
        [deg]
    passes : list of Pass
    standing : tuple of Standing

    Notes
    -----
    Taken off in the passes that go the way the walker faced; a pass back shows the other leg near and is left as it is,
    and nothing is carried over to other clips. Both legs get the near one's offset: of the far leg, one of five
    rendered clips had no reading in standing and one was 11 deg off. Trunk and ankle are left alone: a lean in standing
    is a finding, and in standing the ankle was up to 17 deg further off than in walking.

    In the five passes the near leg's mean error over the walk was 3.3 deg (root mean square) as it was, 2.7 with all of
    the reading taken off, 2.5 with `OFFSET_SHARE` of it; at contact 1.8, 3.1 and 1.6 (mean size). What is left,
    about 3 deg, is less than the own error of the metrics that read the knee (measurement_error.toml).
    """
    offsets = {one.facing: one.offset_deg for one in standing}
    freed = {side: values.copy() for side, values in knee_deg.items()}
    for stretch in passes:
        for side in SIDES:
            freed[side][stretch.start : stretch.stop] -= offsets.get(stretch.direction, 0.0)
    return freed


def standing_note(standing: tuple[Standing, ...]) -> QualityNote:
    """Return the note on the standing reference: how many frames there are, and what to do for some."""
    advice = "Let the walker stand still for two seconds, seen from the side, before the first step."
    bent = [one for one in standing if one.is_posture]
    if bent:
        advice = (
            f"The knee stands at {bent[0].knee_deg:.0f} deg, more than the estimator's own error: taken for posture "
            "and left in the curves. Look whether the knee comes straight."
        )
    usable = sum(one.n_frames for one in standing if not one.is_posture)
    return at_least(STANDING_NOTE, usable, "1", 1, advice)


def _standing_frames(motion: Motion, facing: int, lens: Lens) -> BoolArray:
    """Frames of quiet standing that face one way, (n_frames,)."""
    leg_px = body_leg_px(motion)
    with np.errstate(invalid="ignore"):
        good = _still(motion, leg_px) & _upright(motion, leg_px) & _sideways(motion, facing, leg_px, lens)
    margin = round(STEP_S * motion.fps)
    standing = np.zeros(len(good), dtype=bool)
    for start, stop in runs(good):
        if (stop - start) / motion.fps >= SHORTEST_STAND_S:
            # Nothing happens before the first frame or after the last one.
            standing[start + margin * (start > 0) : stop - margin * (stop < len(good))] = True
    return standing


def _still(motion: Motion, leg_px: float) -> BoolArray:
    """Frames in which hips and ankles rest; an ankle that is not seen does not count, (n_frames,)."""
    still = np.ones(len(motion.time_s), dtype=bool)
    for name in ("left_hip", "right_hip", "left_ankle", "right_ankle"):
        slow = lowpass(motion.xy_px[:, INDEX[name]], fps=motion.fps, cutoff_hz=STILL_CUTOFF_HZ)
        speed = np.linalg.norm(derivative(slow, fps=motion.fps), axis=1) / leg_px
        still &= (speed < STILL_LEGS_PER_S) | (np.isnan(speed) if "ankle" in name else False)
    return still


def _upright(motion: Motion, leg_px: float) -> BoolArray:
    """Frames with the hips up and both feet, where seen, on the floor, (n_frames,)."""
    ankles = np.stack([point(motion.xy_px, side, "ankle")[:, 1] for side in SIDES])
    high = np.nanmax(ankles, axis=0, initial=-np.inf) - middle(motion.xy_px, "hip")[:, 1] >= UPRIGHT_LEGS * leg_px
    return np.asarray(high & ~(np.abs(ankles[0] - ankles[1]) > LEVEL_LEGS * leg_px))


def _sideways(motion: Motion, facing: int, leg_px: float, lens: Lens) -> BoolArray:
    """Frames in which the walker faces one way, seen from the side, (n_frames,).

    The feet point that way, and the shoulders are as wide as a walker's seen from the side: none in the middle of the
    picture, and towards its edge the near one further out, by their depth times the tangent of the angle of sight.
    """
    near: Side = "right" if facing > 0 else "left"
    far: Side = "left" if facing > 0 else "right"
    feet = [
        facing * (point(motion.xy_px, side, "foot_index") - point(motion.xy_px, side, "heel"))[:, 0] for side in SIDES
    ]
    # The longer one: a prosthetic foot is often seen short.
    long = np.fmax(*feet) >= FOOT_SHARE * FOOT_OF_HEIGHT / HIP_TO_ANKLE_OF_HEIGHT * leg_px
    shoulders = (point(motion.xy_px, near, "shoulder") - point(motion.xy_px, far, "shoulder"))[:, 0] / trunk_px(motion)
    sight = (middle(motion.xy_px, "shoulder")[:, 0] - lens.centre_px[0]) / lens.focal_px
    return np.asarray(long & (np.abs(shoulders - SHOULDERS_OVER_TRUNK * sight) < NARROW_SHOULDERS))
