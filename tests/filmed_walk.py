"""A person with known footsteps, walked past OpenCV's own camera model: the outside truth for roll, size and steps.

World axes: x along the walk, y to the walker's left, z up, metres. Only `cv2.projectPoints` makes pixels of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.model import SIDES, FloatArray, LandmarkTrack, View
from tests.walker import INDEX, make_track

HEIGHT_M = 1.7
# Lengths over body height as in the pipeline's source, typed again; shoulder and hip breadth from memory.
THIGH_M, SHANK_M, TRUNK_M = 0.245 * HEIGHT_M, 0.246 * HEIGHT_M, 0.288 * HEIGHT_M
LEG_M = THIGH_M + SHANK_M
ANKLE_M, HIP_HALF_M, SHOULDER_HALF_M = 0.039 * HEIGHT_M, 0.05 * HEIGHT_M, 0.105 * HEIGHT_M
FOCAL_PX = 960.0
FOOT_HALF_M = 0.06
STEP_S = 0.6
# Shares of the stride at which the heel and the toes leave the floor; afterwards they swing.
HEEL_OFF, TOE_OFF = 0.42, 0.62


@dataclass(frozen=True)
class FilmedWalk:
    """A walk and the camera before it. Steps are named after the foot that lands."""

    view: View = "sagittal"
    distance_m: float = 4.5
    camera_height_m: float = 0.9
    roll_deg: float = 0.0
    off_square_deg: float = 0.0
    tilt_deg: float = 0.0
    leftward: bool = False
    left_step_m: float = 0.55
    right_step_m: float = 0.70
    lean_side_deg: float = 0.0
    lean_forward_deg: float = 0.0
    bob_m: float = 0.03
    n_steps: int = 7
    fps: float = 60.0

    @property
    def stride_m(self) -> float:
        return self.left_step_m + self.right_step_m

    @property
    def contacts(self) -> list[tuple[str, float, float]]:
        """Side, time and place of the heel of each contact, the left foot first; the walk's middle is at 0."""
        found, place = [], 0.0
        for number in range(-2, self.n_steps + 3):
            found.append((SIDES[number % 2], STEP_S * number, place))
            place += self.right_step_m if number % 2 == 0 else self.left_step_m
        middle = found[2][2] / 2 + found[self.n_steps + 2][2] / 2
        return [(side, time_s, place - middle) for side, time_s, place in found]

    @property
    def time_s(self) -> FloatArray:
        return np.arange(round(STEP_S * self.n_steps * self.fps)) / self.fps

    def heel_m(self, side: str) -> FloatArray:
        """Place along the walk and height of a heel, (n_frames, 2)."""
        return self._planted_m(side, HEEL_OFF)

    def _planted_m(self, side: str, off: float) -> FloatArray:
        """Place and height of a point of the foot, still up to a share of the stride, then half a cosine."""
        own = [(time_s, place) for name, time_s, place in self.contacts if name == side]
        stride_s = 2 * STEP_S
        heel = np.full((len(self.time_s), 2), np.nan)
        for time_s, place in own:
            share = (self.time_s - time_s) / stride_s
            heel[(share >= 0) & (share < off)] = place, 0.0
            swing = (share >= off) & (share < 1)
            part = (share[swing] - off) / (1 - off)
            along = place + self.stride_m * (1 - np.cos(np.pi * part)) / 2
            heel[swing] = np.stack([along, 0.12 * np.sin(np.pi * part) ** 2], axis=1)
        return heel

    def joints_m(self) -> dict[str, FloatArray]:
        """Landmarks in the world, each (n_frames, 3); what is not named stands at the hips."""
        n_frames = len(self.time_s)
        times, places = zip(*[(time_s, place) for _, time_s, place in self.contacts], strict=True)
        pelvis = np.zeros((n_frames, 3))
        pelvis[:, 0] = np.polyval(np.polyfit(times, places, 1), self.time_s) + 0.1
        pelvis[:, 2] = 0.85 * LEG_M + ANKLE_M - self.bob_m * np.cos(2 * np.pi * self.time_s / STEP_S) / 2
        side_lean, forward_lean = np.radians([self.lean_side_deg, self.lean_forward_deg])
        up = np.array([np.sin(forward_lean), np.sin(side_lean), np.cos(side_lean) * np.cos(forward_lean)])
        shoulder = pelvis + TRUNK_M * up / np.linalg.norm(up)
        joints = {"middle": pelvis}
        for side, sign in (("left", 1.0), ("right", -1.0)):
            heel, toe = self.heel_m(side), self._planted_m(side, TOE_OFF)
            foot = np.stack([heel[:, 0], np.full(n_frames, sign * FOOT_HALF_M), heel[:, 1]], axis=1)
            hip = pelvis + np.array([0.0, sign * HIP_HALF_M, 0.0])
            ankle = foot + np.array([0.05, 0.0, ANKLE_M])
            joints |= {
                f"{side}_shoulder": shoulder + np.array([0.0, sign * SHOULDER_HALF_M, 0.0]),
                f"{side}_hip": hip,
                f"{side}_knee": _knee(hip, ankle),
                f"{side}_ankle": ankle,
                f"{side}_heel": foot,
                f"{side}_foot_index": np.stack([toe[:, 0] + 0.2, foot[:, 1], toe[:, 1]], axis=1),
            }
        return joints

    def track(self, noise_px: float = 0.0) -> LandmarkTrack:
        """Landmarks in a picture of 1280 x 720 px."""
        xy_px = np.empty((len(self.time_s), 33, 2))
        joints = self.joints_m()
        xy_px[:] = self.project(joints.pop("middle"))[:, None]
        for name, points_m in joints.items():
            xy_px[:, INDEX[name]] = self.project(points_m)
        noise = np.random.default_rng(3).normal(0.0, noise_px, xy_px.shape) if noise_px else 0.0
        return make_track(self.time_s, xy_px + noise)

    def project(self, points_m: FloatArray) -> FloatArray:
        """Pixels of world points, (n, 2), by OpenCV."""
        rotation = self._rotation()
        position = -self.distance_m * np.array([rotation[2, 0], rotation[2, 1], 0.0])
        position = position / np.linalg.norm(rotation[2, :2]) + [0.0, 0.0, self.camera_height_m]
        camera = np.array([[FOCAL_PX, 0, 640.0], [0, FOCAL_PX, 360.0], [0, 0, 1]])
        pixels, _ = cv2.projectPoints(points_m, cv2.Rodrigues(rotation)[0], -rotation @ position, camera, None)
        return np.asarray(pixels[:, 0])

    def _rotation(self) -> FloatArray:
        """World to camera (right, down, ahead): heading, then tilt up, then roll clockwise."""
        heading = {"sagittal": 270.0 if self.leftward else 90.0, "anterior": 180.0, "posterior": 0.0}[self.view]
        # The walk's far end lies on the picture's right when the camera heads more to the right, seen from above.
        turn = np.radians(heading - self.off_square_deg)
        ahead, right = np.array([np.cos(turn), np.sin(turn), 0.0]), np.array([np.sin(turn), -np.cos(turn), 0.0])
        level = np.stack([right, [0.0, 0.0, -1.0], ahead])
        tilt = cv2.Rodrigues(np.array([np.radians(-self.tilt_deg), 0.0, 0.0]))[0]
        roll = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(-self.roll_deg)]))[0]
        return np.asarray(roll @ tilt @ level)


def _knee(hip: FloatArray, ankle: FloatArray) -> FloatArray:
    """The knee in front of the line from hip to ankle, (n, 3), by the law of cosines."""
    along = ankle - hip
    reach = np.minimum(np.linalg.norm(along, axis=1), 0.999 * LEG_M)
    share = (THIGH_M**2 - SHANK_M**2 + reach**2) / (2 * reach)
    out = np.sqrt(THIGH_M**2 - share**2)
    unit = along / np.linalg.norm(along, axis=1)[:, None]
    forward = np.cross(unit, [0.0, -1.0, 0.0])
    forward /= np.linalg.norm(forward, axis=1)[:, None]
    forward *= np.sign(forward[:, :1])
    return np.asarray(hip + share[:, None] * unit + out[:, None] * forward)
