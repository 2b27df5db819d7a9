"""Trunk, head and arms."""

from __future__ import annotations

import numpy as np

from .curves import bump, rotation_x, rotation_y, rotation_z
from .pelvis import PelvisPath
from .skeleton import SIDES, FloatArray, Skeleton

# Own choices of the size usual in adults; the shoulders turn against the pelvis, the head looks ahead.
_COUNTER_TURN = -0.8
_TRUNK_FORWARD_DEG = 2.0
_TRUNK_NOD_DEG = 0.8
_TRUNK_SWAY_DEG = 1.3
_SWAY_PHASE = 0.60
_HEAD_FOLLOWS = 0.15
_ARM_MIDDLE_DEG = -3.0
_ELBOW_MIDDLE_DEG = 21.0
_ELBOW_SWING_DEG = 7.0
_ARM_FOLLOWS_CHEST = 0.4


def trunk_rotations(skeleton: Skeleton, path: PelvisPath, time_s: FloatArray) -> dict[str, FloatArray]:
    """Global rotations of spine, chest, neck and head.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    path : PelvisPath
        Pelvis, plan and settings.
    time_s : array, (n,)
        Times. [s]

    Returns
    -------
    dict of bone name to array, (n, 3, 3)
    """
    pelvis_turn = path.turn_rad(time_s)
    turn = _COUNTER_TURN * pelvis_turn
    phase = path.phase(time_s)
    nod = np.radians(_TRUNK_FORWARD_DEG + _TRUNK_NOD_DEG * np.cos(2.0 * np.pi * phase))
    sway = -np.radians(_TRUNK_SWAY_DEG) * path.plan.plants[0].sign * np.cos(np.pi * (phase - _SWAY_PHASE))
    lean, bend = _fault_leans(skeleton, path, time_s)
    half_turn = 0.5 * (pelvis_turn + turn)
    return {
        "spine": rotation_z(half_turn) @ rotation_y(0.6 * nod + bend) @ rotation_x(0.5 * sway + lean),
        "chest": rotation_z(turn) @ rotation_y(nod + bend) @ rotation_x(sway + lean),
        "neck": rotation_z(0.5 * turn) @ rotation_y(0.5 * (nod + bend)) @ rotation_x(0.5 * (sway + lean)),
        "head": rotation_z(_HEAD_FOLLOWS * turn) @ rotation_y(0.3 * bend) @ rotation_x(0.2 * lean),
    }


def _fault_leans(skeleton: Skeleton, path: PelvisPath, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Turns about x and y of the trunk that lean the line from hips to shoulders as the faults ask. [rad]"""
    faults = path.settings.faults
    hip, spine, shoulder = (float(skeleton.rest_m[name][2]) for name in ("left_hip", "spine", "left_shoulder"))
    gain = np.radians((shoulder - hip) / (shoulder - spine))
    lean, bend = np.zeros_like(time_s), np.zeros_like(time_s)
    for plant in path.plan.plants:
        if plant.prosthetic:
            middle_s = 0.5 * (plant.contact_s + plant.toe_off_s)
            hump = gain * plant.fault_factor * bump(time_s, plant.contact_s, middle_s, plant.toe_off_s)
            lean -= plant.sign * faults.lateral_bend_deg * hump
            bend += faults.forward_bend_deg * hump
    # The pelvis' tilt carries the foot of the spine forward, against the lean of the line.
    hollow = path.hollow_rad(time_s) * (shoulder - hip) + path.hollow_tilt_rad(time_s) * (spine - hip)
    bend -= hollow / (shoulder - spine)
    return lean, bend


def arm_rotations(path: PelvisPath, time_s: FloatArray) -> dict[str, FloatArray]:
    """Global rotations of both arms, swinging against the leg of the same side.

    Parameters
    ----------
    path : PelvisPath
        Pelvis, plan and settings.
    time_s : array, (n,)
        Times. [s]

    Returns
    -------
    dict of bone name to array, (n, 3, 3)

    Notes
    -----
    The extremes lie at the contacts: an arm is foremost at the contact of the other side's foot.
    """
    settings = path.settings
    phase = path.phase(time_s)
    rotations: dict[str, FloatArray] = {}
    for side in SIDES:
        gain = settings.faults.arm_swing_ratio if side == settings.prosthetic_side else 1.0
        extremes = np.array(
            [gain * plant.arm_factor[side] * (-1.0 if plant.side == side else 1.0) for plant in path.plan.plants]
        )
        before = np.clip(np.floor(phase).astype(int), 0, len(extremes) - 2)
        share = 0.5 - 0.5 * np.cos(np.pi * (phase - before))
        swing = extremes[before] + (extremes[before + 1] - extremes[before]) * share
        upper_rad = np.radians(_ARM_MIDDLE_DEG + settings.arm_swing_deg * swing)
        elbow_rad = np.radians(_ELBOW_MIDDLE_DEG + _ELBOW_SWING_DEG * swing * settings.arm_swing_deg / 20.0)
        upper = rotation_z(_ARM_FOLLOWS_CHEST * _COUNTER_TURN * path.turn_rad(time_s)) @ rotation_y(-upper_rad)
        forearm = upper @ rotation_y(-elbow_rad)
        rotations |= {f"{side}_shoulder": upper, f"{side}_elbow": forearm, f"{side}_wrist": forearm}
    return rotations
