"""Is a recording good enough to measure, and how to film better next time."""

from __future__ import annotations

import numpy as np

from pipeline.config import QualitySettings
from pipeline.errors import QualityError
from pipeline.geometry import INDEX
from pipeline.model import BoolArray, Clip, FloatArray, LandmarkTrack, QualityNote, VideoInfo

# Share of frames with a second person above which the subject cannot be told apart yet. Own choice.
MAX_SECOND_PERSON_SHARE = 0.2
# Share of frames with swapped legs above which the clip deserves a second look. Own choice.
MOST_SWAPPED_SHARE = 0.05


def check_recording(
    clip: Clip, info: VideoInfo, track: LandmarkTrack, settings: QualitySettings
) -> tuple[QualityNote, ...]:
    """Return what was looked at about a recording, each with value, limit and advice.

    Raises
    ------
    QualityError
        The clip cannot be measured at all: too short, nobody or too little of the walker in view, several
        people, frame rate too low.
    """
    notes = recording_notes(info, track, settings)
    if clip.view != "sagittal":
        notes = tuple(note for note in notes if note.item != QUICK_MOVEMENTS)
    for note in notes:
        if not note.ok and note.item in REFUSALS:
            found, expected = REFUSALS[note.item]
            values = {"value": note.value, "limit": note.limit, "frames": len(track.time_s)}
            raise QualityError(f"clip {clip.clip_id}", found.format(**values), expected.format(**values), note.advice)
    return notes


# Terminal impact and foot slap are looked for from the side only.
QUICK_MOVEMENTS = "frame rate for quick movements"
# What is refused, in words; anything else that is not ok is advice only.
REFUSALS = {
    "frames": ("has {value:.0f} frames", "at least {limit:.0f} are needed"),
    "frame rate": ("has {value:.1f} frames/s", "at least {limit:.0f} are needed"),
    "walker seen": ("a person is seen in {value:.0%} of {frames} frames", "at least {limit:.0%} are needed"),
    "second person": (
        "a second person is seen in {value:.0%} of the frames",
        "at most {limit:.0%} can be told apart from the walker",
    ),
    "feet in the picture": (
        "the feet are inside the picture in {value:.0%} of the frames",
        "at least {limit:.0%} are needed",
    ),
    "height in the picture": (
        "the walker fills {value:.0%} of the picture's height",
        "at least {limit:.0%} is needed",
    ),
}


def recording_notes(info: VideoInfo, track: LandmarkTrack, settings: QualitySettings) -> tuple[QualityNote, ...]:
    """Return the notes of a recording in the order in which they are refused."""
    seen = np.isfinite(track.xy_px[:, 0, 0])
    seen_share = float(seen.mean()) if len(seen) else 0.0
    second_share = float((track.n_people > 1).mean()) if len(seen) else 0.0
    height_share = body_height_share(track) if seen.any() else 0.0
    feet_share = feet_inside_share(track) if seen.any() else 0.0
    lost = info.n_frames_announced - info.n_frames
    return (
        _at_least("frames", info.n_frames, "1", settings.min_frames, "Film three strides of each foot or more."),
        _at_least("frame rate", info.fps_measured, "1/s", settings.min_fps, "Film at 60 frames a second if you can."),
        _at_least(
            "walker seen",
            seen_share,
            "1",
            settings.min_seen_share,
            "Keep the whole body in view, well lit, against a plain wall.",
        ),
        _at_most(
            "second person",
            second_share,
            "1",
            MAX_SECOND_PERSON_SHARE,
            "Film the walker alone; helpers stay out of the picture.",
        ),
        _at_least(
            "feet in the picture",
            feet_share,
            "1",
            settings.min_seen_share,
            "Step back or tilt the camera until both feet stay in view.",
        ),
        _at_least(
            "height in the picture",
            height_share,
            "1",
            settings.min_body_height_share,
            "Move the camera closer or zoom in.",
        ),
        _at_most("frames lost in decoding", max(0, lost), "1", 0, "Copy the clip again from the camera."),
        _at_least(
            QUICK_MOVEMENTS,
            info.fps_measured,
            "1/s",
            60.0,
            "Terminal impact and foot slap need 60 frames a second or more.",
        ),
    )


def swap_note(swapped: BoolArray) -> QualityNote:
    """Return the note on frames in which the estimator took one leg for the other and they were put right."""
    share = float(swapped.mean()) if len(swapped) else 0.0
    advice = "Film with the limb's cosmetic cover on where there is one: a pylon is hard to tell from the other leg."
    return _at_most("legs confused and put right", share, "1", MOST_SWAPPED_SHARE, advice)


def body_height_share(track: LandmarkTrack) -> float:
    """Return the median height from nose to lower heel over the picture's height. [1]"""
    heel = np.nanmax(track.xy_px[:, [INDEX["left_heel"], INDEX["right_heel"]], 1], axis=1)
    return float(np.nanmedian(heel - track.xy_px[:, INDEX["nose"], 1]) / track.height_px)


def feet_inside_share(track: LandmarkTrack) -> float:
    """Return the share of seen frames in which all foot landmarks lie inside the picture. [1]"""
    parts = [INDEX[f"{side}_{part}"] for side in ("left", "right") for part in ("heel", "foot_index")]
    feet: FloatArray = track.xy_px[np.isfinite(track.xy_px[:, 0, 0])][:, parts]
    inside = (feet >= 0).all(axis=2) & (feet[:, :, 0] < track.width_px) & (feet[:, :, 1] < track.height_px)
    return float(inside.all(axis=1).mean())


def _at_least(item: str, value: float, unit: str, limit: float, advice: str) -> QualityNote:
    return QualityNote(item, float(value), unit, float(limit), value >= limit, advice)


def _at_most(item: str, value: float, unit: str, limit: float, advice: str) -> QualityNote:
    return QualityNote(item, float(value), unit, float(limit), value <= limit, advice)
