"""Where the pylon that is nearest to the camera stands in each picture of a side view.

The estimator takes a pylon for no leg, but in the picture it is plain: a straight bar in front of everything else.
About the place that the fitted legs give it, the line is looked for that is unlike its surroundings on both sides, and
then the one that looks most like the pylon of the whole pass. Only the line is kept, no picture.

A patch is the picture about a shank, turned upright: 30 rows from the knee to above the ankle, 61 columns across. A
line is given by its columns at the knee and at the ankle.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, uniform_filter1d

from pipeline.geometry import leg_length_px, point, smooth_size_px
from pipeline.model import SIDES, BoolArray, FloatArray, LandmarkTrack, Side
from pipeline.outline import largest_channel
from pipeline.store import write_arrays
from pipeline.track_file import numbers, stored_arrays
from pipeline.video import Frame, UInt8Array

# Rows of a patch, shares of the shank from the knee; those of the bare pylon between the joint and the shoe.
ROWS = np.linspace(0.0, 0.92, 30)
BAR = np.flatnonzero((ROWS > 0.25) & (ROWS < 0.8))
# Width of a column, and columns to each side [legs]. The pylon is looked for this far from where it is expected.
COLUMN_LEGS = 0.008
REACH = 30
FURTHEST = 13
# What is unlike the expected place by this much is as unlikely as a bar that nothing shows. Own choice. [columns]
FAR = 20.0
# Half the width of the part that is compared with the pylon of the pass. A pylon of 30 mm is 0.035 legs wide. [columns]
LIKE_HALF = 4
# Widths of a bar, pylons of 25 to 75 mm, and the gap to its surroundings. [columns]
WIDTHS = (3, 5, 7, 9)
GAP = 2
# Differences of colour that say nothing more when they grow. [levels of 255] Own choice.
FULL_CONTRAST = 40.0
FULL_LIKENESS = 12.0
LARGEST_DEPARTURE = 3.0
# How the pylon varies in a pass: places that differ by this from picture to picture count half. [levels]
VARIES = 10.0
ROUNDS = 2
# Fewer pictures show no usual look. Own choice.
FEWEST_PICTURES = 10
# A line departs by no more than this from the usual look, in units of FULL_LIKENESS. On rendered clips lines within
# 2 deg have 0.4 to 0.8, others 1.2 and more.
LARGEST_UNLIKENESS = 1.2


@dataclass(frozen=True, slots=True)
class PylonTrack:
    """The line of the near pylon in each frame.

    Attributes
    ----------
    ends_px : (n_frames, 2, 2)
        Places on the line beside the expected knee and ankle; NaN where it was not looked for or not found. [px]
    unlikeness : (n_frames,)
        Departure from how the pylon looks in its pass; NaN where it was not looked for. [1]
    """

    ends_px: FloatArray
    unlikeness: FloatArray


def trace_pylon(frames: Iterable[Frame], track: LandmarkTrack, pylon: BoolArray) -> PylonTrack:
    """Return the line of the near pylon in each frame of a side view.

    Parameters
    ----------
    frames : iterable of Frame
        All of the clip.
    track : LandmarkTrack
        Of the same frames, legs put right.
    pylon : (n_frames, 2)
        Frames in which the left and the right leg is a pylon towards the camera.

    Notes
    -----
    Rendered clips, tuning half, in stance: the shank's direction from 3 to 9 deg (standard deviation, rebuilt from the
    outline) to 0.4 to 1 deg. Own method.
    """
    n_frames = len(track.time_s)
    found = PylonTrack(np.full((n_frames, 2, 2), np.nan), np.full(n_frames, np.nan))
    if not pylon.any():
        return found
    shanks = {side: _shank_px(track, side) for side in SIDES}
    patches: dict[Side, dict[int, FloatArray]] = {side: {} for side in SIDES}
    for frame in frames:
        for number, side in enumerate(SIDES):
            ends_px, leg_px = shanks[side][0][frame.index], shanks[side][1][frame.index]
            if pylon[frame.index, number] and np.isfinite(ends_px).all():
                patches[side][frame.index] = _patch(frame.image, ends_px, leg_px)
    for side, by_frame in patches.items():
        if len(by_frame) < FEWEST_PICTURES:
            continue
        at = np.array(list(by_frame))
        columns, unlikeness = locate(np.stack(list(by_frame.values())))
        found.unlikeness[at] = unlikeness
        ends_px, leg_px = shanks[side][0][at], shanks[side][1][at]
        moved = ends_px + (columns * COLUMN_LEGS * leg_px[:, None])[:, :, None] * across_line(ends_px)[:, None]
        found.ends_px[at] = np.where((unlikeness <= LARGEST_UNLIKENESS)[:, None, None], moved, np.nan)
    return found


def locate(patches: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the line of the pylon in each patch of a pass.

    Parameters
    ----------
    patches : (n, 30, 61, 3)
        [levels of 255]

    Returns
    -------
    columns : (n, 2)
        Where the line lies at the knee and at the ankle, from the middle. [columns]
    unlikeness : (n,)
        Departure from the usual look of the pylon. [1]
    """
    bars = np.stack([_bar(patch, WIDTHS[0]) for patch in patches])
    fine, coarse = _lines(FURTHEST, 1), _lines(FURTHEST, 2)
    columns = np.stack([_best(fine, _bar_score(bar, fine) - _far(fine)) for bar in bars])
    unlikeness = np.zeros(len(patches))
    for _ in range(ROUNDS):
        columns = columns + _centring(patches, columns)
        usual, weight = _usual_look(patches, columns)
        for number, (patch, bar) in enumerate(zip(patches, bars, strict=True)):
            start = _best(coarse, _score(patch, bar, usual, weight, coarse))
            near = start + _lines(1.5, 0.5)
            scores = _score(patch, bar, usual, weight, near)
            columns[number] = _best(near, scores)
            unlikeness[number] = _unlikeness(patch, usual, weight, columns[number][None])[0]
    return columns + _centring(patches, columns), unlikeness


