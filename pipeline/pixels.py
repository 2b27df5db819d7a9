"""What the pixels of the walker say about a recording: sharpness, brightness, contrast. Plain arrays, no video."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d

from pipeline.geometry import INDEX
from pipeline.model import SIDES, BoolArray, FloatArray
from pipeline.video import UInt8Array

# Weights of red, green and blue in brightness (ITU-R BT.601).
LUMA_WEIGHTS = np.array([0.299, 0.587, 0.114], dtype=np.float32)
# Two blurs that are added to measure the one that is there. The stronger over the person's height: as large as what
# matters, at least two pixels; the weaker, a quarter of it, takes away noise. Own choice.
ADDED_BLUR_SHARE = 0.01
SMALLEST_ADDED_BLUR_PX = 2.0
WEAKER = 0.25
# Half the width of the strip about trunk and legs in which edges are looked for, over the person's height. Own choice.
STRIP_SHARE = 0.06
# Of the brightness edges in the strip, the strongest tenth are the body's outline rather than texture. Own choice.
STRONGEST_SHARE = 0.1
FEWEST_EDGES = 10
# Pictures of a clip that are looked at: more change no median. Own choice.
MOST_PICTURES = 24
MOST_ROWS = 400
CHAIN = ("shoulder", "hip", "knee", "ankle")


@dataclass(frozen=True, slots=True)
class PictureFacts:
    """Medians over the pictures looked at; NaN where nothing could be measured.

    `blur_pct` is the spread (one sigma) of the walker's vertical edges over the walker's height [% body height];
    `brightness` the mean and `contrast` the 5th to 95th percentile of luma about the walker, as shares of full
    scale [1].
    """

    blur_pct: float
    brightness: float
    contrast: float


def sample_numbers(n_frames: int) -> list[int]:
    """Return the numbers of the frames to look at: up to 24, spread evenly from the first to the last."""
    return sorted({round(number) for number in np.linspace(0, n_frames - 1, MOST_PICTURES)}) if n_frames else []


def luma(image: UInt8Array) -> UInt8Array:
    """Return the brightness of an RGB picture, (height_px, width_px) uint8."""
    return np.asarray(np.rint(image.astype(np.float32) @ LUMA_WEIGHTS), dtype=np.uint8)


def picture_facts(pictures: Iterable[tuple[UInt8Array, FloatArray]]) -> PictureFacts:
    """Return the facts of a clip from some of its pictures.

    Parameters
    ----------
    pictures : iterable of pairs
        Luma (height_px, width_px) uint8, and the walker's landmarks in it (33, 2), x right, y down. [px] Where nobody
        was seen (NaN) brightness and contrast are those of the whole picture.
    """
    rows = [_one_picture(grey, xy_px) for grey, xy_px in pictures]
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    medians = [float(np.median(known)) if (known := column[np.isfinite(column)]).size else np.nan for column in table.T]
    return PictureFacts(*medians)


def _one_picture(grey: UInt8Array, xy_px: FloatArray) -> tuple[float, float, float]:
    """Blur [% body height], brightness and contrast [1] of one picture."""
    box = _box(xy_px, grey.shape)
    if box is None:
        return np.nan, *_brightness_and_contrast(grey)
    rows, columns = box
    crop = grey[rows, columns]
    points = xy_px - np.array([columns.start, rows.start])
    height_px = float(np.ptp(points[:, 1]))
    return 100.0 * blur_px(crop, points, height_px) / height_px, *_brightness_and_contrast(crop)


def _brightness_and_contrast(grey: UInt8Array) -> tuple[float, float]:
    """Mean, and the distance of the 5th from the 95th percentile, as shares of full scale. [1]"""
    low, high = np.percentile(grey, [5, 95])
    return float(grey.mean()) / 255.0, float(high - low) / 255.0


def _box(xy_px: FloatArray, shape: tuple[int, ...]) -> tuple[slice, slice] | None:
    """Rows and columns of the landmarks' box inside the picture, None where nobody is."""
    if not np.isfinite(xy_px).all():
        return None
    margin_px = STRIP_SHARE * float(np.ptp(xy_px[:, 1]))
    low = np.maximum(np.floor(xy_px.min(axis=0) - margin_px), 0).astype(int)
    high = np.minimum(np.ceil(xy_px.max(axis=0) + margin_px), [shape[1], shape[0]]).astype(int)
    if (high - low < 8).any():
        return None
    return slice(low[1], high[1]), slice(low[0], high[0])


