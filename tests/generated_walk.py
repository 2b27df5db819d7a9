"""Walks of the example data's generator as landmark tracks: true joints through a pinhole camera, nothing rendered."""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.model import LANDMARK_NAMES, SIDES, LandmarkTrack, View
from tests.walker import INDEX, make_track

# The generator is no part of the installed package.
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "example_data"))

if TYPE_CHECKING:
    from generator.walker import GaitTruth

FPS = 60.0
# Pelvis at the first and last frame: metres past the middle in side view, metres from the camera in frontal views.
SPAN_M: dict[View, tuple[float, float]] = {
    "sagittal": (-2.86, 2.86),
    "anterior": (8.6, 3.0),
    "posterior": (3.0, 8.6),
}
# Landmarks of the estimator that have another name among the generator's points.
OWN_NAME = {"heel": "heel_back", "foot_index": "toe"}


def filmed(
    settings: Any, *, view: View = "sagittal", leftward: bool = False, height_m: float = 1.74
) -> tuple[LandmarkTrack, GaitTruth]:
    """Return the walk of `generator.walker.WalkerSettings` before a camera of the example study, and its truth."""
    from generator.scene import FRONTAL_CAMERA_X_M, Placement, camera_for, place_pose, project
    from generator.skeleton import joint_positions
    from generator.walker import walk

    first_m, last_m = SPAN_M[view]
    start_x_m = {"sagittal": first_m, "anterior": FRONTAL_CAMERA_X_M - first_m}.get(view, first_m - FRONTAL_CAMERA_X_M)
    duration_s = np.floor(abs(last_m - first_m) / settings.speed_m_s * FPS) / FPS
    body = skeleton(height_m)
    pose, truth = walk(body, settings, duration_s=duration_s, fps=FPS, start_x_m=start_x_m)
    backward = leftward or view == "posterior"
    joints = joint_positions(body, place_pose(pose, Placement(180.0 if backward else 0.0)))
    camera = camera_for(view)
    xy_px = np.empty((len(pose.time_s), len(LANDMARK_NAMES), 2))
    # The face's other landmarks and the fingers are not needed; they sit on the nose.
    xy_px[:] = project(camera, joints["nose"])[:, None]
    for side in SIDES:
        for part in ("ear", "shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "foot_index"):
            xy_px[:, INDEX[f"{side}_{part}"]] = project(camera, joints[f"{side}_{OWN_NAME.get(part, part)}"])
    return make_track(pose.time_s, xy_px), truth


@cache
def skeleton(height_m: float, build: str = "man") -> Any:
    """Return the skeleton of a body of the example data at a height."""
    from generator.body import Look, load_body

    return load_body(Look(build=build, height_m=height_m)).skeleton
