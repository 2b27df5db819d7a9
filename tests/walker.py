"""A stick walker whose events and quantities are known by construction: truth for tests, no captured data.

Each foot is carried back under the hips at walking speed while it stands (relative to the hips) and brought forward
by half a cosine while it swings, so that contact is the foremost and toe-off the rearmost point by construction.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np

from pipeline.model import LANDMARK_NAMES, SIDES, Clip, FloatArray, LandmarkTrack, Side, View

INDEX = {name: i for i, name in enumerate(LANDMARK_NAMES)}
LEG_PX = 200.0


@dataclass(frozen=True)
class Walker:
    """Times of the first contact, stance times, arm ranges and hip peaks of both sides. Lengths in leg lengths."""

    stride_s: float = 1.2
    speed_legs_s: float = 1.3
    duration_s: float = 6.0
    fps: float = 60.0
    direction: int = 1
    first_contact_s: dict[Side, float] = field(default_factory=lambda: {"left": 0.3, "right": 0.9})
    stance_s: dict[Side, float] = field(default_factory=lambda: {"left": 0.74, "right": 0.74})
    arm_range_deg: dict[Side, float] = field(default_factory=lambda: {"left": 40.0, "right": 40.0})
    hip_peak_legs: dict[Side, float] = field(default_factory=lambda: {"left": 0.03, "right": 0.03})

    def contacts_s(self, side: Side) -> FloatArray:
        """Contacts inside the clip."""
        times = self.first_contact_s[side] + self.stride_s * np.arange(-1, 20)
        return times[(times > 0) & (times < self.duration_s)]

    def toe_offs_s(self, side: Side) -> FloatArray:
        """Toe-offs inside the clip."""
        times = self.first_contact_s[side] + self.stance_s[side] + self.stride_s * np.arange(-2, 20)
        return times[(times > 0) & (times < self.duration_s)]

    def track(self) -> LandmarkTrack:
        """Landmarks of a sagittal clip of 1280 x 720 px."""
        time_s = np.arange(round(self.duration_s * self.fps)) / self.fps
        forward = self.speed_legs_s * (time_s - self.duration_s / 2)
        points = {name: np.stack([forward, np.full_like(forward, 2.0)], axis=1) for name in LANDMARK_NAMES}
        height = 1.0 + self._hip_rise(time_s)
        for side in SIDES:
            foot = forward + self._foot_ahead(time_s, side)
            swing = np.radians(self.arm_range_deg[side] / 2) * np.cos(
                2 * np.pi * (time_s - self.first_contact_s[side]) / self.stride_s + np.pi
            )
            points |= {
                f"{side}_hip": np.stack([forward, height], axis=1),
                f"{side}_shoulder": np.stack([forward, height + 0.6], axis=1),
                f"{side}_ankle": np.stack([foot, np.full_like(foot, 0.08)], axis=1),
                f"{side}_heel": np.stack([foot - 0.08, np.full_like(foot, 0.02)], axis=1),
                f"{side}_foot_index": np.stack([foot + 0.2, np.full_like(foot, 0.02)], axis=1),
                f"{side}_wrist": np.stack(
                    [forward + 0.65 * np.sin(swing), height + 0.6 - 0.65 * np.cos(swing)], axis=1
                ),
            }
            points[f"{side}_knee"] = (points[f"{side}_hip"] + points[f"{side}_ankle"]) / 2
        legs = np.stack([points[name] for name in LANDMARK_NAMES], axis=1)
        xy = np.empty_like(legs)
        xy[:, :, 0] = 640 + self.direction * LEG_PX * legs[:, :, 0]
        xy[:, :, 1] = 600 - LEG_PX * legs[:, :, 1]
        return make_track(time_s, xy)

    def _foot_ahead(self, time_s: FloatArray, side: Side) -> FloatArray:
        """Foot's place in front of the hips: a straight line in stance, half a cosine in swing."""
        phase_s = (time_s - self.first_contact_s[side]) % self.stride_s
        stance_s = self.stance_s[side]
        reach = self.speed_legs_s * stance_s / 2
        swing_share = (phase_s - stance_s) / (self.stride_s - stance_s)
        return np.where(phase_s < stance_s, reach - self.speed_legs_s * phase_s, -reach * np.cos(np.pi * swing_share))

    def _hip_rise(self, time_s: FloatArray) -> FloatArray:
        """Hip height: zero at every contact, the side's peak halfway to the other foot's contact."""
        left, right = self.first_contact_s["left"], self.first_contact_s["right"]
        step_s = (right - left) % self.stride_s
        phase_s = (time_s - left) % self.stride_s
        on_left = phase_s < step_s
        share = np.where(on_left, phase_s / step_s, (phase_s - step_s) / (self.stride_s - step_s))
        peak = np.where(on_left, self.hip_peak_legs["left"], self.hip_peak_legs["right"])
        return peak * (1 - np.cos(2 * np.pi * share)) / 2


def make_track(time_s: FloatArray, xy_px: FloatArray) -> LandmarkTrack:
    """Wrap image points as a fully visible track of a 1280 x 720 px clip."""
    shape = xy_px.shape[:2]
    return LandmarkTrack(
        time_s=time_s, xy_px=xy_px, visibility=np.ones(shape), world_m=np.zeros((*shape, 3)),
        n_people=np.ones(shape[0], dtype=np.int64), width_px=1280, height_px=720, model="none",
        model_sha256="", mediapipe_version="", opencv_version="",
    )  # fmt: skip


def make_clip(view: View = "sagittal", name: str = "clip", **fields: object) -> Clip:
    """A manifest row of an invented subject with a prosthesis on the right."""
    values: dict[str, object] = {
        "clip_id": name, "path": Path(f"{name}.mp4"), "relative_path": f"{name}.mp4", "subject": "P01",
        "visit": "01", "visit_date": date(2026, 3, 14), "view": view, "prosthetic_sides": ("right",),
    }  # fmt: skip
    return Clip(**(values | fields))  # type: ignore[arg-type]
