"""Key frames: pictures of the stride behind each fault, faces unrecognisable, skeleton drawn.

A frame is stored only when the whole picture is safe: the walker's head was found, and nobody else was. What
is left out, and why, is written beside the frames.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.errors import VideoError
from pipeline.heads import may_be_stored
from pipeline.judgement import Fault, FaultDefinition, Limits, VisitReport, leading_finding
from pipeline.kept import FRAMES_FOLDER, FRAMES_NAME
from pipeline.model import Clip, LandmarkTrack, Side, StrideSet, other_side
from pipeline.pictures import safe_picture, save_picture
from pipeline.places import make_private_folder
from pipeline.report.parts import FrameIndex, KeyFrame
from pipeline.report.words import limb_words, side_of_interest
from pipeline.skeleton import draw_skeleton
from pipeline.store import write_json
from pipeline.video import UInt8Array, chosen_pictures

# Own choices: enough pictures to see a movement, small enough for a page that goes by mail.
FRAMES_PER_FAULT = 5
LARGEST_WIDTH_PX = 640
# Strides tried, nearest the median first, before a fault is left with fewer pictures.
STRIDES_TRIED = 6
# Room about the walker, and the shape of the picture, so that the frames of a strip are alike.
HEIGHT_PER_BODY = 1.3
WIDTH_PER_HEIGHT = 0.75


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment to show: the frame of a clip, and where in the stride it lies."""

    frame: int
    time_s: float
    percent: float


@dataclass(frozen=True, slots=True)
class StrideMoments:
    """The moments of one stride that may be shown, and how many had to be left out."""

    stride_id: str
    clip_id: str
    side: Side
    moments: tuple[Moment, ...]
    left_out: int


def save_key_frames(
    visit_folder: Path,
    report: VisitReport,
    strides: StrideSet,
    clips: Sequence[Clip],
    tracks: Mapping[str, LandmarkTrack],
    *,
    limits: Limits,
) -> list[Path]:
    """Store the key frames of every fault that has strides behind it; return the files written.

    Parameters
    ----------
    visit_folder : Path
        Gets `frames/*.jpg` and `frames/frames.json`.
    report : VisitReport
    strides : StrideSet
        All clips of the visit joined.
    clips : sequence of Clip
        The clips that were measured and have pictures; they are decoded again.
    tracks : mapping of clip id to LandmarkTrack
        With the landmarks of every frame of the clip.
    limits : Limits
        Give the phase of the stride that each fault is seen in.

    Notes
    -----
    Of the strides behind a fault's leading finding the one nearest their median is shown, or the next one
    when too many of its frames may not be stored. A clip that cannot be decoded any more leaves its reason.
    """
    folder = visit_folder / FRAMES_FOLDER
    make_private_folder(folder)
    definitions = {definition.name: definition for definition in limits.faults}
    by_id = {clip.clip_id: clip for clip in clips}
    chosen_of = [
        (fault, chosen)
        for fault in report.faults
        if (chosen := choose_moments(fault, definitions.get(fault.name), report, strides, tracks)) is not None
    ]
    left_out: dict[str, str] = {}
    stored: dict[str, list[KeyFrame]] = {}
    for fault, chosen in chosen_of:
        if chosen.left_out:
            left_out[fault.name] = (
                f"{chosen.left_out} of {chosen.left_out + len(chosen.moments)} pictures, because the head "
                "was not found for sure in them, or somebody else is in view whose face would show."
            )
        if chosen.clip_id not in by_id:
            left_out[fault.name] = f"clip {chosen.clip_id} came as a landmark file, without pictures."
    for clip in clips:
        of_clip = [(fault, chosen) for fault, chosen in chosen_of if chosen.clip_id == clip.clip_id]
        try:
            stored |= _store(folder, of_clip, clip, tracks[clip.clip_id], report)
        except VideoError as error:
            left_out |= {fault.name: str(error) for fault, _ in of_clip}
    frames = [frame for fault, _ in chosen_of for frame in stored.get(fault.name, ())]
    write_json(folder / FRAMES_NAME, FrameIndex(tuple(frames), left_out))
    return [folder / FRAMES_NAME, *(folder / frame.file for frame in frames)]


