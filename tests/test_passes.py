"""Passes: what is left of a clip when standing, turning, starting and stopping are taken out of it.

Walkers are seen by OpenCV's camera model (filmed_walk.py); what they do and when is known by construction.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest

from pipeline.config import load_settings
from pipeline.model import FloatArray, LandmarkTrack, Pass, View
from pipeline.motion import Motion, prepare
from pipeline.passes import OTHER_WALKS, find_passes, pass_notes, size_in_pass_px, steady_strides
from pipeline.quality import usability
from tests.filmed_walk import FilmedWalk
from tests.walker import make_track

SIGNALS = load_settings().signals
VIEWS: tuple[View, ...] = ("sagittal", "anterior", "posterior")
FPS = 60.0
STAND_S, RAMP_S, WALK_S = 2.0, 0.6, 4.0


def filmed(view: View) -> FilmedWalk:
    """From the side 4.5 m away; else 7 m from the middle of the walk."""
    return FilmedWalk(view=view, n_steps=9, distance_m=4.5 if view == "sagittal" else 7.0)


def replayed(track: LandmarkTrack, clock_s: FloatArray) -> LandmarkTrack:
    """The track at other times, one for each new frame at 60 a second."""
    columns = track.xy_px.reshape(len(track.time_s), -1).T
    xy_px = np.stack([np.interp(clock_s, track.time_s, column) for column in columns], axis=1)
    return make_track(np.arange(len(clock_s)) / FPS, xy_px.reshape(len(clock_s), -1, 2))


def start_and_stop() -> FloatArray:
    """A clock that stands for 2 s, gets going in 0.6 s, runs for 4 s, slows down in 0.6 s and stands for 2 s."""
    ramp = np.linspace(0.0, 1.0, round(RAMP_S * FPS))
    still, even = np.zeros(round(STAND_S * FPS)), np.ones(round(WALK_S * FPS))
    return np.cumsum(np.concatenate([still, ramp, even, ramp[::-1], still])) / FPS


def motion_of(track: LandmarkTrack, noise_px: float = 0.0) -> Motion:
    noise = np.random.default_rng(4).normal(0.0, 1.0, track.xy_px.shape) * noise_px
    return prepare(replace(track, xy_px=track.xy_px + noise), SIGNALS)


def bounds(passes: list[Pass]) -> list[tuple[int, int]]:
    return [(item.start, item.stop) for item in passes]


@pytest.mark.parametrize(("view", "noise_px"), list(product(VIEWS, (0.0, 2.0))))
def test_an_even_walk_is_one_pass_from_the_first_frame_to_the_last(view: View, noise_px: float) -> None:
    track = filmed(view).track()
    assert bounds(find_passes(motion_of(track, noise_px), view)) == [(0, len(track.time_s))]


@pytest.mark.parametrize("view", VIEWS)
def test_a_pass_begins_and_ends_in_the_step_between_standing_and_walking(view: View) -> None:
    """By construction: standing up to 2 s, even pace from 2.6 to 6.6 s, standing from 7.2 s on."""
    (found,) = find_passes(motion_of(replayed(filmed(view).track(), start_and_stop()), noise_px=1.0), view)
    # Pace toward and away from the camera is taken over 1.4 s, so that these ends are less sharp.
    slack_s = 0.0 if view == "sagittal" else 0.25
    assert 2.0 - slack_s <= found.start / FPS <= 2.6
    assert 6.6 <= found.stop / FPS <= 7.2 + slack_s


@pytest.mark.parametrize("leftward", [False, True])
def test_there_and_back_with_a_turn_gives_two_passes_without_the_turn(leftward: bool) -> None:
    """By construction: 5.4 s there, 1.6 s on the spot, 5.4 s back, which is the walk in a mirror."""
    there = replace(filmed("sagittal"), leftward=leftward).track().xy_px
    back = np.array([1280.0, 0.0]) + np.array([-1.0, 1.0]) * there
    turn = there[-1] + np.linspace(0.0, 1.0, 96)[:, None, None] * (back[0] - there[-1])
    xy_px = np.concatenate([there, turn, back])
    first, second = find_passes(motion_of(make_track(np.arange(len(xy_px)) / FPS, xy_px)), "sagittal")
    assert (first.direction, second.direction) == ((-1, 1) if leftward else (1, -1))
    assert (first.near_side, second.near_side) == (("left", "right") if leftward else ("right", "left"))
    assert first.start == 0 and second.stop == len(xy_px)
    assert 5.4 - 0.3 < first.stop / FPS < 5.4 + 0.5, "one step of 0.6 s, more or less"
    assert 7.0 - 0.5 < second.start / FPS < 7.0 + 0.3


def test_a_turn_that_is_walked_in_a_curve_is_no_part_of_a_pass() -> None:
    """A body without legs' movement goes 3 m at 1.2 m/s, half round a circle of 0.8 m radius, and 3 m back.

    Along the picture its pace is the cosine of its heading: three tenths of it at 73 deg.
    """
    walk = filmed("sagittal")
    along = np.arange(0.0, 6.0 + 0.8 * np.pi, 1.2 / FPS)
    heading = np.clip((along - 3.0) / 0.8, 0.0, np.pi)
    x = np.where(along < 3.0, along - 1.5, 1.5 + 0.8 * np.sin(heading))
    x = np.where(along > 3.0 + 0.8 * np.pi, 4.5 + 0.8 * np.pi - along, x)
    y = 0.8 * (1 - np.cos(heading))
    turn = np.stack([[np.cos(heading), -np.sin(heading)], [np.sin(heading), np.cos(heading)]]).transpose(2, 0, 1)
    xy_px = np.empty((len(along), 33, 2))
    pose = {name: points_m[40] for name, points_m in walk.joints_m().items()}
    body = make_pose(pose)
    for frame in range(len(along)):
        placed = body - [pose["middle"][0], 0.0, 0.0]
        placed[:, :2] = placed[:, :2] @ turn[frame].T + [x[frame], y[frame]]
        xy_px[frame] = walk.project(placed)
    passes = find_passes(motion_of(make_track(np.arange(len(along)) / FPS, xy_px)), "sagittal")
    assert [item.direction for item in passes] == [1, -1]
    for item in passes:
        off_deg = np.degrees(heading[item.start : item.stop])
        assert np.max(off_deg if item.direction > 0 else 180.0 - off_deg) < 80.0


def make_pose(joints_m: dict[str, FloatArray]) -> FloatArray:
    """One pose as 33 points, (33, 3); what is not named stands at the hips."""
    from tests.walker import INDEX

    points = np.tile(joints_m["middle"], (33, 1))
    for name, point_m in joints_m.items():
        if name != "middle":
            points[INDEX[name]] = point_m
    return points


@pytest.mark.parametrize("view", VIEWS)
def test_a_person_who_only_stands_gives_no_pass(view: View) -> None:
    still = np.zeros(round(6.0 * FPS)) + 2.0
    assert find_passes(motion_of(replayed(filmed(view).track(), still), noise_px=1.5), view) == []


@pytest.mark.parametrize("view", ["anterior", "posterior"])
def test_a_clip_toward_and_away_keeps_the_view_of_its_row_and_tells_of_the_other(view: View) -> None:
    """The walk and the same one backwards in time: the body grows, then shrinks, or the other way round."""
    track = filmed(view).track()
    xy_px = np.concatenate([track.xy_px, track.xy_px[::-1]])
    motion = motion_of(make_track(np.arange(len(xy_px)) / FPS, xy_px))
    (found,) = find_passes(motion, view)
    assert found.start == 0 and abs(found.stop - len(track.time_s)) <= 0.5 * FPS
    (note,) = pass_notes(motion, view)
    other, way = ("posterior", "away from") if view == "anterior" else ("anterior", "toward")
    assert (note.item, note.value, note.ok) == (OTHER_WALKS, 1.0, False)
    assert note.advice == (
        f"The clip also shows the walk {way} the camera, which is not measured here: "
        f"add a copy of the file, with the view {other} in its own row."
    )
    assert usability((note,)) == "usable", "advice only"
    assert pass_notes(motion_of(track), view)[0].ok
    assert pass_notes(motion, "sagittal") == ()


@pytest.mark.parametrize("view", ["anterior", "posterior"])
def test_the_size_in_a_frontal_pass_is_that_of_the_trunk_at_its_distance(view: View) -> None:
    """OpenCV's own camera: trunk of 0.4896 m, focal length 960 px, distance from the walk's known place."""
    walk = filmed(view)
    motion = motion_of(walk.track(), noise_px=1.0)
    (found,) = find_passes(motion, view)
    place_m = walk.joints_m()["middle"][:, 0]
    distance_m = 7.0 + (place_m if view == "posterior" else -place_m)
    assert size_in_pass_px(motion, found) == pytest.approx(960.0 * 0.288 * 1.7 / distance_m, rel=0.02)


def strides(lengths_pct: list[float], passes: list[int]) -> pd.DataFrame:
    """Strides of one second."""
    n_rows = len(lengths_pct)
    return pd.DataFrame(
        {"pass_number": passes, "start_s": np.arange(n_rows) * 1.0, "end_s": np.arange(n_rows) + 1.0,
         "stride_length_pct": lengths_pct, "use": True, "why_not": ""}
    )  # fmt: skip


def test_a_stride_of_a_walker_who_is_still_starting_is_left_out() -> None:
    """By hand: median 150; 120 is 80 % of it, 129 is 86 %."""
    table = steady_strides(strides([120.0, 129.0, 150.0, 152.0, 155.0], [1] * 5))
    assert table["use"].tolist() == [False, True, True, True, True]
    assert table["why_not"][0] == "80% of the usual pace; at least 85% expected"


def test_a_slower_second_pass_and_strides_without_length_stay() -> None:
    table = strides([150.0, 150.0, 100.0, 101.0, np.nan], [1, 1, 2, 2, 2])
    assert steady_strides(table)["use"].all()


def test_on_a_treadmill_strides_have_no_length_to_tell_their_pace() -> None:
    assert steady_strides(strides([3.0, -2.0, 1.0, 0.5], [1] * 4))["use"].all()


def test_strides_that_are_out_already_do_not_set_the_pace_and_keep_their_reason() -> None:
    table = strides([50.0, 50.0, 50.0, 150.0, 150.0], [1] * 5)
    table.loc[:2, "use"], table.loc[:2, "why_not"] = False, "before the first contact"
    table = steady_strides(table)
    assert table["use"].tolist() == [False] * 3 + [True] * 2
    assert table["why_not"].tolist() == ["before the first contact"] * 3 + [""] * 2
