"""What a recording must offer, and the words of a refusal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.config import load_settings
from pipeline.errors import QualityError
from pipeline.model import LandmarkTrack, VideoInfo
from pipeline.quality import body_height_share, check_recording, feet_inside_share
from tests.walker import INDEX, Walker, make_clip

SETTINGS = load_settings().quality
INFO = VideoInfo(1280, 720, 360, 360, 6.0, 60.0, 60.0, 0, False, True)


def refusal(track: LandmarkTrack, info: VideoInfo = INFO) -> str:
    """The message with which a clip is refused."""
    with pytest.raises(QualityError) as caught:
        check_recording(make_clip(name="P03_v2_side"), info, track, SETTINGS)
    return str(caught.value)


def test_a_good_clip_passes_with_all_its_notes() -> None:
    notes = check_recording(make_clip(), INFO, Walker().track(), SETTINGS)
    assert all(note.ok for note in notes)
    assert all(note.advice for note in notes)


def test_body_height_and_feet_by_hand() -> None:
    """Nose at 2.0 and heel at 0.02 leg lengths of 200 px in a picture of 720 px: 55 %. Feet in view: all frames."""
    track = Walker(duration_s=4.0).track()
    assert body_height_share(track) == pytest.approx(1.98 * 200 / 720)
    assert feet_inside_share(track) == 1.0


def test_nobody_in_view() -> None:
    track = Walker().track()
    empty = replace(track, xy_px=np.full_like(track.xy_px, np.nan), visibility=np.zeros_like(track.visibility))
    assert refusal(empty) == (
        "clip P03_v2_side: a person is seen in 0% of 360 frames; at least 60% are needed. "
        "Keep the whole body in view, well lit, against a plain wall."
    )


def test_too_few_frames() -> None:
    assert refusal(Walker().track(), replace(INFO, n_frames=10)).startswith(
        "clip P03_v2_side: has 10 frames; at least 30 are needed."
    )


def test_slow_frame_rate() -> None:
    assert "has 15.0 frames/s; at least 24 are needed" in refusal(Walker().track(), replace(INFO, fps_measured=15.0))


def test_a_second_person() -> None:
    track = Walker().track()
    assert "a second person is seen in 100% of the frames" in refusal(
        replace(track, n_people=np.full(len(track.n_people), 2))
    )


def test_cut_off_at_the_knees() -> None:
    track = Walker().track()
    low = track.xy_px.copy()
    low[:, [INDEX["left_heel"], INDEX["right_heel"], INDEX["left_foot_index"], INDEX["right_foot_index"]], 1] = 800
    assert "the feet are inside the picture in 0% of the frames; at least 60% are needed" in refusal(
        replace(track, xy_px=low)
    )


def test_too_far_away() -> None:
    track = Walker().track()
    small = replace(track, xy_px=track.xy_px * 0.2 + 300)
    assert "the walker fills 11% of the picture's height; at least 15% is needed" in refusal(small)
