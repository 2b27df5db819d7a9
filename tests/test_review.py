"""Corrections by a person: which records count, and what they make of events, legs and strides; answers by hand."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.agreement_table import agreement_table
from pipeline.comparability import Visit
from pipeline.config import load_settings
from pipeline.judgement import Verdict, verdict_in_force
from pipeline.legs import RightedLegs
from pipeline.model import LANDMARK_NAMES, VideoInfo
from pipeline.ratings import Rating
from pipeline.review import Applied, Correction, PersonVerdict, Reviewed, in_force, standings, undone
from pipeline.review_apply import (
    DOUBLE,
    NO_FRAMES,
    NOT_THERE,
    OUTSIDE,
    events_in_force,
    placed,
    with_strides,
    with_swapped_legs,
    with_swapped_shoes,
    without_excluded,
)
from pipeline.review_verdicts import as_in_force, with_corrections
from pipeline.shoes import Shoes
from pipeline.stages import measure_clip
from pipeline.tables import EVENTS
from pipeline.tracking import track
from pipeline.tracking_rules import load_tracking_rules
from tests import report_fixture as fixture
from tests.filmed_walk import FilmedWalk
from tests.walker import Walker, make_clip, make_track

CLIP, HASH = "clip", "a" * 64
WALKS = ((0.0, 5.0),)
NAMES = (f"R{number:03d}" for number in itertools.count())


def record(action: str, **more: Any) -> Correction:
    """A record of the test clip; each later than the one before."""
    name = next(NAMES)
    return Correction(
        id=name, made=name, by="AB", reason="seen", action=action, subject="P01", visit="01",
        **{"clip_id": CLIP, "landmarks_sha256": HASH} | more,
    )  # fmt: skip


def move(found_s: float, to_s: float, side: str = "left", kind: str = "contact", **more: Any) -> Correction:
    return record("move event", side=side, kind=kind, time_s=found_s, found_s=found_s, to_s=to_s, **more)


def add(time_s: float, side: str = "left", kind: str = "contact", **more: Any) -> Correction:
    return record("add event", side=side, kind=kind, time_s=time_s, **more)


def delete(found_s: float, side: str = "left", kind: str = "contact", **more: Any) -> Correction:
    return record("delete event", side=side, kind=kind, time_s=found_s, found_s=found_s, **more)


def walk_events() -> pd.DataFrame:
    """Left contacts at 1.0, 2.2, 3.4 s, right at 1.6, 2.8 s, each with a toe-off of the other foot 0.1 s later."""
    contacts = [("left", 1.0), ("right", 1.6), ("left", 2.2), ("right", 2.8), ("left", 3.4)]
    rows = [(side, "contact", time_s) for side, time_s in contacts]
    rows += [("right" if side == "left" else "left", "toe_off", time_s + 0.1) for side, time_s in contacts]
    table = pd.DataFrame(rows, columns=["side", "kind", "time_s"]).sort_values("time_s", ignore_index=True)
    table["frame"], table["confidence"], table["method"] = table["time_s"] * 30.0, 0.9, "found"
    return table[[column.name for column in EVENTS]]


def times(events: pd.DataFrame, side: str, kind: str) -> list[float]:
    return events.loc[(events["side"] == side) & (events["kind"] == kind), "time_s"].tolist()


def counting(*records: Correction, landmarks: str = HASH) -> tuple[Correction, ...]:
    return standings(records, {CLIP: landmarks})[0]


def applied(*records: Correction) -> tuple[pd.DataFrame, dict[str, str]]:
    """Events with the records that count, and the reason of each that is not applied."""
    events, found = events_in_force(walk_events(), counting(*records), WALKS)
    return events, {one.record: one.note for one in found if not one.ok}


# --- events


def test_an_event_is_moved_added_and_deleted_by_hand() -> None:
    events, lost = applied(move(2.2, 2.3), add(4.6), delete(1.7, kind="toe_off"))
    assert lost == {}
    assert times(events, "left", "contact") == [1.0, 2.3, 3.4, 4.6]
    assert times(events, "left", "toe_off") == [2.9]
    assert times(events, "right", "contact") == [1.6, 2.8]
    assert events["time_s"].is_monotonic_increasing
    table = placed(events, np.arange(150) / 30.0)
    by_hand = table[table["method"] == "by hand: AB"]
    # 30 frames a second: 2.3 s is frame 69, 4.6 s frame 138.
    assert by_hand["frame"].tolist() == pytest.approx([69.0, 138.0])
    assert by_hand["confidence"].isna().all()
    assert set(table["method"]) == {"found", "by hand: AB"}


def test_no_correction_leaves_the_events_as_they_were_found() -> None:
    pd.testing.assert_frame_equal(placed(applied()[0], np.arange(150) / 30.0), walk_events())


@pytest.mark.parametrize(
    ("made", "reason"),
    [
        (move(2.31, 2.4), NOT_THERE),
        (delete(1.0, side="right"), NOT_THERE),
        (move(2.2, 5.2), OUTSIDE),
        (add(5.2), OUTSIDE),
        (add(2.25), DOUBLE),
    ],
)
def test_what_fits_nothing_is_told_and_changes_nothing(made: Correction, reason: str) -> None:
    events, lost = applied(made)
    assert lost == {made.id: reason}
    pd.testing.assert_frame_equal(placed(events, np.arange(150) / 30.0), walk_events())


def test_an_event_within_a_tenth_of_a_second_is_the_one_that_is_meant() -> None:
    # Found at 2.2 s; the record names 2.29 s, as after a small change of the rules.
    assert times(applied(move(2.29, 2.4))[0], "left", "contact") == [1.0, 2.4, 3.4]


def test_an_event_may_be_added_where_one_was_deleted() -> None:
    events, lost = applied(delete(2.2), add(2.25))
    assert (times(events, "left", "contact"), lost) == ([1.0, 2.25, 3.4], {})


def test_an_added_event_is_moved_and_deleted_by_the_record_that_added_it() -> None:
    added = add(4.6)
    assert times(applied(added, move(0.0, 4.7, about=added.id))[0], "left", "contact") == [1.0, 2.2, 3.4, 4.7]
    gone = delete(0.0, about=added.id)
    assert times(applied(added, gone)[0], "left", "contact") == [1.0, 2.2, 3.4]
    # Without the event there is nothing to delete.
    assert applied(gone)[1] == {gone.id: NOT_THERE}


# --- which records count


def test_the_later_record_about_an_event_wins_and_the_earlier_one_is_kept_and_named() -> None:
    first, second = move(2.2, 2.4), delete(2.2)
    found, others = standings((second, first), {CLIP: HASH})
    assert found == (second,)
    assert others == {first.id: ("replaced", f"by record {second.id[-6:]}")}


def test_the_later_one_wins_however_far_the_earlier_one_had_moved_the_event() -> None:
    assert times(applied(move(2.2, 2.6), move(2.2, 2.3))[0], "left", "contact") == [1.0, 2.3, 3.4]


def test_two_who_add_the_same_event_add_one() -> None:
    assert times(applied(add(4.6), add(4.65))[0], "left", "contact") == [1.0, 2.2, 3.4, 4.65]


def test_undoing_brings_back_what_held_before_and_can_be_undone() -> None:
    first, second = move(2.2, 2.4), move(2.2, 2.3)
    back = record("undo", about=second.id)
    assert times(applied(first, second, back)[0], "left", "contact") == [1.0, 2.4, 3.4]
    again = record("undo", about=back.id)
    assert times(applied(first, second, back, again)[0], "left", "contact") == [1.0, 2.3, 3.4]
    assert undone([first, second, back, again]) == {back.id: again.id}


def test_a_circle_of_undoing_ends() -> None:
    one, other = record("undo", about="x"), record("undo", about="y")
    circle = [replace(one, about=other.id), replace(other, about=one.id)]
    assert undone(circle) == {}


def test_a_record_for_other_landmarks_is_kept_and_does_not_count_until_confirmed() -> None:
    old = move(2.2, 2.4, landmarks_sha256="b" * 64)
    found, others = standings((old,), {CLIP: HASH})
    assert (found, others[old.id][0]) == ((), "for other landmarks")
    confirmed = record("confirm", about=old.id)
    assert counting(old, confirmed) == (old,)
    assert counting(old, confirmed, record("undo", about=confirmed.id)) == ()
    # Confirmed for landmarks that are no longer in use.
    assert counting(old, confirmed, landmarks="c" * 64) == ()


def test_a_record_that_was_confirmed_is_as_late_as_its_confirming() -> None:
    old = move(2.2, 2.4, landmarks_sha256="b" * 64)
    new = move(2.2, 2.3)
    assert counting(old, new, record("confirm", about=old.id)) == (old,)


def test_a_clip_that_is_not_measured_has_no_record_that_counts() -> None:
    made = move(2.2, 2.4, landmarks_sha256="")
    assert standings((made,), {}) == ((), {made.id: ("for other landmarks", "the clip is not measured")})


def test_a_persons_verdict_holds_in_place_of_the_pipelines_own() -> None:
    assert in_force("present", None) == "present"
    assert in_force("present", PersonVerdict("not seen", "AB", "", "", "")) == "not seen"


def overruled(fault: str, verdict: Verdict, old: Verdict = "present") -> Reviewed:
    made = record("overrule verdict", clip_id="", fault=fault, verdict=verdict, old_verdict=old)
    return Reviewed(made, "applied")


def test_a_danger_that_the_pipeline_saw_stays_one_whatever_a_person_says() -> None:
    (fault,) = (one for one in fixture.report().faults if one.name == "knee_instability")
    assert fault.verdict == "borderline"
    (after,) = with_corrections([fault], [overruled("knee_instability", "not seen")], fixture.limits())
    assert (after.verdict, verdict_in_force(after), after.urgent) == ("borderline", "not seen", True)


def test_a_danger_that_a_person_saw_is_one() -> None:
    (fault,) = (one for one in fixture.report().faults if one.name == "knee_instability")
    unseen = replace(fault, verdict="not seen", urgent=False)
    (after,) = with_corrections([unseen], [overruled("knee_instability", "present")], fixture.limits())
    assert (after.verdict, verdict_in_force(after), after.urgent) == ("not seen", "present", True)
    # Other faults are never urgent.
    (vaulting,) = (one for one in fixture.report().faults if one.name == "vaulting")
    assert not with_corrections([vaulting], [overruled("vaulting", "present")], fixture.limits())[0].urgent


def test_what_is_to_be_considered_follows_the_verdict_in_force() -> None:
    faults = with_corrections(fixture.report().faults, [overruled("vaulting", "not seen")], fixture.limits())
    assert {one.name for one in as_in_force(faults) if one.verdict == "present"} == {
        one.name for one in fixture.report().faults if one.verdict == "present"
    } - {"vaulting"}


def test_agreement_compares_the_pipelines_own_verdict_and_tracking_shows_the_persons() -> None:
    report = fixture.report()
    faults = with_corrections(report.faults, [overruled("vaulting", "not seen")], fixture.limits())
    later = replace(report, visit="03", visit_date=date(2026, 5, 1), faults=faults)
    rating = Rating("XY", "P01", "03", "vaulting", "present")
    table = agreement_table([rating], [later])
    same = table[(table["fault"] == "vaulting") & (table["statistic"] == "percent_agreement")]
    assert same["value"].tolist() == [100.0]
    visits = [Visit(one, fixture.strides()) for one in (report, later)]
    (vaulting,) = (one for one in track(visits, load_tracking_rules()).faults if one.name == "vaulting")
    assert (vaulting.verdicts, vaulting.by) == (("present", "not seen"), ("", "AB"))


# --- laws

CHANGES = st.sampled_from(["move", "delete", "add"])
TARGETS = [(row.side, row.kind, row.time_s) for row in walk_events().itertuples()]


@st.composite
def changes(draw: st.DrawFn) -> list[Correction]:
    """Records about distinct events: some of those found, and some that are far from all others."""
    made = []
    for side, kind, time_s in draw(st.lists(st.sampled_from(TARGETS), unique=True)):
        to_s = time_s + draw(st.floats(-0.3, 0.3))
        made.append(draw(st.sampled_from([move(time_s, to_s, side, kind), delete(time_s, side, kind)])))
    for place in draw(st.lists(st.sampled_from([0.2, 4.2, 4.6]), unique=True)):
        made.append(add(place, draw(st.sampled_from(["left", "right"]))))
    return made


@given(changes())
def test_undoing_everything_gives_the_events_that_were_found(made: list[Correction]) -> None:
    events, lost = applied(*made, *(record("undo", about=one.id) for one in made))
    assert lost == {}
    pd.testing.assert_frame_equal(placed(events, np.arange(150) / 30.0), walk_events())


@given(changes(), st.randoms())
def test_the_order_of_records_about_distinct_events_changes_nothing(made: list[Correction], random: Any) -> None:
    order = [one.id for one in made]
    random.shuffle(order)
    # The same records, made in another order of time.
    others = [replace(one, made=f"T{order.index(one.id):03d}") for one in made]
    pd.testing.assert_frame_equal(applied(*made)[0], applied(*others)[0])


# --- legs


def two_legged(n_frames: int = 10) -> RightedLegs:
    """Left landmarks at 1 px, right ones at 2 px, everything else at 0."""
    xy_px = np.zeros((n_frames, 33, 2))
    for place, name in enumerate(LANDMARK_NAMES):
        xy_px[:, place] = 1.0 if name.startswith("left_") else 2.0 if name.startswith("right_") else 0.0
    flags = np.tile([True, False], (n_frames, 1))
    track = make_track(np.arange(n_frames) / 10.0, xy_px)
    doubtful = np.zeros((n_frames, 33), dtype=bool)
    doubtful[:, LANDMARK_NAMES.index("left_knee")] = True
    return RightedLegs(track, np.zeros(n_frames, dtype=bool), flags, doubtful, flags, flags)


def swap(time_s: float, to_s: float) -> Correction:
    return record("swap legs", time_s=time_s, to_s=to_s)


def test_legs_are_exchanged_in_the_span_alone_with_all_that_is_known_of_them() -> None:
    legs = with_swapped_legs(two_legged(), [swap(0.3, 0.5)], "posterior")
    inside = np.isin(np.arange(10), [3, 4, 5])
    knees = [LANDMARK_NAMES.index(f"{side}_knee") for side in ("left", "right")]
    assert (legs.track.xy_px[:, knees[0], 0] == np.where(inside, 2.0, 1.0)).all()
    assert (legs.track.xy_px[:, knees[1], 0] == np.where(inside, 1.0, 2.0)).all()
    assert (legs.swapped == inside).all()
    for flags in (legs.rebuilt, legs.pylon, legs.feet_lost, legs.doubtful[:, knees]):
        assert (flags[:, 0] == ~inside).all() and (flags[:, 1] == inside).all()
    # Shoulders are no legs.
    assert (legs.track.xy_px[:, LANDMARK_NAMES.index("left_shoulder"), 0] == 1.0).all()


def test_two_who_exchange_the_legs_of_one_span_exchange_them_once() -> None:
    once = with_swapped_legs(two_legged(), [swap(0.3, 0.5)], "posterior")
    twice = with_swapped_legs(two_legged(), [swap(0.3, 0.4), swap(0.35, 0.5)], "posterior")
    np.testing.assert_array_equal(once.track.xy_px, twice.track.xy_px)


def test_from_the_side_hips_keep_the_place_that_they_move_through_evenly() -> None:
    walk = FilmedWalk().track()
    knee, hip = (LANDMARK_NAMES.index(f"left_{part}") for part in ("knee", "hip"))
    other_knee = LANDMARK_NAMES.index("right_knee")
    n_frames = len(walk.time_s)
    none = np.zeros((n_frames, 2), dtype=bool)
    doubtful = np.zeros((n_frames, 33), dtype=bool)
    legs = with_swapped_legs(RightedLegs(walk, none[:, 0], none, doubtful, none, none), [swap(1.0, 1.5)], "sagittal")
    inside = (walk.time_s >= 1.0) & (walk.time_s <= 1.5)
    np.testing.assert_allclose(legs.track.xy_px[inside, knee], walk.xy_px[inside, other_knee])
    np.testing.assert_allclose(legs.track.xy_px[~inside], walk.xy_px[~inside])
    jump_px = np.abs(np.diff(legs.track.xy_px[:, hip, 0])).max()
    assert jump_px == pytest.approx(np.abs(np.diff(walk.xy_px[:, hip, 0])).max(), abs=1.0)


def test_shoes_are_exchanged_with_the_legs() -> None:
    shoes = Shoes(np.arange(4) / 10.0, np.tile([1.0, 2.0], (4, 1)), np.zeros(2))
    assert with_swapped_shoes(shoes, [swap(0.1, 0.2)]).reach.tolist() == [[1, 2], [2, 1], [2, 1], [1, 2]]


# --- a clip


def measured(*records: Correction):
    track = Walker().track()
    n_frames = len(track.time_s)
    info = VideoInfo(track.width_px, track.height_px, n_frames, n_frames, n_frames / 60, 60, 60, 0, False, True)
    clip = make_clip("sagittal", CLIP)
    return measure_clip(clip, info, track, load_settings(), corrections=records)


@pytest.fixture(scope="module")
def plain():
    return measured()


def test_a_moved_contact_moves_the_bounds_of_its_strides(plain) -> None:
    contact = times(plain.events, "left", "contact")[1]
    made = move(contact, contact + 0.05)
    after = measured(made)
    table = after.strides.table
    used = plain.strides.table
    before = used[(used["side"] == "left") & used["use"]]
    assert contact in before["start_s"].tolist()
    rows = table[(table["side"] == "left") & table["use"]]
    assert contact + 0.05 in rows["start_s"].tolist() and contact + 0.05 in rows["end_s"].tolist()
    assert after.events.loc[after.events["method"] == "by hand: AB", "time_s"].tolist() == [contact + 0.05]
    pd.testing.assert_frame_equal(after.found_events, plain.found_events)
    (done,) = after.applied
    bounds = table.set_index("stride_id").loc[list(done.stride_ids)]
    assert done.ok and ((bounds["start_s"] <= contact + 0.05) & (bounds["end_s"] >= contact)).all()
    # Two strides of this foot meet there, and it parts one of the other foot.
    assert sorted(bounds["side"]) == ["left", "left", "right"]


def test_without_corrections_a_clip_is_measured_as_before(plain) -> None:
    assert plain.applied == ()
    pd.testing.assert_frame_equal(plain.events, plain.found_events)


def test_an_excluded_stride_says_by_whom_and_the_others_stay(plain) -> None:
    used = plain.strides.table[plain.strides.table["use"]]
    stride = used.iloc[0]
    made = record("exclude stride", side=stride["side"], time_s=stride["start_s"], found_s=stride["start_s"])
    after = measured(made)
    table = after.strides.table.set_index("stride_id")
    assert not table.loc[stride["stride_id"], "use"]
    assert table.loc[stride["stride_id"], "why_not"] == "left out by hand: AB"
    assert set(table.index[table["use"]]) == set(used["stride_id"]) - {stride["stride_id"]}
    assert after.applied == (Applied(made.id, True, "", (stride["stride_id"],)),)


def test_a_stride_is_named_by_its_first_contact_also_when_that_was_moved(plain) -> None:
    used = plain.strides.table[plain.strides.table["use"] & (plain.strides.table["side"] == "left")]
    contact = float(used.iloc[1]["start_s"])
    out = record("exclude stride", side="left", time_s=contact, found_s=contact)
    table = measured(out, move(contact, contact + 0.15)).strides.table.set_index("stride_id")
    assert table.loc[used.iloc[1]["stride_id"], "why_not"] == "left out by hand: AB"


def test_legs_exchanged_over_the_whole_clip_give_the_other_foots_strides(plain) -> None:
    after = measured(swap(0.0, 99.0))
    for side, other in (("left", "right"), ("right", "left")):
        assert times(after.events, side, "contact") == pytest.approx(times(plain.events, other, "contact"), abs=0.01)
    (done,) = after.applied
    assert done.ok and set(done.stride_ids) == set(after.strides.table["stride_id"])


def test_a_clip_without_any_event_left_is_measured_and_has_no_stride(plain) -> None:
    gone = [delete(row.time_s, row.side, row.kind) for row in plain.events.itertuples()]
    after = measured(*gone)
    assert after.events.empty and not after.strides.table["use"].any()
    assert all(one.ok for one in after.applied)


def test_a_span_without_pictures_is_told() -> None:
    strides = pd.DataFrame({"stride_id": ["a"], "start_s": [0.0], "end_s": [1.0]})
    made = swap(7.0, 8.0)
    assert with_strides((), [made], strides, np.arange(10) / 10.0) == (Applied(made.id, False, NO_FRAMES),)


def test_a_stride_that_nothing_begins_is_told() -> None:
    strides = pd.DataFrame({"stride_id": ["a"], "side": ["left"], "start_s": [0.5], "use": [True], "why_not": [""]})
    made = record("exclude stride", side="left", time_s=1.0, found_s=1.0)
    table, (done,) = without_excluded(strides, events_in_force(walk_events(), [], WALKS)[0], [made])
    assert table["use"].all() and not done.ok
