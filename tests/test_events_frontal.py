"""Contacts from the front and behind, on captured walking and on steps of known times before OpenCV's camera."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.config import load_settings
from pipeline.events import find_events
from pipeline.events_frontal import DIP_METHOD, TIP_METHOD
from pipeline.geometry import INDEX
from pipeline.model import LANDMARK_NAMES, SIDES, LandmarkTrack, Side, View
from pipeline.motion import prepare
from pipeline.passes import find_passes
from tests.captured_walk import CapturedWalk, captured_walk
from tests.filmed_walk import FOCAL_PX, FilmedWalk
from tests.test_events import floor_events_s, nearest_error_s, times
from tests.walker import make_track

SETTINGS = load_settings()
CAMERA_HEIGHT_M, NEAREST_M = 1.0, 2.5


def events_of(track: LandmarkTrack, view: View) -> pd.DataFrame:
    """Events of a frontal track with the default settings."""
    motion = prepare(track, SETTINGS.signals)
    return find_events(motion, find_passes(motion, view), view, min_stride_s=0.6)


def end_track(walk: CapturedWalk, view: View) -> LandmarkTrack:
    """The captured walk before a level pinhole camera at its near end."""
    xy_px = np.empty((len(walk.time_s), len(LANDMARK_NAMES), 2))
    hips = walk.points_m["left_hip"][:, 0]
    for i, name in enumerate(LANDMARK_NAMES):
        along, up, right = walk.points_m.get(name, walk.points_m["nose"]).T
        depth = NEAREST_M + (hips.max() - along if view == "anterior" else along - hips.min())
        sideways = -right if view == "anterior" else right
        xy_px[:, i, 0] = 640 + FOCAL_PX * sideways / depth
        xy_px[:, i, 1] = 360 - FOCAL_PX * (up - CAMERA_HEIGHT_M) / depth
    return make_track(walk.time_s, xy_px)


@pytest.mark.parametrize("view", ["anterior", "posterior"])
@pytest.mark.parametrize("name", ["walker/0walk_forward.txt", "humanoid3d_walk.txt"])
def test_contacts_of_captured_walking_are_within_a_frame(name: str, view: View) -> None:
    """Captured motions of the pybullet wheel, two people; truth from the 3D speed of the heel. One frame of the
    capture, 33 ms."""
    walk = captured_walk(name, repeats=6)
    events = events_of(end_track(walk, view), view)
    assert (events["kind"] == "contact").all()
    assert (events["method"] == TIP_METHOD).all()
    for side in SIDES:
        errors = nearest_error_s(times(events, side, "contact"), floor_events_s(walk, side, "contact"))
        assert len(errors) >= 5
        assert np.max(np.abs(errors)) < 1 / 30


@pytest.mark.parametrize("view", ["anterior", "posterior"])
def test_without_a_drop_of_the_tips_the_lowest_body_stands(view: View) -> None:
    """These feet glide down to a stop. The body is lowest at contact by construction, so that the rule is early by
    half of its double support: 5 % of a stride of 1.2 s."""
    walk = FilmedWalk(view=view, distance_m=8.0, n_steps=10)
    events = events_of(walk.track(), view)
    assert (events["method"] == DIP_METHOD).all()
    for side in SIDES:
        truth = np.array([time_s for name, time_s, _ in walk.contacts if name == side])
        errors = nearest_error_s(times(events, side, "contact"), truth)
        assert len(errors) >= 4
        assert errors == pytest.approx(-0.06, abs=0.01)


@pytest.mark.parametrize("view", ["anterior", "posterior"])
@pytest.mark.parametrize("lost", SIDES)
def test_a_foot_that_never_rests_does_not_name_the_steps(lost: Side, view: View) -> None:
    """A lost foot of a pylon slides about, faster than a foot swings; its knee and the other leg are seen."""
    walk = captured_walk(repeats=6)
    track = end_track(walk, view)
    xy_px = track.xy_px.copy()
    slide_px = 60 * np.sin(2 * np.pi * 1.9 * walk.time_s)
    for part in ("ankle", "heel", "foot_index"):
        xy_px[:, INDEX[f"{lost}_{part}"], 0] += slide_px
    events = events_of(replace(track, xy_px=xy_px), view)
    for side in SIDES:
        assert len(times(events, side, "contact")) >= 5
        errors = nearest_error_s(times(events, side, "contact"), floor_events_s(walk, side, "contact"))
        assert np.max(np.abs(errors)) < 0.1


@pytest.mark.parametrize("view", ["anterior", "posterior"])
def test_a_trunk_that_leans_far_over_one_leg_hides_no_step(view: View) -> None:
    """24 deg over the right leg in its stance, and back: the shoulders sink by 9 % of the trunk, late in stance."""
    walk = captured_walk(repeats=6)
    right = floor_events_s(walk, "right", "contact")
    turns = np.interp(walk.time_s, right, np.arange(len(right)))
    lean = np.radians(24) * np.maximum(0.0, np.sin(2 * np.pi * (turns - 0.15)))
    hips = (walk.points_m["left_hip"] + walk.points_m["right_hip"]) / 2
    points = dict(walk.points_m)
    for name in ("nose", "left_shoulder", "right_shoulder"):
        along, up, aside = (walk.points_m[name] - hips).T
        moved = np.stack([along, up * np.cos(lean) - aside * np.sin(lean), aside * np.cos(lean) + up * np.sin(lean)])
        points[name] = hips + moved.T
    events = events_of(end_track(replace(walk, points_m=points), view), view)
    for side in SIDES:
        errors = nearest_error_s(times(events, side, "contact"), floor_events_s(walk, side, "contact"))
        assert len(errors) >= 5 and np.max(np.abs(errors)) < 0.1


def test_confidence_says_which_rule_it_was() -> None:
    by_tip = events_of(end_track(captured_walk(repeats=6), "anterior"), "anterior")
    by_dip = events_of(FilmedWalk(view="anterior", distance_m=8.0, n_steps=10).track(), "anterior")
    assert by_dip["confidence"].max() < by_tip["confidence"].min()
