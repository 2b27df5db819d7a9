"""Angles read from joint positions, in the walker's frame (+x forward, +y left, z up)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .skeleton import FloatArray

Positions = Mapping[str, FloatArray]
_SIGN = {"left": 1.0, "right": -1.0}


def knee_flexion_deg(positions: Positions, side: str, *, sagittal: bool) -> FloatArray:
    """Knee flexion, straight 0, flexed positive.

    Parameters
    ----------
    positions : mapping of name to array, (n, 3) x, y, z
        Joint positions. [m]
    side : "left" or "right"
        Anatomical side.
    sagittal : bool
        True projects the joints on the x-z plane first, as an ideal side view does.

    Returns
    -------
    array, (n,)
        180 deg minus the angle hip-knee-ankle (definition); in the plane negative in hyperextension. [deg]
    """
    thigh = positions[f"{side}_hip"] - positions[f"{side}_knee"]
    shank = positions[f"{side}_ankle"] - positions[f"{side}_knee"]
    if sagittal:
        upper = np.arctan2(-thigh[:, 0], thigh[:, 2])
        lower = np.arctan2(shank[:, 0], -shank[:, 2])
        return np.asarray(np.degrees(upper - lower))
    cross = np.linalg.norm(np.cross(thigh, shank), axis=1)
    return np.asarray(180.0 - np.degrees(np.arctan2(cross, np.sum(thigh * shank, axis=1))))


def arm_angle_deg(positions: Positions, side: str) -> FloatArray:
    """Line shoulder-wrist against the downward vertical in the x-z plane, forward positive, (n,). [deg]"""
    line = positions[f"{side}_wrist"] - positions[f"{side}_shoulder"]
    return np.asarray(np.degrees(np.arctan2(line[:, 0], -line[:, 2])))


def foot_direction_deg(positions: Positions, side: str) -> FloatArray:
    """Line from heel to toe in the floor plane against +x, external positive, (n,). [deg]"""
    line = positions[f"{side}_toe"] - positions[f"{side}_heel"]
    return np.asarray(_SIGN[side] * np.degrees(np.arctan2(line[:, 1], line[:, 0])))


def trunk_lean_deg(positions: Positions) -> tuple[FloatArray, FloatArray]:
    """Line mid-hip to mid-shoulder against the vertical, to the left and forward positive, two (n,). [deg]"""
    hips = 0.5 * (positions["left_hip"] + positions["right_hip"])
    line = 0.5 * (positions["left_shoulder"] + positions["right_shoulder"]) - hips
    to_left, forward = (np.degrees(np.arctan2(line[:, axis], line[:, 2])) for axis in (1, 0))
    return to_left, forward


def pelvic_obliquity_deg(positions: Positions) -> FloatArray:
    """Line between the hips against the horizontal in the y-z plane, left side up positive, (n,). [deg]"""
    line = positions["left_hip"] - positions["right_hip"]
    return np.asarray(np.degrees(np.arctan2(line[:, 2], line[:, 1])))
