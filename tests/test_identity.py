"""Which leg is which: crossings worked by hand, namings against trying all of them, captured walking put right."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.identity import (
    APART_LEGS,
    CHARGE_OF_A_SWAP,
    CROSSING_S,
    LARGEST_DEPARTURE,
    LEFT,
    RIGHT,
    _even_sequence,
    _usual_step,
    cheapest_naming,
    exchanged,
    name_by_evenness,
    name_in_turn,
    wavering,
)
from pipeline.model import BoolArray, FloatArray
from tests.spoilt_walk import N_FRAMES, TRUE, WALK, legs_of
from tests.walker import Walker

FPS = 30.0
# Feet that pass each other at frames 5, 23, 41 ...: a step of 18 frames.
STEP, FIRST, LENGTH = 18, 5, 113
CROSSINGS = [5, 23, 41, 59, 77, 95]
IDEAL = np.abs(np.sin(np.pi * (np.arange(LENGTH) - FIRST) / STEP))
LEGS = legs_of(TRUE)
LEAD = (LEGS[:, 0, 2:, 0] - LEGS[:, 1, 2:, 0]).mean(axis=1)


def noisy(legs: FloatArray, seed: int = 1) -> FloatArray:
    """Legs with 1 % of noise."""
    return np.asarray(legs + np.random.default_rng(seed).normal(0.0, 0.01, legs.shape))


def exchange(legs: FloatArray, frames: BoolArray) -> FloatArray:
    """Legs that bear each other's names in some frames."""
    return np.where(frames[:, None, None, None], legs[:, ::-1], legs)


def spans(*pairs: tuple[int, int], length: int = N_FRAMES) -> BoolArray:
    frames = np.zeros(length, dtype=bool)
    for start, stop in pairs:
        frames[start:stop] = True
    return frames


# Crossings by hand


def test_the_step_of_an_ideal_walk() -> None:
    assert _usual_step(IDEAL, FPS) == STEP


def test_standing_still_has_no_step() -> None:
    assert _usual_step(np.full(90, 0.3), FPS) is None


@pytest.mark.parametrize("length", [4, 12])
def test_less_than_a_step_has_no_rhythm(length: int) -> None:
    """10 frames at least are asked for, and the longest step looked for is two thirds of what is there."""
    legs = noisy(LEGS[:length])
    naming = name_in_turn(legs, WALK.time_s[:length])
    assert not naming.front.any()


def test_crossings_of_an_ideal_walk() -> None:
    assert _even_sequence(IDEAL, STEP).tolist() == CROSSINGS


def test_a_crossing_without_a_minimum_is_put_half_way_between_its_neighbours() -> None:
    spoilt = IDEAL.copy()
    spoilt[33:50] = 1.0 + 0.001 * np.arange(17)
    assert _even_sequence(spoilt, STEP).tolist() == CROSSINGS


def test_two_missed_crossings_in_a_row_are_put_at_thirds() -> None:
    spoilt = IDEAL.copy()
    spoilt[33:68] = 1.0 + 0.001 * np.arange(35)
    assert _even_sequence(spoilt, STEP).tolist() == CROSSINGS


@pytest.mark.parametrize("depth", [0.5, 0.1, 0.0])
def test_a_minimum_between_two_crossings_is_no_crossing(depth: float) -> None:
    """A leg that is lost on the other for a moment in the middle of a step: frame 32 lies half way."""
    spoilt = IDEAL.copy()
    spoilt[30:35] = depth + 0.1 * np.abs(np.arange(-2, 3))
    assert _even_sequence(spoilt, STEP).tolist() == CROSSINGS


def test_a_limp_of_40_percent_keeps_its_crossings() -> None:
    """Steps of 14 and 22 frames in turn: 22 % off the usual step of 18 is about one unit of unevenness each."""
    turns = np.cumsum([5, *[14, 22] * 3])
    at = np.arange(turns[-1] + 6)
    distance = np.interp(at, np.sort([*turns, *(turns[1:] + turns[:-1]) / 2]), [0, 1] * 6 + [0])
    distance[:5] = 0.2 * np.arange(5, 0, -1)
    distance[turns[-1] :] = 0.15 * np.arange(6)
    assert _even_sequence(distance, STEP).tolist() == turns.tolist()


# Naming against all namings


