"""Pictures that may leave the landmark step: heads made unrecognisable, surroundings blurred; and their files.

A key frame is evidence for a finding, and it is a picture of a patient. Whoever keeps one asks `heads.may_be_stored`
and calls `safe_picture` first.
"""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np

from pipeline.heads import head_discs, head_sightings
from pipeline.model import LANDMARK_NAMES, SIDES, FloatArray, LandmarkTrack
from pipeline.skeleton import TRUNK, limb_lines, nearest_pixel
from pipeline.store import write_bytes
from pipeline.video import UInt8Array

# Head mosaic: so few cells across a head that no feature is left, whatever the picture's size. Own choice.
CELLS_ACROSS_HEAD = 5
# Never smaller than this share of the picture's height. Own choice.
SMALLEST_RADIUS_SHARE = 0.02
# Half the width of the strip about each limb that stays sharp, over the person's height: 12 cm for a person
# of 1.7 m, enough for loose clothes. Own choice.
SHARP_STRIP = 0.07
JPEG_QUALITY = 88

# Left, top, width and height of a part of a picture. [px]
Box = tuple[int, int, int, int]


def safe_picture(image: UInt8Array, track: LandmarkTrack, frame: int, box: Box | None = None) -> UInt8Array:
    """A frame's picture as it may be kept: surroundings blurred, head hidden where it is and was just before and after.

    Parameters
    ----------
    image : (height_px, width_px, 3) uint8
        Upright RGB picture of the frame; unchanged.
    track : LandmarkTrack
        Of the picture's clip.
    frame : int
        Ask `heads.may_be_stored` first: this hides the head where the track says it is.
    box : Box, optional
        The part that is wanted; by default all.

    Returns
    -------
    (height_px, width_px, 3) uint8
        New picture, of the part's size.
    """
    height_px, width_px = image.shape[:2]
    left, top, width, height = box or (0, 0, width_px, height_px)
    part, corner = image[top : top + height, left : left + width], np.array([left, top])
    # Surroundings first: a bystander whom the estimator missed must not be recognised either.
    blurred = blur_surroundings(part, track.xy_px[frame] - corner, whole_px=height_px)
    return blur_faces(blurred, head_sightings(track, frame) - corner, whole_px=height_px)


def blur_faces(image: UInt8Array, xy_px: FloatArray, *, whole_px: int | None = None) -> UInt8Array:
    """The picture with every head turned into a coarse mosaic.

    Parameters
    ----------
    image : (height_px, width_px, 3) uint8
        Upright RGB picture; unchanged.
    xy_px : (33, 2) or (n_people, 33, 2)
        Landmarks of everyone seen in it, or of one person in frames about it. [px] A person without face landmarks
        (NaN) is passed over; when no head at all is known, the whole picture becomes a mosaic.
    whole_px : int, optional
        Height of the picture that this is a part of; by default this is all of it. [px]

    Returns
    -------
    (height_px, width_px, 3) uint8
        New picture.

    Notes
    -----
    Each cell of the mosaic is the mean of its pixels, a fifth of a head's disc wide: unlike a smooth blur it
    keeps no fine detail that could be sharpened again. Discs that touch share one grid, since two grids that
    overlap would keep more than either.
    """
    height_px, width_px = image.shape[:2]
    whole_px = whole_px or height_px
    discs = head_discs(xy_px)
    discs = discs[np.isfinite(discs).all(axis=1)]
    if not len(discs):
        return _mosaic(image, cell_px=max(8, whole_px // 20))
    result = image.copy()
    discs[:, 2] = np.maximum(discs[:, 2], SMALLEST_RADIUS_SHARE * whole_px)
    for group in _touching(discs):
        radius = group[:, 2:]
        low = np.clip(np.floor((group[:, :2] - radius).min(axis=0)), 0, [width_px, height_px]).astype(int)
        high = np.clip(np.ceil((group[:, :2] + radius).max(axis=0)) + 1, low, [width_px, height_px]).astype(int)
        box = result[low[1] : high[1], low[0] : high[0]]
        if not box.size:
            continue
        mask = np.zeros(box.shape[:2], dtype=np.uint8)
        for disc in group:
            cv2.circle(mask, nearest_pixel(disc[:2] - low), round(float(disc[2])), 255, cv2.FILLED)
        # Rounded up, so that a disc spans no more cells; 3 is what rounding adds to its diameter.
        cell_px = math.ceil((2 * float(radius.max()) + 3) / CELLS_ACROSS_HEAD)
        np.copyto(box, _cells(box, cell_px), where=mask[..., np.newaxis] > 0)
    return result


def blur_surroundings(image: UInt8Array, xy_px: FloatArray, *, whole_px: int | None = None) -> UInt8Array:
    """The picture with everything but the person's trunk and limbs blurred: bystanders, papers, screens.

    Parameters
    ----------
    image : (height_px, width_px, 3) uint8
        Upright RGB picture; unchanged.
    xy_px : (33, 2)
        The person's landmarks. [px] Without any (NaN) everything is blurred.
    whole_px : int, optional
        Height of the picture that this is a part of; by default this is all of it. [px]

    Returns
    -------
    (height_px, width_px, 3) uint8
        New picture. The person's own head is not hidden by this: call `blur_faces` as well.

    Notes
    -----
    The detector finds two people at most and misses others, so hiding the heads that it found protects
    only them. The blur keeps five values across the head of somebody as tall as the picture, and fewer across others.
    """
    finite = np.asarray(np.isfinite(xy_px).all(axis=1))
    whole_px = whole_px or image.shape[0]
    height_px = float(np.ptp(xy_px[finite, 1])) if finite.any() else whole_px / 2
    # A head is about 0.13 of the height. Of somebody nearer to the camera than the walker it is larger than his.
    cell_px = max(3.0, 0.13 * max(height_px, whole_px) / CELLS_ACROSS_HEAD)
    result = _mosaic(image, cell_px=cell_px, interpolation=cv2.INTER_LINEAR)
    points = {name: xy_px[i] for i, name in enumerate(LANDMARK_NAMES) if finite[i]}
    lines = [line for side in SIDES for line in limb_lines(side)] + list(TRUNK)
    lines = [(start, end) for start, end in lines if start in points and end in points]
    if not lines:
        return result
    strip_px = max(1, round(2 * SHARP_STRIP * height_px))
    # Only the box about the limbs holds anything sharp.
    ends = np.array([points[name] for line in lines for name in line])
    size = np.array([image.shape[1], image.shape[0]])
    low = np.clip(np.floor(ends.min(axis=0)) - strip_px, 0, size).astype(int)
    high = np.clip(np.ceil(ends.max(axis=0)) + strip_px, low, size).astype(int)
    rows, columns = slice(low[1], high[1]), slice(low[0], high[0])
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), dtype=np.float32)
    if not mask.size:
        return result
    for start, end in lines:
        cv2.line(mask, nearest_pixel(points[start] - low), nearest_pixel(points[end] - low), 1.0, strip_px)
    corners = ("left_shoulder", "right_shoulder", "right_hip", "left_hip")
    if all(name in points for name in corners):
        hull = cv2.convexHull(np.array([nearest_pixel(points[name] - low) for name in corners]))
        cv2.fillConvexPoly(mask, hull, 1.0)
    edge = cv2.GaussianBlur(mask, (0, 0), sigmaX=0.15 * strip_px)
    sharp, soft = np.ascontiguousarray(image[rows, columns]), np.ascontiguousarray(result[rows, columns])
    result[rows, columns] = cv2.blendLinear(sharp, soft, edge, 1.0 - edge)
    return result


