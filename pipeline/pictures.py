"""Pictures that may leave the landmark step: heads made unrecognisable, the skeleton drawn in.

A key frame is evidence for a finding, and it is a picture of a patient. Whoever makes one calls
`blur_faces` first; where no head was found the whole picture is made unrecognisable rather than none.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from pipeline.model import LANDMARK_NAMES, SIDES, FloatArray, Side
from pipeline.store import write_bytes
from pipeline.video import UInt8Array

# Head mosaic: so few cells across a head that no feature is left, whatever the picture's size. Own choice.
CELLS_ACROSS_HEAD = 5
# Radius of the hidden disc over the distance from mid-shoulder to mid-ear. The ear is 0.118 of body height
# above the shoulder, the crown 0.064 above the ear (common body-segment proportions, from memory), so the
# head alone needs 0.55; the rest is for hair, a bowed head and landmarks that are off.
RADIUS_PER_NECK = 1.0
# The same from the spread of the face landmarks alone, for when a shoulder is foreshortened. Own choice.
RADIUS_PER_FACE_SPREAD = 1.6
# Never smaller than this share of the picture's height. Own choice.
SMALLEST_RADIUS_SHARE = 0.02
# Half the width of the strip about each limb that stays sharp, over the person's height: 12 cm for a person
# of 1.7 m, enough for loose clothes. Own choice.
SHARP_STRIP = 0.07
JPEG_QUALITY = 88

FACE = tuple(index for index, name in enumerate(LANDMARK_NAMES) if index < 11)
EARS = tuple(LANDMARK_NAMES.index(name) for name in ("left_ear", "right_ear"))
SHOULDERS = tuple(LANDMARK_NAMES.index(name) for name in ("left_shoulder", "right_shoulder"))

LIMB_CHAINS = (
    ("hip", "shoulder", "elbow", "wrist"),
    ("hip", "knee", "ankle", "heel", "foot_index", "ankle"),
)
TRUNK = (("left_shoulder", "right_shoulder"), ("left_hip", "right_hip"))
# Red, green, blue. One colour for both sides: they are told apart by line style and letter.
LINE_COLOUR = (255, 235, 120)
EDGE_COLOUR = (20, 20, 20)


def head_discs(xy_px: FloatArray) -> FloatArray:
    """Disc that covers each person's head generously.

    Parameters
    ----------
    xy_px : (33, 2) or (n_people, 33, 2)
        Landmarks, x right, y down. [px]

    Returns
    -------
    (n_people, 3)
        Centre x, centre y and radius; NaN rows where a person's face landmarks are missing. [px]
    """
    people = np.asarray(xy_px, dtype=np.float64).reshape(-1, len(LANDMARK_NAMES), 2)
    discs = np.full((len(people), 3), np.nan)
    for disc, person in zip(discs, people, strict=True):
        face = person[list(FACE)]
        face = face[np.isfinite(face).all(axis=1)]
        if not len(face):
            continue
        # Halfway between the face's outermost points, so that many points about the eyes do not pull.
        centre = (face.min(axis=0) + face.max(axis=0)) / 2
        spread = float(np.hypot(*np.ptp(face, axis=0)))
        ears, shoulders = person[list(EARS)].mean(axis=0), person[list(SHOULDERS)].mean(axis=0)
        neck = float(np.hypot(*(ears - shoulders)))
        lengths = [RADIUS_PER_FACE_SPREAD * spread, RADIUS_PER_NECK * neck]
        disc[:] = *centre, float(np.nanmax(lengths))
    return discs


def blur_faces(image: UInt8Array, xy_px: FloatArray) -> UInt8Array:
    """The picture with every head turned into a coarse mosaic.

    Parameters
    ----------
    image : (height_px, width_px, 3) uint8
        Upright RGB picture; unchanged.
    xy_px : (33, 2) or (n_people, 33, 2)
        Landmarks of everyone seen in it. [px] A person without face landmarks (NaN) is passed over;
        when no head at all is known, the whole picture becomes a mosaic.

    Returns
    -------
    (height_px, width_px, 3) uint8
        New picture.

    Notes
    -----
    Each cell of the mosaic is the mean of its pixels, a fifth of a head wide: unlike a smooth blur it
    keeps no fine detail that could be sharpened again.
    """
    height_px, width_px = image.shape[:2]
    discs = head_discs(xy_px)
    discs = discs[np.isfinite(discs).all(axis=1)]
    if not len(discs):
        return _mosaic(image, cell_px=max(8, height_px // 20))
    result = image.copy()
    for centre_x, centre_y, radius in discs:
        radius = max(radius, SMALLEST_RADIUS_SHARE * height_px)
        cell_px = max(2, round(2 * radius / CELLS_ACROSS_HEAD))
        mask = np.zeros((height_px, width_px), dtype=np.uint8)
        cv2.circle(mask, (round(centre_x), round(centre_y)), round(radius), 255, cv2.FILLED)
        result = np.where(mask[..., np.newaxis] > 0, _mosaic(result, cell_px=cell_px), result)
    return result


def blur_surroundings(image: UInt8Array, xy_px: FloatArray) -> UInt8Array:
    """The picture with everything but the person's trunk and limbs blurred: bystanders, papers, screens.

    Parameters
    ----------
    image : (height_px, width_px, 3) uint8
        Upright RGB picture; unchanged.
    xy_px : (33, 2)
        The person's landmarks. [px] Without any (NaN) everything is blurred.

    Returns
    -------
    (height_px, width_px, 3) uint8
        New picture. The person's own head is not hidden by this: call `blur_faces` as well.

    Notes
    -----
    The detector finds two people at most and misses others, so hiding the heads that it found protects
    only them. The blur keeps five values across a head as large as the person's.
    """
    mask = np.zeros(image.shape[:2], dtype=np.uint8)
    finite = np.asarray(np.isfinite(xy_px).all(axis=1))
    height_px = float(np.ptp(xy_px[finite, 1])) if finite.any() else image.shape[0] / 2
    points = {name: _pixel(xy_px[i]) for i, name in enumerate(LANDMARK_NAMES) if finite[i]}
    strip_px = max(1, round(2 * SHARP_STRIP * height_px))
    for start, end in [line for side in SIDES for line in _limb_lines(side)] + list(TRUNK):
        if start in points and end in points:
            cv2.line(mask, points[start], points[end], 255, strip_px)
    corners = ("left_shoulder", "right_shoulder", "right_hip", "left_hip")
    if all(name in points for name in corners):
        cv2.fillConvexPoly(mask, cv2.convexHull(np.array([points[name] for name in corners])), 255)
    # A head is about 0.13 of the height.
    cell_px = max(3.0, 0.13 * height_px / CELLS_ACROSS_HEAD)
    soft = _mosaic(image, cell_px=cell_px, interpolation=cv2.INTER_LINEAR)
    edge = cv2.GaussianBlur(mask, (0, 0), sigmaX=0.15 * strip_px)[..., np.newaxis] / 255.0
    return np.asarray(np.rint(edge * image + (1.0 - edge) * soft), dtype=np.uint8)


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
        for start, end in _limb_lines(side):
            if seen[start] and seen[end]:
                _draw_line(result, points[start], points[end], width_px=side_width_px, dashed=dashed)
        for joint in ("knee", "ankle", "wrist"):
            if seen[f"{side}_{joint}"]:
                _write_letter(result, points[f"{side}_{joint}"], letters[side], width_px=width_px)
    return result


def crop_to_person(image: UInt8Array, xy_px: FloatArray, *, margin_share: float = 0.12) -> UInt8Array:
    """The part of the picture about a person.

    Parameters
    ----------
    image : (height_px, width_px, 3) uint8
        Upright picture.
    xy_px : (33, 2)
        The person's landmarks. [px] All NaN gives the whole picture.
    margin_share : float
        Border on each side over the person's height. [1]

    Returns
    -------
    (height, width, 3) uint8
        New picture, contiguous, never empty.
    """
    points = xy_px[np.isfinite(xy_px).all(axis=1)]
    height_px, width_px = image.shape[:2]
    if not len(points):
        return image.copy()
    margin_px = margin_share * float(np.ptp(points[:, 1]))
    low = np.floor(points.min(axis=0) - margin_px).astype(int)
    high = np.ceil(points.max(axis=0) + margin_px).astype(int)
    left, top = np.clip(low, 0, [width_px - 1, height_px - 1])
    right, bottom = np.clip(high, [left + 1, top + 1], [width_px, height_px])
    return np.ascontiguousarray(image[top:bottom, left:right])


def save_picture(path: Path, image: UInt8Array) -> None:
    """Write an RGB picture as PNG or JPEG, by the path's ending; the file is complete or not there.

    Parameters
    ----------
    path : Path
        Ends in ``.png`` or ``.jpg``. An existing file is replaced.
    image : (height_px, width_px, 3) uint8
        RGB picture.

    Raises
    ------
    ValueError
        The path has another ending.
    OSError
        The file cannot be written.
    """
    endings: dict[str, list[int]] = {".png": [], ".jpg": [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY]}
    if path.suffix not in endings:
        raise ValueError(f"{path.name}: the ending is {path.suffix!r}; expected .png or .jpg")
    _, content = cv2.imencode(path.suffix, cv2.cvtColor(image, cv2.COLOR_RGB2BGR), endings[path.suffix])
    write_bytes(path, content.tobytes())


def smaller_picture(content: bytes, largest_width_px: int) -> bytes | None:
    """Return a JPEG file at most so wide; the same bytes when it is already, None when it is no picture."""
    image = cv2.imdecode(np.frombuffer(content, dtype=np.uint8), cv2.IMREAD_COLOR) if content else None
    if image is None or image.shape[1] <= largest_width_px:
        return None if image is None else content
    height_px = max(1, round(image.shape[0] * largest_width_px / image.shape[1]))
    smaller = cv2.resize(image, (largest_width_px, height_px), interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", smaller, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1].tobytes())


def _mosaic(image: UInt8Array, *, cell_px: float, interpolation: int = cv2.INTER_NEAREST) -> UInt8Array:
    """The picture from the means of square cells: as tiles, or running into each other."""
    height_px, width_px = image.shape[:2]
    cells = (max(1, round(width_px / cell_px)), max(1, round(height_px / cell_px)))
    small = cv2.resize(image, cells, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, (width_px, height_px), interpolation=interpolation), np.uint8)


def _limb_lines(side: Side) -> list[tuple[str, str]]:
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
            cv2.line(image, _pixel(low), _pixel(high), colour, width, cv2.LINE_AA)


def _write_letter(image: UInt8Array, point: FloatArray, letter: str, *, width_px: int) -> None:
    """A letter beside a point, with a dark edge."""
    position = _pixel(point + np.array([3 * width_px, -width_px]))
    size = 0.22 * width_px
    for width, colour in ((width_px + 3, EDGE_COLOUR), (max(1, width_px - 1), LINE_COLOUR)):
        cv2.putText(image, letter, position, cv2.FONT_HERSHEY_SIMPLEX, size, colour, width, cv2.LINE_AA)


def _pixel(point: FloatArray) -> tuple[int, int]:
    """The nearest pixel."""
    return round(float(point[0])), round(float(point[1]))
