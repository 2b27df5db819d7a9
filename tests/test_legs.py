"""The legs of a whole clip put right: captured walking spoilt on purpose, measured against what it was before."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.config import load_settings
from pipeline.legs import RightedLegs, right_legs
from pipeline.model import SIDES, FloatArray, LandmarkTrack, Pass, Side, VideoInfo
from pipeline.outline import Outlines
from pipeline.picture_stages import saved_outlines
from pipeline.quality import leg_notes
from pipeline.stages import measure_clip, righted
from tests.captured_walk import captured_walk, side_track
from tests.spoilt_walk import LEG, LEG_PX, N_FRAMES, PX_PER_M, TRUE, WALK, Spans, drawn, knee_deg, spoil, whole_pass
from tests.test_walkway import WALKS, filmed
from tests.walker import Walker, make_clip

EXCHANGED = [(10, 14), (30, 31), (50, 60), (90, 95), (120, 121), (150, 165)]
LEAD = (TRUE.xy_px[:, LEG["left"][2:], 0] - TRUE.xy_px[:, LEG["right"][2:], 0]).mean(axis=1) / LEG_PX
APART = np.abs(LEAD) > 0.17
SETTINGS = load_settings()


@pytest.fixture(scope="module")
def outlines() -> Outlines:
    """Of the walk with a pylon on the right."""
    return drawn(TRUE, pylon="right")


def frames_of(spans: Spans) -> list[int]:
    return [frame for start, stop in spans for frame in range(start, stop)]


def every(stride: int, length: int) -> list[tuple[int, int]]:
    """Spans all over the clip, in other phases of the stride (37 frames) each."""
    return [(start, start + length) for start in range(12, N_FRAMES - length, stride)]


def rms_deg(found: LandmarkTrack, side: Side, frames: list[int] | slice = slice(None)) -> float:
    """Error of the knee angle against the unspoilt walk."""
    return float(np.sqrt(np.mean((knee_deg(found, side) - knee_deg(TRUE, side))[frames] ** 2)))


def away_legs(found: LandmarkTrack) -> FloatArray:
    """Distance of all leg points from their place, (n_frames, 10). [legs]"""
    return np.linalg.norm((found.xy_px - TRUE.xy_px)[:, LEG["left"] + LEG["right"]], axis=-1) / LEG_PX


def put_right(
    track: LandmarkTrack, outlines: Outlines | None = None, sides: tuple[Side, ...] = ("right",)
) -> RightedLegs:
    return right_legs(track, whole_pass(), outlines, sides)


def test_a_good_track_is_left_as_it_is() -> None:
    """Without noise, and with the estimator's noise, of which nothing is smoothed away."""
    for track in (TRUE, spoil(TRUE)):
        legs = put_right(track)
        assert not legs.swapped.any()
        assert not legs.doubtful.any()
        assert legs.rebuilt.mean() < 0.03
        moved = np.abs(legs.track.xy_px - track.xy_px).max(axis=2)
        assert (moved > 1e-6).mean() < 0.01
        # The capture is looped: at the seams, every 37 frames, a foot jumps by a tenth of a leg.
        assert moved.max() < 0.15 * LEG_PX


def test_exchanged_legs_get_their_names_back() -> None:
    legs = put_right(spoil(TRUE, exchanged=EXCHANGED))
    assert np.flatnonzero(legs.swapped & APART).tolist() == [n for n in frames_of(EXCHANGED) if APART[n]]
    assert away_legs(legs.track).max() < 0.12
    # 1 % of a leg of noise at each joint is 2.7 deg of the knee.
    assert max(rms_deg(legs.track, side) for side in SIDES) < 3.5


@pytest.mark.parametrize(
    ("length", "alone_deg", "outline_deg"), [(3, 5.0, 5.0), (6, 8.0, 8.0), (9, 15.0, 10.0), (12, None, 10.0)]
)
def test_a_leg_that_lies_on_the_other_is_rebuilt(
    outlines: Outlines, length: int, alone_deg: float | None, outline_deg: float
) -> None:
    """0.1 to 0.4 s, four times, each in another phase of the stride; the error is that in these frames.

    The limits are this file's own, from one look at the captured walk; nothing in the pipeline was set by it. Without
    an outline 0.4 s cannot be bridged (27 deg when this was written, 7 with it).
    """
    spans = every(47, length)
    spoilt = spoil(TRUE, collapsed=spans)
    frames = frames_of(spans)
    assert rms_deg(spoilt, "right", frames) > 20
    with_outline = put_right(spoilt, outlines)
    assert rms_deg(with_outline.track, "right", frames) < outline_deg
    assert rms_deg(with_outline.track, "left") < 3.5
    assert np.percentile(away_legs(with_outline.track)[frames], 90) < 0.08
    assert with_outline.rebuilt[frames, 1].mean() > 0.9
    alone = put_right(spoilt)
    assert rms_deg(alone.track, "left") < 3.5
    if alone_deg is not None:
        assert rms_deg(alone.track, "right", frames) < alone_deg


