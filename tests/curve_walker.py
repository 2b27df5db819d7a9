"""A walker whose hips and knees follow given curves, as landmarks of a side camera: forward kinematics only.

The thigh hangs at the hip curve less a steady tilt of the pelvis, the shank at the thigh less the knee curve. The
pelvis goes at one pace, at which the standing ankle slips least; its height is what keeps the lower foot on the floor.
No part of this comes from the project: the knee angle is the curve itself, at every frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.signal import butter, sosfiltfilt

from pipeline.model import SIDES, FloatArray, LandmarkTrack, Side
from tests.walker import INDEX, make_track

# Segment lengths in leg lengths, by body-segment proportions (Drillis & Contini 1966, from memory):
# thigh .245 and shank .246 of .491; ankle .039; foot .152; trunk .288, upper arm .186, forearm .146.
THIGH, SHANK, ANKLE, FOOT, TRUNK, ARM = (part / 0.491 for part in (0.245, 0.246, 0.039, 0.152, 0.288, 0.332))
HEEL_BEHIND_ANKLE = 0.25 * FOOT
# The foot's pitch over the stride, toes up positive: down by 10 %, flat to 40 %, tipped at toe-off. Own choice.
PITCH_PCT = (0.0, 10.0, 25.0, 40.0, 50.0, 62.0, 75.0, 88.0, 100.0)
PITCH_DEG = (18.0, 0.0, 0.0, 0.0, -22.0, -58.0, -25.0, 5.0, 18.0)


@dataclass(frozen=True)
class CurveWalker:
    """Hip and knee flexion [deg] over the stride, each a periodic curve through its own points.

    `tilt_deg` is the pelvis' forward tilt, which the hip angle holds. `noise` is the standard deviation of slow
    landmark errors in leg lengths, with jitter of half of it on top.
    """

    percent: FloatArray
    hip_deg: dict[Side, FloatArray]
    knee_deg: dict[Side, FloatArray]
    tilt_deg: float
    stride_s: float = 1.1
    duration_s: float = 7.0
    fps: float = 60.0
    direction: int = 1
    leg_px: float = 150.0
    noise: float = 0.0
    seed: int = 0

    @property
    def time_s(self) -> FloatArray:
        return np.arange(round(self.duration_s * self.fps)) / self.fps

    def share(self, side: Side) -> FloatArray:
        """Share of the stride that has passed, (n_frames,); the right foot is half a stride later. [1]"""
        return (self.time_s / self.stride_s + (0.0 if side == "left" else 0.5)) % 1.0

    def knee_at(self, share: FloatArray, side: Side = "left") -> FloatArray:
        """Knee flexion at shares of the stride. [deg]"""
        return _periodic(self.percent, self.knee_deg[side])(100 * share)

    def track(self) -> LandmarkTrack:
        """Landmarks in a picture of 1280 x 720 px."""
        legs = {side: self._leg(side) for side in SIDES}
        n_frames = len(self.time_s)
        pace = -float(np.mean([self._backward_speed(side) for side in SIDES]))
        lowest = np.min([point[:, 1] for leg in legs.values() for name, point in leg.items() if name != "knee"], axis=0)
        hip = np.stack([pace * (self.time_s - self.time_s.mean()), -lowest], axis=1)
        points = np.empty((n_frames, 33, 2))
        points[:] = (hip + np.array([0.05, TRUNK + 0.3]))[:, None]
        for side, leg in legs.items():
            swing = np.radians(20.0) * -np.cos(2 * np.pi * self.share(side))
            shoulder = hip + np.array([0.0, TRUNK])
            points[:, INDEX[f"{side}_hip"]] = hip
            points[:, INDEX[f"{side}_shoulder"]] = shoulder
            points[:, INDEX[f"{side}_elbow"]] = shoulder + ARM / 2 * _hanging(swing)
            points[:, INDEX[f"{side}_wrist"]] = shoulder + ARM * _hanging(swing)
            for name, place in leg.items():
                points[:, INDEX[f"{side}_{name}"]] = hip + place
        points += self._errors(points.shape)
        xy = np.stack([640 + self.direction * self.leg_px * points[..., 0], 600 - self.leg_px * points[..., 1]], -1)
        return make_track(self.time_s, xy)

    def _leg(self, side: Side) -> dict[str, FloatArray]:
        """Knee, ankle, heel and foot tip from the hip, each (n_frames, 2), x forward, y up. [leg lengths]"""
        return self._leg_at(self.share(side), side)

    def _leg_at(self, share: FloatArray, side: Side) -> dict[str, FloatArray]:
        thigh = np.radians(_periodic(self.percent, self.hip_deg[side])(100 * share) - self.tilt_deg)
        shank = thigh - np.radians(self.knee_at(share, side))
        pitch = np.radians(np.interp(100 * share, PITCH_PCT, PITCH_DEG))
        knee = THIGH * _hanging(thigh)
        ankle = knee + SHANK * _hanging(shank)
        along = np.stack([np.cos(pitch), np.sin(pitch)], axis=1)
        down = np.stack([np.sin(pitch), -np.cos(pitch)], axis=1)
        heel = ankle - HEEL_BEHIND_ANKLE * along + ANKLE * down
        return {"knee": knee, "ankle": ankle, "heel": heel, "foot_index": heel + FOOT * along}

    def _backward_speed(self, side: Side) -> float:
        """Mean speed of the ankle against the hip in single support, 12 to 50 % of the stride. [legs/s]"""
        share = np.linspace(0.12, 0.50, 200)
        return float(np.polyfit(share * self.stride_s, self._leg_at(share, side)["ankle"][:, 0], 1)[0])

    def _errors(self, shape: tuple[int, ...]) -> FloatArray:
        """Errors below 3 Hz and jitter of every landmark. [leg lengths]"""
        rng = np.random.default_rng(self.seed)
        slow = sosfiltfilt(butter(2, 3.0, fs=self.fps, output="sos"), rng.normal(size=shape), axis=0)
        return np.asarray(self.noise * (slow / slow.std() + 0.5 * rng.normal(size=shape)))


def both_ways(walker: CurveWalker) -> list[CurveWalker]:
    """The walk to the right and to the left, so that each leg is once towards the camera."""
    return [walker, replace(walker, direction=-1, seed=walker.seed + 1)]


def _periodic(percent: FloatArray, values: FloatArray) -> CubicSpline:
    """A smooth closed curve through the points."""
    return CubicSpline([*percent, percent[0] + 100.0], [*values, values[0]], bc_type="periodic", extrapolate="periodic")


def _hanging(angle_rad: FloatArray) -> FloatArray:
    """Unit vectors of segments that hang at an angle forward of the vertical, (n_frames, 2)."""
    return np.stack([np.sin(angle_rad), -np.cos(angle_rad)], axis=1)
