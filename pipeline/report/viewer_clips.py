"""Clips for the viewer of a visit's page: small made-safe pictures that follow the walker, and where the joints are.

Each picture is a file of its own format (WebP) and they lie in one array file a clip: any picture is shown exactly,
without a video player's own idea of time, and the same input gives the same bytes. Nothing else of the clip is kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from scipy.signal import savgol_filter

from pipeline.errors import VideoError
from pipeline.heads import may_be_stored
from pipeline.kept import FRAMES_FOLDER, VIEWER_NAME
from pipeline.landmark_file import is_landmark_file
from pipeline.legs import RightedLegs
from pipeline.model import LANDMARK_NAMES, SIDES, Clip, FloatArray, LandmarkTrack, StrideSet
from pipeline.pictures import Box, resized, safe_picture, webp_picture
from pipeline.report.frames import HEIGHT_PER_BODY, WIDTH_PER_HEIGHT
from pipeline.report.viewer_files import POINTS, SIZE_PX, ViewerClip, ViewerIndex, save_viewer_clip
from pipeline.signals import sample_rate
from pipeline.store import write_json
from pipeline.video import UInt8Array, chosen_pictures

# Own choices, so that a page of four clips stays below 6 MB: rate of the pictures [1/s], the longest walk [s], the
# bytes of a clip, and the qualities tried until it fits. At 45 no outline of a limb is lost, at 10 it shows tiles.
HIGHEST_RATE = 30.0
LONGEST_S = 12.0
LARGEST_CLIP = 450_000
QUALITIES = (45, 30, 18, 10)
# Shown before the first and after the last contact of a pass. Own choice. [s]
ROOM_S = 0.4
# The crop follows a straight line through so long a stretch, about three steps, so that the body still bobs in it. [s]
FOLLOW_S = 1.5
# Plain grey, in place of a picture that may not be stored or is not there.
GREY = 128
# Seen less surely than this, a joint is not drawn, as in key frames. [1]
MIN_VISIBILITY = 0.5


def save_viewer_clips(
    visit_folder: Path, strides: StrideSet, clips: Sequence[Clip], legs: Mapping[str, RightedLegs]
) -> list[Path]:
    """Store the measured walking of every clip for the viewer; return the files written.

    Parameters
    ----------
    visit_folder : Path
        Gets `frames/<clip>.npz` and `frames/viewer.json`.
    strides : StrideSet
        All clips of the visit joined.
    clips : sequence of Clip
        The clips that were measured; they are decoded again.
    legs : mapping of clip id to RightedLegs
        With the landmarks of every frame of the clip.
    """
    folder = visit_folder / FRAMES_FOLDER
    files: dict[str, str] = {}
    left_out: dict[str, str] = {}
    for clip in clips:
        try:
            made = make_clip(clip, legs[clip.clip_id], strides)
        except VideoError as error:
            left_out[clip.clip_id] = str(error)
            continue
        if not made.pictures:
            left_out[clip.clip_id] = "no whole stride was measured in it."
            continue
        files[clip.clip_id] = f"{clip.clip_id}.npz"
        save_viewer_clip(folder / files[clip.clip_id], made)
    write_json(folder / VIEWER_NAME, ViewerIndex(files, left_out))
    return [folder / VIEWER_NAME, *(folder / name for name in files.values())]


def make_clip(clip: Clip, legs: RightedLegs, strides: StrideSet) -> ViewerClip:
    """Return the measured walking of one clip, made safe and cut out; no picture where no stride was measured.

    Raises
    ------
    VideoError
        The clip cannot be decoded.
    """
    track = legs.track
    rows = strides.table[(strides.table["clip_id"] == clip.clip_id) & strides.table["use"].astype(bool)]
    walks = rows.groupby("pass_number").agg({"start_s": "min", "end_s": "max"}) if len(rows) else rows
    stretches, cut_s = measured_frames(track.time_s, list(zip(walks["start_s"], walks["end_s"], strict=True)))
    boxes: dict[int, Box] = {}
    for stretch in stretches:
        boxes |= dict(zip(stretch.tolist(), follow(track, stretch), strict=True))
    frames = np.array(sorted(boxes), dtype=np.int64)
    inside = np.array([_in_box(track.xy_px[frame], boxes[frame]) for frame in frames]).reshape(
        -1, len(LANDMARK_NAMES), 2
    )
    pictures: dict[int, UInt8Array] = {}
    for frame, image in _decoded(clip, frames):
        pictures[frame] = _made_safe(image, track, frame, boxes[frame])
    # A clip that can be decoded less far than before ends there.
    kept = np.isin(frames, list(pictures))
    drawn = (track.visibility[frames] >= MIN_VISIBILITY) & ~legs.doubtful[frames]
    points = np.where(drawn[:, :, None], inside, np.nan)[:, [LANDMARK_NAMES.index(name) for name in POINTS]]
    return ViewerClip(
        time_s=track.time_s[frames[kept]],
        xy_px=np.round(points[kept] * SIZE_PX, 1),
        is_grey=np.array(
            [is_landmark_file(clip.path) or not may_be_stored(track, frame) for frame in frames[kept]], dtype=bool
        ),
        pictures=_encoded([pictures[frame] for frame in frames[kept].tolist()]),
        cut_s=cut_s,
    )


def measured_frames(time_s: FloatArray, walks: Sequence[tuple[float, float]]) -> tuple[list[np.ndarray], float]:
    """Return the frames to show, one array a stretch of walking, and how much walking is left out. [s]

    Parameters
    ----------
    time_s : (n_frames,)
        [s]
    walks : sequence of (start, end)
        First and last contact of each pass that gave strides. [s]

    Notes
    -----
    Of a clip with more than `HIGHEST_RATE` frames a second every second, third ... is taken.
    """
    every = max(1, round(sample_rate(time_s) / HIGHEST_RATE)) if len(time_s) > 1 else 1
    stretches: list[np.ndarray] = []
    left_s, cut_s, reached = LONGEST_S, 0.0, -1
    for start_s, end_s in sorted(walks):
        shown_s = min(end_s, start_s + max(left_s, 0.0))
        cut_s += end_s - shown_s
        left_s -= shown_s - start_s
        if shown_s <= start_s:
            continue
        wanted = (time_s >= start_s - ROOM_S) & (time_s <= shown_s + ROOM_S)
        frames = np.flatnonzero(wanted & (np.arange(len(time_s)) > reached))[::every]
        if len(frames):
            stretches.append(frames)
            reached = int(frames[-1])
    return stretches, cut_s


def follow(track: LandmarkTrack, frames: np.ndarray) -> list[Box]:
    """Return the part of each frame to show: left, top, width and height, about the walker, following smoothly.

    Parameters
    ----------
    track : LandmarkTrack
    frames : (n_shown,)
        Numbers of the frames of one stretch of walking.
    """
    points = track.xy_px[frames]
    low, high = points.min(axis=1), points.max(axis=1)
    hips = points[:, [LANDMARK_NAMES.index(f"{side}_hip") for side in SIDES], 0].mean(axis=1)
    seen = np.isfinite(low).all(axis=1)
    if not seen.any():
        return [(0, 0, track.width_px, track.height_px)] * len(frames)
    signals = np.stack([hips, (low[:, 1] + high[:, 1]) / 2, high[:, 1] - low[:, 1]])
    clock = np.arange(len(frames))
    filled = np.array([np.interp(clock, clock[seen], signal[seen]) for signal in signals])
    window = round(FOLLOW_S * sample_rate(track.time_s[frames])) if len(frames) > 1 else 1
    window = min(window, len(frames))
    window -= 1 - window % 2
    smooth = savgol_filter(filled, window, 1, mode="interp") if window >= 3 else filled
    return [_box(float(x), float(y), float(body), track) for x, y, body in smooth.T]


def _box(x_px: float, y_px: float, body_px: float, track: LandmarkTrack) -> Box:
    """A box of the viewer's shape about a person, moved inside the picture where it would stick out."""
    height = max(16.0, HEIGHT_PER_BODY * body_px)
    height *= min(1.0, track.height_px / height, track.width_px / (WIDTH_PER_HEIGHT * height))
    rows, columns = round(height), round(WIDTH_PER_HEIGHT * height)
    # Heads reach further above the landmarks than feet below them.
    top = int(np.clip(round(y_px - 0.53 * rows), 0, max(0, track.height_px - rows)))
    left = int(np.clip(round(x_px - columns / 2), 0, max(0, track.width_px - columns)))
    return left, top, columns, rows


