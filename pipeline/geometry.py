"""Angles, lengths, scale and direction of travel from landmarks. Pure functions of arrays.

The walker's image axes used here: *forward* is the direction of travel in a sagittal view, *up* is against
the image's y. `body_axes` turns pixels into these, so that no angle below needs to know the direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import LANDMARK_NAMES, Clip, FloatArray, LandmarkTrack, Scale, Side

INDEX = {name: i for i, name in enumerate(LANDMARK_NAMES)}
LEG_PARTS = ("hip", "knee", "ankle", "heel", "foot_index")

# Segment lengths over body height, Drillis & Contini 1966 (source `drillis_contini_1966`, from memory):
# hip height 0.530, knee 0.285, ankle 0.039, shoulder 0.818, foot length 0.152.
HIP_TO_ANKLE_OF_HEIGHT = 0.530 - 0.039
SHOULDER_TO_HIP_OF_HEIGHT = 0.818 - 0.530
TRUNK_OVER_LEG = SHOULDER_TO_HIP_OF_HEIGHT / HIP_TO_ANKLE_OF_HEIGHT
FOOT_OF_HEIGHT = 0.152
# The proportions hold for bare feet, the manifest's height is with shoes. Heel of a walking shoe, from memory. [m]
SOLE_M = 0.025
# How far one person's trunk and legs are from the proportions above, relative to the height. Own estimate. [1]
PROPORTIONS_SD = 0.05
# A length in the picture is read to a pixel, and lies on the walking line to 1 % of the distance. Own choice.
READING_SD_PX = 1.0
PLACING_SD = 0.01
# Deviations of a walking body from a line repeat with each step: two independent values a second. Own choice. [1/s]
INDEPENDENT_PER_S = 2.0
# An effect counts when it is this many times its own standard deviation: 95 % of what chance gives stays below.
CLEAR_SDS = 2.0


def body_axes(xy_px: FloatArray, direction: int) -> FloatArray:
    """Return points with x forward (along the direction of travel) and y up.

    Parameters
    ----------
    xy_px : (..., 2)
        Image points, x right, y down. [px]
    direction : int
        +1 travels to the right of the picture, -1 to the left.

    Returns
    -------
    (..., 2)
        [px]
    """
    return np.asarray(xy_px * np.array([float(direction), -1.0]))


def from_vertical_deg(start: FloatArray, end: FloatArray) -> FloatArray:
    """Return the angle of a hanging segment against the vertical, 0 when it hangs straight down.

    Parameters
    ----------
    start, end : (n, 2)
        Upper and lower end in body axes (x forward, y up). [px]

    Returns
    -------
    (n,)
        Forward positive. [deg]
    """
    along = end - start
    return np.degrees(np.arctan2(along[:, 0], -along[:, 1]))


def knee_flexion_deg(hip: FloatArray, knee: FloatArray, ankle: FloatArray) -> FloatArray:
    """Return knee flexion: thigh angle minus shank angle, 0 when straight, flexion positive.

    Parameters
    ----------
    hip, knee, ankle : (n, 2)
        In body axes (x forward, y up). [px]

    Returns
    -------
    (n,)
        Negative is hyperextension. NaN where a point is missing. [deg]

    References
    ----------
    definition
    """
    return wrap_deg(from_vertical_deg(hip, knee) - from_vertical_deg(knee, ankle))


def ankle_dorsiflexion_deg(knee: FloatArray, ankle: FloatArray, heel: FloatArray, toe: FloatArray) -> FloatArray:
    """Return ankle dorsiflexion: foot pitch minus shank angle; 0 for a level foot under an upright shank.

    Parameters
    ----------
    knee, ankle, heel, toe : (n, 2)
        In body axes (x forward, y up). [px]

    Returns
    -------
    (n,)
        Dorsiflexion positive, plantarflexion negative. [deg]
    """
    along = toe - heel
    pitch_deg = np.degrees(np.arctan2(along[:, 1], along[:, 0]))
    return wrap_deg(pitch_deg - from_vertical_deg(knee, ankle))


def trunk_lean_deg(hip: FloatArray, shoulder: FloatArray) -> FloatArray:
    """Return the trunk line's angle against the upright, forward positive. [deg]"""
    along = shoulder - hip
    return np.degrees(np.arctan2(along[:, 0], along[:, 1]))