def choose_moments(
    fault: Fault,
    definition: FaultDefinition | None,
    report: VisitReport,
    strides: StrideSet,
    tracks: Mapping[str, LandmarkTrack],
) -> StrideMoments | None:
    """Return the moments of the fault's phase in its most typical stride; None without any stride.

    The phase is counted on strides of the limb that the fault's definition names; without a single limb, on
    the prosthetic one.
    """
    finding = leading_finding(fault)
    if finding is None or not finding.stride_ids:
        return None
    side = side_of_interest(fault, definition, report.prosthetic_sides)
    rows = {str(row["stride_id"]): row for row in strides.table.to_dict("records")}
    ids = [name for name in finding.stride_ids if name in rows and rows[name]["clip_id"] in tracks]
    of_side = [name for name in ids if side is None or rows[name]["side"] == side] or ids
    values = _values(finding.metric, report)
    ordered = _nearest_median_first(of_side, values)
    low, high = definition.phase_pct if definition else (0.0, 100.0)
    best: StrideMoments | None = None
    for name in ordered[:STRIDES_TRIED]:
        row = rows[name]
        track = tracks[str(row["clip_id"])]
        moments = _moments(float(row["start_s"]), float(row["end_s"]), (low, high), track)
        safe = tuple(moment for moment in moments if may_be_stored(track, moment.frame))
        stride_side: Side = "left" if row["side"] == "left" else "right"
        found = StrideMoments(name, str(row["clip_id"]), stride_side, safe, len(moments) - len(safe))
        if best is None or len(safe) > len(best.moments):
            best = found
        if best.left_out == 0:
            break
    return best


def _values(metric: str, report: VisitReport) -> dict[str, float]:
    """Values of single strides of a metric, of either side."""
    return {
        name: value
        for entry in report.metrics
        if entry.metric == metric
        for name, value in zip(entry.stride_ids, entry.stride_values, strict=False)
    }


def _nearest_median_first(ids: Sequence[str], values: Mapping[str, float]) -> list[str]:
    """Strides by their distance from the median; without values, from the middle of the list."""
    known = [values[name] for name in ids if name in values]
    if len(known) == len(ids):
        middle = float(np.median(known)) if known else 0.0
        return sorted(ids, key=lambda name: abs(values[name] - middle))
    centre = (len(ids) - 1) / 2
    return [ids[i] for i in sorted(range(len(ids)), key=lambda i: abs(i - centre))]


def _moments(start_s: float, end_s: float, phase_pct: tuple[float, float], track: LandmarkTrack) -> tuple[Moment, ...]:
    """Evenly spaced moments of the phase, each at the nearest frame of the stride; a frame is used once."""
    moments: dict[int, Moment] = {}
    inside = np.flatnonzero((track.time_s >= start_s) & (track.time_s <= end_s))
    if not len(inside):
        return ()
    for percent in np.linspace(*phase_pct, FRAMES_PER_FAULT):
        wanted_s = start_s + percent / 100.0 * (end_s - start_s)
        frame = int(inside[np.argmin(np.abs(track.time_s[inside] - wanted_s))])
        time_s = float(track.time_s[frame])
        moments.setdefault(frame, Moment(frame, time_s, 100.0 * (time_s - start_s) / (end_s - start_s)))
    return tuple(moments.values())


