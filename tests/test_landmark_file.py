"""Landmark files: what they hold, when they are refused, and that nothing else gets out of them."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest

from pipeline import outside
from pipeline.errors import VideoError
from pipeline.landmark_file import RECORD, Made, is_landmark_file, pack, unpack
from pipeline.model import Side

NAMES = ("video.json", "landmarks.npz")
STAGES = {"landmarks": 2}


def packed(folder: Path, *, sides: tuple[Side, ...] = ("left",)) -> Path:
    """A landmark file of two files with known content."""
    source = folder / "source"
    source.mkdir(exist_ok=True)
    (source / "video.json").write_text("{}")
    (source / "landmarks.npz").write_bytes(bytes(range(256)))
    target = folder / "walk.landmarks"
    pack(source, target, NAMES, view="sagittal", prosthetic_sides=sides, clip_sha256="ab" * 32, stages=STAGES)
    return target


def taken(path: Path, folder: Path, **changes: object) -> Made:
    """Unpack as the program does."""
    given: dict[str, object] = {
        "view": "sagittal",
        "prosthetic_sides": ("left",),
        "stages": STAGES,
        "item": "clip walk",
    }
    return unpack(path, folder, NAMES, **(given | changes))  # type: ignore[arg-type]


def rewritten(path: Path, changes: dict[str, bytes]) -> None:
    """The same archive with other members."""
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()} | changes
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)


def test_what_was_packed_comes_back_byte_for_byte(tmp_path: Path) -> None:
    path = packed(tmp_path)
    made = taken(path, tmp_path / "clip")
    assert sorted(file.name for file in (tmp_path / "clip").iterdir()) == sorted((*NAMES, RECORD))
    assert all((tmp_path / "clip" / name).read_bytes() == (tmp_path / "source" / name).read_bytes() for name in NAMES)
    assert made.clip_sha256 == "ab" * 32


def test_equal_results_give_equal_bytes(tmp_path: Path) -> None:
    first = packed(tmp_path).read_bytes()
    assert packed(tmp_path).read_bytes() == first


def test_it_is_known_by_its_name() -> None:
    assert is_landmark_file(Path("a/WALK.LANDMARKS"))
    assert not is_landmark_file(Path("walk.mp4"))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"view": "anterior"}, "made for view sagittal; the manifest says anterior"),
        ({"prosthetic_sides": ("right",)}, "made for prosthetic side left; the manifest says right"),
        ({"prosthetic_sides": ()}, "made for prosthetic side left; the manifest says none"),
        ({"stages": {"landmarks": 1}}, "made by a newer program"),
    ],
)
def test_a_file_for_something_else_is_refused(tmp_path: Path, changes: dict[str, object], words: str) -> None:
    with pytest.raises(VideoError, match=words):
        taken(packed(tmp_path), tmp_path / "clip", **changes)
    assert not (tmp_path / "clip").exists()


def test_a_changed_file_is_refused(tmp_path: Path) -> None:
    path = packed(tmp_path)
    rewritten(path, {"landmarks.npz": b"other"})
    with pytest.raises(VideoError, match=r"landmarks\.npz in it was changed after it was made"):
        taken(path, tmp_path / "clip")


def test_only_the_files_that_are_needed_get_out(tmp_path: Path) -> None:
    """A member that leads out of the folder, named in the record with its right hash, is not written."""
    path = packed(tmp_path)
    with zipfile.ZipFile(path) as archive:
        record = json.loads(archive.read(RECORD))
    evil = "../evil.txt"
    # SHA-256 of the empty text, NIST FIPS 180-4 example value (from memory).
    record["files"][evil] = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    rewritten(path, {RECORD: json.dumps(record).encode(), evil: b""})
    taken(path, tmp_path / "clip")
    assert not (tmp_path / "evil.txt").exists()
    assert len(list((tmp_path / "clip").iterdir())) == 3


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    path = packed(tmp_path)
    with pytest.raises(VideoError, match=r"pylon\.npz is missing in it"):
        unpack(
            path,
            tmp_path / "clip",
            (*NAMES, "pylon.npz"),
            view="sagittal",
            prosthetic_sides=("left",),
            stages=STAGES,
            item="clip walk",
        )


def test_a_file_that_would_grow_too_large_is_not_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outside, "LARGEST_UNPACKED", 100)
    with pytest.raises(VideoError, match="its files have 0 MB"):
        taken(packed(tmp_path), tmp_path / "clip")


@pytest.mark.parametrize(
    "content", [b"", b"no archive", b"PK\x03\x04 cut", b"PK\x05\x06" + bytes(18)], ids=["empty", "text", "cut", "bare"]
)
def test_what_is_no_landmark_file_gets_a_message(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "walk.landmarks"
    path.write_bytes(content)
    with pytest.raises(VideoError, match="clip walk: its landmark file cannot be used"):
        taken(path, tmp_path / "clip")


def test_a_record_with_mistakes_gets_a_message(tmp_path: Path) -> None:
    path = packed(tmp_path)
    rewritten(path, {RECORD: b'{"format": 1}'})
    with pytest.raises(VideoError, match="its record has 6 mistakes"):
        taken(path, tmp_path / "clip")