def wrap_deg(angle_deg: FloatArray) -> FloatArray:
    """Return angles in -180 to 180. [deg]"""
    return (angle_deg + 180.0) % 360.0 - 180.0


def middle(xy_px: FloatArray, part: str) -> FloatArray:
    """Return the point midway between the left and right landmark of a part, (n, 2). [px]"""
    return (xy_px[:, INDEX[f"left_{part}"]] + xy_px[:, INDEX[f"right_{part}"]]) / 2


def point(xy_px: FloatArray, side: Side, part: str) -> FloatArray:
    """Return one landmark's track, (n, 2). [px]"""
    return xy_px[:, INDEX[f"{side}_{part}"]]


def leg_length_px(xy_px: FloatArray, side: Side) -> FloatArray:
    """Return thigh plus shank length of one limb in each frame, (n,). [px]"""
    hip, knee, ankle = (point(xy_px, side, part) for part in ("hip", "knee", "ankle"))
    return np.asarray(np.linalg.norm(knee - hip, axis=1) + np.linalg.norm(ankle - knee, axis=1))


def median_leg_px(xy_px: FloatArray) -> float:
    """Return the median leg length over both limbs and all frames; NaN when no leg was seen. [px]"""
    lengths = np.stack([leg_length_px(xy_px, "left"), leg_length_px(xy_px, "right")])
    return float(np.nanmedian(lengths)) if np.isfinite(lengths).any() else float("nan")


def smooth_size_px(size_px: FloatArray, time_s: FloatArray) -> FloatArray:
    """Return the size of a body that walks along the line of sight at an even pace.

    Parameters
    ----------
    size_px : (n,)
        A body length in each frame, NaN where not seen. [px]
    time_s : (n,)
        [s]

    Returns
    -------
    (n,)
        [px]

    Notes
    -----
    Image size is focal length times length over distance. At an even pace the distance is a straight line in
    time, so the inverse of the size is fitted by one; three rounds drop frames more than 10 % off.
    """
    use = np.isfinite(size_px) & (size_px > 0)
    if use.sum() < 2:
        return np.full(len(size_px), np.nan)
    line = np.polynomial.Polynomial([1.0 / float(np.nanmedian(size_px[use]))])
    for _ in range(3):
        line = np.polynomial.Polynomial.fit(time_s[use], 1.0 / size_px[use], 1)
        kept = np.isfinite(size_px) & (np.abs(size_px * line(time_s) - 1) < 0.10)
        if kept.sum() < 10:
            break
        use = kept
    inverse: FloatArray = line(time_s)
    return np.asarray(np.divide(1.0, inverse, out=np.full(len(inverse), np.nan), where=inverse > 0))


@dataclass(frozen=True, slots=True)
class Lens:
    """A pinhole lens: the picture's middle (x, y) and the focal length. [px]"""

    centre_px: tuple[float, float]
    focal_px: float


