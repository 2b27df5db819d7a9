"""Notes on the file and its pictures: each value by hand, and the limit that it meets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.config import load_settings
from pipeline.model import FloatArray, QualityNote, VideoInfo
from pipeline.pixels import PictureFacts
from pipeline.recording import dropped_share, file_notes, irregular_share, picture_notes

SETTINGS = load_settings().quality
INFO = VideoInfo(1280, 720, 360, 360, 6.0, 60.0, 60.0, 0, False, True)
TIMES_S = np.arange(360) / 60.0


def notes_of(info: VideoInfo = INFO, time_s: FloatArray = TIMES_S) -> dict[str, QualityNote]:
    return {note.item: note for note in file_notes(info, time_s, SETTINGS)}


def poor(info: VideoInfo = INFO, time_s: FloatArray = TIMES_S) -> list[str]:
    return [item for item, note in notes_of(info, time_s).items() if not note.ok]


def light(**facts: float) -> dict[str, QualityNote]:
    good = PictureFacts(blur_pct=0.2, brightness=0.5, contrast=0.5)
    return {note.item: note for note in picture_notes(replace(good, **facts), SETTINGS)}


def test_a_good_file_is_good() -> None:
    assert poor() == []
    assert all(note.ok for note in light().values())


@pytest.mark.parametrize(
    ("change", "item", "value", "unit"),
    [
        ({"width_px": 426, "height_px": 240}, "resolution, shorter side", 240, "px"),
        ({"width_px": 240, "height_px": 426}, "resolution, shorter side", 240, "px"),
        ({"duration_s": 2.5}, "duration", 2.5, "s"),
        ({"n_frames_announced": 400}, "frames lost in decoding", 40, "1"),
        ({"fps_measured": 30.0}, "frame rate for quick movements", 30.0, "1/s"),
    ],
)
def test_each_short_coming_has_one_note(change: dict[str, float], item: str, value: float, unit: str) -> None:
    info = replace(INFO, **change)  # type: ignore[arg-type]
    assert poor(info) == [item]
    note = notes_of(info)[item]
    assert (note.value, note.unit) == (value, unit)
    assert note.advice.endswith(".")


def test_slow_and_short_is_both() -> None:
    assert poor(replace(INFO, fps_measured=15.0, n_frames=20, n_frames_announced=20)) == [
        "frames",
        "frame rate",
        "frame rate for quick movements",
    ]


def test_a_count_worked_out_from_the_duration_may_be_off_by_one() -> None:
    assert poor(replace(INFO, n_frames_announced=361)) == []
    assert poor(replace(INFO, n_frames_announced=362)) == ["frames lost in decoding"]


def test_dropped_frames_by_hand() -> None:
    """Of ten frames at 0.1 s, numbers 3, 4 and 7 are missing: 3 of 10; two of the six intervals are long."""
    time_s = np.array([0, 1, 2, 5, 6, 8, 9]) / 10.0
    assert dropped_share(time_s) == pytest.approx(3 / 10)
    assert irregular_share(time_s) == pytest.approx(2 / 6)
    assert poor(time_s=time_s) == ["dropped frames", "irregular frame intervals"]


def test_times_in_whole_milliseconds_are_regular() -> None:
    assert irregular_share(np.rint(np.arange(300) * 1000 / 60) / 1000) == 0.0


def test_a_rate_that_wavers_is_irregular_without_a_lost_frame() -> None:
    """Every second interval is a third longer: one of the two kinds is the median, the other is off it."""
    intervals = np.where(np.arange(200) % 2 == 0, 0.030, 0.040)
    time_s = np.cumsum(intervals)
    assert dropped_share(time_s) == 0.0
    assert irregular_share(time_s) == pytest.approx(0.5, abs=0.01)


def test_two_frames_say_nothing_about_the_clock() -> None:
    assert dropped_share(np.array([0.0, 1.0])) == irregular_share(np.array([0.0, 1.0])) == 0.0


@pytest.mark.parametrize(
    ("facts", "item", "limit"),
    [
        ({"blur_pct": 0.9}, "blur", SETTINGS.max_blur_pct),
        ({"brightness": 0.1}, "brightness", SETTINGS.min_brightness),
        ({"brightness": 0.95}, "brightness", SETTINGS.max_brightness),
        ({"contrast": 0.1}, "contrast", SETTINGS.min_contrast),
    ],
)
def test_light_and_sharpness(facts: dict[str, float], item: str, limit: float) -> None:
    notes = light(**facts)
    assert [name for name, note in notes.items() if not note.ok] == [item]
    assert notes[item].limit == limit
    assert notes[item].value == next(iter(facts.values()))


def test_what_was_not_measured_has_no_note() -> None:
    nan = float("nan")
    assert picture_notes(PictureFacts(nan, nan, nan), SETTINGS) == ()
    assert list(light(blur_pct=nan)) == ["brightness", "contrast"]