def save_picture(path: Path, image: UInt8Array) -> None:
    """Write an RGB picture as PNG or JPEG, by the path's ending; the file is complete or not there, and private.

    The file holds pixels only: no date, place, device or comment.

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
    write_bytes(path, content.tobytes(), private=True)


def smaller_picture(content: bytes, largest_width_px: int) -> bytes | None:
    """Return a JPEG file at most so wide; the same bytes when it is already, None when it is no picture."""
    image = cv2.imdecode(np.frombuffer(content, dtype=np.uint8), cv2.IMREAD_COLOR) if content else None
    if image is None or image.shape[1] <= largest_width_px:
        return None if image is None else content
    height_px = max(1, round(image.shape[0] * largest_width_px / image.shape[1]))
    smaller = cv2.resize(image, (largest_width_px, height_px), interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", smaller, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1].tobytes())


def resized(image: UInt8Array, size_px: tuple[int, int]) -> UInt8Array:
    """Return a picture at another size, width and height. [px]"""
    way = cv2.INTER_AREA if image.shape[1] > size_px[0] else cv2.INTER_CUBIC
    return np.ascontiguousarray(cv2.resize(image, size_px, interpolation=way), dtype=np.uint8)


def webp_picture(image: UInt8Array, *, quality: int) -> bytes:
    """Return an RGB picture as a WebP file, without metadata; quality from 1 to 100."""
    options = [cv2.IMWRITE_WEBP_QUALITY, quality]
    return bytes(cv2.imencode(".webp", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), options)[1].tobytes())


def _mosaic(image: UInt8Array, *, cell_px: float, interpolation: int = cv2.INTER_NEAREST) -> UInt8Array:
    """The picture from the means of cells of that size or a little more: as tiles, or running into each other."""
    height_px, width_px = image.shape[:2]
    cells = (max(1, int(width_px / cell_px)), max(1, int(height_px / cell_px)))
    small = cv2.resize(image, cells, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(small, (width_px, height_px), interpolation=interpolation), np.uint8)


def _touching(discs: FloatArray) -> list[FloatArray]:
    """Discs (n, 3) in groups that hang together."""
    groups: list[FloatArray] = []
    for disc in discs:
        apart = [np.hypot(*(group[:, :2] - disc[:2]).T) > group[:, 2] + disc[2] for group in groups]
        joined = [group for group, away in zip(groups, apart, strict=True) if not away.all()]
        groups = [group for group, away in zip(groups, apart, strict=True) if away.all()]
        groups.append(np.concatenate([*joined, disc[np.newaxis]]))
    return groups


def _cells(image: UInt8Array, cell_px: int) -> UInt8Array:
    """The picture in square cells, each the mean of its pixels to the last one; those at its end may be smaller."""
    sums = image.astype(np.uint32)
    counts = np.ones((1, 1), dtype=np.uint32)
    for axis, length in enumerate(image.shape[:2]):
        starts = np.arange(0, length, cell_px)
        sums = np.add.reduceat(sums, starts, axis=axis)
        counts = counts * np.expand_dims(np.diff([*starts, length]), 1 - axis)
    cells = ((sums + counts[..., None] // 2) // counts[..., None]).astype(np.uint8)
    rows, columns = (np.arange(length) // cell_px for length in image.shape[:2])
    return np.asarray(cells[rows[:, None], columns])