def _store(
    folder: Path,
    chosen_of: Sequence[tuple[Fault, StrideMoments]],
    clip: Clip,
    track: LandmarkTrack,
    report: VisitReport,
) -> dict[str, list[KeyFrame]]:
    """Decode a clip once; make safe, draw, crop and save the pictures of all its faults, by the fault's name."""
    frames: dict[str, list[KeyFrame]] = {fault.name: [] for fault, _ in chosen_of}
    wanted = {moment.frame for _, chosen in chosen_of for moment in chosen.moments}
    heights = {
        fault.name: _picture_height_px(track, [one.frame for one in chosen.moments]) for fault, chosen in chosen_of
    }
    for index, image in chosen_pictures(clip.path, wanted, item=f"clip {clip.clip_id}"):
        drawn = _drawn(image, track, index, report.prosthetic_sides)
        for fault, chosen in chosen_of:
            for number, moment in enumerate(chosen.moments, start=1):
                if moment.frame == index:
                    name = f"{fault.name}-{number}.jpg"
                    part = crop_about(drawn, track.xy_px[index], heights[fault.name])
                    save_picture(folder / name, shrink(part, LARGEST_WIDTH_PX))
                    frames[fault.name].append(_key_frame(name, fault, chosen, moment, clip, report.prosthetic_sides))
    return frames


def _drawn(picture: UInt8Array, track: LandmarkTrack, frame: int, sides: Sequence[Side]) -> UInt8Array:
    """A frame's picture made safe, with the skeleton."""
    letters: dict[Side, str] = {"left": "L", "right": "R"}
    dashed: Side = "left"
    if len(sides) == 1:
        letters = {side: "P" if side == sides[0] else "S" for side in letters}
        # As in the figures: the sound limb is dashed.
        dashed = other_side(sides[0])
    image = safe_picture(picture, track, frame)
    points, visibility = track.xy_px[frame], track.visibility[frame]
    return draw_skeleton(image, points, visibility, letters=letters, dashed_side=dashed)


def _key_frame(
    name: str, fault: Fault, chosen: StrideMoments, moment: Moment, clip: Clip, sides: tuple[Side, ...]
) -> KeyFrame:
    """What is told of a picture."""
    key = "P: prosthetic limb, S: sound limb" if len(sides) == 1 else "L: left limb, R: right limb"
    return KeyFrame(
        file=name,
        clip_id=clip.clip_id,
        time_s=moment.time_s,
        fault=fault.name,
        stride_id=chosen.stride_id,
        caption=f"{moment.percent:.0f} % of stride, {moment.time_s:.2f} s",
        alt=f"{clip.view.capitalize()} view of clip {clip.clip_id} at {moment.time_s:.2f} s, "
        f"{moment.percent:.0f} % of the stride of the {limb_words(chosen.side, sides)} limb: the walker, face made "
        f"unrecognisable, with the tracked skeleton. {key}.",
    )


def _picture_height_px(track: LandmarkTrack, frames: Sequence[int]) -> float:
    """One height for all pictures of a strip, from the tallest the walker is in them."""
    return HEIGHT_PER_BODY * max((float(np.ptp(track.xy_px[frame, :, 1])) for frame in frames), default=1.0)


def crop_about(image: UInt8Array, xy_px: np.ndarray, height_px: float) -> UInt8Array:
    """Return the part of a picture about a person, moved inside the picture where it would stick out.

    Parameters
    ----------
    image : (height_px, width_px, 3) uint8
    xy_px : (33, 2)
        Landmarks of the person, x right, y down. [px]
    height_px : float
        Wanted height; the width is three quarters of it. [px]
    """
    rows, columns = image.shape[:2]
    height = int(min(rows, max(2.0, round(height_px))))
    width = int(min(columns, max(2.0, round(height_px * WIDTH_PER_HEIGHT))))
    low, high = xy_px.min(axis=0), xy_px.max(axis=0)
    centre_x, centre_y = (low + high) / 2
    # Heads reach further above the landmarks than feet below them.
    top = int(np.clip(round(centre_y - 0.53 * height), 0, rows - height))
    left = int(np.clip(round(centre_x - width / 2), 0, columns - width))
    return np.ascontiguousarray(image[top : top + height, left : left + width])


def shrink(image: UInt8Array, largest_width_px: int) -> UInt8Array:
    """Return a picture at most so wide, by averaging whole blocks of pixels."""
    factor = -(-image.shape[1] // largest_width_px)
    if factor <= 1:
        return image
    rows, columns = image.shape[0] // factor, image.shape[1] // factor
    blocks = image[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor, 3)
    return np.ascontiguousarray(blocks.mean(axis=(1, 3)).round().astype(np.uint8))
