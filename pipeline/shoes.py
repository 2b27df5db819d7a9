"""How far each shoe reaches outward in a front view: read from the picture, as landmarks see half of a short turn.

Seen from the front, the toe end of a foot that points outward lies beside its ankle. How far the shoe's outer edge is
from the ankle does not depend on how much the toes are up, and is read where the picture differs from the empty room.
A shadow on the floor keeps the floor's colour and has soft edges: there only upright edges count. Only the distance is
kept, no picture.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, label

from pipeline.geometry import INDEX, SHOULDER_TO_HIP_OF_HEIGHT, middle, point, robust_line
from pipeline.model import SIDES, BoolArray, FloatArray, LandmarkTrack, Side
from pipeline.outline import LEAST_DIFFERENCE, SHADOW_COLOUR, USUAL_DIFFERENCES
from pipeline.signals import sample_rate
from pipeline.store import write_arrays
from pipeline.track_file import numbers, stored_arrays
from pipeline.video import Frame, UInt8Array

# The empty room is the median of this many pictures, each without the places that the walker's body covers in it.
ROOM_PICTURES = 40
# Where fewer of them show the room nothing is known of it, and nothing there counts as shoe: hair, hands and hems reach
# out of the covered places. Own choice.
FEWEST_PICTURES = 5
# Half the width of a limb, and of the trunk, that is left out of the room's pictures, over the body's height; the
# longest segment, the trunk, is covered by so many squares. Loose clothes and hands included. Own choices.
LIMB_OF_HEIGHT, TRUNK_OF_HEIGHT = 0.06, 0.10
SQUARES = 9
# Part of the picture looked at about an ankle, over the body's height: to both sides, above and below. A foot of
# 0.152 (drillis_contini_1966, from memory) and a shoe's sole fit in at any direction. Own choice.
BESIDE, ABOVE, BELOW = 0.18, 0.12, 0.14
# Rows of the shoe, from the ankle. The ankle is 0.039 above the floor (drillis_contini_1966, from memory), the toe
# of a foot before the ankle is lower in the picture, and at contact the sole is tipped up. Own choice.
ROWS = (-0.005, 0.13)
# An ankle landmark this far above the floor is one that the estimator lost on a pylon, or swings; it is put where the
# ankle of a foot on the floor is. Own choice, between the rise of a swinging ankle and the length of a shank.
LOST, ANKLE_OVER_TIP = 0.085, 0.05
# Furthest that a shoe can reach outward and, where the other foot is further away than that, inward of the ankle.
OUTWARD, INWARD = 0.14, 0.07
# Parts of the shoe lie within this of the ankle line or hang together with one that does, over gaps of twice JOINED.
CORE, JOINED = 0.035, 0.012
# A shoe's edge is at least this high in the picture. Its sole alone is about 0.015. Own choice.
EDGE_HEIGHT = 0.02
# A shadow leaves at least this share of the floor's light (0.30 under the toes of rendered shoes); its soft edges
# change by less than this share from one pixel to the next, shoes by more. Own choices.
DARKEST_SHADOW = 0.25
SHARP_EDGE = 0.12
# Size of the body is the median of the trunk's length over this time to each side. [s]
SIZE_AVERAGED_S = 0.6
# The ankle is averaged over this time, since its landmark shakes. [s]
ANKLE_AVERAGED_S = 0.1
# Segments of a body that hide the room behind them.
SEGMENTS = (
    ("shoulder", "hip"), ("hip", "knee"), ("knee", "ankle"), ("ankle", "heel"), ("ankle", "foot_index"),
    ("shoulder", "elbow"), ("elbow", "wrist"), ("wrist", "index"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shoes:
    """How far the shoes of one clip reach.

    Attributes
    ----------
    time_s : (n_frames,)
        [s]
    reach : (n_frames, 2)
        Of the left and the right shoe: how far its outer edge lies outward of the ankle, over the body's height; NaN
        where no shoe was made out. [1]
    lost_share : (2,)
        Share of the frames in which the ankle's landmark is far above the floor, lost or in swing. [1]
    """

    time_s: FloatArray
    reach: FloatArray
    lost_share: FloatArray


@dataclass(frozen=True, slots=True)
class _Foot:
    """Where to look for one shoe: its ankle, the other one's [px], the body's height [px], and its outer side."""

    ankle_px: FloatArray
    other_px: FloatArray
    height_px: float
    outward: int


def trace_shoes(frames: Callable[[], Iterable[Frame]], track: LandmarkTrack) -> Shoes:
    """Return how far the shoes reach outward in each frame of a front view.

    Parameters
    ----------
    frames : function
        Gives the clip's frames from the start, each time it is called.
    track : LandmarkTrack
        Of the same frames, each leg under its own name.

    Returns
    -------
    Shoes
        All NaN when nobody was seen.

    Notes
    -----
    Own method. The camera has to stand still.
    """
    seen = np.asarray(np.isfinite(track.xy_px).all(axis=(1, 2)))
    if not seen.any():
        return Shoes(track.time_s, np.full((len(seen), 2), np.nan), np.ones(2))
    height_px = _height_px(track, seen)
    floor_px = _floor_px(track, height_px, seen)
    ankles_px = np.stack([_ankle_px(track, side, seen) for side in SIDES])
    lost = ankles_px[..., 1] < floor_px - LOST * height_px
    ankles_px[..., 1] = np.where(lost, floor_px - ANKLE_OVER_TIP * height_px, ankles_px[..., 1])
    top, bottom = _rows_of_feet(ankles_px[:, seen], height_px[seen], track.height_px)
    room = _empty_room(frames(), track, height_px, seen, top, bottom)
    edges_px = np.full((2, len(seen)), np.nan)
    for number, frame in enumerate(frames()):
        if number >= len(seen) or not seen[number]:
            continue
        image = frame.image[top:bottom]
        limit = _limit(image, room)
        here_px = ankles_px[:, number] - [0, top]
        for i in range(2):
            foot = _Foot(here_px[i], here_px[1 - i], height_px[number], (1, -1)[i])
            edges_px[i, number] = _edge_px(image, room, foot, limit)
    reach = np.array([[1.0], [-1.0]]) * (edges_px - ankles_px[..., 0]) / height_px
    return Shoes(track.time_s, reach.T, lost[:, seen].mean(axis=1))


def save_shoes(path: Path, shoes: Shoes) -> None:
    """Write the reach of the shoes as compressed npz."""
    reach = shoes.reach.astype(np.float32)
    write_arrays(path, {"time_s": shoes.time_s, "reach": reach, "lost_share": shoes.lost_share})


def load_shoes(path: Path) -> Shoes:
    """Return what `save_shoes` wrote.

    Raises
    ------
    StageError
        The file is missing or damaged.
    """
    with stored_arrays(path, "shoes") as stored:
        time_s = numbers(stored, "time_s", (None,))
        n = len(time_s)
        return Shoes(time_s, numbers(stored, "reach", (n, 2)), numbers(stored, "lost_share", (2,)))


def _height_px(track: LandmarkTrack, seen: BoolArray) -> FloatArray:
    """Body height by the trunk's length, (n_frames,). [px]"""
    seen_s = track.time_s[seen]
    trunk_px = np.linalg.norm(middle(track.xy_px, "shoulder") - middle(track.xy_px, "hip"), axis=1)[seen]
    smooth_px = [np.median(trunk_px[np.abs(seen_s - at_s) <= SIZE_AVERAGED_S]) for at_s in seen_s]
    return np.asarray(np.interp(track.time_s, seen_s, smooth_px) / SHOULDER_TO_HIP_OF_HEIGHT)