def save_pylon(path: Path, track: PylonTrack) -> None:
    """Write the line as compressed npz."""
    write_arrays(path, {"ends_px": track.ends_px, "unlikeness": track.unlikeness})


def load_pylon(path: Path) -> PylonTrack:
    """The line that `save_pylon` wrote.

    Raises
    ------
    StageError
        The file is missing or damaged.
    """
    with stored_arrays(path, "pylon") as stored:
        ends_px = numbers(stored, "ends_px", (None, 2, 2))
        return PylonTrack(ends_px, numbers(stored, "unlikeness", (len(ends_px),)))


def _shank_px(track: LandmarkTrack, side: Side) -> tuple[FloatArray, FloatArray]:
    """Knee and ankle (n_frames, 2, 2) and length of the leg (n_frames,). [px]"""
    ends_px = np.stack([point(track.xy_px, side, part) for part in ("knee", "ankle")], axis=1)
    return ends_px, smooth_size_px(leg_length_px(track.xy_px, side), track.time_s)


def across_line(ends_px: FloatArray) -> FloatArray:
    """Return the unit vector across lines that are given by two places (..., 2, 2), (..., 2)."""
    along = ends_px[..., 1, :] - ends_px[..., 0, :]
    turned = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    return np.asarray(turned / np.linalg.norm(turned, axis=-1, keepdims=True))


def _patch(image: UInt8Array, ends_px: FloatArray, leg_px: float) -> FloatArray:
    """The picture about one shank, turned upright, (30, 61, 3). [levels]"""
    knee, along = ends_px[0], ends_px[1] - ends_px[0]
    aside = np.arange(-REACH, REACH + 1) * COLUMN_LEGS * leg_px
    places = knee + ROWS[:, None, None] * along + aside[:, None] * across_line(ends_px)
    rows, columns = places[..., 1], places[..., 0]
    colours = [map_coordinates(image[..., c], [rows, columns], np.float32, order=1, mode="nearest") for c in range(3)]
    return np.stack(colours, axis=-1)