def cost_of(naming: tuple[int, ...], legs: FloatArray, time_s: FloatArray, charge: FloatArray) -> float:
    """Cost of one naming, frame by frame, as the module's text has it."""
    named = [legs[n, ::-1] if swap else legs[n] for n, swap in enumerate(naming)]
    cost = sum(charge[n, swap] for n, swap in enumerate(naming))
    for n in range(2, len(naming)):
        ratio = (time_s[n] - time_s[n - 1]) / (time_s[n - 1] - time_s[n - 2])
        for leg, part in itertools.product(range(2), range(legs.shape[2])):
            here, before, earlier = (named[m][leg, part] for m in (n, n - 1, n - 2))
            departure = here - (before + ratio * (before - earlier))
            cost += min(float(departure @ departure), LARGEST_DEPARTURE)
    return cost


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_the_cheapest_of_all_namings_is_found(seed: int) -> None:
    """All 2^7 namings of seven frames of nonsense, tried one by one."""
    rng = np.random.default_rng(seed)
    legs = rng.normal(0.0, 0.2, (7, 2, 2, 2))
    time_s = np.cumsum(rng.uniform(0.02, 0.06, 7))
    charge = rng.uniform(0.0, 0.05, (7, 2))
    found = tuple(cheapest_naming(legs, time_s, charge).astype(int))
    best = min(cost_of(naming, legs, time_s, charge) for naming in itertools.product((0, 1), repeat=7))
    assert cost_of(found, legs, time_s, charge) == pytest.approx(best)


def test_a_forbidden_naming_is_not_taken() -> None:
    charge = np.zeros((20, 2))
    charge[:, 1] = CHARGE_OF_A_SWAP
    charge[10, 0] = np.inf
    assert cheapest_naming(LEGS[:20], WALK.time_s[:20], charge)[10]


# Captured walking


def test_the_turns_of_captured_walking() -> None:
    """Truth is which captured foot is in front; nothing is said within 0.07 s of a crossing."""
    naming = name_in_turn(noisy(LEGS), WALK.time_s)
    told = naming.front != 0
    assert (naming.front[told] == np.sign(LEAD[told])).all()
    crossings_s = WALK.time_s[1:][np.diff(np.sign(LEAD)) != 0]
    away_s = np.abs(WALK.time_s[:, None] - crossings_s).min(axis=1)
    # A crossing is found to about the same time again.
    assert told[away_s > 2 * CROSSING_S].all()
    assert not told[away_s < 0.02].any()
    assert naming.agreement > 0.95
    assert np.array_equal(naming.unsure[np.abs(LEAD) > APART_LEGS + 0.05], np.zeros((np.abs(LEAD) > 0.17).sum(), bool))


@pytest.mark.parametrize("seed", range(6))
def test_exchanged_spans_of_captured_walking_are_found(seed: int) -> None:
    """A dozen spans of up to 0.4 s; exact where the feet are apart, to within noise where they cross."""
    rng = np.random.default_rng(seed)
    starts = rng.integers(0, N_FRAMES - 12, 12)
    frames = spans(*[(start, start + length) for start, length in zip(starts, rng.integers(1, 13, 12), strict=True)])
    legs = noisy(LEGS, seed)
    naming = name_in_turn(exchange(legs, frames), WALK.time_s)
    apart = np.abs(LEAD) > APART_LEGS + 0.05
    assert np.array_equal(naming.swapped[apart], frames[apart])
    righted = exchange(exchange(legs, frames), naming.swapped)
    assert np.abs(righted - legs).max() < 0.15


def test_an_exchange_of_two_strides_is_told_by_turns_against_the_charge() -> None:
    """70 of 185 frames; evenness alone has to weigh the charge of each against the two jumps."""
    frames = spans((60, 130))
    spoilt = exchange(noisy(LEGS), frames)
    apart = np.abs(LEAD) > APART_LEGS + 0.05
    assert np.array_equal(name_in_turn(spoilt, WALK.time_s).swapped[apart], frames[apart])


def test_every_other_step_exchanged_leaves_the_estimator_without_a_voice() -> None:
    """One leg is then always in front: what is found is the truth or its exact exchange, and agreement is low."""
    behind = LEAD < 0
    legs = noisy(LEGS)
    naming = name_in_turn(exchange(legs, behind), WALK.time_s)
    assert naming.agreement < 0.2
    apart = np.abs(LEAD) > APART_LEGS + 0.05
    wrong = (naming.swapped != behind)[apart]
    assert wrong.all() or not wrong.any()


def test_names_exchanged_over_the_whole_pass_stay_so() -> None:
    """Turns alone do not say which of two legs is the left one."""
    naming = name_in_turn(noisy(LEGS)[:, ::-1], WALK.time_s)
    assert not naming.swapped.any()


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.8, 1.25), st.booleans())
def test_naming_does_not_depend_on_names_direction_or_shift(seed: int, late_s: float, mirrored: bool) -> None:
    """Exchanging both legs, or walking the other way, turns `front` round and leaves the exchanged frames."""
    rng = np.random.default_rng(seed)
    frames = spans(*[(start, start + 5) for start in rng.integers(0, N_FRAMES - 5, 4)])
    legs = exchange(noisy(LEGS, seed), frames)
    other = legs * np.array([-1.0, 1.0]) if mirrored else legs[:, ::-1]
    first, second = name_in_turn(legs, WALK.time_s), name_in_turn(other, WALK.time_s + late_s)
    assert np.array_equal(first.swapped, second.swapped)
    assert np.array_equal(first.unsure, second.unsure)
    assert np.array_equal(first.front, -second.front)
    assert first.agreement == pytest.approx(second.agreement)


