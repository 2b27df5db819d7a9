"""The outline of the walker's legs: where the picture differs from the empty room before a camera that stands still.

A pylon that the pose estimator takes for no leg is still there in the picture, and so is its shoe. Only the outline is
kept, no picture.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.ndimage import uniform_filter

from pipeline.geometry import HIP_TO_ANKLE_OF_HEIGHT, SHOULDER_TO_HIP_OF_HEIGHT, middle
from pipeline.model import BoolArray, FloatArray, LandmarkTrack
from pipeline.store import write_arrays
from pipeline.track_file import numbers, stored_arrays
from pipeline.video import Frame, UInt8Array

# The grid of an outline: so many cells a leg, from a little above the hips to below the feet, a step to both sides.
CELLS_PER_LEG = 96
GRID_CELLS = (136, 176)
GRID_BYTES = math.prod(GRID_CELLS) // 8
ABOVE_HIPS_LEGS = 0.12
# The empty room is the median of this many pictures: who walks through is in fewer than half of them at any place.
ROOM_PICTURES = 25
# Compression changes still pixels by a few levels. A pixel differs when a colour is off by more than this, or by
# six times the usual difference. [levels of 255] Own choice.
LEAST_DIFFERENCE = 14.0
USUAL_DIFFERENCES = 6.0
# A shadow on the floor keeps the floor's colour, between these shares of its light. [1], [levels] Own choice.
SHADOW_LIGHT = (0.45, 1.0)
SHADOW_COLOUR = 12.0
# Shadows lie on the floor: below this, from the hips. [legs]
FLOOR_FROM_LEGS = 0.85
# Size of the body changes slowly: median over this time to each side. [s]
SIZE_AVERAGED_S = 0.6
# When more of the picture than this differs, the camera moved or the light changed, and nothing is known. A walker near
# the camera covers a tenth. Own choice. [1]
MOST_OF_PICTURE = 0.35
# Cells to be covered are taken from every fourth row and column, from half way down the thigh.
EVERY = 4
# Where the feet are, below the hips. [legs]
FEET_LEGS = (0.8, 1.15)
COVERED_FROM_LEGS = 0.5


@dataclass(frozen=True, slots=True)
class Outlines:
    """The outlines of one clip.

    Attributes
    ----------
    bits : (n_frames, 2992) uint8
        The grid of 136 rows downward and 176 columns to the right, one bit a cell: a long clip has many. All 0 where
        nothing is known.
    origin_px : (n_frames, 2)
        Place of the grid's first cell in the picture. [px]
    cell_px : (n_frames,)
        Size of a cell. [px]
    """

    bits: UInt8Array
    origin_px: FloatArray
    cell_px: FloatArray

    def masks(self, part: slice = slice(None)) -> BoolArray:
        """Return the outlines of some frames cell by cell, (n_frames, 136, 176)."""
        bits = self.bits[part]
        return np.unpackbits(bits, axis=1).view(bool).reshape(len(bits), *GRID_CELLS)

    def in_legs(self, part: slice, hips_px: FloatArray, leg_px: FloatArray, direction: int) -> LegOutlines:
        """Return some frames' outlines in leg lengths about the hips (n_frames, 2), x along the direction of travel."""
        return LegOutlines(
            self.masks(part),
            (self.origin_px[part] - hips_px) / leg_px[:, None],
            self.cell_px[part] / leg_px,
            direction,
        )


