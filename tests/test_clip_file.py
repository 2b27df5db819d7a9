"""What a clip's file says of itself without being decoded; real files, whole and cut."""

from __future__ import annotations

import zipfile
from pathlib import Path

import av
import numpy as np
import pytest

from pipeline.clip_file import count_frames, missing_part
from tests.clip_files import EXAMPLE_STUDY, write_clip


def write(path: Path, n_frames: int, container: str = "mp4", **options: str) -> Path:
    """A small clip in a container, by an independent program (FFmpeg)."""
    codec = "mpeg4" if container == "avi" else "libx264"
    with av.open(str(path), "w", format=container, options=options) as file:
        stream = file.add_stream(codec, rate=30)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        rng = np.random.default_rng(1)
        for _ in range(n_frames):
            picture = rng.integers(0, 255, (48, 64, 3), dtype=np.uint8)
            file.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        file.mux(stream.encode(None))
    return path


def test_frames_are_those_that_were_written(tmp_path: Path) -> None:
    assert count_frames(write(tmp_path / "a.mp4", 37)) == 37
    assert count_frames(write(tmp_path / "b.mov", 21, "mov", movflags="faststart")) == 21
    write_clip(tmp_path / "c.mp4", range(0, 1400, 33))
    assert count_frames(tmp_path / "c.mp4") == 43


def test_a_file_that_tells_no_frames_gives_none(tmp_path: Path) -> None:
    (tmp_path / "text.mp4").write_text("no clip")
    whole = write(tmp_path / "a.mp4", 37).read_bytes()
    (tmp_path / "cut.mp4").write_bytes(whole[: len(whole) // 2])
    assert [count_frames(tmp_path / name) for name in ("text.mp4", "cut.mp4", "none.mp4")] == [0, 0, 0]
    # An index that lists four thousand million frames is not believed.
    at = whole.index(b"stsz") + 12
    (tmp_path / "lie.mp4").write_bytes(whole[:at] + b"\xff\xff\xff\xff" + whole[at + 4 :])
    assert count_frames(tmp_path / "lie.mp4") == 0


@pytest.mark.parametrize(
    ("name", "container", "options"),
    [
        ("last.mp4", "mp4", {}),
        ("first.mp4", "mp4", {"movflags": "faststart"}),
        ("a.mov", "mov", {}),
        ("a.avi", "avi", {}),
        ("a.mkv", "matroska", {}),
    ],
)
def test_a_file_is_whole_only_with_its_last_byte(
    tmp_path: Path, name: str, container: str, options: dict[str, str]
) -> None:
    path = write(tmp_path / name, 30, container, **options)
    assert missing_part(path) == ("", "")
    whole = path.read_bytes()
    for share in (0.02, 0.5, 0.9, 1.0):
        path.write_bytes(whole[: min(len(whole) - 1, int(share * len(whole)))])
        found, do = missing_part(path)
        assert "cut off" in found and do, (share, found)


def test_a_file_that_a_copy_has_given_its_size_but_not_its_content_is_not_whole(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mp4", 30)
    size = path.stat().st_size
    whole = path.read_bytes()
    path.write_bytes(whole[: size // 2] + bytes(size - size // 2))
    assert "index is missing" in missing_part(path)[0]
    path.write_bytes(bytes(size))
    assert missing_part(path)[0]


def test_other_kinds_of_files_are_named(tmp_path: Path) -> None:
    files = {"empty.mp4": b"", "text.mp4": b"Clip: still on the phone.\n", "photo.mp4": b"\xff\xd8\xff\xe0" + bytes(99)}
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    found = [missing_part(tmp_path / name)[0] for name in files]
    assert found == ["the file is empty (0 bytes)", "it is a text file", "it is a picture"]
    # A camera's transport stream does not say how long it is: it counts as whole.
    (tmp_path / "a.mts").write_bytes(b"\x47\x40\x11\x10" + bytes(range(1, 200)))
    assert missing_part(tmp_path / "a.mts") == ("", "")


def test_a_landmark_file_is_whole_with_its_list_of_contents(tmp_path: Path) -> None:
    path = tmp_path / "a.landmarks"
    with zipfile.ZipFile(path, "w") as file:
        file.writestr("made.json", "{}" * 500)
    assert missing_part(path) == ("", "")
    path.write_bytes(path.read_bytes()[:-30])
    assert "cut off" in missing_part(path)[0]


def test_a_landmark_file_that_is_cut_off_at_an_array_file_in_it_is_not_whole(tmp_path: Path) -> None:
    """An array file is an archive too: what is left may end as one does."""
    (whole,) = (EXAMPLE_STUDY / "sub-P01/ses-03").glob("*sagittal_run-1*.landmarks")
    content, path = whole.read_bytes(), tmp_path / "a.landmarks"
    assert missing_part(whole) == ("", "")
    for percent in range(1, 100):
        path.write_bytes(content[: len(content) * percent // 100])
        assert missing_part(path)[0] == "the landmark file is cut off, or none", percent
