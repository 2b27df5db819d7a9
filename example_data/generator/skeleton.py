"""Bones, rest pose and forward kinematics shared by the walker and the renderer.

World frame: right-handed, metres, z up, floor z = 0. The walker's own frame has +x forward,
+y to the walker's left and z up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

SIDES = ("left", "right")

_CENTRE_PARENT = {"pelvis": None, "spine": "pelvis", "chest": "spine", "neck": "chest", "head": "neck"}
_LIMB_PARENT = {
    "shoulder": "chest",
    "elbow": "shoulder",
    "wrist": "elbow",
    "hip": "pelvis",
    "knee": "hip",
    "ankle": "knee",
    "ball": "ankle",
}


def _side_parent(side: str, joint: str) -> str:
    """Name of the parent bone of a limb joint on one side."""
    parent = _LIMB_PARENT[joint]
    return parent if parent in _CENTRE_PARENT else f"{side}_{parent}"


# A bone carries the name of the joint at its start: `left_hip` is the thigh, `left_ankle` the foot up to the
# ball.
PARENT: dict[str, str | None] = {
    **_CENTRE_PARENT,
    **{f"{side}_{joint}": _side_parent(side, joint) for side in SIDES for joint in _LIMB_PARENT},
}
BONES: tuple[str, ...] = tuple(PARENT)
BONE_INDEX: dict[str, int] = {name: index for index, name in enumerate(BONES)}

# Points that are no joints, each rigid to one bone.
SURFACE_BONE: dict[str, str] = {
    **{
        f"{side}_{point}": f"{side}_{bone}"
        for side in SIDES
        for point, bone in (
            ("heel", "ankle"),
            ("heel_back", "ankle"),
            ("ball_sole", "ankle"),
            ("toe", "ball"),
            ("toe_sole", "ball"),
        )
    },
    "head_top": "head",
    "nose": "head",
    "left_ear": "head",
    "right_ear": "head",
}


@dataclass(frozen=True, slots=True)
class Skeleton:
    """Joint and surface points of one body in its rest pose.

    Parameters
    ----------
    rest_m : dict of name to array, (3,) x, y, z
        Every name of `BONES` and of `SURFACE_BONE`, in the walker's frame. [m] Rest pose: standing, legs
        straight, feet forward, arms hanging with about 8 deg abduction, facing +x, soles at z = 0, pelvis at
        x = y = 0.

    Raises
    ------
    ValueError
        If a point is missing or is not three finite numbers.
    """

    rest_m: Mapping[str, FloatArray]

    def __post_init__(self) -> None:
        needed = [*BONES, *SURFACE_BONE]
        missing = [name for name in needed if name not in self.rest_m]
        if missing:
            raise ValueError(
                f"skeleton: points missing: {', '.join(missing)}; all {len(needed)} names of BONES and "
                "SURFACE_BONE are expected. Add them to rest_m."
            )
        for name in needed:
            point = np.asarray(self.rest_m[name])
            if point.shape != (3,) or not np.all(np.isfinite(point)):
                raise ValueError(
                    f"skeleton: point {name} is {point!r}; three finite numbers x, y, z in metres are "
                    "expected. Correct it in rest_m."
                )

    def offset_m(self, name: str) -> FloatArray:
        """Rest vector from the start of a point's bone to the point, (3,) x, y, z. [m]

        For a joint the bone is its parent's; for a surface point the bone that it is rigid to.
        """
        parent = PARENT[name] if name in PARENT else SURFACE_BONE[name]
        if parent is None:
            return np.zeros(3)
        offset: FloatArray = np.asarray(self.rest_m[name], dtype=float) - self.rest_m[parent]
        return offset

    def length_m(self, start: str, end: str) -> float:
        """Distance between two points in the rest pose. [m]"""
        return float(np.linalg.norm(np.asarray(self.rest_m[end]) - np.asarray(self.rest_m[start])))


@dataclass(frozen=True, slots=True)
class Pose:
    """Motion of a skeleton.

    Parameters
    ----------
    time_s : array, (n_frames,)
        Seconds from the first frame. [s]
    root_m : array, (n_frames, 3) x, y, z
        Position of the pelvis joint in the walker's frame. [m]
    rotation : array, (n_frames, n_bones, 3, 3)
        Global rotation of each bone relative to the rest pose, bones in the order of `BONES`. [1]
    """

    time_s: FloatArray
    root_m: FloatArray
    rotation: FloatArray


def joint_positions(skeleton: Skeleton, pose: Pose) -> dict[str, FloatArray]:
    """Positions of all joints and surface points in every frame.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    pose : Pose
        Motion, in the walker's frame.

    Returns
    -------
    dict of name to array, (n_frames, 3) x, y, z
        In the walker's frame. [m]

    Notes
    -----
    Child = parent position + parent rotation applied to the rest vector from parent to child (definition).
    """
    positions: dict[str, FloatArray] = {}
    for name in (*BONES, *SURFACE_BONE):
        parent = PARENT[name] if name in PARENT else SURFACE_BONE[name]
        if parent is None:
            positions[name] = np.array(pose.root_m, dtype=float)
        else:
            turned: FloatArray = pose.rotation[:, BONE_INDEX[parent]] @ skeleton.offset_m(name)
            positions[name] = positions[parent] + turned
    return positions


# Share of body height, Drillis & Contini 1966 (from memory): hip .530, knee .285, ankle .039, shoulder .818,
# upper arm .186, forearm .146, foot length .152. The other shares are own choices that look like an adult.
_CENTRE_HEIGHT = {"pelvis": 0.550, "spine": 0.585, "chest": 0.680, "neck": 0.835, "head": 0.880}
_LEG_HEIGHT = {"hip": 0.530, "knee": 0.285, "ankle": 0.039}
_SHOULDER_HEIGHT, _UPPER_ARM, _FOREARM, _FOOT_LENGTH = 0.818, 0.186, 0.146, 0.152
_HIP_HALF_WIDTH, _SHOULDER_HALF_WIDTH = 0.052, 0.108
_ARM_ABDUCTION_DEG = 8.0


def default_skeleton(height_m: float = 1.72) -> Skeleton:
    """Skeleton of an adult from published segment lengths, used where no baked body gives its own.

    Parameters
    ----------
    height_m : float
        Standing height, 1.2 to 2.2. [m]

    Returns
    -------
    Skeleton

    Raises
    ------
    ValueError
        If the height is outside its range.

    References
    ----------
    Drillis & Contini 1966 for the lengths of thigh, shank, foot, upper arm and forearm (from memory); widths,
    the spine and the foot's inner points are an own choice.
    """
    if not 1.2 <= height_m <= 2.2:
        raise ValueError(f"skeleton: height is {height_m} m; 1.2 to 2.2 m is expected. Give the height in metres.")
    rest = {name: np.array([0.0, 0.0, share * height_m]) for name, share in _CENTRE_HEIGHT.items()}
    rest["head_top"] = np.array([0.0, 0.0, height_m])
    rest["nose"] = np.array([0.062, 0.0, 0.925]) * height_m
    for side, sign in (("left", 1.0), ("right", -1.0)):
        rest[f"{side}_ear"] = np.array([0.0, sign * 0.042, 0.930]) * height_m
        for joint, share in _LEG_HEIGHT.items():
            rest[f"{side}_{joint}"] = np.array([0.0, sign * _HIP_HALF_WIDTH, share]) * height_m
        rest.update(_foot_points(side, sign * _HIP_HALF_WIDTH * height_m, height_m))
        angle = np.radians(_ARM_ABDUCTION_DEG)
        down = np.array([0.0, sign * np.sin(angle), -np.cos(angle)])
        shoulder = np.array([0.0, sign * _SHOULDER_HALF_WIDTH, _SHOULDER_HEIGHT]) * height_m
        rest[f"{side}_shoulder"] = shoulder
        rest[f"{side}_elbow"] = shoulder + down * _UPPER_ARM * height_m
        rest[f"{side}_wrist"] = shoulder + down * (_UPPER_ARM + _FOREARM) * height_m
    return Skeleton(rest_m=rest)


def _foot_points(side: str, lateral_m: float, height_m: float) -> dict[str, FloatArray]:
    """Ball joint, heel and sole points of one shod foot whose ankle stands over x = 0."""
    back_m = -0.25 * _FOOT_LENGTH * height_m
    tip_m = 0.75 * _FOOT_LENGTH * height_m
    ball_m = 0.70 * tip_m
    return {
        f"{side}_ball": np.array([ball_m, lateral_m, 0.030]),
        f"{side}_heel": np.array([back_m, lateral_m, 0.0]),
        f"{side}_heel_back": np.array([back_m - 0.005, lateral_m, 0.030]),
        f"{side}_ball_sole": np.array([ball_m, lateral_m, 0.0]),
        f"{side}_toe": np.array([tip_m, lateral_m, 0.020]),
        f"{side}_toe_sole": np.array([tip_m - 0.012, lateral_m, 0.0]),
    }