def blur_px(grey: UInt8Array, xy_px: FloatArray, height_px: float) -> float:
    """Return the spread of a person's vertical edges, one sigma. [px]

    Parameters
    ----------
    grey : (rows, columns) uint8
        Luma of the picture or of the part about the person.
    xy_px : (33, 2)
        The person's landmarks in it, x right, y down. [px]
    height_px : float
        [px]

    Returns
    -------
    float
        NaN where too few edges lie along trunk and legs.

    Notes
    -----
    A step edge spread by sigma and by a further known sigma_1 has the slope 1 / sqrt(sigma^2 + sigma_1^2), times the
    edge's height. So the ratio R of its slopes after two known blurs gives
    sigma^2 = (sigma_2^2 - R^2 sigma_1^2) / (R^2 - 1), whatever the contrast (re-blurring after Zhuo & Sim, Pattern
    Recognition 2011;44:1852, from memory; they leave the weaker blur out, which noise spoils). Only slopes along
    the picture's rows are used: limbs are upright, and the walker's own movement smears them sideways; an even
    smear counts as about twice its standard deviation. Sharp texture behind the person inside the strip makes a smeared
    person look sharper.
    """
    strong_px = max(SMALLEST_ADDED_BLUR_PX, ADDED_BLUR_SHARE * height_px)
    weak_px = WEAKER * strong_px
    # Each row is looked at by itself, so that some of a large picture's rows are enough.
    rows = np.arange(0, grey.shape[0], max(1, grey.shape[0] // MOST_ROWS), dtype=np.float64)
    picture = grey[rows.astype(int)].astype(np.float64)
    slope, softer = (
        np.abs(np.diff(gaussian_filter1d(picture, added_px, axis=1, mode="nearest"), axis=1))
        for added_px in (weak_px, strong_px)
    )
    peak = np.zeros(slope.shape, dtype=bool)
    peak[:, 1:-1] = (slope[:, 1:-1] >= slope[:, :-2]) & (slope[:, 1:-1] > slope[:, 2:])
    edges = peak & _strip(rows, slope.shape[1], xy_px, STRIP_SHARE * height_px)
    if np.count_nonzero(edges) < FEWEST_EDGES:
        return float("nan")
    clear = edges & (slope >= np.quantile(slope[edges], 1.0 - STRONGEST_SHARE)) & (softer > 0)
    squared = (slope[clear] / softer[clear]) ** 2
    # A ratio of 1 or less is no single edge: noise, or two edges that run into each other.
    squared = squared[squared > 1.0]
    spread = np.maximum((strong_px**2 - squared * weak_px**2) / (squared - 1.0), 0.0)
    return float(np.sqrt(np.median(spread))) if spread.size else float("nan")


def _strip(rows: FloatArray, n_columns: int, xy_px: FloatArray, reach_px: float) -> BoolArray:
    """Where the given rows of the picture lie within reach of the lines from shoulder to hip, knee and ankle."""
    y, x = np.meshgrid(rows, np.arange(n_columns), indexing="ij")
    inside = np.zeros(y.shape, dtype=bool)
    for side in SIDES:
        joints = [xy_px[INDEX[f"{side}_{name}"]] for name in CHAIN]
        for start, end in pairwise(joints):
            along = end - start
            share = ((x - start[0]) * along[0] + (y - start[1]) * along[1]) / max(float(along @ along), 1.0)
            share = np.clip(share, 0.0, 1.0)
            inside |= np.hypot(x - start[0] - share * along[0], y - start[1] - share * along[1]) <= reach_px
    return inside
