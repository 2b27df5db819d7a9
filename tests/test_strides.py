"""Strides: hand-worked events, exclusions with their reasons, curves on 101 points."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.config import load_settings
from pipeline.metrics.temporal import cadence, stance_share, stance_time, step_time, stride_time
from pipeline.model import SIDES, BoolArray, Pass, StrideSet
from pipeline.motion import prepare
from pipeline.passes import find_passes
from pipeline.stages import measure_clip
from pipeline.strides import find_strides, join, load, sample_curves, save, select, stride_curve
from tests.walker import Walker, make_clip

SETTINGS = load_settings()
# Side, kind, time: a walk that can be worked by hand. Left strides 1.0 s from 1.0, right strides from 1.5.
EVENTS = [
    ("left", "contact", 1.0), ("right", "toe_off", 1.1), ("right", "contact", 1.5), ("left", "toe_off", 1.6),
    ("left", "contact", 2.0), ("right", "toe_off", 2.15), ("right", "contact", 2.5), ("left", "toe_off", 2.7),
    ("left", "contact", 3.1),
]  # fmt: skip


def table_of(
    rows: list[tuple[str, str, float]], passes: list[Pass] | None = None, rebuilt: BoolArray | None = None
) -> pd.DataFrame:
    """Strides of hand-written events in a clip of 6 s at 60 frames a second."""
    events = pd.DataFrame(
        [(side, kind, time_s, time_s * 60, 1.0, "by hand") for side, kind, time_s in rows],
        columns=["side", "kind", "time_s", "frame", "confidence", "method"],
    )
    motion = prepare(Walker().track(), SETTINGS.signals)
    passes = passes or [Pass(0, 360, 1, "right")]
    return find_strides(make_clip(), motion, passes, events, settings=SETTINGS.strides, rebuilt=rebuilt)


def test_strides_and_times_by_hand() -> None:
    """Left: 1.0-2.0 and 2.0-3.1; stance 0.6 and 0.7; steps to 2.0 (from 1.5) 0.5 and to 3.1 (from 2.5) 0.6."""
    table = table_of(EVENTS)
    used = StrideSet(table[table["use"] & (table["side"] == "left")].reset_index(drop=True), {})
    assert stride_time(used) == pytest.approx([1.0, 1.1])
    assert cadence(used) == pytest.approx([120.0, 120.0 / 1.1])
    assert stance_time(used) == pytest.approx([0.6, 0.7])
    assert stance_share(used) == pytest.approx([60.0, 100 * 0.7 / 1.1])
    assert step_time(used) == pytest.approx([0.5, 0.6])
    assert used.table["opposite_toe_off_s"].tolist() == [1.1, 2.15]
    assert used.table["opposite_contact_s"].tolist() == [1.5, 2.5]
    right = table[table["use"] & (table["side"] == "right")]
    assert right[["start_s", "toe_off_s", "end_s"]].to_numpy().tolist() == [[1.5, 2.15, 2.5]]


def test_partial_strides_stay_in_the_table_with_their_reason() -> None:
    table = table_of(EVENTS)
    left = table[table["side"] == "left"]
    assert left["why_not"].tolist() == ["before the first contact", "", "", "after the last contact"]
    assert left["use"].tolist() == [False, True, True, False]


@pytest.mark.parametrize(
    ("drop", "reason"),
    [
        (2, "not one contact of the other foot inside"),
        (3, "not one toe-off of the other foot before its contact and one of this foot after it"),
    ],
)
def test_a_stride_without_an_inner_event_is_excluded(drop: int, reason: str) -> None:
    table = table_of([row for i, row in enumerate(EVENTS) if i != drop])
    first = table[(table["side"] == "left") & (table["start_s"] == 1.0)].iloc[0]
    assert not first["use"] and first["why_not"] == reason


def test_a_toe_off_before_the_other_contact_does_not_count() -> None:
    """Left toe-off at 1.4 s comes before the right contact at 1.5 s: alone it leaves none, beside 1.6 s it is noise."""
    early = ("left", "toe_off", 1.4)
    alone = table_of([early if row == ("left", "toe_off", 1.6) else row for row in EVENTS])
    first = alone.query("side == 'left' and start_s == 1.0").iloc[0]
    assert first["why_not"] == "not one toe-off of the other foot before its contact and one of this foot after it"
    beside = table_of([*EVENTS, early]).query("side == 'left' and start_s == 1.0").iloc[0]
    assert beside["use"] and beside["toe_off_s"] == 1.6


def test_too_short_and_too_long_strides_say_what_was_found() -> None:
    reasons = table_of([("left", "contact", 1.0), ("left", "contact", 1.5), ("left", "contact", 4.5)])["why_not"]
    assert "0.50 s between contacts; at least 0.60 s expected" in set(reasons)
    assert "3.00 s between contacts; at most 2.50 s expected" in set(reasons)


def test_no_stride_crosses_a_turn() -> None:
    """Two passes, the turn at 2.2 s: the left stride 2.0-3.1 is cut into two partial ones."""
    table = table_of(EVENTS, [Pass(0, 132, 1, "right"), Pass(132, 360, -1, "left")])
    left = table[table["side"] == "left"]
    assert left["pass_number"].tolist() == [1, 1, 1, 2, 2]
    assert left["use"].tolist() == [False, True, False, False, False]
    assert left["near"].tolist() == [False, False, False, True, True]


def test_a_clip_with_a_turn_gives_two_passes_of_opposite_direction() -> None:
    """The walker's own clip followed by its mirror image in time order: there and back."""
    there = Walker(direction=1).track()
    back = Walker(direction=-1).track()
    track = replace(
        there,
        time_s=np.concatenate([there.time_s, there.time_s[-1] + back.time_s + 1 / 60]),
        xy_px=np.concatenate([there.xy_px, back.xy_px]),
        visibility=np.concatenate([there.visibility, back.visibility]),
        world_m=np.concatenate([there.world_m, back.world_m]),
        n_people=np.concatenate([there.n_people, back.n_people]),
    )
    passes = find_passes(prepare(track, SETTINGS.signals), "sagittal")
    assert [(item.direction, item.near_side) for item in passes] == [(1, "right"), (-1, "left")]