def _in_box(xy_px: FloatArray, box: Box) -> FloatArray:
    """Points as shares of a box's width and height, (33, 2)."""
    left, top, width, height = box
    return np.asarray((xy_px - (left, top)) / (width, height))


def _decoded(clip: Clip, frames: np.ndarray) -> Iterator[tuple[int, UInt8Array | None]]:
    """The chosen frames of a clip with their numbers; a landmark file has no pictures."""
    if len(frames):
        if is_landmark_file(clip.path):
            yield from ((int(frame), None) for frame in frames)
            return
        yield from chosen_pictures(clip.path, frames.tolist(), item=f"clip {clip.clip_id}")


def _made_safe(image: UInt8Array | None, track: LandmarkTrack, frame: int, box: Box) -> UInt8Array:
    """One picture: surroundings and head made unrecognisable, then cut out; plain grey where that is not sure."""
    if image is None or not may_be_stored(track, frame):
        return np.full((SIZE_PX[1], SIZE_PX[0], 3), GREY, dtype=np.uint8)
    return resized(safe_picture(image, track, frame, box), SIZE_PX)


def _encoded(pictures: Sequence[UInt8Array]) -> tuple[bytes, ...]:
    """The pictures as files, at the best quality at which the clip is small enough."""
    files: tuple[bytes, ...] = ()
    for quality in QUALITIES:
        files = tuple(webp_picture(picture, quality=quality) for picture in pictures)
        if sum(map(len, files)) <= LARGEST_CLIP:
            break
    return files