def lens_of(track: LandmarkTrack, focal_share: float) -> Lens:
    """Return the lens assumed for a clip.

    Parameters
    ----------
    track : LandmarkTrack
    focal_share : float
        Focal length over the picture's longer side. [1]
    """
    return Lens((track.width_px / 2, track.height_px / 2), focal_share * max(track.width_px, track.height_px))


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line y = at_zero + slope x; one standard deviation of its height at the mean x, and of its slope."""

    at_zero: float
    slope: float
    mean_sd: float
    slope_sd: float

    def at(self, x: float | FloatArray) -> FloatArray:
        """Return y on the line."""
        return np.asarray(self.at_zero + self.slope * np.asarray(x))


def robust_line(x: FloatArray, y: FloatArray, fps: float) -> Line:
    """Return the straight line through points sampled along a walk, whatever a few of them do.

    Parameters
    ----------
    x, y : (n_frames,)
        NaN where not seen.
    fps : float
        Frames a second, for the standard deviations: `INDEPENDENT_PER_S` values count. [1/s]

    Returns
    -------
    Line
        NaN with fewer than three points or all of them at one place.

    Notes
    -----
    Least squares; three rounds drop points further from the middle of the others than 3 standard deviations, both
    by medians.
    """
    use = np.isfinite(x) & np.isfinite(y)
    nothing = Line(float("nan"), float("nan"), float("inf"), float("inf"))
    if use.sum() < 3 or np.ptp(x[use]) == 0:
        return nothing
    at_zero = slope = 0.0
    for _ in range(3):
        slope, at_zero = np.polyfit(x[use], y[use], 1)
        off = y - at_zero - slope * x
        off = np.abs(off - np.median(off[use]))
        # 1.4826 median deviations are one standard deviation of a normal distribution (textbook).
        kept = off < 3 * 1.4826 * float(np.median(off[use])) + 1e-9
        if kept.sum() < 3 or np.ptp(x[kept]) == 0:
            break
        use = kept
    spread = float(np.std((y - at_zero - slope * x)[use]))
    mean_sd = spread / max(1.0, float(use.sum()) * INDEPENDENT_PER_S / fps) ** 0.5
    return Line(float(at_zero), float(slope), mean_sd, mean_sd / float(np.std(x[use])))


def foot_direction_deg(heel: FloatArray, toe: FloatArray, foot_px: FloatArray, outward: int) -> FloatArray:
    """Return the direction of a foot seen from the front or from behind: 0 straight ahead, external positive.

    Parameters
    ----------
    heel, toe : (n, 2)
        Image points. [px]
    foot_px : (n,)
        Length of the foot at its distance from the camera. [px]
    outward : int
        +1 when the foot's outer side lies to the right of the picture, -1 when to the left.

    Returns
    -------
    (n,)
        arcsin of sideways shift over foot length, held within 90 deg. [deg]

    References
    ----------
    definition
    """
    shift = outward * (toe[:, 0] - heel[:, 0]) / foot_px
    return np.degrees(np.arcsin(np.clip(shift, -1.0, 1.0)))


def scale_of(clip: Clip, leg_px: float, *, leg_sd: float = 0.0, off_square_deg: float = 0.0) -> Scale | None:
    """Return metres for a pixel of an upright length at the walking line, or None when the manifest gives no length.

    Parameters
    ----------
    clip : Clip
    leg_px : float
        Leg length as a share of the body's size in the picture. [px]
    leg_sd : float
        Its relative standard deviation. [1]
    off_square_deg : float
        Angle of the walking line to the picture's plane. [deg]

    Notes
    -----
    A length measured in the picture comes first, in a side view: it lies along the walking line in the middle of the
    picture and is seen short by the cosine of the angle. Toward and away from the camera the scale changes with every
    step, and only body height tells it. The leg from hip to ankle is taken as 0.491 of it.
    """
    if clip.view == "sagittal" and clip.known_length_m is not None and clip.known_length_px is not None:
        m_per_px = clip.known_length_m / clip.known_length_px * float(np.cos(np.radians(off_square_deg)))
        return Scale(m_per_px, "marker", float(np.hypot(READING_SD_PX / clip.known_length_px, PLACING_SD)))
    if clip.height_m is not None and np.isfinite(leg_px) and leg_px > 0:
        leg_m = HIP_TO_ANKLE_OF_HEIGHT * (clip.height_m - SOLE_M)
        return Scale(leg_m / leg_px, "height", float(np.hypot(PROPORTIONS_SD, leg_sd)))
    return None
