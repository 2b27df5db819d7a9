"""Inverse kinematics of one leg: bone rotations from hip and foot."""

from __future__ import annotations

import numpy as np

from .curves import rotation_about
from .feet import rotation_of
from .legs import LegMotion
from .skeleton import FloatArray, Skeleton

# The knee's forward direction follows the pelvis and a part of the foot; the rest of the foot's turn is
# shared by the shank's own twist, so that no joint looks wrung.
_KNEE_FOLLOWS_FOOT = 0.35
_SHANK_FOLLOWS_FOOT = 0.70


def _unit(vectors: FloatArray) -> FloatArray:
    """Vectors of length one, (n, 3)."""
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def _frame(along: FloatArray, left: FloatArray) -> FloatArray:
    """Orthonormal frames, (n, 3, 3): first column along a bone, second as near to `left` as possible."""
    first = _unit(along)
    second = _unit(left - np.sum(left * first, axis=-1, keepdims=True) * first)
    return np.stack([first, second, np.cross(first, second)], axis=-1)


def _bone_rotation(rest: FloatArray, along: FloatArray, left: FloatArray) -> FloatArray:
    """Rotation that lays a rest vector along a bone with its rest left axis toward `left`, (n, 3, 3)."""
    rest_frame = _frame(rest[None, :], np.array([[0.0, 1.0, 0.0]]))
    return np.asarray(_frame(along, left) @ np.swapaxes(rest_frame, -1, -2))


def _left_axis(yaw_rad: FloatArray) -> FloatArray:
    """Left direction of something that faces `yaw_rad`, (n, 3)."""
    return np.stack([-np.sin(yaw_rad), np.cos(yaw_rad), np.zeros_like(yaw_rad)], axis=-1)


def leg_rotations(
    skeleton: Skeleton, side: str, motion: LegMotion, pelvis_turn_rad: FloatArray
) -> dict[str, FloatArray]:
    """Global rotations of thigh, shank, foot and toes.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    side : "left" or "right"
        Anatomical side.
    motion : LegMotion
        Hip, ankle and foot, n times.
    pelvis_turn_rad : array, (n,)
        Direction of the pelvis, left positive. [rad]

    Returns
    -------
    dict of bone name to array, (n, 3, 3)
        The knee bends forward; thigh and shank keep their lengths and meet the ankle exactly.

    Notes
    -----
    Two circles about hip and ankle in the plane that holds the hip-ankle line and the forward direction.
    """
    thigh_rest, shank_rest = skeleton.offset_m(f"{side}_knee"), skeleton.offset_m(f"{side}_ankle")
    thigh_m, shank_m = float(np.linalg.norm(thigh_rest)), float(np.linalg.norm(shank_rest))
    foot = motion.foot
    away = foot.ankle_m - motion.hip_m
    length = np.linalg.norm(away, axis=1)
    line = _unit(away)
    knee_yaw = pelvis_turn_rad + _KNEE_FOLLOWS_FOOT * (foot.yaw_rad - pelvis_turn_rad)
    left = _left_axis(knee_yaw)
    left = _unit(left - np.sum(left * line, axis=1, keepdims=True) * line)
    along = (thigh_m**2 - shank_m**2 + length**2) / (2.0 * length)
    ahead = np.sqrt(np.maximum(thigh_m**2 - along**2, 0.0))
    thigh = line * along[:, None] + np.cross(line, left) * ahead[:, None]
    shank = away - thigh
    shank_yaw = pelvis_turn_rad + _SHANK_FOLLOWS_FOOT * (foot.yaw_rad - pelvis_turn_rad)
    whip = rotation_about(_unit(-thigh), motion.whip_rad)
    return {
        f"{side}_hip": _bone_rotation(thigh_rest, thigh, left),
        f"{side}_knee": whip @ _bone_rotation(shank_rest, shank, _left_axis(shank_yaw)),
        f"{side}_ankle": whip @ rotation_of(foot.yaw_rad, foot.pitch_rad),
        f"{side}_ball": whip @ rotation_of(foot.yaw_rad, foot.toe_pitch_rad),
    }
