"""Where to look again: parts of the picture about the walker, and overlapping tiles to find a far one.

The estimator's detector sees whatever it is given shrunk to 224 pixels. A walker of 15 % of the height of a wide
picture is 19 of them, too few. In a part of the picture that is a few times as large as the walker he is found, and
placed with less jitter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray
from pipeline.subject import Detection, walks

# Side of a crop over the walker's height. Measured on rendered walkers of 16 to 42 % of the picture: 1.3 to 3 are
# equally good; up to 4 he is found in 95 to 100 % of the frames, at 5 in 53 to 100 %, at 6 in 5 to 77 %.
BODIES_PER_CROP = 2.0
MOST_BODIES_PER_CROP = 4.0
# A crop grows with the time beyond AVERAGED_S from the nearest sighting; a walk covers 0.65 heights a second, less
# than half the growth. [1/s]
GROWTH_PER_S = 1.5
# Sightings this near in time are averaged (median), so that one bad pose moves no crop. Own choice. [s]
AVERAGED_S = 0.25
# Before the first and after the last sighting the body goes on at its pace for this long, taken over as long; frames
# this near to a sighting are looked at once more where it should be. Own choices: half and a quarter of a stride. [s]
LED_ON_S = 0.6
BESIDE_S = 0.3
# Whole pictures are looked at this far apart: a sixth of a second of walking is 11 % of the body height, little for a
# crop. Measured on rendered walkers: landmarks are as near to the truth as with a tenth of a second. [s]
LOOK_EVERY_S = 0.155
# Tiles are looked through where no walker was seen for this long, at this interval; their side as a share of the
# picture's height makes a walker of 15 % a quarter of a tile. Half of each tile overlaps the next. Own choices.
SEARCH_AFTER_S = 1.0
SEARCH_EVERY_S = 0.4
TILE_SHARE = 0.6


@dataclass(frozen=True, slots=True)
class Crop:
    """A part of the picture: columns `left` to `right` and rows `top` to `bottom`, ends exclusive. [px]"""

    left: int
    top: int
    right: int
    bottom: int

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height. [px]"""
        return self.right - self.left, self.bottom - self.top

    def to_picture(self, shares: FloatArray) -> FloatArray:
        """Return points, given as shares of the crop's width and height, in pixels of the picture.

        Parameters
        ----------
        shares : (..., 2)
            x right, y down, 0 to 1 inside the crop. [1]

        Returns
        -------
        (..., 2)
            x right, y down, from the picture's upper left corner. [px]
        """
        return np.asarray(shares * np.array(self.size_px) + np.array([self.left, self.top]))

    def holds(self, xy_px: FloatArray, *, width_px: int, height_px: int) -> bool:
        """Return whether all points (n, 2) [px] lie inside, edges shared with the picture not counting."""
        low, high = xy_px.min(axis=0), xy_px.max(axis=0)
        return bool(
            (self.left == 0 or low[0] >= self.left)
            and (self.top == 0 or low[1] >= self.top)
            and (self.right == width_px or high[0] <= self.right)
            and (self.bottom == height_px or high[1] <= self.bottom)
        )


def whole_picture(width_px: int, height_px: int) -> Crop:
    """Return the crop that is all of the picture."""
    return Crop(0, 0, width_px, height_px)


def square_crop(centre_px: FloatArray, side_px: float, *, width_px: int, height_px: int) -> Crop:
    """Return a square about a point, moved into the picture; narrower or lower only where the picture is.

    Parameters
    ----------
    centre_px : (2,)
        x right, y down. [px]
    side_px : float
        Rounded to whole pixels. [px]
    width_px, height_px : int
        Of the picture. [px]
    """
    side = max(1, round(side_px))
    ends: list[tuple[int, int]] = []
    for centre, length in zip(centre_px, (width_px, height_px), strict=True):
        part = min(side, length)
        start = min(max(0, round(float(centre) - part / 2)), length - part)
        ends.append((start, start + part))
    (left, right), (top, bottom) = ends
    return Crop(left, top, right, bottom)


def tile_crops(width_px: int, height_px: int) -> list[Crop]:
    """Return overlapping squares that cover the picture, row by row.

    Whoever is up to half a tile high and wide stands wholly inside one of them.
    """
    side = max(1, round(TILE_SHARE * height_px))
    size = (min(side, width_px), min(side, height_px))
    lefts, tops = (
        np.linspace(0, length - part, 1 + int(np.ceil(2 * (length - part) / part))).round().astype(int)
        for length, part in zip((width_px, height_px), size, strict=True)
    )
    return [Crop(int(x), int(y), int(x) + size[0], int(y) + size[1]) for y in tops for x in lefts]


def frames_to_look_at(time_s: FloatArray) -> list[int]:
    """Return the frames whose whole pictures are looked at, the first among them, from the times (n_frames,). [s]"""
    return _spaced(range(len(time_s)), time_s, LOOK_EVERY_S)