def test_the_outline_gives_the_turns_where_one_leg_lies_on_the_other_all_the_time() -> None:
    legs = noisy(LEGS)
    legs[:, 1, 1:] = legs[:, 0, 1:]
    without = name_in_turn(legs, WALK.time_s)
    assert not without.front.any()
    spread = 0.25 + np.abs(LEAD)
    spread[60:70] = np.nan
    naming = name_in_turn(legs, WALK.time_s, spread)
    told = naming.front != 0
    assert told.mean() > 0.6
    # Turns, not names: +1 may be either leg, over the whole pass.
    assert np.abs((naming.front * np.sign(LEAD))[told].mean()) == 1.0


# What is not seen, and views without turns


@pytest.mark.parametrize("seen", [0, 2])
def test_hardly_anybody_in_view_is_no_swap(seen: int) -> None:
    legs = np.full(LEGS.shape, np.nan)
    legs[:seen] = LEGS[:seen]
    naming = name_in_turn(legs, WALK.time_s)
    assert not naming.swapped.any()
    assert not naming.front.any()
    assert naming.unsure[seen:].all()
    assert not name_by_evenness(legs, WALK.time_s).any()


def test_missing_frames_are_stepped_over() -> None:
    legs = exchange(noisy(LEGS), spans((70, 76)))
    legs[60:68] = np.nan
    naming = name_in_turn(legs, WALK.time_s)
    apart = np.isfinite(legs[:, 0, 0, 0]) & (np.abs(LEAD) > APART_LEGS + 0.05)
    assert np.array_equal(naming.swapped[apart], spans((70, 76))[apart])
    assert not naming.swapped[60:68].any()
    assert naming.unsure[60:68].all()


@pytest.mark.parametrize("frames", [[], [50], [50, 51], list(range(40, 52)), [20, 60, 61, 100], list(range(100, 130))])
def test_swapped_frames_are_found_by_evenness_alone(frames: list[int]) -> None:
    """A walker known by construction, 1 % of noise; frames with the feet apart are exact."""
    track = Walker(fps=FPS).track()
    legs = noisy(legs_of(track))
    swapped = np.zeros(len(legs), dtype=bool)
    swapped[frames] = True
    found = name_by_evenness(exchange(legs, swapped), track.time_s)
    apart = np.abs(legs[:, 0, 4, 0] - legs[:, 1, 4, 0]) > 0.1
    assert np.array_equal(found[apart], swapped[apart])


@pytest.mark.parametrize(("lost", "known"), [(2, True), (6, False)])
def test_paths_end_at_a_gap_of_more_than_a_sixth_of_a_stride(lost: int, known: bool) -> None:
    """The last 20 frames are exchanged. Over 0.10 s the paths go on; over 0.23 s the estimator's word is taken."""
    track = Walker(fps=FPS).track()
    swapped = spans((90, 110), length=110)
    spoilt = exchange(noisy(legs_of(track)[:110]), swapped)
    spoilt[90 - lost : 90] = np.nan
    found = name_by_evenness(spoilt, track.time_s[:110])
    assert np.array_equal(found, swapped if known else np.zeros(110, dtype=bool))


def test_frames_beside_a_change_of_naming_are_in_doubt_by_hand() -> None:
    """Swapped in frames 3 and 4: 2, 3, 4 and 5 lie beside a change; the hips are left out."""
    doubtful = wavering(spans((3, 5), length=8))
    parts = LEFT[1:] + RIGHT[1:]
    assert np.flatnonzero(doubtful.any(axis=1)).tolist() == [2, 3, 4, 5]
    assert np.flatnonzero(doubtful[3]).tolist() == sorted(parts)
    assert not wavering(spans((0, 8), length=8)).any()


def test_hips_stay_where_the_legs_alone_are_exchanged() -> None:
    """Legs that swing by 0.3 legs on hips that turn by 0.03, by hand: frames 10 to 19 have knee, ankle and foot of the
    other leg. Exchanged whole, the hips would be 0.06 off; a body the wrong way round is exchanged whole."""
    time_s = np.arange(60) / 30
    swing = np.sin(2 * np.pi * time_s / 1.2)
    x = np.stack([0.03 * swing, 0.15 * swing, 0.3 * swing, 0.25 * swing, 0.4 * swing], axis=1)
    true = np.zeros((60, 2, 5, 2))
    true[:, 0, :, 0], true[:, 1, :, 0] = x, -x
    true[..., 1] = np.array([0.0, 0.5, 1.0, 1.03, 1.03])
    swapped = np.zeros(60, dtype=bool)
    swapped[10:20] = True
    legs_alone = true.copy()
    legs_alone[10:20, :, 1:] = true[10:20, ::-1, 1:]
    np.testing.assert_array_equal(exchanged(legs_alone, time_s, swapped), true)
    np.testing.assert_array_equal(exchanged(true[:, ::-1], time_s, np.ones(60, dtype=bool)), true)
