"""Clips are read upright, with their own times; broken ones are refused in words."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from pipeline.errors import VideoError
from pipeline.pictures import save_picture
from pipeline.video import chosen_pictures, is_variable_rate, probe_video, read_frames
from tests.clip_files import example_clip, set_display_matrix, write_clip, write_sound

# Shown times of a phone that slows down in the dark: 33 ms apart, then 50, with one frame lost. [ms]
UNEVEN_MS = [0, 33, 67, 100, 133, 183, 233, 333, 383, 433, 466, 500]


def refusal(path: Path) -> str:
    with pytest.raises(VideoError) as caught:
        probe_video(path, item="clip A")
    with pytest.raises(VideoError):
        next(read_frames(path, item="clip A"))
    return str(caught.value)


@pytest.mark.parametrize("ending", ["mp4", "mov", "mkv"])
@pytest.mark.parametrize("start_ms", [0, 500])
def test_a_variable_rate_clip_gives_its_true_times(tmp_path: Path, ending: str, start_ms: int) -> None:
    clip = write_clip(tmp_path / f"clip.{ending}", [start_ms + time for time in UNEVEN_MS])
    info = probe_video(clip)
    times_s = [frame.time_s for frame in read_frames(clip)]
    np.testing.assert_allclose(times_s, np.array(UNEVEN_MS) / 1000, atol=1e-6)
    assert info.variable_rate and info.timestamps_from_file
    assert info.n_frames == len(UNEVEN_MS)
    # 11 intervals in half a second.
    assert info.fps_measured == pytest.approx(22.0)
    # To the end of the last frame, which lasts the median of 33 34 33 33 50 50 100 50 50 33 34 ms, 34 ms.
    assert info.duration_s == pytest.approx(0.534)


def test_times_agree_with_another_demuxer_on_an_example_clip() -> None:
    """Outside check: presentation times as PyAV reads them from the container."""
    clip = example_clip()
    with av.open(str(clip)) as container:
        stream = container.streams.video[0]
        stamps = sorted(packet.pts for packet in container.demux(stream) if packet.pts is not None)
        expected_s = [float((stamp - stamps[0]) * stream.time_base) for stamp in stamps]
    times_s = [frame.time_s for frame in read_frames(clip)]
    np.testing.assert_allclose(times_s, expected_s, atol=1e-6)


def test_an_even_clip_is_not_called_variable(tmp_path: Path) -> None:
    """30 frames a second in whole milliseconds: 33, 67, 100, ..."""
    clip = write_clip(tmp_path / "clip.mp4", [round(i * 1000 / 30) for i in range(40)])
    info = probe_video(clip)
    assert not info.variable_rate
    assert info.fps_measured == pytest.approx(30.0, rel=1e-3)
    assert info.n_frames == info.n_frames_announced == 40
    assert info.rotation_deg == 0


def test_a_single_lost_frame_in_a_hundred_and_fifty_is_not_a_variable_rate() -> None:
    time_s = np.delete(np.arange(150) / 30, 70)
    assert not is_variable_rate(time_s)
    assert not is_variable_rate(time_s[:2])


@pytest.mark.parametrize("rotation_deg", [90, 180, 270])
def test_a_turned_phone_gives_an_upright_picture(tmp_path: Path, rotation_deg: int) -> None:
    """Expected: the stored picture turned clockwise, as the container format's matrix says (ISO 14496-12)."""
    times_ms = [0, 33, 67]
    stored = dict(chosen_pictures(write_clip(tmp_path / "flat.mp4", times_ms), [2]))[2]
    turned = set_display_matrix(write_clip(tmp_path / "turned.mp4", times_ms), rotation_deg)
    info = probe_video(turned)
    expected = np.rot90(stored, k=-rotation_deg // 90)
    for frame in read_frames(turned, info=info):
        assert frame.image.shape == (info.height_px, info.width_px, 3)
    np.testing.assert_array_equal(frame.image, expected)
    assert info.rotation_deg == rotation_deg
    # By hand: the red corner, at the top left as stored, goes clockwise from corner to corner.
    row, column = {90: (5, -6), 180: (-6, -6), 270: (-6, 5)}[rotation_deg]
    red, green, blue = frame.image[row, column].astype(int)
    assert red > 200 and green < 60 and blue < 60


def test_frames_are_contiguous_red_green_blue(tmp_path: Path) -> None:
    frame = next(read_frames(write_clip(tmp_path / "clip.mp4", [0, 33])))
    assert frame.image.flags["C_CONTIGUOUS"] and frame.image.dtype == np.uint8
    red, green, blue = frame.image[5, 5].astype(int)
    assert red > 200 and green < 60 and blue < 60


def test_chosen_pictures_are_those_frames(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", [i * 33 for i in range(40)])
    frames = {frame.index: frame.image for frame in read_frames(clip)}
    chosen = dict(chosen_pictures(clip, [31, 7, 99]))
    assert sorted(chosen) == [7, 31]
    for index, picture in chosen.items():
        np.testing.assert_array_equal(picture, frames[index])


def test_a_clip_that_breaks_off_still_gives_frames_and_the_loss_is_recorded(tmp_path: Path) -> None:
    """An index at the start and a third of the pictures missing at the end."""
    options = {"movflags": "faststart"}
    clip = write_clip(tmp_path / "clip.mp4", [i * 33 for i in range(90)], options=options, codec="mpeg4")
    content = clip.read_bytes()
    start = content.find(b"mdat")
    clip.write_bytes(content[: start + (len(content) - start) * 2 // 3])
    info = probe_video(clip)
    assert info.n_frames_announced == 90
    assert 40 <= info.n_frames < 75
    assert len(list(read_frames(clip, info=info))) == info.n_frames


def test_a_container_without_a_frame_count_announces_its_duration_times_the_rate(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mkv", UNEVEN_MS)
    info = probe_video(clip)
    assert abs(info.n_frames_announced - len(UNEVEN_MS)) <= 1


def test_a_stream_without_timestamps_falls_back_on_the_nominal_rate_and_says_so(tmp_path: Path) -> None:
    """A bare H.264 stream has no container that could hold times; decoders show it at 25 a second."""
    clip = write_clip(tmp_path / "clip.h264", [i * 33 for i in range(20)])
    info = probe_video(clip)
    assert not info.timestamps_from_file and not info.variable_rate
    times_s = [frame.time_s for frame in read_frames(clip, info=info)]
    np.testing.assert_allclose(times_s, np.arange(20) / 25.0)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    assert refusal(tmp_path / "none.mp4") == (
        "clip A: no such file; expected a video file. Check the file's path in the manifest."
    )
    assert refusal(tmp_path) == (
        "clip A: the path is a folder; expected a video file. Check the file's path in the manifest."
    )


def test_an_empty_file_is_refused(tmp_path: Path) -> None:
    clip = tmp_path / "empty.mp4"
    clip.touch()
    assert refusal(clip) == (
        "clip A: the file is empty (0 bytes); expected a video file. Copy the clip from the camera again."
    )


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"Left knee: 12 degrees.\n" * 60, "it is a text file"),
        ("Größe 1,80 m\n".encode() * 90, "it is a text file"),
        (b"\x89PNG\r\n\x1a\n" + bytes(600), "it is a picture"),
        (b"PK\x03\x04" + bytes(600), "it is a document or archive"),
        (b"ID3\x04" + bytes(600), "it is a sound file"),
    ],
)
def test_another_kind_of_file_is_named(tmp_path: Path, content: bytes, found: str) -> None:
    clip = tmp_path / "renamed.mp4"
    clip.write_bytes(content)
    assert refusal(clip) == (
        f"clip A: {found}; expected a video that can be decoded, such as MP4 with H.264. "
        "Check that the manifest names the right file."
    )


def test_a_real_picture_is_not_taken_for_a_clip_of_one_frame(tmp_path: Path) -> None:
    picture = tmp_path / "photo.jpg"
    save_picture(picture, np.full((240, 320, 3), 90, np.uint8))
    assert refusal(picture.rename(tmp_path / "photo.mp4")).startswith("clip A: it is a picture;")


def test_noise_is_refused(tmp_path: Path) -> None:
    clip = tmp_path / "noise.mp4"
    clip.write_bytes(np.random.default_rng(4).bytes(5000))
    assert refusal(clip).startswith("clip A: it is no video, or a damaged one; expected a video")


@pytest.mark.parametrize("share", [0.3, 0.9])
def test_a_recording_that_was_cut_off_lacks_its_index(tmp_path: Path, share: float) -> None:
    """Recorders write the index last, so any cut takes it away."""
    clip = write_clip(tmp_path / "cut.mp4", [i * 33 for i in range(60)])
    content = clip.read_bytes()
    clip.write_bytes(content[: int(len(content) * share)])
    assert refusal(clip) == (
        "clip A: the recording is cut off: its index is missing; expected a video that can be decoded, "
        "such as MP4 with H.264. Copy the clip from the camera again."
    )


def test_a_clip_with_sound_only_is_refused(tmp_path: Path) -> None:
    assert refusal(write_sound(tmp_path / "sound.mp4")) == (
        "clip A: it has sound but no video stream; expected a video that can be decoded, such as MP4 with "
        "H.264. Check that the manifest names the right file."
    )


def test_a_clip_without_a_single_frame_is_refused(tmp_path: Path) -> None:
    """The index announces 60 frames, and the file ends where their data would begin."""
    clip = write_clip(tmp_path / "c.mp4", [i * 33 for i in range(60)], options={"movflags": "faststart"})
    content = clip.read_bytes()
    clip.write_bytes(content[: content.find(b"mdat") + 4])
    assert refusal(clip) == (
        "clip A: none of the 60 frames that the file announces can be decoded; expected at least one. "
        "Copy the clip from the camera again."
    )


def test_pixels_that_are_not_square_are_refused(tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "wide.mp4", [0, 33, 67], pixel_aspect=Fraction(16, 15))
    assert refusal(clip) == (
        "clip A: its pixels are not square (16:15); expected square pixels, since angles are measured in "
        "the picture. Export the clip with square pixels."
    )


def test_damaged_clips_print_nothing_on_standard_error(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    clip = write_clip(tmp_path / "c.mp4", [i * 33 for i in range(60)], options={"movflags": "faststart"})
    content = bytearray(clip.read_bytes())
    start = len(content) // 2
    content[start : start + 400] = np.random.default_rng(2).bytes(400)
    clip.write_bytes(content)
    info = probe_video(clip)
    assert info.n_frames < 60
    assert capfd.readouterr() == ("", "")
