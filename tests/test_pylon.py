"""The line of a pylon in pictures that are drawn here: its place is known by construction."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import StageError
from pipeline.legs import right_legs
from pipeline.model import FloatArray, LandmarkTrack
from pipeline.pylon import COLUMN_LEGS, PylonTrack, across_line, load_pylon, save_pylon, trace_pylon
from pipeline.video import Frame
from tests.spoilt_walk import LEG, N_FRAMES, TRUE, drawn, knee_deg, spoil, whole_pass
from tests.walker import INDEX, make_track

WIDTH, HEIGHT = 320, 240
LEG_PX = 160.0
N = 40
# Half the width of the pylon. [px]
HALF_PX = 3.0


def painted(image: FloatArray, ends: FloatArray, half_px: float, colour: tuple[float, float, float]) -> None:
    """Draw a bar with soft edges between two places of a picture."""
    y, x = np.mgrid[:HEIGHT, :WIDTH].astype(float)
    along = ends[1] - ends[0]
    share = ((x - ends[0, 0]) * along[0] + (y - ends[0, 1]) * along[1]) / float(along @ along)
    off = np.hypot(x - ends[0, 0] - np.clip(share, 0, 1) * along[0], y - ends[0, 1] - np.clip(share, 0, 1) * along[1])
    cover = np.clip(half_px + 0.5 - off, 0, 1)[..., None]
    image[:] = image * (1 - cover) + cover * np.array(colour)


def shank(number: int) -> FloatArray:
    """Knee and ankle of the pylon in one picture, (2, 2): it leans from 20 deg back to 20 deg forward. [px]"""
    lean = np.radians(20 * np.sin(2 * np.pi * number / N))
    knee = np.array([120.0 + 1.5 * number, 110.0])
    return np.stack([knee, knee + 0.5 * LEG_PX * np.array([-np.sin(lean), np.cos(lean)])])


def pictures(*, stick: bool = False, calf: bool = False) -> Iterator[Frame]:
    """A grey pylon with a dark joint before a wall and a floor; a stick beside it, a bare calf crossing behind it."""
    rng = np.random.default_rng(3)
    for number in range(N):
        image = np.full((HEIGHT, WIDTH, 3), (190.0, 185.0, 175.0))
        image[160:] = (110.0, 105.0, 100.0)
        ends = shank(number)
        if calf:
            behind = ends + np.array([40.0 - 2 * number, 0.0])
            painted(image, behind, 9.0, (200.0, 150.0, 125.0))
        if stick:
            painted(image, ends + np.array([18.0, 0.0]), 1.5, (40.0, 30.0, 25.0))
        painted(image, ends, HALF_PX, (150.0, 152.0, 160.0))
        joint = np.stack([ends[0], ends[0] + 0.2 * (ends[1] - ends[0])])
        painted(image, joint, 6.0, (35.0, 35.0, 40.0))
        noisy = image + rng.normal(0.0, 4.0, image.shape)
        yield Frame(number, number / 30, np.clip(noisy, 0, 255).astype(np.uint8))


def expected(error_px: float = 6.0) -> LandmarkTrack:
    """Legs that are off by some pixels, as the estimator's and the model's are on pylons."""
    rng = np.random.default_rng(4)
    xy_px = np.tile(np.array([160.0, 60.0]), (N, len(INDEX), 1))
    off = np.repeat(rng.normal(0.0, error_px, (N // 8, 2, 2)), 8, axis=0)
    for number in range(N):
        ends = shank(number)
        hip = ends[0] - np.array([0.0, 0.5 * LEG_PX])
        for side in ("left", "right"):
            places = (hip, *(ends + off[number]))
            for part, place in zip(("hip", "knee", "ankle"), places, strict=True):
                xy_px[number, INDEX[f"{side}_{part}"]] = place
    return make_track(np.arange(N) / 30, xy_px)


NEAR = np.stack([np.zeros(N, dtype=bool), np.ones(N, dtype=bool)], axis=1)


def off_line_px(track: PylonTrack) -> FloatArray:
    """Distance of the true knee and ankle from the line that was found, (n, 2). [px]"""
    true = np.stack([shank(number) for number in range(N)])
    away = true - track.ends_px
    return np.abs((away * across_line(track.ends_px)[:, None]).sum(axis=-1))


@pytest.mark.parametrize(
    "drawing", [{}, {"calf": True}, {"stick": True}], ids=["alone", "a calf behind it", "a stick beside it"]
)
def test_the_pylon_is_found_where_it_was_drawn(drawing: dict[str, bool]) -> None:
    """Expected 6 px off (4 % of the leg, up to 10 deg of the shank); found within half of the pylon's width."""
    track = trace_pylon(pictures(**drawing), expected(), NEAR)
    found = np.isfinite(track.ends_px[:, 0, 0])
    assert found.mean() > 0.9
    off = off_line_px(track)[found]
    assert np.median(off) < 1.5
    assert np.percentile(off, 95) < HALF_PX


