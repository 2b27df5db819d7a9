"""The outline of the legs from invented pictures: a rectangle that walks through a noisy room."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.errors import StageError
from pipeline.model import BoolArray, LandmarkTrack
from pipeline.outline import (
    EVERY,
    GRID_CELLS,
    LegOutlines,
    Outlines,
    bits_of,
    load_outlines,
    save_outlines,
    trace_outlines,
)
from pipeline.track_file import load_track, save_track
from pipeline.video import Frame
from tests.spoilt_walk import COLUMNS, N_FRAMES, ROWS, TRUE, WALK, drawn, whole_pass
from tests.walker import INDEX, make_track

N = 30
WIDTH_PX, HEIGHT_PX = 320, 240
HIP_Y, FLOOR_Y = 110, 205
# A leg is 80 px: the trunk of 46.9 px times the 0.491 and over the 0.288 of body height that legs and trunk have
# (drillis_contini_1966, typed again from memory).
LEG_PX, TRUNK_PX = 80.0, 80.0 * 0.288 / 0.491
RNG = np.random.default_rng(7)
ROOM = RNG.integers(60, 200, (HEIGHT_PX, WIDTH_PX, 3)).astype(float)
RED = np.array([230.0, 20.0, 30.0])
Pictures = list[NDArray[np.uint8]]


def track_at(x_px: NDArray[np.float64], *, width_px: int = WIDTH_PX, height_px: int = HEIGHT_PX) -> LandmarkTrack:
    """Shoulders and hips of somebody at a place in each frame; NaN where nobody is seen."""
    xy = np.full((len(x_px), 33, 2), np.nan)
    xy[:, :, 0], xy[:, :, 1] = x_px[:, None], HIP_Y
    for name in ("left_shoulder", "right_shoulder"):
        xy[:, INDEX[name], 1] = HIP_Y - TRUNK_PX
    xy[~np.isfinite(x_px)] = np.nan
    return replace(make_track(np.arange(len(x_px)) / 30.0, xy), width_px=width_px, height_px=height_px)


def filmed(x_px: NDArray[np.float64], room: NDArray[np.float64] = ROOM, *, walker: bool = True) -> Pictures:
    """Pictures of a red rectangle 16 px wide from hips to floor, with noise of 2 levels on every pixel."""
    pictures = []
    for x in x_px:
        picture = room.copy()
        if walker and np.isfinite(x):
            picture[HIP_Y:FLOOR_Y, max(0, round(x) - 8) : max(0, round(x) + 8)] = RED
        noise = np.random.default_rng(len(pictures)).normal(0.0, 2.0, picture.shape)
        pictures.append(np.clip(picture + noise, 0, 255).astype(np.uint8))
    return pictures


def traced(pictures: Pictures, track: LandmarkTrack) -> Outlines:
    def frames() -> Iterable[Frame]:
        return (Frame(number, number / 30.0, picture) for number, picture in enumerate(pictures))

    return trace_outlines(frames, track)


def rectangle(outlines: Outlines, frame: int, x_px: float) -> BoolArray:
    """The cells whose middles lie in the walker's rectangle; a pixel's middle is a whole number."""
    x = outlines.origin_px[frame, 0] + np.arange(COLUMNS) * outlines.cell_px[frame] + 0.5
    y = outlines.origin_px[frame, 1] + np.arange(ROWS) * outlines.cell_px[frame] + 0.5
    inside_x = (x >= max(0, round(x_px) - 8)) & (x < round(x_px) + 8)
    return np.asarray(((y >= HIP_Y) & (y < FLOOR_Y))[:, None] & inside_x)


def overlap(first: BoolArray, second: BoolArray) -> float:
    """Cells in both over cells in either."""
    return float((first & second).sum() / (first | second).sum())


ALONG = np.linspace(40.0, 280.0, N)


def test_a_walker_before_a_noisy_room_is_outlined() -> None:
    outlines = traced(filmed(ALONG), track_at(ALONG))
    assert outlines.cell_px == pytest.approx(np.full(N, LEG_PX / 96))
    assert outlines.origin_px[:, 0] == pytest.approx(ALONG - 88 * LEG_PX / 96)
    assert outlines.origin_px[:, 1] == pytest.approx(np.full(N, HIP_Y - 0.12 * LEG_PX))
    for frame in range(N):
        assert overlap(outlines.masks()[frame], rectangle(outlines, frame, ALONG[frame])) > 0.9


def test_an_empty_room_has_no_outline() -> None:
    assert not traced(filmed(ALONG, walker=False), track_at(ALONG)).masks().any()


@pytest.mark.parametrize("size", [(240, 480), (400, 240)], ids=["wide", "upright"])
def test_another_size_of_the_picture(size: tuple[int, int]) -> None:
    height_px, width_px = size
    room = np.random.default_rng(8).integers(60, 200, (height_px, width_px, 3)).astype(float)
    along = np.linspace(30.0, width_px - 30.0, N)
    outlines = traced(filmed(along, room), track_at(along, width_px=width_px, height_px=height_px))
    assert outlines.masks().shape == (N, ROWS, COLUMNS)
    for frame in range(0, N, 5):
        assert overlap(outlines.masks()[frame], rectangle(outlines, frame, along[frame])) > 0.9


def test_at_the_picture_s_edge_the_rest_is_empty() -> None:
    """Half of the walker is out of the picture, on the left and at the end on the right."""
    along = np.linspace(0.0, float(WIDTH_PX), N)
    outlines = traced(filmed(along), track_at(along))
    for frame in (0, N - 1):
        x = outlines.origin_px[frame, 0] + np.arange(COLUMNS) * outlines.cell_px[frame]
        mask = outlines.masks()[frame]
        assert mask[:, (x >= 1) & (x < WIDTH_PX - 1)].any()
        assert not mask[:, (x < -1) | (x > WIDTH_PX)].any()


def test_a_walker_out_of_the_picture_gives_nothing_and_no_error() -> None:
    along = np.concatenate([np.linspace(40.0, 280.0, N - 2), [900.0, -900.0]])
    masks = traced(filmed(np.clip(along, 40, 280)), track_at(along)).masks()
    assert masks[:-2].any(axis=(1, 2)).all()
    assert not masks[-2:].any()


def test_frames_without_a_walker_are_empty() -> None:
    along = ALONG.copy()
    along[10:13] = np.nan
    masks = traced(filmed(ALONG), track_at(along)).masks()
    assert np.flatnonzero(~masks.any(axis=(1, 2))).tolist() == [10, 11, 12]


def test_nobody_seen_at_all_opens_no_picture() -> None:
    def frames() -> Iterable[Frame]:
        raise AssertionError("no picture is needed")

    outlines = trace_outlines(frames, track_at(np.full(N, np.nan)))
    assert outlines.masks().shape == (N, *GRID_CELLS)
    assert not outlines.masks().any()


def shaded(y_from: int, y_to: int, light: float) -> Pictures:
    """The walker with a rectangle 40 px to the right of him in which the room has only a share of its light."""
    pictures = filmed(ALONG)
    for picture, x in zip(pictures, ALONG, strict=True):
        part = picture[y_from:y_to, round(x) + 8 : round(x) + 48]
        part[:] = (part * light).astype(np.uint8)
    return pictures


def beside(outlines: Outlines, y_from: int, y_to: int) -> float:
    """Share of the cells of that rectangle that are in the outline, over all frames."""
    shares = []
    for frame in range(5, N - 8):
        x = outlines.origin_px[frame, 0] + np.arange(COLUMNS) * outlines.cell_px[frame] - ALONG[frame]
        y = outlines.origin_px[frame, 1] + np.arange(ROWS) * outlines.cell_px[frame]
        part = outlines.masks()[frame][np.ix_((y >= y_from) & (y < y_to), (x > 11) & (x < 45))]
        shares.append(part.mean())
    return float(np.mean(shares))


def test_a_shadow_on_the_floor_is_left_out() -> None:
    """The floor at 0.7 of its light from 185 px down: below hips by 0.94 legs. The walker stays."""
    outlines = traced(shaded(185, 205, 0.7), track_at(ALONG))
    assert beside(outlines, 185, 205) < 0.02
    assert overlap(outlines.masks()[15], rectangle(outlines, 15, ALONG[15])) > 0.9


def test_the_same_darkness_higher_up_is_no_shadow() -> None:
    """Dark trousers before a light wall: 0.25 to 0.63 legs below the hips."""
    assert beside(traced(shaded(130, 160, 0.7), track_at(ALONG)), 130, 160) > 0.9


def test_what_is_darker_than_a_shadow_counts_on_the_floor_too() -> None:
    """Black shoes: a fifth of the light."""
    assert beside(traced(shaded(185, 205, 0.2), track_at(ALONG)), 185, 205) > 0.9


def test_a_camera_that_moves_gives_no_outline() -> None:
    """The room goes by at 4 px a frame, as when somebody pans with the walker."""
    wide = np.random.default_rng(9).integers(60, 200, (HEIGHT_PX, WIDTH_PX + 4 * N, 3)).astype(float)
    pictures = [filmed(ALONG[n : n + 1], wide[:, 4 * n : 4 * n + WIDTH_PX])[0] for n in range(N)]
    assert not traced(pictures, track_at(ALONG)).masks().any()


def test_light_that_changes_takes_those_frames_only() -> None:
    """A lamp goes off for five frames: a third of the light is missing everywhere."""
    pictures = filmed(ALONG)
    for frame in range(20, 25):
        pictures[frame] = (pictures[frame] * 0.67).astype(np.uint8)
    masks = traced(pictures, track_at(ALONG)).masks()
    assert np.flatnonzero(~masks.any(axis=(1, 2))).tolist() == [20, 21, 22, 23, 24]


def test_half_of_a_room_in_another_light_gives_no_outline_in_those_frames() -> None:
    """A door opens: the right 45 % of the picture are brighter by 50 levels for five frames."""
    pictures = filmed(ALONG)
    for frame in range(20, 25):
        part = pictures[frame][:, 176:]
        part[:] = np.minimum(part.astype(int) + 50, 255).astype(np.uint8)
    masks = traced(pictures, track_at(ALONG)).masks()
    assert np.flatnonzero(~masks.any(axis=(1, 2))).tolist() == [20, 21, 22, 23, 24]


# Places in the grid

PLACES = st.floats(-2.0, 2.0)


def outlines_at(x: float, y: float, cell: float, direction: int) -> LegOutlines:
    masks = np.random.default_rng(3).random((1, ROWS, COLUMNS)) > 0.7
    return LegOutlines(masks, np.array([[x, y]]), np.array([cell]), direction)


@given(PLACES, PLACES, st.floats(0.005, 0.05), st.sampled_from([1, -1]))
def test_cells_and_places_are_inverse_of_each_other(x: float, y: float, cell: float, direction: int) -> None:
    outlines = outlines_at(x, y, cell, direction)
    at = outlines.to_cells(outlines.cells(0)[None])[0]
    assert at == pytest.approx(np.round(at), abs=1e-6)
    column, row = np.round(at).astype(int).T
    assert outlines.masks[0, row, column].all()
    # Every fourth row and column, and all that lie below mid-thigh.
    below = y + np.arange(ROWS) * cell > 0.5
    wanted = outlines.masks[0] & below[:, None]
    assert len(column) == wanted[EVERY // 2 :: EVERY, EVERY // 2 :: EVERY].sum()


@given(PLACES, PLACES, st.floats(0.005, 0.05))
def test_the_other_direction_is_the_mirrored_picture(x: float, y: float, cell: float) -> None:
    """A mirrored mask, its first column where the last one was: the same places along the walk."""
    first = outlines_at(x, y, cell, 1)
    second = LegOutlines(first.masks[:, :, ::-1], np.array([[-(x + (COLUMNS - 1) * cell), y]]), first.cell_legs, -1)
    points = np.random.default_rng(4).normal(size=(1, 2, 5, 2))
    there = second.to_cells(points)
    there[..., 0] = COLUMNS - 1 - there[..., 0]
    assert there == pytest.approx(first.to_cells(points), abs=1e-6)
    assert second.feet_spread() == pytest.approx(first.feet_spread(), abs=1e-9, nan_ok=True)


def test_the_spread_of_the_feet_by_hand() -> None:
    """Two feet of 10 columns, 60 columns from first to last, a hundredth of a leg a cell; 2 % off either end."""
    masks = np.zeros((2, ROWS, COLUMNS), dtype=bool)
    masks[0, 0:60] = True
    masks[0, 100:110, 30:40] = masks[0, 100:110, 80:90] = True
    outlines = LegOutlines(masks, np.full((2, 2), [-0.9, -0.1]), np.full(2, 0.01), 1)
    spread = outlines.feet_spread()
    assert spread[0] == pytest.approx(0.59, abs=0.01)
    assert np.isnan(spread[1])


def test_a_drawn_walk_covers_its_own_joints() -> None:
    """The helper of the other tests: knees and ankles of the captured walk lie in the outline drawn from it."""
    outlines = drawn(TRUE)
    hips = (TRUE.xy_px[:, INDEX["left_hip"]] + TRUE.xy_px[:, INDEX["right_hip"]]) / 2
    legs = outlines.in_legs(slice(0, N_FRAMES), hips, np.full(N_FRAMES, 100.0), 1)
    joints = [INDEX[name] for name in ("left_knee", "right_knee", "left_ankle", "right_ankle")]
    cells = np.round(legs.to_cells((TRUE.xy_px[:, joints] - hips[:, None]) / 100.0)).astype(int)
    assert outlines.masks()[np.arange(N_FRAMES)[:, None], cells[..., 1], cells[..., 0]].all()
    assert whole_pass()[0].stop == len(WALK.time_s)


# Files


def some() -> Outlines:
    rng = np.random.default_rng(11)
    return Outlines(
        bits_of(rng.random((3, ROWS, COLUMNS)) > 0.5), rng.normal(300, 50, (3, 2)), np.array([0.8, 0.9, 1.0])
    )


def test_outlines_come_back_from_their_file(tmp_path: Path) -> None:
    """Masks exactly, places in single precision; equal outlines give equal bytes."""
    path = tmp_path / "outlines.npz"
    save_outlines(path, some())
    found = load_outlines(path)
    assert found.masks().dtype == bool
    assert np.array_equal(found.masks(), some().masks())
    assert found.origin_px == pytest.approx(some().origin_px, rel=1e-6)
    assert found.cell_px == pytest.approx(some().cell_px, rel=1e-6)
    first = path.read_bytes()
    save_outlines(path, some())
    assert path.read_bytes() == first
    # One bit a cell.
    assert len(first) < 3 * ROWS * COLUMNS / 8 + 2000


def test_a_missing_file_says_so(tmp_path: Path) -> None:
    with pytest.raises(StageError) as caught:
        load_outlines(tmp_path / "outlines.npz")
    assert str(caught.value) == (
        "outlines.npz: no such file; expected saved outlines. "
        "Run the study again into the same folder; what is missing is made anew."
    )


def test_a_damaged_file_says_so(tmp_path: Path) -> None:
    """Empty, cut off, no archive, another record."""
    path = tmp_path / "outlines.npz"
    save_outlines(path, some())
    whole = path.read_bytes()
    np.savez(tmp_path / "other.npz", time_s=np.zeros(3))
    broken = [b"", whole[:-30], whole[: len(whole) // 2], b"no archive", (tmp_path / "other.npz").read_bytes()]
    for content in broken:
        path.write_bytes(content)
        with pytest.raises(StageError) as caught:
            load_outlines(path)
        message = str(caught.value)
        assert message.startswith("outlines.npz: cannot be read (")
        assert message.endswith(
            "); expected saved outlines. Run the study again into the same folder; what is missing is made anew."
        )
        assert str(tmp_path) not in message


@pytest.mark.parametrize("kind", ["outlines", "landmarks"])
def test_a_broken_byte_anywhere_is_never_another_error(kind: str, tmp_path: Path) -> None:
    """Found here: a broken stream, an unknown packing and a broken header each raised something of their own."""
    path = tmp_path / f"{kind}.npz"
    if kind == "outlines":
        save_outlines(path, some())
    else:
        save_track(path, track_at(ALONG))
    load = load_outlines if kind == "outlines" else load_track
    whole = path.read_bytes()
    refused = 0
    # Prime steps through the stream, every byte of the directory at the end.
    for at in [*range(0, len(whole), 13), *range(len(whole) - 300, len(whole))]:
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])
        try:
            load(path)
        except StageError as error:
            refused += 1
            assert f"{kind}.npz: cannot be read (" in str(error)
    assert refused > 100
