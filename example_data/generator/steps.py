"""The first step out of a stand, the last one into it, and turning round on the spot."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.transform import Rotation

from .angles import knee_flexion_deg
from .curves import bump, rotation_z, smoothstep
from .feet import FootPose, rotation_of
from .skeleton import BONE_INDEX, BONES, SIDES, FloatArray, Pose, Skeleton, joint_positions
from .stance import Feet, Stand, carried_heights, foot_angles, foot_at, pose_on_feet


@dataclass(frozen=True, slots=True)
class StepShape:
    """How the feet share the time of a step between standing and walking; own choices that look like a person.

    Parameters
    ----------
    pivot : "ball" or "heel"
        Point of the planted foot that stays where it is.
    planted_share, moving_share : tuple of two floats
        Shares of the time between which the planted foot tips and the other foot moves. [1]
    lift_m : float
        Rise of the moving ankle. [m]
    heel_up_deg : float
        Extra pitch of the moving foot early in its way. [deg]
    """

    pivot: str
    planted_share: tuple[float, float]
    moving_share: tuple[float, float]
    lift_m: float
    heel_up_deg: float


FIRST_STEP = StepShape("ball", (0.65, 1.0), (0.15, 1.0), 0.05, 20.0)
LAST_STEP = StepShape("heel", (0.0, 0.3), (0.0, 1.0), 0.05, 25.0)
# Six little steps of 60 deg: a turn of about 1.5 s.
_TURN_STEPS = 6
_TURN_LIFT_M = 0.04


def step_between(
    skeleton: Skeleton,
    before: Pose,
    after: Pose,
    *,
    time_s: FloatArray,
    span_s: float,
    planted: str,
    shape: StepShape,
) -> Pose:
    """One step between standing and walking, in either direction.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    before, after : Pose
        Two neighbouring frames each: the step begins with the last of `before` and ends with the first of `after`.
    time_s : array, (n,)
        Times from the begin of the step, within it. [s]
    span_s : float
        Time of the whole step. [s]
    planted : "left" or "right"
        The foot that stays on its place.
    shape : StepShape
        How the feet move.

    Notes
    -----
    Pelvis and moving ankle follow cubics with the velocities of both ends. The leg that is out of reach first carries
    the pelvis, with a knee angle between those of both ends. Trunk and arms turn from one pose to the other.
    """
    share = time_s / span_s
    ends = _joined(before, after)
    joints = joint_positions(skeleton, ends)
    moving = next(side for side in SIDES if side != planted)
    planted_joints = joints[f"{planted}_{shape.pivot}"][1:3]
    stay = planted_joints[0] + (planted_joints[1] - planted_joints[0]) * smoothstep(share)[:, None]
    tipped = _between(foot_angles(ends, planted)[1:3], _window(share, shape.planted_share))
    feet = {
        planted: foot_at(skeleton, planted, shape.pivot, stay, tipped),
        moving: _moving_foot(skeleton, moving, ends, joints[f"{moving}_ankle"], share, span_s=span_s, shape=shape),
    }
    place = _cubic(ends.time_s, ends.root_m[:, :2], span_s)(time_s)
    rotation = _turned(ends.rotation[1], ends.rotation[2], smoothstep(share))
    knees = {
        side: _between(knee_flexion_deg(joints, side, sagittal=False)[1:3, None], smoothstep(share))[:, 0]
        for side in SIDES
    }
    heights = carried_heights(skeleton, rotation[:, BONE_INDEX["pelvis"]], place, feet, knees)
    return pose_on_feet(skeleton, time_s, np.column_stack([place, heights.min(axis=1)]), rotation, feet)


def turn_round(stand: Stand, *, time_s: FloatArray, span_s: float) -> tuple[Pose, FloatArray]:
    """Turn to the left by 180 deg on the spot, in little steps.

    Parameters
    ----------
    stand : Stand
        Where and how the person stands before.
    time_s : array, (n,)
        Times from the begin of the turn, within it. [s]
    span_s : float
        Time of the whole turn. [s]

    Returns
    -------
    tuple of Pose and array, (n,)
        The pose, and the heading of the body, left positive. [rad]
    """
    share = time_s / span_s
    heading = np.pi * smoothstep(share)
    number = share * _TURN_STEPS
    feet: Feet = {}
    for first, side in enumerate(SIDES):
        # The inner foot goes first; each step brings a foot two shares of the turn further.
        done = np.zeros_like(share)
        lift = np.zeros_like(share)
        for step in range(first, _TURN_STEPS, 2):
            done += smoothstep(number - step)
            lift += bump(number, step, step + 0.5, step + 1.0)
        foot = stand.feet({name: done * (2.0 * np.pi / _TURN_STEPS) for name in SIDES})[side]
        up = np.column_stack([np.zeros((len(lift), 2)), _TURN_LIFT_M * lift])
        feet[side] = FootPose(foot.ankle_m + up, foot.yaw_rad, foot.pitch_rad, foot.toe_pitch_rad)
    still = stand.pose(np.zeros(1))
    turn = rotation_z(heading)
    rotation = np.einsum("nij,bjk->nbik", turn, still.rotation[0])
    centre = np.array([*stand.centre_m, 0.0])
    root = centre + turn @ (still.root_m[0] - centre)
    knees = stand.knees_deg(len(share))
    heights = carried_heights(stand.skeleton, rotation[:, BONE_INDEX["pelvis"]], root[:, :2], feet, knees)
    root[:, 2] = heights.min(axis=1)
    return pose_on_feet(stand.skeleton, time_s, root, rotation, feet), heading


def _joined(before: Pose, after: Pose) -> Pose:
    """The four frames around a step; times from 0 within each pair. [s]"""
    return Pose(
        time_s=np.concatenate([before.time_s - before.time_s[-1], after.time_s - after.time_s[0]]),
        root_m=np.concatenate([before.root_m, after.root_m]),
        rotation=np.concatenate([before.rotation, after.rotation]),
    )


def _cubic(time_s: FloatArray, four_m: FloatArray, span_s: float) -> CubicHermiteSpline:
    """Cubic from the second to the third of four places, (4, d), with the velocities of both pairs. [m]"""
    rates = [(four_m[1] - four_m[0]) / (time_s[1] - time_s[0]), (four_m[3] - four_m[2]) / (time_s[3] - time_s[2])]
    return CubicHermiteSpline([0.0, span_s], four_m[1:3], rates)


def _window(share: FloatArray, ends: tuple[float, float]) -> FloatArray:
    """Rise from 0 to 1 between two shares, smooth, (n,). [1]"""
    return smoothstep((share - ends[0]) / (ends[1] - ends[0]))


def _between(two: FloatArray, share: FloatArray) -> FloatArray:
    """Values between those of two frames, (n, d) from (2, d)."""
    return np.asarray(two[0] + (two[1] - two[0]) * share[:, None])


def _turned(start: FloatArray, end: FloatArray, share: FloatArray) -> FloatArray:
    """Rotations on the shortest way from one to another, (n, n_bones, 3, 3) from twice (n_bones, 3, 3)."""
    way = (Rotation.from_matrix(start).inv() * Rotation.from_matrix(end)).as_rotvec()
    steps = Rotation.from_rotvec((share[:, None, None] * way).reshape(-1, 3)).as_matrix()
    return np.asarray(start @ steps.reshape(len(share), len(BONES), 3, 3))


def _moving_foot(
    skeleton: Skeleton,
    side: str,
    ends: Pose,
    ankle_m: FloatArray,
    share: FloatArray,
    *,
    span_s: float,
    shape: StepShape,
) -> FootPose:
    """Foot that goes from its place before the step to that after it, raised, and never through the floor."""
    start, end = shape.moving_share
    inside = np.clip((share - start) / (end - start), 0.0, 1.0)
    way_s = (end - start) * span_s
    ankle = _cubic(ends.time_s, ankle_m, way_s)(inside * way_s)
    ankle[:, 2] += shape.lift_m * bump(inside, 0.0, 0.5, 1.0)
    angles = _between(foot_angles(ends, side)[1:3], smoothstep(inside))
    angles[:, 1] += np.radians(shape.heel_up_deg) * bump(inside, 0.0, 0.35, 1.0)
    ankle[:, 2] += _depth_m(skeleton, side, ankle, angles)
    return foot_at(skeleton, side, "ankle", ankle, angles)


def _depth_m(skeleton: Skeleton, side: str, ankle_m: FloatArray, angles: FloatArray) -> FloatArray:
    """How far a foot would come below the floor, (n,). [m]"""
    foot, toes = rotation_of(angles[:, 0], angles[:, 1]), rotation_of(angles[:, 0], angles[:, 2])
    ball = ankle_m + foot @ skeleton.offset_m(f"{side}_ball")
    low = [
        ankle_m + foot @ skeleton.offset_m(f"{side}_heel"),
        ankle_m + foot @ skeleton.offset_m(f"{side}_ball_sole"),
        ball + toes @ skeleton.offset_m(f"{side}_toe_sole"),
    ]
    return np.asarray(np.maximum(-np.min([points[:, 2] for points in low], axis=0), 0.0))