def test_where_it_is_hidden_no_line_is_given() -> None:
    """The last eight pictures show the empty room: the line there is not the pylon's, and is left out."""

    def gone() -> Iterator[Frame]:
        for frame in pictures():
            image = frame.image.copy()
            if frame.index >= N - 8:
                image[:160], image[160:] = (190, 185, 175), (110, 105, 100)
            yield Frame(frame.index, frame.time_s, image)

    track = trace_pylon(gone(), expected(), NEAR)
    assert not np.isfinite(track.ends_px[N - 8 :]).any()
    assert np.isfinite(track.ends_px[: N - 8, 0, 0]).mean() > 0.9
    assert track.unlikeness[N - 8 :].min() > track.unlikeness[: N - 8].max()


def test_without_a_near_pylon_no_picture_is_read() -> None:
    def unread() -> Iterator[Frame]:
        raise AssertionError("a picture was read")
        yield

    track = trace_pylon(unread(), expected(), np.zeros((N, 2), dtype=bool))
    assert np.isnan(track.ends_px).all()
    assert np.isnan(track.unlikeness).all()


def test_a_few_pictures_show_no_usual_look() -> None:
    few = NEAR & (np.arange(N) < 9)[:, None]
    assert np.isnan(trace_pylon(pictures(), expected(), few).ends_px).all()


def test_the_fit_follows_the_line_and_keeps_the_other_leg() -> None:
    """Captured walking whose right leg, a pylon, lies on the left one for 0.3 s, four times: with its line in the
    picture, given by two places anywhere on it, the knee comes back to less than the error of good landmarks."""
    spans = [(start, start + 9) for start in range(12, N_FRAMES - 9, 47)]
    frames = [frame for start, stop in spans for frame in range(start, stop)]
    spoilt, outlines = spoil(TRUE, collapsed=spans), drawn(TRUE, pylon="right")
    knee, ankle = (TRUE.xy_px[:, LEG["right"][index]] for index in (1, 2))
    shifts = np.random.default_rng(7).uniform(-0.3, 0.3, (2, N_FRAMES, 1))
    ends_px = np.stack([knee + shifts[0] * (ankle - knee), ankle + shifts[1] * (ankle - knee)], axis=1)
    line = PylonTrack(ends_px, np.zeros(N_FRAMES))
    before, after = (right_legs(spoilt, whole_pass(), outlines, ("right",), one) for one in (None, line))
    assert before.pylon[:, 1].all()
    assert not before.pylon[:, 0].any()
    error = {
        name: float(np.sqrt(np.mean((knee_deg(legs.track, "right") - knee_deg(TRUE, "right"))[frames] ** 2)))
        for name, legs in (("before", before), ("after", after))
    }
    assert error["after"] < 3.5 < error["before"]
    assert after.rebuilt[:, 1].mean() < 0.03
    # The line brings back the knee, not the foot.
    np.testing.assert_array_equal(after.feet_lost, before.rebuilt)
    left = [legs.track.xy_px[:, LEG["left"]] for legs in (before, after)]
    assert np.abs(left[0] - left[1]).max() < 0.02 * LEG_PX


def test_a_far_pylon_is_not_looked_for() -> None:
    """The pass goes to the left, so that the left leg is near; the pylon is the right one."""
    mirrored = TRUE.xy_px * np.array([-1.0, 1.0]) + np.array([TRUE.width_px, 0.0])
    track = LandmarkTrack(**{name: getattr(TRUE, name) for name in TRUE.__slots__} | {"xy_px": mirrored})
    legs = right_legs(track, whole_pass(-1), drawn(track, pylon="right"), ("right",))
    assert not legs.pylon.any()


def test_saved_and_read_again(tmp_path: Path) -> None:
    track = PylonTrack(np.random.default_rng(1).normal(size=(5, 2, 2)), np.array([0.5, 0.6, np.nan, 0.7, 2.0]))
    save_pylon(tmp_path / "pylon.npz", track)
    again = load_pylon(tmp_path / "pylon.npz")
    np.testing.assert_array_equal(again.ends_px, track.ends_px)
    np.testing.assert_array_equal(again.unlikeness, track.unlikeness)
    (tmp_path / "pylon.npz").write_bytes(b"no archive")
    with pytest.raises(StageError, match="pylon"):
        load_pylon(tmp_path / "pylon.npz")


def test_a_column_is_a_share_of_the_leg() -> None:
    """By hand: an upright shank of half a leg of 160 px; one column is 0.008 of it, 1.28 px, to the left."""
    across = across_line(np.array([[0.0, 0.0], [0.0, 80.0]]))
    np.testing.assert_allclose(across, [-1.0, 0.0])
    assert pytest.approx(1.28) == COLUMN_LEGS * LEG_PX