def _ankle_px(track: LandmarkTrack, side: Side, seen: BoolArray) -> FloatArray:
    """One ankle, averaged over a tenth of a second, (n_frames, 2). [px]"""
    ankle, seen_s = point(track.xy_px, side, "ankle")[seen], track.time_s[seen]
    smooth = [ankle[np.abs(seen_s - at_s) <= ANKLE_AVERAGED_S / 2 + 1e-6].mean(axis=0) for at_s in seen_s]
    return np.stack([np.interp(track.time_s, seen_s, column) for column in np.transpose(smooth)], axis=1)


def _floor_px(track: LandmarkTrack, height_px: FloatArray, seen: BoolArray) -> FloatArray:
    """Where the tip of a foot on the floor is seen, (n_frames,): on a line with the body's size. [px]"""
    lowest = np.max([point(track.xy_px, side, "foot_index")[:, 1] for side in SIDES], axis=0)
    line = robust_line(height_px[seen], lowest[seen], sample_rate(track.time_s))
    return line.at(height_px)


def _rows_of_feet(ankles_px: FloatArray, height_px: FloatArray, picture_px: int) -> tuple[int, int]:
    """The rows of the picture in which feet are seen, end exclusive."""
    top = int(np.floor((ankles_px[..., 1] - ABOVE * height_px).min()))
    bottom = int(np.ceil((ankles_px[..., 1] + BELOW * height_px).max())) + 1
    top = min(max(0, top), picture_px - 1)
    return top, max(top + 1, min(bottom, picture_px))


def _limit(image: UInt8Array, room: NDArray[np.float32]) -> float:
    """What a pixel differs by at least where the walker is. [levels]"""
    sparse = np.abs(image[::8, ::8].astype(np.float32) - room[::8, ::8]).max(axis=2)
    known = sparse[np.isfinite(sparse)]
    return max(LEAST_DIFFERENCE, USUAL_DIFFERENCES * float(np.median(known)) if len(known) else 0.0)


