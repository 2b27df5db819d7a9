"""Crops about the walker: geometry by hand and by law, and that they keep hold of someone who walks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.crops import (
    MOST_BODIES_PER_CROP,
    SEARCH_EVERY_S,
    Crop,
    crops_on_subject,
    frames_to_search,
    square_crop,
    tile_crops,
    whole_picture,
)
from pipeline.subject import Detection
from tests.test_subject import clock, person

SIZES_PX = [(1280, 720), (640, 360), (1920, 1080), (1080, 1920), (720, 720)]
# Of the stick figure of `person`: from its head landmarks to its feet.
LANDMARK_SHARE = 0.93


def test_a_crop_by_hand() -> None:
    """Side 100 about (300, 200): columns 250 to 350, rows 150 to 250; its middle is the point itself."""
    crop = square_crop(np.array([300.0, 200.0]), 100.0, width_px=1280, height_px=720)
    assert crop == Crop(250, 150, 350, 250)
    np.testing.assert_array_equal(crop.to_picture(np.array([[0.5, 0.5], [0.0, 1.0]])), [[300, 200], [250, 250]])


def test_a_crop_at_the_edge_is_moved_inside_and_a_large_one_is_cut() -> None:
    corner = square_crop(np.array([10.0, 715.0]), 100.0, width_px=1280, height_px=720)
    assert corner == Crop(0, 620, 100, 720)
    assert square_crop(np.array([640.0, 360.0]), 900.0, width_px=1280, height_px=720) == Crop(190, 0, 1090, 720)
    assert square_crop(np.array([1.0, 1.0]), 1e5, width_px=1280, height_px=720) == whole_picture(1280, 720)


@given(
    centre=st.tuples(st.floats(-3000, 3000), st.floats(-3000, 3000)),
    side_px=st.floats(0.1, 4000),
    size=st.sampled_from(SIZES_PX),
    seed=st.integers(0, 1000),
)
def test_there_and_back(centre: tuple[float, float], side_px: float, size: tuple[int, int], seed: int) -> None:
    """Law: a crop lies in the picture, and a point keeps its pixel when it is cut out and mapped back."""
    crop = square_crop(np.array(centre), side_px, width_px=size[0], height_px=size[1])
    assert 0 <= crop.left < crop.right <= size[0] and 0 <= crop.top < crop.bottom <= size[1]
    columns, rows = np.arange(size[0])[crop.left : crop.right], np.arange(size[1])[crop.top : crop.bottom]
    inside = np.random.default_rng(seed).integers([0, 0], crop.size_px, (5, 2))
    back = crop.to_picture(inside / np.array(crop.size_px))
    np.testing.assert_allclose(back, np.stack([columns[inside[:, 0]], rows[inside[:, 1]]], axis=1), atol=1e-9)


@pytest.mark.parametrize("size", SIZES_PX)
def test_whoever_is_small_stands_wholly_inside_a_tile(size: tuple[int, int]) -> None:
    """A body of 15 % of the height, half as wide as high, anywhere in the picture; and it fills the tile enough."""
    width_px, height_px = size
    tiles = tile_crops(width_px, height_px)
    body_px = 0.15 * height_px
    for x in np.linspace(0, width_px - body_px / 2, 40):
        for y in np.linspace(0, height_px - body_px, 40):
            corners = np.array([[x, y], [x + body_px / 2, y + body_px]])
            assert any(
                tile.left <= x and tile.top <= y and tile.right >= corners[1, 0] and tile.bottom >= corners[1, 1]
                for tile in tiles
            )
    assert max(tile.size_px[1] for tile in tiles) <= MOST_BODIES_PER_CROP * body_px + 1


def test_a_body_cut_by_a_tile_is_not_held_but_one_cut_by_the_picture_is() -> None:
    tile = Crop(0, 100, 400, 500)
    size = {"width_px": 1280, "height_px": 720}
    assert tile.holds(np.array([[10.0, 110.0], [390.0, 490.0]]), **size)
    assert tile.holds(np.array([[-30.0, 110.0], [390.0, 490.0]]), **size)
    assert not tile.holds(np.array([[10.0, 110.0], [390.0, 510.0]]), **size)
    assert not tile.holds(np.array([[10.0, 110.0], [410.0, 490.0]]), **size)


def body_inside(crop: Crop | None, body: Detection) -> bool:
    return crop is not None and bool(
        (body.xy_px.min(axis=0) >= [crop.left, crop.top]).all()
        and (body.xy_px.max(axis=0) <= [crop.right, crop.bottom]).all()
    )


def test_the_crop_follows_a_walker_who_was_seen_in_a_few_frames_only() -> None:
    """Across a gap of 1.5 s, and as long before the first and after the last sighting, at 0.76 heights a second."""
    walk = [person(300 + 0.76 * 100 / 30 * i, 100.0, feet_px=500.0) for i in range(240)]
    subject: list[Detection | None] = [body if 45 <= i < 60 or 105 <= i < 195 else None for i, body in enumerate(walk)]
    crops = crops_on_subject(subject, clock(240), width_px=1280, height_px=720)
    assert all(body_inside(crop, body) for crop, body in zip(crops, walk, strict=True))
    sides = np.array([crop.size_px[0] for crop in crops if crop is not None])
    assert sides.max() <= round(MOST_BODIES_PER_CROP * LANDMARK_SHARE * 100)
    np.testing.assert_allclose(sides[110:190], 2 * LANDMARK_SHARE * 100, atol=1)


def test_the_crop_grows_with_a_walker_who_comes_nearer_and_moves_smoothly() -> None:
    """One bad pose in 15, a quarter as high and beside the walker, moves it by no more than a walking step does."""
    heights_px = np.geomspace(120, 340, 180)
    walk = [person(640, height, feet_px=360 + height / 2) for height in heights_px]
    noisy: list[Detection | None] = list(walk)
    noisy[::15] = [person(640 + height, height / 4) for height in heights_px[::15]]
    crops = crops_on_subject(noisy, clock(180), width_px=1280, height_px=720)
    assert all(body_inside(crop, body) for crop, body in zip(crops, walk, strict=True))
    sides = np.array([crop.size_px[0] for crop in crops if crop is not None])
    assert np.abs(np.diff(sides)).max() <= 0.05 * sides.min()


def test_nobody_seen_gives_no_crop_and_a_search_of_frames_in_the_whole_clip() -> None:
    nobody: list[Detection | None] = [None] * 90
    assert crops_on_subject(nobody, clock(90), width_px=640, height_px=360) == nobody
    frames = frames_to_search(nobody, clock(90))
    assert frames[0] == 0 and frames[-1] > 90 - 30 * SEARCH_EVERY_S - 1
    np.testing.assert_allclose(np.diff(clock(90)[frames]), SEARCH_EVERY_S, atol=1 / 30)


def test_a_clip_with_the_walker_in_view_is_not_searched() -> None:
    """Gaps of 1.9 s are bridged by growing crops; in one of 3 s the middle second is searched."""
    seen: list[Detection | None] = [person(300 + 2 * i, 100) for i in range(150)]
    assert frames_to_search(seen, clock(150)) == []
    assert frames_to_search(seen[:30] + [None] * 57 + seen[:30], clock(117)) == []
    found = frames_to_search(seen[:30] + [None] * 90 + seen[:30], clock(150))
    assert found and min(found) >= 59 and max(found) <= 90
    assert frames_to_search([], clock(0)) == [] and crops_on_subject([], clock(0), width_px=9, height_px=9) == []


def test_a_clip_in_which_only_someone_who_stands_was_found_is_searched() -> None:
    stands: list[Detection | None] = [person(300 + 5 * np.sin(i), 400) for i in range(90)]
    assert frames_to_search(stands, clock(90)) == frames_to_search([None] * 90, clock(90))