def test_a_stump_gets_its_foot_back(outlines: Outlines) -> None:
    """Ankle, heel and foot tip at the knee for 0.3 s, as with a pylon that is taken for no leg."""
    spans = every(47, 9)
    legs = put_right(spoil(TRUE, stump=spans), outlines)
    frames = frames_of(spans)
    assert legs.rebuilt[frames, 1].all()
    assert not legs.rebuilt[:, 0].mean() > 0.05
    assert rms_deg(legs.track, "right", frames) < 8.0
    assert np.percentile(away_legs(legs.track)[frames], 90) < 0.08


def test_lost_and_exchanged_at_once(outlines: Outlines) -> None:
    spans = every(47, 6)
    legs = put_right(spoil(TRUE, collapsed=spans, exchanged=EXCHANGED), outlines)
    assert np.percentile(away_legs(legs.track), 95) < 0.05
    assert max(rms_deg(legs.track, side) for side in SIDES) < 5.0


def test_a_leg_lost_for_a_second_spoils_nothing_else() -> None:
    """More than a swing: what is lost is lost, and the frames beside it and the other leg are measured as before."""
    lost = (80, 110)
    legs = put_right(spoil(TRUE, collapsed=[lost]))
    beside = np.setdiff1d(np.arange(N_FRAMES), np.arange(*lost)).tolist()
    assert rms_deg(legs.track, "right", beside) < 3.5
    assert rms_deg(legs.track, "left") < 3.5
    assert not legs.doubtful[beside].any()


def test_a_knee_that_the_fit_does_not_know_is_in_doubt() -> None:
    """A leg's landmarks lie a leg too high for 0.7 s, without an outline: what the model makes up is no measurement."""
    xy = spoil(TRUE).xy_px.copy()
    xy[80:101, LEG["right"][1:], 1] -= LEG_PX
    legs = put_right(replace(TRUE, xy_px=xy))
    knee_and_ankle = LEG["right"][1:3]
    assert legs.doubtful[84:97, knee_and_ankle].all()
    others = np.delete(legs.doubtful, knee_and_ankle, axis=1)
    assert not others.any()
    assert not legs.doubtful[:76].any()
    assert not legs.doubtful[105:].any()


# Which leg is the left one


@pytest.mark.parametrize(
    ("pylon", "exchanged"), [("right", []), ("left", [(0, N_FRAMES)])], ids=["named well", "named the wrong way round"]
)
def test_the_thin_shank_is_the_prosthetic_one(pylon: Side, exchanged: Spans) -> None:
    """The outline alone says which leg has the pylon; the estimator's names do not count against it."""
    drawing = drawn(TRUE, pylon=pylon)
    legs = right_legs(spoil(TRUE, exchanged=exchanged), whole_pass(), drawing, (pylon,))
    assert legs.swapped[APART].mean() == (1.0 if exchanged else 0.0)
    assert max(rms_deg(legs.track, side) for side in SIDES) < 3.5


@pytest.mark.parametrize(
    ("pylon", "sides"), [(None, ("right",)), ("right", ("left", "right"))], ids=["a cover", "two prostheses"]
)
def test_without_one_pylon_the_estimator_s_majority_names_the_legs(pylon: Side | None, sides: tuple[Side, ...]) -> None:
    """Legs of one width, or two prostheses: the exchange of a whole clip cannot be seen."""
    legs = right_legs(spoil(TRUE, exchanged=[(0, N_FRAMES)]), whole_pass(), drawn(TRUE, pylon=pylon), sides)
    assert not legs.swapped[APART].any()


def test_outlines_that_know_nothing_change_nothing() -> None:
    """A camera that moved: the same result as without outlines."""
    spoilt = spoil(TRUE, collapsed=every(47, 6))
    nothing = drawn(TRUE)
    empty = replace(nothing, bits=np.zeros_like(nothing.bits))
    assert put_right(spoilt, empty).track.xy_px == pytest.approx(put_right(spoilt).track.xy_px, abs=1e-6)