def _bar(patch: FloatArray, width: int) -> FloatArray:
    """How much each place is the middle of an even bar unlike its surroundings on both sides, (30, 61). [1]"""
    inside, beside = (uniform_filter1d(patch, size, axis=1) for size in (width, 3))
    away = width // 2 + 1 + GAP
    unlike = [np.abs(inside - np.roll(beside, turn, axis=1)).max(axis=-1) for turn in (away, -away)]
    uneven2 = uniform_filter1d(patch**2, width, axis=1) - inside**2
    uneven = np.sqrt(np.maximum(uneven2, 0.0)).max(axis=-1)
    contrast = np.minimum(np.minimum(*unlike), FULL_CONTRAST) / FULL_CONTRAST
    return np.asarray(contrast - np.minimum(uneven / FULL_CONTRAST, 0.5))


def _lines(furthest: float, step: float) -> FloatArray:
    """All lines with ends up to so far from the middle, (n_lines, 2). [columns]"""
    ends = np.arange(-furthest, furthest + step / 2, step)
    return np.stack(np.meshgrid(ends, ends, indexing="ij"), axis=-1).reshape(-1, 2)


def _cells(lines: FloatArray, share: FloatArray = ROWS) -> NDArray[np.int_]:
    """Column of each line in each row, (n_lines, n_rows), as index."""
    at = lines[:, :1] + (lines[:, 1:] - lines[:, :1]) * share
    return np.asarray(np.clip(np.round(at).astype(int) + REACH, 0, 2 * REACH))


def _far(lines: FloatArray) -> FloatArray:
    """What it costs to lie away from the expected place, (n_lines,)."""
    return np.asarray(((lines / FAR) ** 2).sum(axis=1))


def _best(lines: FloatArray, scores: FloatArray) -> FloatArray:
    """The line with the highest score, (2,)."""
    return np.asarray(lines[int(np.argmax(scores))])


def _bar_score(bar: FloatArray, lines: FloatArray) -> FloatArray:
    """Mean of the bar along each line, (n_lines,)."""
    return np.asarray(bar[BAR, _cells(lines, ROWS[BAR])].mean(axis=1))


def _score(patch: FloatArray, bar: FloatArray, usual: FloatArray, weight: FloatArray, lines: FloatArray) -> FloatArray:
    """How well each line fits: as the pylon looks, as a bar, near the expected place."""
    return 0.5 * _bar_score(bar, lines) - _unlikeness(patch, usual, weight, lines) - _far(lines)


def _strip(patch: FloatArray, lines: FloatArray, half: int) -> FloatArray:
    """The picture along lines, (n_lines, 30, 2 half + 1, 3)."""
    columns = np.clip(_cells(lines)[:, :, None] + np.arange(-half, half + 1), 0, 2 * REACH)
    return np.asarray(patch[np.arange(len(ROWS))[:, None], columns])


def _usual_look(patches: FloatArray, columns: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The pylon of a pass (30, 9, 3) and the weight of each place (30, 9): what stays alike is the pylon."""
    strips = np.stack([_strip(p, c[None], LIKE_HALF)[0] for p, c in zip(patches, columns, strict=True)])
    usual = np.median(strips, axis=0)
    varies = np.median(np.abs(strips - usual).max(axis=-1), axis=0)
    return usual, 1.0 / (1.0 + (varies / VARIES) ** 2)


def _unlikeness(patch: FloatArray, usual: FloatArray, weight: FloatArray, lines: FloatArray) -> FloatArray:
    """Departure of each line from the usual look, (n_lines,)."""
    departure = largest_channel(np.abs(_strip(patch, lines, LIKE_HALF) - usual)) / FULL_LIKENESS
    limited = np.minimum(departure, LARGEST_DEPARTURE)
    return np.asarray((limited * weight).sum(axis=(1, 2)) / weight.sum())


def _centring(patches: FloatArray, columns: FloatArray) -> FloatArray:
    """From lines along one edge to the middle, the same for all of a pass, (2,): in the median of all strips the
    surroundings are blurred and the bar is plain. [columns]"""
    strips = np.stack([_strip(p, c[None], REACH)[0] for p, c in zip(patches, columns, strict=True)])
    median = np.median(strips, axis=0)
    lines = _lines(FURTHEST // 2, 0.5)
    scores = [_bar_score(_bar(median, width), lines) - _far(lines) for width in WIDTHS]
    return _best(lines, scores[int(np.argmax([score.max() for score in scores]))])
