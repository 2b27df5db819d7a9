"""The tracked skeleton drawn into a picture."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np

from pipeline.model import LANDMARK_NAMES, FloatArray, Side
from pipeline.video import UInt8Array

LIMB_CHAINS = (
    ("hip", "shoulder", "elbow", "wrist"),
    ("hip", "knee", "ankle", "heel", "foot_index", "ankle"),
)
TRUNK = (("left_shoulder", "right_shoulder"), ("left_hip", "right_hip"))
# Red, green, blue. One colour for both sides: they are told apart by line style and letter.
LINE_COLOUR = (255, 235, 120)
EDGE_COLOUR = (20, 20, 20)


def draw_skeleton(
    image: UInt8Array,
    xy_px: FloatArray,
    visibility: FloatArray,
    *,
    min_visibility: float = 0.5,
    letters: dict[Side, str] | None = None,
    dashed_side: Side = "left",
) -> UInt8Array:
    """The picture with the landmarks' lines: one side thin and dashed, the other thick and solid, with letters.

    Parameters
    ----------
    image : (height_px, width_px, 3) uint8
        Upright RGB picture; unchanged.
    xy_px : (33, 2)
        Landmarks of one person. [px] NaN points and their lines are left out.
    visibility : (33,)
        The estimator's own visibility. [1]
    min_visibility : float
        Points below it are left out. [1]
    letters : dict, optional
        Letters written at knee and ankle of each side; by default L and R.
    dashed_side : Side
        The side that is drawn thin and dashed.

    Returns
    -------
    (height_px, width_px, 3) uint8
        New picture.
    """
    result = image.copy()
    letters = letters or {"left": "L", "right": "R"}
    usable = np.isfinite(xy_px).all(axis=1) & (visibility >= min_visibility)
    points = dict(zip(LANDMARK_NAMES, np.nan_to_num(xy_px), strict=True))
    seen = dict(zip(LANDMARK_NAMES, usable, strict=True))
    width_px = max(3, round(image.shape[0] / 220))
    for start, end in TRUNK:
        if seen[start] and seen[end]:
            _draw_line(result, points[start], points[end], width_px=width_px, dashed=False)
    for side in letters:
        dashed = side == dashed_side
        side_width_px = max(2, width_px // 2) if dashed else width_px
        for start, end in limb_lines(side):
            if seen[start] and seen[end]:
                _draw_line(result, points[start], points[end], width_px=side_width_px, dashed=dashed)
        for joint in ("knee", "ankle", "wrist"):
            if seen[f"{side}_{joint}"]:
                _write_letter(result, points[f"{side}_{joint}"], letters[side], width_px=width_px)
    return result


def limb_lines(side: Side) -> list[tuple[str, str]]:
    """Names of both ends of each line of one side's trunk edge, arm and leg."""
    return [(f"{side}_{start}", f"{side}_{end}") for chain in LIMB_CHAINS for start, end in pairwise(chain)]


def _draw_line(image: UInt8Array, start: FloatArray, end: FloatArray, *, width_px: int, dashed: bool) -> None:
    """A line with a dark edge, so that it shows on light and dark clothes alike."""
    length_px = float(np.hypot(*(end - start)))
    # Long enough that the dark edges leave the gaps open.
    n_dashes = max(1, round(length_px / (10 + 6 * width_px))) if dashed else 1
    filled = 0.55 if dashed else 1.0
    for width, colour in ((width_px + 2, EDGE_COLOUR), (width_px, LINE_COLOUR)):
        for dash in range(n_dashes):
            low = start + (end - start) * (dash / n_dashes)
            high = start + (end - start) * ((dash + filled) / n_dashes)
            cv2.line(image, nearest_pixel(low), nearest_pixel(high), colour, width, cv2.LINE_AA)


def _write_letter(image: UInt8Array, point: FloatArray, letter: str, *, width_px: int) -> None:
    """A letter beside a point, with a dark edge."""
    position = nearest_pixel(point + np.array([3 * width_px, -width_px]))
    size = 0.22 * width_px
    for width, colour in ((width_px + 3, EDGE_COLOUR), (max(1, width_px - 1), LINE_COLOUR)):
        cv2.putText(image, letter, position, cv2.FONT_HERSHEY_SIMPLEX, size, colour, width, cv2.LINE_AA)


def nearest_pixel(point: FloatArray) -> tuple[int, int]:
    """The nearest pixel."""
    return round(float(point[0])), round(float(point[1]))