def test_a_limb_seen_too_little_is_excluded() -> None:
    track = Walker().track()
    visibility = track.visibility.copy()
    visibility[60:100, 27] = 0.2
    motion = prepare(replace(track, visibility=visibility), SETTINGS.signals)
    events = pd.DataFrame(
        [(side, kind, t, t * 60, 1.0, "by hand") for side, kind, t in EVENTS],
        columns=["side", "kind", "time_s", "frame", "confidence", "method"],
    )
    table = find_strides(
        make_clip(), motion, find_passes(motion, "sagittal"), events,
        settings=SETTINGS.strides,
    )  # fmt: skip
    first = table.query("side == 'left' and start_s == 1.0").iloc[0]
    assert first["why_not"] == "limb seen in 34% of the frames; at least 80% expected"


def test_a_leg_is_sure_early_by_the_first_30_pct_of_the_stride_alone() -> None:
    """Rebuilt from 1.7 to 2.2 s: the swing of the first stride (1.0 to 2.0 s), and 12 of the first 20 frames of the
    second (2.0 to 3.1 s, early until 2.33 s)."""
    rebuilt = np.zeros((360, 2), dtype=bool)
    rebuilt[102:132, SIDES.index("left")] = True
    table = table_of(EVENTS, rebuilt=rebuilt)
    used = table[table["use"] & (table["side"] == "left")]
    assert used["leg_sure"].tolist() == [False, True]
    assert used["early_sure"].tolist() == [True, False]


def test_curve_has_101_points_and_hits_both_ends() -> None:
    """By hand: a straight line from 10 at 1 s to 20 at 2 s is 10, 10.1, ... 20."""
    time_s = np.arange(100) / 30.0
    curve = stride_curve(10.0 * time_s, time_s, 1.0, 2.0)
    assert curve.shape == (101,)
    assert curve == pytest.approx(np.linspace(10.0, 20.0, 101))


def test_curves_come_from_the_strides_own_side() -> None:
    table = table_of(EVENTS)
    motion = prepare(Walker().track(), SETTINGS.signals)
    constant = {"left": np.full(360, 1.0), "right": np.full(360, 2.0)}
    curves = sample_curves(table, motion.time_s, {"knee_flexion_deg": constant})["knee_flexion_deg"]
    assert (curves[(table["side"] == "left").to_numpy()] == 1.0).all()
    assert (curves[(table["side"] == "right").to_numpy()] == 2.0).all()


def measured(name: str = "clip") -> StrideSet:
    """Strides of the stick walker's clip."""
    from pipeline.model import VideoInfo

    track = Walker().track()
    info = VideoInfo(1280, 720, 360, 360, 6.0, 60.0, 60.0, 0, False, True)
    return measure_clip(make_clip(name=name), info, track, SETTINGS).strides


def test_saved_strides_come_back_the_same(tmp_path: Path) -> None:
    strides = measured()
    save(strides, tmp_path)
    again = load(tmp_path)
    pd.testing.assert_frame_equal(again.table, strides.table, check_dtype=False)
    assert all(np.array_equal(again.curves[name], strides.curves[name], equal_nan=True) for name in strides.curves)


def test_joined_clips_keep_every_stride_and_select_picks_rows() -> None:
    one, two = measured("one"), measured("two")
    both = join([one, two])
    assert len(both.table) == len(one.table) + len(two.table)
    picked = select(both, both.table["clip_id"] == "two")
    assert len(picked.table) == len(two.table)
    assert np.array_equal(picked.curves["arm_angle_deg"], two.curves["arm_angle_deg"], equal_nan=True)
    assert len(join([]).table) == 0


def test_the_stance_after_the_last_contact_is_laid_out_at_the_usual_pace() -> None:
    """By hand: strides of 1.0 s; 0.5 s after the last contact are 50 % of one, 0.25 s are too little to be read."""
    time_s = np.arange(0, 300) / 100
    signal = {"size_deg": {side: time_s.copy() for side in SIDES}}
    rows = [(0.0, 1.0, True, ""), (1.0, 2.0, True, ""), (2.0, 2.5, False, "after the last contact")]
    table = pd.DataFrame(rows, columns=["start_s", "end_s", "use", "why_not"]).assign(side="left", pass_number=1)
    last = sample_curves(table, time_s, signal)["size_deg"][2]
    assert last[:51] == pytest.approx(2.0 + np.arange(51) / 100)
    assert np.isnan(last[51:]).all()
    table.loc[2, "end_s"] = 2.25
    assert np.isnan(sample_curves(table, time_s, signal)["size_deg"][2]).all()
