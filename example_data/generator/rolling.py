"""Foot from heel-off to toe-off, and angles of the leg."""

from __future__ import annotations

import numpy as np

from .feet import FootPose, ball_path
from .height import BodyHeight, leg_reach
from .plan import Plant
from .skeleton import FloatArray, Skeleton


def rolling_foot(height: BodyHeight, plant: Plant, time_s: FloatArray) -> FootPose:
    """Foot from heel-off to toe-off: the heel rises as far as the hip and the knee angle ask for.

    Parameters
    ----------
    height : BodyHeight
        The body's path.
    plant : Plant
        The stay on the floor.
    time_s : array, (n,)
        Times from heel-off to toe-off. [s]

    Returns
    -------
    FootPose

    Notes
    -----
    The ankle lies on a circle about the ball joint and at the leg's reach from the hip. A hip too low for a
    flat foot bends the knee further instead, one too high stretches it.
    """
    side = plant.side
    ball, toe_pitch = ball_path(height.skeleton, plant, time_s)
    ankle = -height.skeleton.offset_m(f"{side}_ball")
    hip = height.hip_m(side, time_s) - ball
    ahead = hip[:, 0] * np.cos(plant.yaw_rad) + hip[:, 1] * np.sin(plant.yaw_rad)
    beside = hip[:, 1] * np.cos(plant.yaw_rad) - hip[:, 0] * np.sin(plant.yaw_rad)
    up = hip[:, 2]
    reach = leg_reach(height.skeleton, side, plant.knee_deg(time_s))
    # |hip - ankle(pitch)| = reach is  c cos(pitch) + s sin(pitch) = m  in the plane of the foot.
    c = ahead * ankle[0] + up * ankle[2]
    s = ahead * ankle[2] - up * ankle[0]
    m = 0.5 * (np.sum(hip**2, axis=1) + ankle @ ankle - reach**2) - beside * ankle[1]
    pitch = np.arctan2(s, c) - np.arccos(np.clip(m / np.hypot(c, s), -1.0, 1.0))
    pitch = np.maximum(pitch, 0.0)
    turned = ankle[0] * np.cos(pitch) + ankle[2] * np.sin(pitch)
    place = np.stack(
        [
            turned * np.cos(plant.yaw_rad) - ankle[1] * np.sin(plant.yaw_rad),
            turned * np.sin(plant.yaw_rad) + ankle[1] * np.cos(plant.yaw_rad),
            ankle[2] * np.cos(pitch) - ankle[0] * np.sin(pitch),
        ],
        axis=-1,
    )
    return FootPose(ball + place, np.full_like(pitch, plant.yaw_rad), pitch, toe_pitch)


def hip_corner(skeleton: Skeleton, side: str, knee_deg: FloatArray) -> FloatArray:
    """Angle at the hip between thigh and hip-ankle line, (n,). [rad]"""
    thigh = skeleton.length_m(f"{side}_hip", f"{side}_knee")
    shank = skeleton.length_m(f"{side}_knee", f"{side}_ankle")
    knee = np.radians(knee_deg)
    return np.asarray(np.arctan2(shank * np.sin(knee), thigh + shank * np.cos(knee)))


def leg_angles(skeleton: Skeleton, side: str, away: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Angles of thigh and shank, forward positive, from the hip-ankle vector (n, 3). [rad]"""
    thigh = skeleton.length_m(f"{side}_hip", f"{side}_knee")
    shank = skeleton.length_m(f"{side}_knee", f"{side}_ankle")
    length2 = np.sum(away**2, axis=1)
    knee = np.arccos(np.clip((length2 - thigh**2 - shank**2) / (2.0 * thigh * shank), -1.0, 1.0))
    upper = np.arctan2(away[:, 0], -away[:, 2]) + hip_corner(skeleton, side, np.degrees(knee))
    return upper, upper - knee