def _empty_room(
    frames: Iterable[Frame], track: LandmarkTrack, height_px: FloatArray, seen: BoolArray, top: int, bottom: int
) -> NDArray[np.float32]:
    """Some rows of the room without the walker, (n_rows, width, 3). [levels]

    The median of pictures, each without what the body hides in it; NaN where it hides the room in nearly all of them.
    """
    every = max(1, len(seen) // ROOM_PICTURES)
    pictures, hidden = [], []
    for number, frame in enumerate(frames):
        if number % every == 0 and number < len(seen):
            pictures.append(frame.image[top:bottom])
            body = np.zeros(pictures[-1].shape[:2], dtype=bool)
            if seen[number]:
                _cover(body, track.xy_px[number] - np.array([0, top]), height_px[number])
            hidden.append(body)
    room = np.empty(pictures[0].shape, dtype=np.float32)
    for row in range(len(room)):
        levels = np.stack([picture[row] for picture in pictures]).astype(np.float32)
        away = np.stack([body[row] for body in hidden])
        shown = (~away).sum(axis=0)
        levels[away] = np.nan
        levels.sort(axis=0)  # NaN last.
        room[row] = np.take_along_axis(levels, np.maximum(0, shown - 1)[None, :, None] // 2, axis=0)[0]
        room[row, shown < min(FEWEST_PICTURES, len(pictures))] = np.nan
    return room


def _cover(body: BoolArray, xy_px: FloatArray, height_px: float) -> None:
    """Mark the pixels that a body with these landmarks may hide."""
    left_shoulder, right_shoulder, left_hip, right_hip = (
        xy_px[INDEX[name]] for name in ("left_shoulder", "right_shoulder", "left_hip", "right_hip")
    )
    trunk = ((left_shoulder + right_shoulder) / 2, (left_hip + right_hip) / 2, TRUNK_OF_HEIGHT * height_px)
    limbs = [
        (xy_px[INDEX[f"{side}_{start}"]], xy_px[INDEX[f"{side}_{end}"]], LIMB_OF_HEIGHT * height_px)
        for side in SIDES
        for start, end in SEGMENTS
    ]
    for start_px, end_px, half_px in [trunk, *limbs]:
        for share in np.linspace(0.0, 1.0, SQUARES):
            x, y = start_px + share * (end_px - start_px)
            rows, columns = (slice(max(0, int(at - half_px)), max(0, int(at + half_px) + 1)) for at in (y, x))
            body[rows, columns] = True


def _edge_px(image: UInt8Array, room: NDArray[np.float32], foot: _Foot, limit: float) -> float:
    """Place of one shoe's outer edge across the picture; NaN without a shoe. [px]"""
    x_px, y_px = foot.ankle_px
    left, right = int(x_px - BESIDE * foot.height_px), int(x_px + BESIDE * foot.height_px) + 1
    top, bottom = (round(y_px + share * foot.height_px) for share in ROWS)
    if left < 0 or top < 0 or right > image.shape[1] or bottom > image.shape[0] or bottom - top < 2:
        return float("nan")
    solid = _differs(image[top:bottom, left:right], room[top:bottom, left:right], limit)
    outward = foot.outward * (np.arange(left, right) - x_px) / foot.height_px
    # Up to half way to the other foot.
    half_way = foot.outward * (x_px - foot.other_px[0]) / foot.height_px / 2
    inward = np.clip(half_way, CORE, INWARD) if half_way > 0 else INWARD
    solid &= (outward > -inward) & (outward < OUTWARD)
    joined, _ = label(binary_dilation(solid, np.ones((3, 2 * max(1, round(JOINED * foot.height_px)) + 1), dtype=bool)))
    core = np.unique(joined[:, np.abs(outward) < CORE])
    solid &= np.isin(joined, core[core > 0])
    edge_px = np.convolve(solid.sum(axis=0), [0.5, 1.0, 0.5], "same")
    shoe = outward[edge_px >= max(2.0, EDGE_HEIGHT * foot.height_px)]
    return float(x_px + foot.outward * shoe.max() * foot.height_px) if len(shoe) > 1 else float("nan")


def _differs(part: UInt8Array, empty: NDArray[np.float32], limit: float) -> BoolArray:
    """The pixels that differ from the room and are no shadow."""
    levels = part.astype(np.float32)
    light = (levels * empty).sum(axis=2) / np.maximum((empty * empty).sum(axis=2), 1.0)
    colour = np.sqrt(((levels - light[:, :, None] * empty) ** 2).sum(axis=2))
    across = np.zeros_like(light)
    across[:, 1:-1] = np.abs(light[:, 2:] - light[:, :-2]) / 2
    shadow = (light > DARKEST_SHADOW) & (light < 1.0) & (colour < SHADOW_COLOUR) & (across < SHARP_EDGE)
    return np.asarray((np.abs(levels - empty).max(axis=2) > limit) & ~shadow)
