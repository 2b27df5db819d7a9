"""Captured walking from the `pybullet` wheel, as landmarks of a side camera.

Source: `pybullet_data/data/motions/walker/0walk_forward.txt` of pybullet 3.2.7 (zlib licence), one stride of a
captured person at 30 frames a second, fitted to the skeleton of `pybullet_data/humanoid/humanoid.urdf`. Left and
right are independent. Axes there: x forward, y up, z to the person's right; knee angles are negative in flexion.
The segment lengths below are the file's, divided by its scale of 4.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from pipeline.model import LANDMARK_NAMES, FloatArray, LandmarkTrack, Side

HIP_OFFSET_M, THIGH_M, SHANK_M = 0.339548 / 4, 1.686184 / 4, 1.639480 / 4
CHEST_M, SHOULDER_UP_M, SHOULDER_OUT_M = 0.944604 / 4, 0.974000 / 4, 0.732440 / 4
UPPER_ARM_M, FOREARM_M = 1.099152 / 4, 1.035788 / 4
HEAD_M = (0.895576 + 0.7) / 4
# The foot is a box of 0.708 x 0.22 (over 4) about a centre 0.18 ahead of and 0.09 below the ankle.
HEEL_M = np.array([0.18 - 0.354, -0.09 - 0.11, 0.0]) / 4
TOE_M = np.array([0.18 + 0.354, -0.09 - 0.11, 0.0]) / 4

COLUMNS = {
    "root": (4, 4), "chest": (8, 4), "right_hip": (16, 4), "right_knee": (20, 1), "right_ankle": (21, 4),
    "right_shoulder": (25, 4), "right_elbow": (29, 1), "left_hip": (30, 4), "left_knee": (34, 1),
    "left_ankle": (35, 4), "left_shoulder": (39, 4), "left_elbow": (43, 1),
}  # fmt: skip


@dataclass(frozen=True)
class CapturedWalk:
    """Joint positions (n_frames, 3) by landmark name, x forward, y up, z right; knee flexion as captured."""

    time_s: FloatArray
    points_m: dict[str, FloatArray]
    knee_flexion_deg: dict[Side, FloatArray]


def captured_walk(name: str = "walker/0walk_forward.txt", *, repeats: int = 5) -> CapturedWalk:
    """Return a captured motion, looped."""
    import pybullet_data

    path = Path(pybullet_data.getDataPath()) / "data" / "motions" / name
    frames = np.array(json.loads(path.read_text())["Frames"])
    step_s = frames[0, 0]
    forward = frames[-1, 1:4] - frames[0, 1:4]
    forward[1] = 0.0
    # The last frame repeats the first pose one stride further on.
    loop = frames[:-1]
    looped = np.concatenate([loop] * repeats)
    root = looped[:, 1:4] + np.repeat(np.arange(repeats), len(loop))[:, None] * forward
    turn = {joint: _rotation(looped, joint) for joint in COLUMNS}
    pelvis, chest = turn["root"], turn["root"] * turn["chest"]
    points = {"nose": root + pelvis.apply([0, CHEST_M, 0]) + chest.apply([0.1, HEAD_M - CHEST_M, 0])}
    for side, sign in (("right", 1.0), ("left", -1.0)):
        thigh = pelvis * turn[f"{side}_hip"]
        shank = thigh * turn[f"{side}_knee"]
        foot = shank * turn[f"{side}_ankle"]
        arm = chest * turn[f"{side}_shoulder"]
        forearm = arm * turn[f"{side}_elbow"]
        hip = root + pelvis.apply([0, 0, sign * HIP_OFFSET_M])
        knee = hip + thigh.apply([0, -THIGH_M, 0])
        ankle = knee + shank.apply([0, -SHANK_M, 0])
        shoulder = root + pelvis.apply([0, CHEST_M, 0]) + chest.apply([-0.024, SHOULDER_UP_M, sign * SHOULDER_OUT_M])
        elbow = shoulder + arm.apply([0, -UPPER_ARM_M, 0])
        points |= {
            f"{side}_hip": hip, f"{side}_knee": knee, f"{side}_ankle": ankle,
            f"{side}_heel": ankle + foot.apply(HEEL_M), f"{side}_foot_index": ankle + foot.apply(TOE_M),
            f"{side}_shoulder": shoulder, f"{side}_elbow": elbow,
            f"{side}_wrist": elbow + forearm.apply([0, -FOREARM_M, 0]),
        }  # fmt: skip
    flexion = {side: -np.degrees(looped[:, COLUMNS[f"{side}_knee"][0]]) for side in ("left", "right")}  # type: dict[Side, FloatArray]
    return CapturedWalk(np.arange(len(looped)) * step_s, points, flexion)


def side_track(walk: CapturedWalk, *, direction: int = 1, px_per_m: float = 250.0) -> LandmarkTrack:
    """Return the walk as a distant side camera sees it, travelling to the right (+1) or the left (-1)."""
    n_frames = len(walk.time_s)
    xy = np.full((n_frames, len(LANDMARK_NAMES), 2), np.nan)
    middle_m = walk.points_m["left_hip"][:, 0].mean()
    for i, name in enumerate(LANDMARK_NAMES):
        # The face's other landmarks are not needed; they sit on the nose.
        point = walk.points_m.get(name, walk.points_m["nose"])
        xy[:, i, 0] = 640 + direction * px_per_m * (point[:, 0] - middle_m)
        xy[:, i, 1] = 620 - px_per_m * point[:, 1]
    shape = (n_frames, len(LANDMARK_NAMES))
    return LandmarkTrack(
        time_s=walk.time_s, xy_px=xy, visibility=np.ones(shape), world_m=np.zeros((*shape, 3)),
        n_people=np.ones(n_frames, dtype=np.int64), width_px=1280, height_px=720, model="none",
        model_sha256="", mediapipe_version="", opencv_version="",
    )  # fmt: skip


def _rotation(frames: FloatArray, joint: str) -> Rotation:
    """Joint rotation: a quaternion with the scalar first, or an angle about z."""
    start, width = COLUMNS[joint]
    if width == 1:
        return Rotation.from_rotvec(frames[:, start : start + 1] * np.array([0.0, 0.0, 1.0]))
    return Rotation.from_quat(frames[:, start : start + 4], scalar_first=True)