# Laws


@settings(max_examples=3, deadline=None)
@given(st.integers(0, 140), st.integers(1, 9), st.integers(0, 150))
def test_laws_of_names_mirror_and_scale(start: int, length: int, exchanged: int) -> None:
    """Exchange both legs, mirror the picture, or film closer: the result is exchanged, mirrored or larger."""
    spoilt = spoil(TRUE, collapsed=[(start, start + length)], exchanged=[(exchanged, exchanged + 20)])
    first = put_right(spoilt)
    order = np.arange(spoilt.xy_px.shape[1])
    order[LEG["left"] + LEG["right"]] = LEG["right"] + LEG["left"]
    renamed = put_right(replace(spoilt, xy_px=spoilt.xy_px[:, order]))
    assert renamed.track.xy_px[:, order] == pytest.approx(first.track.xy_px, abs=1e-4)
    assert np.array_equal(renamed.rebuilt[:, ::-1], first.rebuilt)

    flipped = spoilt.xy_px * np.array([-1.0, 1.0]) + np.array([1280.0, 0.0])
    mirrored = right_legs(replace(spoilt, xy_px=flipped), whole_pass(-1), None, ("right",))
    assert 1280.0 - mirrored.track.xy_px[..., 0] == pytest.approx(first.track.xy_px[..., 0], abs=1e-4)
    assert mirrored.track.xy_px[..., 1] == pytest.approx(first.track.xy_px[..., 1], abs=1e-4)
    assert np.array_equal(mirrored.swapped, first.swapped)

    closer = put_right(replace(spoilt, xy_px=2.5 * spoilt.xy_px + np.array([40.0, -30.0])))
    assert closer.track.xy_px == pytest.approx(2.5 * first.track.xy_px + np.array([40.0, -30.0]), abs=1e-3)
    assert np.array_equal(closer.doubtful, first.doubtful)


def test_the_mirrored_picture_with_its_outline() -> None:
    """Walking to the left is the mirrored walk to the right; the grid's cells are half a cell elsewhere."""
    left = side_track(WALK, direction=-1, px_per_m=PX_PER_M)
    spans = every(47, 6)
    legs = right_legs(spoil(left, collapsed=spans), whole_pass(-1), drawn(left, pylon="right"), ("right",))
    away = np.linalg.norm((legs.track.xy_px - left.xy_px)[:, LEG["right"]], axis=-1) / LEG_PX
    frames = frames_of(spans)
    assert np.percentile(away[frames], 90) < 0.08
    assert not np.delete(legs.swapped & APART, frames).any()


# Passes and views


def test_two_passes_are_put_right_on_their_own_and_the_turn_between_them_is_left() -> None:
    spoilt = spoil(TRUE, exchanged=EXCHANGED)
    passes = [Pass(0, 80, 1, "right"), Pass(100, N_FRAMES, 1, "right")]
    legs = right_legs(spoilt, passes, None, ("right",))
    assert np.array_equal(legs.track.xy_px[80:100], spoilt.xy_px[80:100])
    assert not legs.swapped[80:100].any()
    wanted = [n for n in frames_of(EXCHANGED) if APART[n] and not 80 <= n < 100]
    assert np.flatnonzero(legs.swapped & APART).tolist() == wanted


def test_frames_in_which_nobody_is_seen_stay_empty() -> None:
    spoilt = spoil(TRUE)
    xy, visibility = spoilt.xy_px.copy(), spoilt.visibility.copy()
    xy[60:70], visibility[60:70] = np.nan, 0.0
    legs = put_right(replace(spoilt, xy_px=xy, visibility=visibility))
    assert np.isnan(legs.track.xy_px[60:70]).all()
    assert (legs.track.visibility[60:70] == 0).all()
    assert np.isfinite(np.delete(legs.track.xy_px, range(60, 70), axis=0)).all()
    assert not legs.swapped[60:70].any()


@pytest.mark.parametrize("seen", [0, 9])
def test_a_pass_that_is_hardly_seen_is_left_as_it_is(seen: int) -> None:
    xy = np.full_like(TRUE.xy_px, np.nan)
    xy[:seen] = TRUE.xy_px[:seen]
    legs = put_right(replace(TRUE, xy_px=xy))
    assert np.array_equal(legs.track.xy_px, xy, equal_nan=True)
    assert not (legs.swapped.any() or legs.rebuilt.any() or legs.doubtful.any())


