"""What the file and its pictures offer, each against its limit: size, times, sharpness, light."""

from __future__ import annotations

import math

import numpy as np

from pipeline.config import QualitySettings
from pipeline.model import FloatArray, QualityNote, VideoInfo
from pipeline.pixels import PictureFacts

# Terminal impact and foot slap are looked for from the side only.
QUICK_MOVEMENTS = "frame rate for quick movements"
# An interval counts as irregular when it is off the usual one by more than this share of it, and by more than what
# rounding to whole milliseconds explains. As for `VideoInfo.variable_rate`.
IRREGULAR = 0.1
ROUNDING_S = 0.0011
# A count that a file announces may be worked out from its duration, and then be off by one.
ANNOUNCED_OFF_BY = 1
LOST_FRAMES = "frames lost in decoding"


def file_notes(info: VideoInfo, time_s: FloatArray, settings: QualitySettings) -> tuple[QualityNote, ...]:
    """Return the notes on size, length and times of a clip.

    Parameters
    ----------
    info : VideoInfo
    time_s : (n_frames,)
        Times of all frames that were decoded. [s]
    settings : QualitySettings
    """
    film_longer = "Film three strides of each foot or more."
    steady = "Film with a fixed frame rate and enough light, and keep other programs on the camera closed."
    lost = max(0, info.n_frames_announced - info.n_frames)
    return (
        at_least("frames", info.n_frames, "1", settings.min_frames, film_longer),
        at_least("frame rate", info.fps_measured, "1/s", settings.min_fps, "Film at 60 frames a second if you can."),
        at_least("duration", info.duration_s, "s", settings.min_duration_s, film_longer),
        at_least(
            "resolution, shorter side",
            min(info.width_px, info.height_px),
            "px",
            settings.min_shorter_side_px,
            "Film in 1280 x 720 or more, and send the camera's own file: messengers shrink clips.",
        ),
        at_most(LOST_FRAMES, lost, "1", ANNOUNCED_OFF_BY, "Copy the clip again from the camera."),
        at_most("dropped frames", dropped_share(time_s), "1", settings.max_dropped_share, steady),
        at_most("irregular frame intervals", irregular_share(time_s), "1", settings.max_irregular_share, steady),
        at_least(
            QUICK_MOVEMENTS,
            info.fps_measured,
            "1/s",
            settings.quick_fps,
            "Terminal impact and foot slap need 60 frames a second or more.",
        ),
    )


def picture_notes(facts: PictureFacts, settings: QualitySettings) -> tuple[QualityNote, ...]:
    """Return the notes on sharpness and light; what could not be measured has none."""
    notes = []
    if math.isfinite(facts.blur_pct):
        advice = "Camera on a stand, focused on the walking line; clean lens, more light, short exposure (1/250 s)."
        notes.append(at_most("blur", facts.blur_pct, "% body height", settings.max_blur_pct, advice))
    if math.isfinite(facts.brightness):
        notes.append(_brightness_note(facts.brightness, settings))
        advice = "Let the walker stand out: plain wall of another brightness, light from the camera's side."
        notes.append(at_least("contrast", facts.contrast, "1", settings.min_contrast, advice))
    return tuple(notes)


def dropped_share(time_s: FloatArray) -> float:
    """Return the share of frames that are missing between the others, (n_frames,) times [s]. [1]

    An interval of k usual (median) ones, rounded, stands for k - 1 missing frames.
    """
    if len(time_s) < 3:
        return 0.0
    intervals = np.diff(time_s)
    missing = float(np.sum(np.maximum(np.rint(intervals / np.median(intervals)) - 1, 0)))
    return missing / (len(time_s) + missing)


def irregular_share(time_s: FloatArray) -> float:
    """Return the share of intervals off the usual one by more than a tenth, (n_frames,) times [s]. [1]"""
    if len(time_s) < 3:
        return 0.0
    intervals = np.diff(time_s)
    usual_s = float(np.median(intervals))
    return float(np.mean(np.abs(intervals - usual_s) > max(IRREGULAR * usual_s, ROUNDING_S)))


def at_least(item: str, value: float, unit: str, limit: float, advice: str) -> QualityNote:
    """Return the note on a value that should not be smaller than its limit."""
    return QualityNote(item, float(value), unit, float(limit), bool(value >= limit), advice)


def at_most(item: str, value: float, unit: str, limit: float, advice: str) -> QualityNote:
    """Return the note on a value that should not be larger than its limit."""
    return QualityNote(item, float(value), unit, float(limit), bool(value <= limit), advice)


def _brightness_note(brightness: float, settings: QualitySettings) -> QualityNote:
    """The note against the limit that is nearer."""
    if brightness < (settings.min_brightness + settings.max_brightness) / 2:
        advice = "Film in more light, and not towards a window."
        return at_least("brightness", brightness, "1", settings.min_brightness, advice)
    advice = "Lower the exposure, or film away from lamps and sunlit walls."
    return at_most("brightness", brightness, "1", settings.max_brightness, advice)
