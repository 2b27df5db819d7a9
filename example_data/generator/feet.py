"""Foot on the floor: heel rocker, flat, ball rocker and toe rocker, without slip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .curves import rotation_y, rotation_z, smoothstep
from .plan import Plant
from .skeleton import FloatArray, Skeleton

# Shape of the drop of the forefoot: starting rate in units of the mean rate.
_DROP_START = 2.0
# The toe rocker begins at this share of the double support before toe-off.
_TOE_ROCKER_START = 0.15


@dataclass(frozen=True, slots=True)
class FootPose:
    """Pose of one foot at some times.

    Parameters
    ----------
    ankle_m : array, (n, 3) x, y, z
        Ankle joint. [m]
    yaw_rad : array, (n,)
        Foot direction, left positive. [rad]
    pitch_rad : array, (n,)
        Heel above ball positive, toes up negative. [rad]
    toe_pitch_rad : array, (n,)
        The same of the toes. [rad]
    """

    ankle_m: FloatArray
    yaw_rad: FloatArray
    pitch_rad: FloatArray
    toe_pitch_rad: FloatArray


def rotation_of(yaw_rad: FloatArray, pitch_rad: FloatArray) -> FloatArray:
    """Global rotation of a foot or of its toes, (n, 3, 3)."""
    return np.asarray(rotation_z(yaw_rad) @ rotation_y(pitch_rad))


def floor_yaw(plant: Plant, time_s: FloatArray) -> FloatArray:
    """Foot direction in stance: an extra turn at contact has gone by foot flat, (n,). [rad]"""
    share = (time_s - plant.contact_s) / (plant.flat_s - plant.contact_s)
    return np.asarray(plant.yaw_rad + plant.extra_yaw_rad * (1.0 - smoothstep(share)))


def landing_pitch(plant: Plant, time_s: FloatArray) -> FloatArray:
    """Pitch of the heel rocker: toes up at contact, 0 from foot flat on, (n,). [rad]"""
    s = np.clip((time_s - plant.contact_s) / (plant.flat_s - plant.contact_s), 0.0, 1.0)
    left = (1.0 - s) ** 2 * (1.0 + (2.0 - _DROP_START) * s)
    return np.asarray(-plant.contact_pitch_rad * left)


def landed_foot(skeleton: Skeleton, plant: Plant, time_s: FloatArray, lift_rad: FloatArray) -> FootPose:
    """Foot from contact to heel-off: it pivots about the heel, then lies flat or rises on the ball.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    plant : Plant
        The stay on the floor.
    time_s : array, (n,)
        Times from contact on. [s]
    lift_rad : array, (n,)
        Heel rise about the ball, 0 unless the person vaults. [rad]

    Returns
    -------
    FootPose
    """
    yaw = floor_yaw(plant, time_s)
    pitch = landing_pitch(plant, time_s)
    heel = np.array([*plant.heel_m, 0.0])
    offset = skeleton.offset_m(f"{plant.side}_heel")
    flat_ankle = heel - rotation_of(yaw, pitch) @ offset
    ball_offset = skeleton.offset_m(f"{plant.side}_ball")
    foot = rotation_of(yaw, pitch)
    lifted = rotation_of(yaw, pitch + lift_rad)
    ankle = flat_ankle + foot @ ball_offset - lifted @ ball_offset
    return FootPose(ankle, yaw, pitch + lift_rad, np.minimum(pitch, 0.0))


def ball_path(skeleton: Skeleton, plant: Plant, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ball joint and toe pitch of a foot that rolls over its toes.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    plant : Plant
        The stay on the floor.
    time_s : array, (n,)
        Times from foot flat to toe-off. [s]

    Returns
    -------
    tuple of array (n, 3) x, y, z and array (n,)
        Ball joint [m] and pitch of the toes [rad], which stay flat until the last part of push-off and then
        tip about their front end.
    """
    side = plant.side
    flat = rotation_z(np.asarray(plant.yaw_rad))
    heel = np.array([*plant.heel_m, 0.0])
    ball_flat = heel + flat @ (skeleton.offset_m(f"{side}_ball") - skeleton.offset_m(f"{side}_heel"))
    tip_offset = skeleton.offset_m(f"{side}_toe_sole")
    tip = ball_flat + flat @ tip_offset
    double_s = plant.toe_off_s - plant.other_contact_s
    start_s = plant.other_contact_s + _TOE_ROCKER_START * double_s
    s = np.clip((time_s - start_s) / (plant.toe_off_s - start_s), 0.0, None)
    toe_pitch = plant.toe_rocker_rad * s**2
    ball = tip - rotation_of(np.full_like(toe_pitch, plant.yaw_rad), toe_pitch) @ tip_offset
    return ball, toe_pitch