def _spaced(frames: Iterable[int], time_s: FloatArray, every_s: float) -> list[int]:
    """Those of the frames that lie so long apart at least, from the first one on."""
    chosen: list[int] = []
    for frame in frames:
        if not chosen or time_s[frame] - time_s[chosen[-1]] >= every_s:
            chosen.append(frame)
    return chosen


def frames_to_search(subject: Sequence[Detection | None], time_s: FloatArray) -> list[int]:
    """Return the frames to be looked through in tiles: nobody was seen about them for long, or only one who stands.

    The walker may be too far away to be found beside a helper who stands by; the search covers the whole clip then.

    Parameters
    ----------
    subject : sequence of n_frames
        From `follow_subject`.
    time_s : (n_frames,)
        Increasing. [s]
    """
    away_s = _time_from_sighting_s(subject if walks(subject, time_s) else [None] * len(subject), time_s)
    return _spaced(np.flatnonzero(away_s > SEARCH_AFTER_S).tolist(), time_s, SEARCH_EVERY_S)


def crops_on_subject(
    subject: Sequence[Detection | None],
    time_s: FloatArray,
    *,
    width_px: int,
    height_px: int,
) -> list[Crop | None]:
    """Return where to look again in each frame: a square about the subject that follows him smoothly.

    Parameters
    ----------
    subject : sequence of n_frames
        From `follow_subject`.
    time_s : (n_frames,)
        Increasing. [s]
    width_px, height_px : int
        Of the picture. [px]

    Returns
    -------
    list of n_frames
        All None when the subject was never seen.

    Notes
    -----
    Place and height of the body are the median over the sightings within 0.25 s. Between sightings they go
    along a straight line, before the first and after the last they go on as they went; the square grows with the time
    from the nearest sighting faster than anyone walks out of it, as far as the detector still finds a body in it. Own
    method.
    """
    seen = [index for index, one in enumerate(subject) if one is not None]
    if not seen:
        return [None] * len(subject)
    places = np.array([_place(one) for one in subject if one is not None])
    seen_s = time_s[seen]
    smooth = np.array([np.median(places[np.abs(seen_s - now_s) <= AVERAGED_S], axis=0) for now_s in seen_s])
    x_px, y_px, log_height = (_led_on(time_s, seen_s, column) for column in smooth.T)
    # A size that changed between one look and the next would shake the landmarks by 0.3 % of the height.
    lost_s = np.maximum(0.0, _time_from_sighting_s(subject, time_s) - AVERAGED_S)
    bodies = BODIES_PER_CROP + GROWTH_PER_S * lost_s
    sides_px = np.exp(log_height) * np.minimum(bodies, MOST_BODIES_PER_CROP)
    return [
        square_crop(centre_px, side_px, width_px=width_px, height_px=height_px)
        for centre_px, side_px in zip(np.stack([x_px, y_px], axis=1), sides_px, strict=True)
    ]


def frames_beside(subject: Sequence[Detection | None], time_s: FloatArray) -> list[int]:
    """Return the frames without the subject that lie within BESIDE_S of one with it: there it cannot be far away."""
    away_s = _time_from_sighting_s(subject, time_s)
    return [int(index) for index in np.flatnonzero((away_s > 0) & (away_s <= BESIDE_S))]


def _led_on(time_s: FloatArray, seen_s: FloatArray, values: FloatArray) -> FloatArray:
    """Values at sightings, (n_seen,), on straight lines between them, and for a short time led on at either end."""
    result = np.interp(time_s, seen_s, values)
    for end_s, outside in ((seen_s[0], time_s < seen_s[0]), (seen_s[-1], time_s > seen_s[-1])):
        near = np.abs(seen_s - end_s) <= LED_ON_S
        if outside.any() and np.ptp(seen_s[near]) >= LED_ON_S / 2:
            pace = np.polynomial.Polynomial.fit(seen_s[near], values[near], 1).deriv()(end_s)
            result[outside] += pace * np.clip(time_s[outside] - end_s, -LED_ON_S, LED_ON_S)
    return np.asarray(result)


def _place(person: Detection) -> tuple[float, float, float]:
    """Middle of the body [px] and the logarithm of its height: a walker in front grows by a ratio."""
    top, bottom = float(person.xy_px[:, 1].min()), float(person.xy_px[:, 1].max())
    return float(person.hip_px[0]), (top + bottom) / 2, float(np.log(person.height_px))


def _time_from_sighting_s(subject: Sequence[Detection | None], time_s: FloatArray) -> FloatArray:
    """Time to the nearest frame with a sighting, (n_frames,), infinite without any. [s]"""
    seen_s = time_s[[index for index, one in enumerate(subject) if one is not None]]
    if not len(seen_s):
        return np.full(len(time_s), np.inf)
    after = np.searchsorted(seen_s, time_s)
    neighbours = (seen_s[np.maximum(after - 1, 0)], seen_s[np.minimum(after, len(seen_s) - 1)])
    return np.asarray(np.minimum(*(np.abs(time_s - near_s) for near_s in neighbours)))
