"""Places of heels and lengths of steps: by hand, filmed by OpenCV's camera, planned footsteps of rendered clips."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.bench.truth import load_truth
from pipeline.config import load_settings
from pipeline.geometry import Lens, scale_of
from pipeline.metrics.estimates import run_metrics
from pipeline.metrics.spatial import SPATIAL, step_length_m
from pipeline.model import FloatArray, Side, StrideSet, VideoInfo
from pipeline.motion import prepare
from pipeline.passes import find_passes
from pipeline.stages import measure_clip
from pipeline.steps import heel_place, step_lengths_pct, with_lengths
from pipeline.strides import find_strides
from tests.filmed_walk import FOCAL_PX, HEIGHT_M, LEG_M, FilmedWalk
from tests.walker import make_clip

SETTINGS = load_settings()
LENS = Lens((640.0, 360.0), FOCAL_PX)
EXAMPLE_TRUTH = Path(__file__).resolve().parent.parent / "example_data" / "truth"
TIME_S = np.arange(61) / 60.0


def test_place_of_a_heel_by_hand() -> None:
    """Contact at 0, stride of 1 s: the median of 0.05 to 0.30 s counts, what happens before and after does not."""
    along = np.where((TIME_S >= 0.05) & (TIME_S <= 0.30), 1.5, 7.0)
    along[5] = 1.6
    assert heel_place(along, TIME_S, 0.0, 1.0) == 1.5
    along[6:13] = np.nan
    assert heel_place(along, TIME_S, 0.0, 1.0) == 1.5
    along[13:17] = np.nan
    assert np.isnan(heel_place(along, TIME_S, 0.0, 1.0))


def test_a_heel_that_moves_has_no_place() -> None:
    """By hand: 0.3 leg lengths/s move it by 0.06 in the middle 80 % of 0.25 s; faster is no standing foot."""
    assert np.isfinite(heel_place(0.25 * TIME_S, TIME_S, 0.0, 1.0))
    assert np.isnan(heel_place(0.40 * TIME_S, TIME_S, 0.0, 1.0))
    assert np.isnan(heel_place(TIME_S * 0.0, TIME_S, float("nan"), 1.0))


def test_steps_are_named_after_the_foot_that_lands_by_hand() -> None:
    """Left heel at 0.0, right at 0.7, left at 1.2 leg lengths: left step 50 %, stride 120 %."""
    time_s = np.arange(0, 3, 1 / 60)
    along: dict[Side, FloatArray] = {
        "left": np.where(time_s < 0.9, 0.0, 1.2),
        "right": np.where(time_s < 0.3, -0.5, 0.7),
    }
    step, stride = step_lengths_pct(along, time_s, "left", start_s=0.0, opposite_contact_s=0.5, end_s=1.0)
    assert (step, stride) == (pytest.approx(50.0), pytest.approx(120.0))


def strides_of(walk: FilmedWalk, noise_px: float = 0.0, **lengths: float) -> StrideSet:
    """Used strides of a filmed walk, cut at its true events."""
    clip = make_clip(view=walk.view, **lengths)
    motion = prepare(walk.track(noise_px), SETTINGS.signals)
    passes = find_passes(motion, walk.view)
    rows = [(side, "contact", time_s) for side, time_s, _ in walk.contacts]
    rows += [(side, "toe_off", time_s + 0.75) for side, time_s, _ in walk.contacts]
    events = pd.DataFrame(rows, columns=["side", "kind", "time_s"]).sort_values("time_s", ignore_index=True)
    events = events[(events["time_s"] >= 0) & (events["time_s"] <= motion.time_s[-1])]
    table = find_strides(clip, motion, passes, events, settings=SETTINGS.strides)
    table = with_lengths(table, clip, motion, passes, LENS)
    return StrideSet(table[table["use"]].reset_index(drop=True), {})


def marker_px(walk: FilmedWalk) -> float:
    """A metre on the floor along the middle of the walk, in pixels."""
    ends = walk.project(np.array([[-0.5, 0.0, 0.0], [0.5, 0.0, 0.0]]))
    return float(np.linalg.norm(ends[1] - ends[0]))


@pytest.mark.parametrize("leftward", [False, True])
@pytest.mark.parametrize("roll_deg", [0.0, 2.0])
@pytest.mark.parametrize("off_square_deg", [-12.0, 0.0, 12.0])
def test_steps_of_55_and_70_cm_come_back(off_square_deg: float, roll_deg: float, leftward: bool) -> None:
    """Each step within 1.5 cm, at 3.5 m with 1 px of noise; one scale for all would be off by up to 10 cm there."""
    walk = FilmedWalk(distance_m=3.5, n_steps=6, off_square_deg=off_square_deg, roll_deg=roll_deg, leftward=leftward)
    strides = strides_of(walk, 1.0, known_length_m=1.0, known_length_px=marker_px(walk))
    found = pd.Series(step_length_m(strides)).groupby(strides.table["side"])
    assert (found.count() >= 2).all()
    assert found.min()["left"] > 0.535 and found.max()["left"] < 0.565
    assert found.min()["right"] > 0.685 and found.max()["right"] < 0.715


def test_one_scale_for_all_would_not_do() -> None:
    """The same walk, places taken as pixels times the scale at the middle: more than 5 cm off at one end."""
    walk = FilmedWalk(distance_m=3.5, n_steps=6, off_square_deg=12.0)
    places_px = [walk.project(np.array([[place, 0.0, 0.0]]))[0, 0] for _, time_s, place in walk.contacts[2:-3]]
    steps_m = np.diff(places_px) / marker_px(walk)
    true_m = np.diff([place for _, _, place in walk.contacts[2:-3]])
    assert np.abs(steps_m - true_m).max() > 0.05


def test_body_height_gives_metres_where_there_is_no_marker() -> None:
    """The person is built by the proportions of the source, on soles of 2.5 cm: 2 % of a step of 70 cm."""
    strides = strides_of(FilmedWalk(), height_m=HEIGHT_M + 0.025)
    right = step_length_m(strides)[(strides.table["side"] == "right").to_numpy()]
    assert np.median(right) == pytest.approx(0.70, rel=0.02)
    assert strides.table["scale_relative_sd"].between(0.05, 0.06).all()


def test_from_the_front_the_leg_has_a_length_by_height_and_steps_have_none() -> None:
    """By hand: 0.491 of the height without soles at any distance; a marker at one place says nothing."""
    walk = FilmedWalk(view="anterior", distance_m=6.0, n_steps=7)
    strides = strides_of(walk, height_m=HEIGHT_M + 0.025, known_length_m=1.0, known_length_px=50.0)
    assert len(strides.table) and strides.table["step_length_pct"].isna().all()
    leg_m = strides.table["leg_length_px"] * strides.table["m_per_px"]
    assert leg_m.to_numpy() == pytest.approx(LEG_M, rel=1e-6)


def test_without_any_length_steps_are_shares_of_the_leg() -> None:
    strides = strides_of(FilmedWalk(distance_m=6.0, n_steps=9))
    values = run_metrics(SPATIAL.specs, {}, strides, prosthetic_sides=(), min_strides=2, measurement_error={})
    found = {(value.metric, value.side): value for value in values}
    share = found["step_length", "right"].value
    assert share == pytest.approx(100 * 0.70 / LEG_M, rel=0.02)
    assert found["step_length_m", "right"].status == "no_scale"


def test_the_uncertainty_of_a_scale_by_hand() -> None:
    """A pixel of 160 is 0.625 %, with 1 % for the place: 1.18 %. Height: 5 % and 1 % of the size are 5.1 %."""
    marker = scale_of(make_clip(known_length_m=1.0, known_length_px=160.0), 200.0)
    height = scale_of(make_clip(height_m=1.7), 200.0, leg_sd=0.01)
    assert marker is not None and marker.relative_sd == pytest.approx(0.0118, abs=0.0001)
    assert height is not None and height.relative_sd == pytest.approx(0.0510, abs=0.0001)


def test_a_clip_is_measured_with_its_step_lengths() -> None:
    """The whole way from landmarks: events found, roll of 2 deg taken out, steps within 2 cm."""
    walk = FilmedWalk(roll_deg=2.0, off_square_deg=6.0, n_steps=8, distance_m=6.0)
    track = walk.track(noise_px=0.5)
    info = VideoInfo(1280, 720, len(track.time_s), len(track.time_s), float(track.time_s[-1]), 60, 60, 0, False, True)
    clip = make_clip(known_length_m=1.0, known_length_px=marker_px(walk))
    strides = measure_clip(clip, info, track, SETTINGS).strides
    used = strides.table[strides.table["use"]]
    steps_m = used["step_length_pct"] / 100 * used["leg_length_px"] * used["m_per_px"]
    medians = steps_m.groupby(used["side"]).median()
    assert medians["left"] == pytest.approx(0.55, abs=0.02)
    assert medians["right"] == pytest.approx(0.70, abs=0.02)


@pytest.mark.parametrize("path", sorted(EXAMPLE_TRUTH.rglob("*sagittal*.truth.json"))[:4], ids=lambda path: path.stem)
def test_true_step_lengths_are_the_planned_footsteps(path: Path) -> None:
    """The generator plans each heel's place before it makes a pose: the joints must show the same steps to 5 mm."""
    planned = {
        (stride["side"], round(stride["contact_s"], 3)): stride["step_length_m"]
        for stride in json.loads(path.read_text(encoding="utf-8"))["gait"]["strides"]
    }
    table = load_truth(path).strides.table
    found_m = step_length_m(StrideSet(table, {}))
    known = np.isfinite(found_m)
    assert known.sum() >= 4
    for side, end_s, step_m in zip(table["side"][known], table["end_s"][known], found_m[known], strict=True):
        assert step_m == pytest.approx(planned[side, round(end_s, 3)], abs=0.005)


def test_a_tracked_leg_on_the_other_leg_gives_no_length() -> None:
    """The right leg's landmarks follow the left leg: its heel swings where it should stand."""
    walk = FilmedWalk()
    motion = prepare(walk.track(), SETTINGS.signals)
    xy_px = motion.xy_px.copy()
    xy_px[:, 24::2] = xy_px[:, 23::2][:, : xy_px[:, 24::2].shape[1]]
    confused = replace(motion, xy_px=xy_px)
    clip = make_clip()
    passes = find_passes(motion, "sagittal")
    rows = [(side, "contact", time_s) for side, time_s, _ in walk.contacts if 0 <= time_s <= motion.time_s[-1]]
    events = pd.DataFrame(rows, columns=["side", "kind", "time_s"])
    table = find_strides(clip, confused, passes, events, settings=SETTINGS.strides)
    table = with_lengths(table, clip, confused, passes, LENS)
    assert table["step_length_pct"].isna().all()
