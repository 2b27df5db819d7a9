"""Angles, lengths, scale and direction of travel from landmarks. Pure functions of arrays.

The walker's image axes used here: *forward* is the direction of travel in a sagittal view, *up* is against
the image's y. `body_axes` turns pixels into these, so that no angle below needs to know the direction.
"""

from __future__ import annotations

import numpy as np

from pipeline.model import LANDMARK_NAMES, Clip, FloatArray, Scale, Side

INDEX = {name: i for i, name in enumerate(LANDMARK_NAMES)}
LEG_PARTS = ("hip", "knee", "ankle", "heel", "foot_index")

# Segment lengths over body height, Drillis & Contini 1966 (source `drillis_contini_1966`, from memory):
# hip height 0.530, knee 0.285, ankle 0.039, shoulder 0.818, foot length 0.152.
HIP_TO_ANKLE_OF_HEIGHT = 0.530 - 0.039
SHOULDER_TO_HIP_OF_HEIGHT = 0.818 - 0.530
FOOT_OF_HEIGHT = 0.152


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


def scale_of(clip: Clip, leg_px: float) -> Scale | None:
    """Return metres for a pixel at the walking line, or None when the manifest gives no length.

    A length measured in the picture comes first. Body height is the second choice: the leg from hip to ankle
    is taken as 0.491 of it, which differs between people by about 4 % (own estimate).
    """
    if clip.known_length_m is not None and clip.known_length_px is not None:
        return Scale(clip.known_length_m / clip.known_length_px, "marker", 0.02)
    if clip.height_m is not None and np.isfinite(leg_px) and leg_px > 0:
        return Scale(HIP_TO_ANKLE_OF_HEIGHT * clip.height_m / leg_px, "height", 0.05)
    return None
