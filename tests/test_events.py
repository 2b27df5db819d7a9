"""Contacts and toe-offs: against a walker of known events, and against captured walking."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.config import load_settings
from pipeline.events import find_events
from pipeline.model import SIDES, FloatArray, LandmarkTrack, Side
from pipeline.motion import find_passes, prepare
from tests.captured_walk import CapturedWalk, captured_walk, side_track
from tests.walker import INDEX, Walker

SETTINGS = load_settings()


def events_of(track: LandmarkTrack) -> pd.DataFrame:
    """Events of a sagittal track with the default settings."""
    motion = prepare(track, SETTINGS.signals)
    return find_events(motion, find_passes(motion, "sagittal"), "sagittal", min_stride_s=0.6)


def times(events: pd.DataFrame, side: Side, kind: str) -> FloatArray:
    """Times of one kind of event of one foot."""
    return events[(events["side"] == side) & (events["kind"] == kind)]["time_s"].to_numpy()


def nearest_error_s(found: FloatArray, truth: FloatArray) -> FloatArray:
    """Found minus the nearest true time, for each found one."""
    return np.array([time_s - truth[np.argmin(np.abs(truth - time_s))] for time_s in found])


@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("fps", [30.0, 60.0])
def test_events_of_a_known_walker_are_found_once_each(direction: int, fps: float) -> None:
    """Truth by construction. Tolerance: one frame at 60 a second (17 ms), and every inner event is there."""
    walker = Walker(fps=fps, direction=direction)
    events = events_of(walker.track())
    for side in SIDES:
        for kind, truth in (("contact", walker.contacts_s(side)), ("toe_off", walker.toe_offs_s(side))):
            found = times(events, side, kind)
            inner = truth[(truth > 0.3) & (truth < walker.duration_s - 0.3)]
            assert len(inner) - 1 <= len(found) <= len(truth)
            assert np.max(np.abs(nearest_error_s(found, truth))) < 0.017


def test_a_hidden_heel_is_bridged_and_lowers_the_confidence() -> None:
    walker = Walker()
    track = walker.track()
    contact = round(walker.contacts_s("left")[2] * walker.fps)
    visibility = track.visibility.copy()
    visibility[contact - 1 : contact + 2, INDEX["left_heel"]] = 0.1
    events = events_of(replace(track, visibility=visibility))
    left = events[(events["side"] == "left") & (events["kind"] == "contact")]
    row = left.iloc[(left["time_s"] - walker.contacts_s("left")[2]).abs().argmin()]
    # Three frames are missing right at the contact: the bridge may shift it by half of them.
    assert abs(row["time_s"] - walker.contacts_s("left")[2]) < 0.025
    assert row["confidence"] == pytest.approx(10 / 13, abs=0.01)


def test_standing_still_has_no_pass_and_no_event() -> None:
    track = Walker().track()
    still = replace(track, xy_px=np.broadcast_to(track.xy_px[:1], track.xy_px.shape).copy())
    motion = prepare(still, SETTINGS.signals)
    assert find_passes(motion, "sagittal") == []
    assert events_of(still).empty


def floor_events_s(walk: CapturedWalk, side: Side, kind: str) -> FloatArray:
    """Contacts or toe-offs of captured walking from 3D: heel (or foot tip) passes 0.5 m/s forward."""
    part, falling = ("heel", True) if kind == "contact" else ("foot_index", False)
    excess = np.gradient(walk.points_m[f"{side}_{part}"][:, 0], walk.time_s) - 0.5
    excess = -excess if falling else excess
    rising = np.flatnonzero((excess[:-1] <= 0) & (excess[1:] > 0))
    share = -excess[rising] / (excess[rising + 1] - excess[rising])
    return walk.time_s[rising] + share * (walk.time_s[1] - walk.time_s[0])


@pytest.mark.parametrize("direction", [1, -1])
def test_contacts_of_captured_walking_are_within_a_frame(direction: int) -> None:
    """Captured motion of the pybullet wheel; truth from its 3D heel speed. Published: 94 % within 16.7 ms and
    98 % overground within 33 ms (zeni_2008, read). The capture has 30 frames a second, so 33 ms here."""
    walk = captured_walk()
    events = events_of(side_track(walk, direction=direction))
    # The picture cannot tell which limb is which: seen from the other side the same names are kept.
    for side in SIDES:
        errors = nearest_error_s(times(events, side, "contact"), floor_events_s(walk, side, "contact"))
        assert len(errors) >= 4
        assert np.median(np.abs(errors)) < 0.034


def test_toe_offs_of_captured_walking_are_within_three_frames() -> None:
    """Same data. The rule waits until the foot tip is as fast as the hips, so it is late against the first
    movement; published spread is 30-80 ms (aftab_2022, read)."""
    walk = captured_walk()
    events = events_of(side_track(walk))
    for side in SIDES:
        errors = nearest_error_s(times(events, side, "toe_off"), floor_events_s(walk, side, "toe_off"))
        assert len(errors) >= 4
        assert np.median(np.abs(errors)) < 0.1
