"""Poses from a pelvis and two feet, and quiet standing: what joins one walk of a clip with the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .angles import Positions
from .curves import rotation_x, rotation_y, rotation_z
from .feet import FootPose, rotation_of
from .height import leg_reach
from .inverse import leg_rotations
from .legs import LegMotion
from .settings import WalkerSettings
from .skeleton import BONE_INDEX, BONES, SIDES, FloatArray, Pose, Skeleton

Feet = dict[str, FootPose]

# Knee flexion in quiet standing: a sound knee is nearly straight, a prosthetic one rests on its stop. Own choice. [deg]
SOUND_KNEE_DEG, PROSTHETIC_KNEE_DEG = 4.0, 0.0
# Share of the distance between the hips at which the feet stand: 17 cm, about the mean of adults (McIlroy & Maki
# 1997, from memory).
_FEET_APART_SHARE = 0.75
# Own choice: the arms hang as in the rest pose, with a slack elbow.
_STANDING_ELBOW_DEG = 12.0
# Slow sway of the pelvis over the feet, forward and sideways: amplitude and rate of the size of quiet standing (own
# choice), slow enough that it is no movement to a viewer.
_SWAY_M, _SWAY_HZ = (0.004, 0.002), (0.30, 0.22)
# The pelvis' own roll changes the height of both hips a little; each pass leaves under a hundredth of the rest.
_LEVEL_PASSES = 4


def foot_at(skeleton: Skeleton, side: str, point: str, place_m: FloatArray, angles: FloatArray) -> FootPose:
    """Foot whose point lies at a place.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    side : "left" or "right"
        Anatomical side.
    point : "ankle", "ball" or "heel"
        Joint or surface point of the foot bone.
    place_m : array, (n, 3) x, y, z
        Where it lies. [m]
    angles : array, (n, 3)
        Yaw, pitch and toe pitch as in `FootPose`. [rad]
    """
    yaw, pitch, toe_pitch = angles.T
    if point == "ankle":
        return FootPose(place_m, yaw, pitch, toe_pitch)
    offset = rotation_of(yaw, pitch) @ skeleton.offset_m(f"{side}_{point}")
    return FootPose(place_m - offset, yaw, pitch, toe_pitch)


def foot_angles(pose: Pose, side: str) -> FloatArray:
    """Yaw, pitch and toe pitch of a foot on the floor, (n, 3). [rad]"""
    foot, toes = (pose.rotation[:, BONE_INDEX[f"{side}_{bone}"]] for bone in ("ankle", "ball"))
    yaw = np.arctan2(foot[:, 1, 0], foot[:, 0, 0])
    return np.column_stack([yaw, -np.arcsin(foot[:, 2, 0]), -np.arcsin(toes[:, 2, 0])])


def hips_from_pelvis(skeleton: Skeleton, pelvis: FloatArray) -> Positions:
    """Vectors from pelvis to both hips, side: (n, 3), for pelvis rotations (n, 3, 3). [m]"""
    return {side: pelvis @ skeleton.offset_m(f"{side}_hip") for side in SIDES}


def carried_heights(
    skeleton: Skeleton, pelvis: FloatArray, place_m: FloatArray, feet: Feet, knees_deg: Positions
) -> FloatArray:
    """Pelvis height at which each leg stands with its knee angle, (n, 2) left, right. [m]

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    pelvis : array, (n, 3, 3)
        Rotation of the pelvis. [1]
    place_m : array, (n, 2) x, y
        Pelvis over the floor. [m]
    feet : dict of side to FootPose
        n times.
    knees_deg : mapping of side to array, (n,)
        Knee flexion. [deg]
    """
    columns = []
    for side, hip in hips_from_pelvis(skeleton, pelvis).items():
        away = place_m + hip[:, :2] - feet[side].ankle_m[:, :2]
        left = leg_reach(skeleton, side, knees_deg[side]) ** 2 - np.sum(away**2, axis=1)
        columns.append(feet[side].ankle_m[:, 2] + np.sqrt(np.maximum(left, 0.0)) - hip[:, 2])
    return np.stack(columns, axis=-1)


def pose_on_feet(skeleton: Skeleton, time_s: FloatArray, root_m: FloatArray, rotation: FloatArray, feet: Feet) -> Pose:
    """Pose whose legs reach from the pelvis to the feet.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    time_s : array, (n,)
        Times. [s]
    root_m : array, (n, 3) x, y, z
        Pelvis joint. [m]
    rotation : array, (n, n_bones, 3, 3)
        Global rotations; those of the legs are replaced. [1]
    feet : dict of side to FootPose
        n times.
    """
    pelvis = rotation[:, BONE_INDEX["pelvis"]]
    heading = np.arctan2(pelvis[:, 1, 0], pelvis[:, 0, 0])
    rotation = rotation.copy()
    for side, hip in hips_from_pelvis(skeleton, pelvis).items():
        motion = LegMotion(hip_m=root_m + hip, foot=feet[side], whip_rad=np.zeros(len(time_s)))
        for name, values in leg_rotations(skeleton, side, motion, heading).items():
            rotation[:, BONE_INDEX[name]] = values
    return Pose(time_s=time_s, root_m=root_m, rotation=rotation)


@dataclass(frozen=True, slots=True)
class Stand:
    """A person who stands still: upright, feet flat side by side, arms hanging, facing +x.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    settings : WalkerSettings
        Gives the prosthetic side and the feet's direction.
    centre_m : array, (2,) x, y
        Middle between the ankles. [m]
    """

    skeleton: Skeleton
    settings: WalkerSettings
    centre_m: FloatArray

    def feet(self, heading_rad: dict[str, FloatArray]) -> Feet:
        """Both feet flat, each on its place about the centre for a heading, left positive, side: (n,). [rad]"""
        return {side: self._foot(side, heading_rad[side]) for side in SIDES}

    def _foot(self, side: str, heading_rad: FloatArray) -> FootPose:
        """One foot flat on its place."""
        beside = np.array([0.0, _beside_m(self.skeleton, side), float(self.skeleton.rest_m[f"{side}_ankle"][2])])
        ankle = np.array([*self.centre_m, 0.0]) + rotation_z(heading_rad) @ beside
        yaw = heading_rad + _toe_out_rad(self.settings, side)
        return FootPose(ankle, yaw, np.zeros_like(yaw), np.zeros_like(yaw))

    def knees_deg(self, n_times: int) -> dict[str, FloatArray]:
        """Knee flexion, side: (n,). [deg]"""
        prosthetic = self.settings.prosthetic_side
        return {side: np.full(n_times, PROSTHETIC_KNEE_DEG if side == prosthetic else SOUND_KNEE_DEG) for side in SIDES}

    def pose(self, time_s: FloatArray) -> Pose:
        """Pose at times since the person came to a halt, (n,). [s]"""
        n_times = len(time_s)
        sway = [size * np.sin(2.0 * np.pi * rate * time_s) for size, rate in zip(_SWAY_M, _SWAY_HZ, strict=True)]
        place = self.centre_m + self._pelvis_ahead_m() + np.stack(sway, axis=-1)
        feet = self.feet({side: np.zeros(n_times) for side in SIDES})
        rotation = np.tile(np.eye(3), (n_times, len(BONES), 1, 1))
        for side in SIDES:
            for bone in ("elbow", "wrist"):
                rotation[:, BONE_INDEX[f"{side}_{bone}"]] = rotation_y(-np.radians(_STANDING_ELBOW_DEG))
        knees = self.knees_deg(n_times)
        hips = self.skeleton.offset_m("left_hip") - self.skeleton.offset_m("right_hip")
        roll = np.zeros(n_times)
        for _ in range(_LEVEL_PASSES):
            heights = carried_heights(self.skeleton, rotation[:, BONE_INDEX["pelvis"]], place, feet, knees)
            roll = roll + (heights[:, 0] - heights[:, 1]) / hips[1]
            rotation[:, BONE_INDEX["pelvis"]] = rotation_x(roll)
        return pose_on_feet(self.skeleton, time_s, np.column_stack([place, heights.mean(axis=1)]), rotation, feet)

    def _pelvis_ahead_m(self) -> FloatArray:
        """Pelvis from the middle between the ankles in the rest pose, (2,) x, y. [m]"""
        rest = self.skeleton.rest_m
        ahead: FloatArray = (rest["pelvis"] - 0.5 * (rest["left_ankle"] + rest["right_ankle"]))[:2]
        return ahead


def stand_beside(skeleton: Skeleton, settings: WalkerSettings, side: str, point: str, place_m: FloatArray) -> Stand:
    """Stand facing +x whose foot of one side has a point, as in `foot_at`, over a place, (3,) x, y, z. [m]"""
    angles = np.array([[_toe_out_rad(settings, side), 0.0, 0.0]])
    ankle_m = foot_at(skeleton, side, point, place_m[None], angles).ankle_m[0]
    return Stand(skeleton, settings, ankle_m[:2] - np.array([0.0, _beside_m(skeleton, side)]))


def _beside_m(skeleton: Skeleton, side: str) -> float:
    """Sideways place of a standing foot's ankle, left positive. [m]"""
    return _FEET_APART_SHARE * float(skeleton.rest_m[f"{side}_hip"][1])


def _toe_out_rad(settings: WalkerSettings, side: str) -> float:
    """Direction of a standing foot, left positive. [rad]"""
    return float(np.radians(settings.toe_out_of(side))) * (1.0 if side == "left" else -1.0)