@dataclass(frozen=True, slots=True)
class LegOutlines:
    """Outlines in leg lengths about the hips: x along the direction of travel (+1 or -1 in the picture), y down."""

    masks: BoolArray
    origin_legs: FloatArray
    cell_legs: FloatArray
    direction: int

    def to_cells(self, points: FloatArray) -> FloatArray:
        """Return points (n_frames, ..., 2) [legs] as column and row of the grid."""
        lead = (len(points),) + (1,) * (points.ndim - 2)
        in_picture = points * np.array([float(self.direction), 1.0])
        away = in_picture - self.origin_legs.reshape(*lead, 2)
        return np.asarray(away / self.cell_legs.reshape(*lead, 1))

    def cells(self, frame: int) -> FloatArray:
        """Return the places of a sample of one frame's cells below mid-thigh, (n_cells, 2). [legs]"""
        rows, columns = np.nonzero(self.masks[frame, EVERY // 2 :: EVERY, EVERY // 2 :: EVERY])
        cells = np.stack([columns, rows], axis=1) * EVERY + EVERY // 2
        places = self.origin_legs[frame] + cells * self.cell_legs[frame]
        places = places * np.array([float(self.direction), 1.0])
        return np.asarray(places[places[:, 1] > COVERED_FROM_LEGS])

    def feet_spread(self) -> FloatArray:
        """Return how wide the outline is at the feet, (n_frames,); NaN where nothing is known. [legs]"""
        spread = np.full(len(self.masks), np.nan)
        for frame, mask in enumerate(self.masks):
            below = self.origin_legs[frame, 1] + np.arange(mask.shape[0]) * self.cell_legs[frame]
            columns = np.nonzero(mask[(below > FEET_LEGS[0]) & (below < FEET_LEGS[1])])[1]
            if len(columns):
                spread[frame] = np.subtract(*np.percentile(columns, [98, 2])) * self.cell_legs[frame]
        return spread


def bits_of(masks: BoolArray) -> UInt8Array:
    """Return masks (..., 136, 176) with one bit a cell, (..., 2992)."""
    return np.packbits(masks.reshape(*masks.shape[:-2], -1), axis=-1)


def trace_outlines(frames: Callable[[], Iterable[Frame]], track: LandmarkTrack) -> Outlines:
    """Return the outline of the legs in each frame.

    Parameters
    ----------
    frames : function
        Gives the clip's frames from the start, each time it is called.
    track : LandmarkTrack
        Of the same frames.

    Returns
    -------
    Outlines
        Empty masks where the walker was not seen, and in all frames when the camera did not stand still.

    Notes
    -----
    Difference to the median picture of the clip. On the floor, what only darkens it is taken for a shadow. Own method.
    """
    n_frames = len(track.time_s)
    bits = np.zeros((n_frames, GRID_BYTES), dtype=np.uint8)
    seen = np.isfinite(track.xy_px[:, 0, 0])
    if not seen.any():
        return Outlines(bits, np.zeros((n_frames, 2)), np.ones(n_frames))
    hips_px, leg_px = _place(track, seen)
    cell_px = leg_px / CELLS_PER_LEG
    origin_px = hips_px - np.stack([GRID_CELLS[1] / 2 * cell_px, ABOVE_HIPS_LEGS * leg_px], axis=1)
    room = _empty_room(frames(), n_frames)
    for number, frame in enumerate(frames()):
        if seen[number]:
            floor_px = hips_px[number, 1] + FLOOR_FROM_LEGS * leg_px[number]
            bits[number] = bits_of(_outline(frame.image, room, origin_px[number], cell_px[number], floor_px))
    return Outlines(bits, origin_px, cell_px)


def save_outlines(path: Path, outlines: Outlines) -> None:
    """Write outlines as compressed npz, one bit a cell."""
    arrays = {
        "masks": outlines.bits.reshape(-1),
        "n_frames": np.asarray(len(outlines.bits)),
        "origin_px": outlines.origin_px.astype(np.float32),
        "cell_px": outlines.cell_px.astype(np.float32),
    }
    write_arrays(path, arrays)


def load_outlines(path: Path) -> Outlines:
    """The outlines that `save_outlines` wrote.

    Raises
    ------
    StageError
        The file is missing or damaged.
    """
    with stored_arrays(path, "outlines") as stored:
        origin_px = numbers(stored, "origin_px", (None, 2))
        n_frames, bits = len(origin_px), stored["masks"]
        if int(stored["n_frames"]) != n_frames or bits.dtype != np.uint8 or bits.shape != (n_frames * GRID_BYTES,):
            raise ValueError(f"masks has the shape {bits.shape} and the type {bits.dtype}")
        return Outlines(bits.reshape(n_frames, GRID_BYTES), origin_px, numbers(stored, "cell_px", (n_frames,)))


def _place(track: LandmarkTrack, seen: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Middle of the hips (n_frames, 2) and length of a leg (n_frames,) by the trunk's, which legs cannot spoil. [px]"""
    time_s, seen_s = track.time_s, track.time_s[seen]
    hips_px = middle(track.xy_px, "hip")
    trunk_px = np.linalg.norm(middle(track.xy_px, "shoulder") - hips_px, axis=1)[seen]
    smooth_px = [np.median(trunk_px[np.abs(seen_s - at_s) <= SIZE_AVERAGED_S]) for at_s in seen_s]
    leg_px = np.interp(time_s, seen_s, smooth_px) * HIP_TO_ANKLE_OF_HEIGHT / SHOULDER_TO_HIP_OF_HEIGHT
    places = [np.interp(time_s, seen_s, hips_px[seen, axis]) for axis in (0, 1)]
    return np.stack(places, axis=1), leg_px


def _empty_room(frames: Iterable[Frame], n_frames: int) -> FloatArray:
    """The median of pictures spread over the clip, (height, width, 3). [levels]"""
    every = max(1, n_frames // ROOM_PICTURES)
    pictures = [frame.image for number, frame in enumerate(frames) if number % every == 0]
    # Row by row: the median of whole pictures would need many times their memory.
    return np.stack(
        [np.median([picture[row] for picture in pictures], axis=0) for row in range(pictures[0].shape[0])]
    ).astype(np.float32)


def _outline(image: UInt8Array, room: FloatArray, origin_px: FloatArray, cell_px: float, floor_px: float) -> BoolArray:
    """The cells of one frame that differ from the room and are no shadow."""
    rows, columns = GRID_CELLS
    height_px, width_px = image.shape[:2]
    sparse = largest_channel(np.abs(image[::8, ::8].astype(np.float32) - room[::8, ::8]))
    limit = max(LEAST_DIFFERENCE, USUAL_DIFFERENCES * float(np.median(sparse)))
    if (sparse > limit).mean() > MOST_OF_PICTURE:
        return np.zeros(GRID_CELLS, dtype=bool)
    at_x = np.round(origin_px[0] + np.arange(columns) * cell_px).astype(int)
    at_y = np.round(origin_px[1] + np.arange(rows) * cell_px).astype(int)
    left, right = max(0, at_x[0] - 2), min(width_px, at_x[-1] + 3)
    top, bottom = max(0, at_y[0] - 2), min(height_px, at_y[-1] + 3)
    if left >= right or top >= bottom:
        return np.zeros(GRID_CELLS, dtype=bool)
    part, empty = image[top:bottom, left:right].astype(np.float32), room[top:bottom, left:right]
    differs = largest_channel(np.abs(part - empty)) > limit
    light = _total(part * empty) / np.maximum(_total(empty * empty), 1.0)
    colour = np.sqrt(_total((part - light[:, :, None] * empty) ** 2))
    shadow = (light > SHADOW_LIGHT[0]) & (light < SHADOW_LIGHT[1]) & (colour < SHADOW_COLOUR)
    shadow &= np.arange(top, bottom)[:, None] > floor_px
    solid = uniform_filter((differs & ~shadow).astype(np.float32), size=max(1, round(cell_px)))
    inside_y, inside_x = (at_y >= top) & (at_y < bottom), (at_x >= left) & (at_x < right)
    mask = np.zeros(GRID_CELLS, dtype=bool)
    mask[np.ix_(inside_y, inside_x)] = solid[np.ix_(at_y[inside_y] - top, at_x[inside_x] - left)] > 0.4
    return mask


def largest_channel(picture: FloatArray) -> FloatArray:
    """The largest of the three channels of each pixel; five times as fast as asking for it along the last axis."""
    return np.asarray(np.maximum(np.maximum(picture[..., 0], picture[..., 1]), picture[..., 2]))


def _total(picture: FloatArray) -> FloatArray:
    """The sum of a pixel's three channels, in their order."""
    return np.asarray(picture[..., 0] + picture[..., 1] + picture[..., 2])
