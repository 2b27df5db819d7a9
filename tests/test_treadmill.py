"""Walking on the spot: the same walk with and without its travel must give the same events."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.config import load_settings
from pipeline.events import find_events
from pipeline.model import LandmarkTrack, VideoInfo
from pipeline.motion import prepare
from pipeline.passes import find_passes
from pipeline.stages import measure_clip
from pipeline.treadmill import floor_speed, treadmill_passes
from tests.captured_walk import captured_walk, side_track
from tests.walker import INDEX, LEG_PX, Walker, make_clip

SETTINGS = load_settings()


def on_a_belt(track: LandmarkTrack) -> LandmarkTrack:
    """The track as a camera sees it that goes along at the walk's mean speed: a treadmill of that speed."""
    hips = track.xy_px[:, [INDEX["left_hip"], INDEX["right_hip"]], 0].mean(axis=1)
    travel = np.polynomial.Polynomial.fit(track.time_s, hips, 1)(track.time_s)
    xy_px = track.xy_px.copy()
    xy_px[:, :, 0] -= travel[:, None] - 640
    return replace(track, xy_px=xy_px)


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("walk", ["stick", "captured"])
def test_events_on_a_belt_are_those_over_ground(walk: str, direction: int) -> None:
    """The captured motion of the pybullet wheel, and the stick walker."""
    track = Walker(direction=direction).track() if walk == "stick" else side_track(captured_walk(), direction=direction)
    ground = prepare(track, SETTINGS.signals)
    belt = prepare(on_a_belt(track), SETTINGS.signals)
    passes = treadmill_passes(belt)
    assert [(one.start, one.stop, one.direction) for one in passes] == [(0, len(track.time_s), direction)]
    over_ground = find_events(ground, find_passes(ground, "sagittal"), "sagittal", min_stride_s=0.6)
    on_belt = find_events(belt, passes, "sagittal", min_stride_s=0.6)
    assert on_belt[["side", "kind"]].equals(over_ground[["side", "kind"]])
    assert np.abs(on_belt["time_s"] - over_ground["time_s"]).max() < 0.005


def test_a_clip_of_a_treadmill_is_measured_as_one_over_ground() -> None:
    """By stages: the same strides can be used; without travel there is no step length."""
    track = Walker().track()
    info = VideoInfo(1280, 720, len(track.time_s), len(track.time_s), 6.0, 60.0, 60.0, 0, False, True)
    ground, belt = (measure_clip(make_clip(), info, one, SETTINGS).strides.table for one in (track, on_a_belt(track)))
    assert belt["use"].sum() > 0
    assert belt[["side", "use"]].equals(ground[["side", "use"]])
    assert np.abs(belt["start_s"] - ground["start_s"]).max() < 0.005


def test_over_ground_nobody_is_on_a_treadmill() -> None:
    assert treadmill_passes(prepare(Walker().track(), SETTINGS.signals)) == []


@pytest.mark.parametrize("name", ["jump", "spin", "dance_a", "dance_b", "crawl", "cartwheel"])
def test_other_movement_on_the_spot_is_no_walk(name: str) -> None:
    """Captured motions of the pybullet wheel."""
    motion = prepare(on_a_belt(side_track(captured_walk(f"humanoid3d_{name}.txt"), px_per_m=100.0)), SETTINGS.signals)
    assert treadmill_passes(motion) == []


def test_standing_still_is_no_walk() -> None:
    track = Walker().track()
    still = replace(track, xy_px=np.broadcast_to(track.xy_px[:1], track.xy_px.shape).copy())
    assert treadmill_passes(prepare(still, SETTINGS.signals)) == []


def test_the_floor_moves_with_the_standing_foot() -> None:
    """A foot that stands goes back at 1.3 legs a second by construction."""
    walker = Walker(speed_legs_s=1.3)
    over_ground = walker.track().xy_px / LEG_PX
    on_belt = on_a_belt(walker.track()).xy_px / LEG_PX
    assert floor_speed(on_belt, walker.fps) == pytest.approx(-1.3, abs=0.05)
    assert floor_speed(over_ground, walker.fps) == 0.0