def test_without_turns_names_follow_even_movement_and_their_changes_are_in_doubt() -> None:
    """A view from the front has no passes from the side here: frames 50 and 51 are exchanged and found."""
    track = Walker(fps=30.0).track()
    xy = track.xy_px.copy()
    xy[50:52, LEG["left"] + LEG["right"]] = xy[50:52, LEG["right"] + LEG["left"]]
    legs = right_legs(replace(track, xy_px=xy), [], None, ("right",))
    assert np.flatnonzero(legs.swapped).tolist() == [50, 51]
    assert np.array_equal(legs.track.xy_px, track.xy_px)
    assert np.flatnonzero(legs.doubtful.any(axis=1)).tolist() == [49, 50, 51, 52]
    assert not legs.rebuilt.any()


@pytest.mark.parametrize("view", ["anterior", "posterior"])
def test_the_front_and_the_back_need_no_outline(view: str, tmp_path: Path) -> None:
    clip = make_clip(view)  # type: ignore[arg-type]
    assert saved_outlines(clip, tmp_path) is None
    track = filmed(WALKS[view], length_m=3.0)  # type: ignore[index]
    legs = righted(clip, track, SETTINGS)
    assert np.array_equal(legs.track.xy_px, track.xy_px, equal_nan=True)


# Movements that are no walk


@pytest.mark.parametrize("name", ["run", "jump", "crawl"])
def test_other_movements_end_well(name: str) -> None:
    """A captured run, jump and crawl of the same wheel: no error, no number out of nothing."""
    track = side_track(captured_walk(f"humanoid3d_{name}.txt", repeats=2), px_per_m=100.0)
    spoilt = spoil(track, collapsed=[(20, 26)])
    legs = right_legs(spoilt, [Pass(0, len(track.time_s), 1, "right")], None, ("right",))
    assert np.isfinite(legs.track.xy_px).all()
    assert legs.swapped.dtype == legs.rebuilt.dtype == legs.doubtful.dtype == bool


def test_a_run_that_the_model_does_not_follow_is_noted() -> None:
    """Joints turn faster than in any walk, so that good landmarks are replaced: the clip asks for a second look."""
    track = side_track(captured_walk("humanoid3d_run.txt", repeats=4), px_per_m=100.0)
    legs = right_legs(track, [Pass(0, len(track.time_s), 1, "right")], None, ("right",))
    notes = {note.item: note.ok for note in leg_notes(legs.swapped, legs.rebuilt)}
    assert not notes["left leg lost and rebuilt"]
    assert not notes["right leg lost and rebuilt"]


# Into the measures


def test_a_spoilt_clip_gives_the_unspoilt_clip_s_knee_curves(outlines: Outlines) -> None:
    """Legs exchanged and lost: knee curves within 6 deg root mean square of those of the clip without noise."""
    info = VideoInfo(1280, 720, N_FRAMES, N_FRAMES, 6.2, 30.0, 30.0, 0, False, True)
    clip = make_clip()
    good = measure_clip(clip, info, TRUE, SETTINGS)
    spoilt = spoil(TRUE, collapsed=every(47, 6), exchanged=EXCHANGED)
    measures = measure_clip(clip, info, spoilt, SETTINGS, outlines=outlines)
    notes = {note.item: note for note in measures.quality}
    assert not notes["legs confused and put right"].ok
    assert notes["legs confused and put right"].value == pytest.approx(36 / N_FRAMES, abs=0.02)
    assert notes["left leg lost and rebuilt"].ok
    for side in SIDES:
        means = []
        for found in (good, measures):
            rows = (found.strides.table["use"] & (found.strides.table["side"] == side)).to_numpy()
            assert rows.sum() >= 3
            means.append(np.nanmean(found.strides.curves["knee_flexion_deg"][rows], axis=0))
        assert np.sqrt(np.mean((means[0] - means[1]) ** 2)) < 6.0


def test_a_clip_in_which_nothing_tells_the_legs_apart_is_refused() -> None:
    """Both legs on one, all the time: no number may come out of it, and the message names the reason."""
    track = spoil(TRUE, collapsed=((0, len(TRUE.time_s)),))
    legs = put_right(track)
    assert legs.unknown
    assert not put_right(spoil(TRUE)).unknown
