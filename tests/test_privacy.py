"""What a results folder holds that could show or name somebody: searched byte by byte, packed data unpacked."""

from __future__ import annotations

import base64
import getpass
import io
import os
import re
import socket
import stat
import struct
import subprocess
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest

from pipeline.kept import kept_pictures, remove_pictures
from pipeline.model import LANDMARK_NAMES
from pipeline.outline import load_outlines
from pipeline.pictures import save_picture
from pipeline.places import make_private_folder
from pipeline.report import save_parts
from pipeline.store import write_bytes, write_text
from pipeline.track_file import load_track
from tests import report_fixture as fixture
from tests import viewer_fixture
from tests.clip_files import example_clip, tagged_copy
from tests.studies import make_study, run_command
from tests.test_pictures import noise

posix = pytest.mark.skipif(os.name != "posix", reason="file rights are POSIX here")

# What phones and editors write into a container; none of it may arrive in the results.
TAGS = {
    "title": "Zephyrine Quillfeather walks",
    "artist": "Dr Oswin Marrowby",
    "comment": "room Xanthe 7",
    "location": "+52.1234+013.5678/",
    "creation_time": "2031-07-19T08:09:10.000000Z",
    "com.apple.quicktime.make": "Fabrikam",
    "com.apple.quicktime.model": "Fabrikam Nine",
    "handler_name": "Wexcombe handler",
}
WORDS = [b"Zephyrine", b"Quillfeather", b"Marrowby", b"Xanthe", b"52.1234", b"013.5678", b"Fabrikam", b"Wexcombe"]
MARKS = [*WORDS, b"2031-07-19"]
DATA_URI = re.compile(rb"data:([a-z]+/[a-z+.-]+);base64,([A-Za-z0-9+/=]+)")
# Segments of a JPEG that may hold text, place, time or another picture: APP1 (EXIF, XMP) to APP15, COM (ITU-T T.81).
TELLING = {*range(0xE1, 0xF0), 0xFE}


def contents(path: Path) -> Iterator[bytes]:
    """All that a file holds: its bytes, and what is packed in them."""
    data = path.read_bytes()
    yield data
    if path.suffix == ".npz":
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            yield archive.comment
            for entry in archive.infolist():
                yield entry.filename.encode() + entry.extra + entry.comment
                yield archive.read(entry)
    if path.suffix == ".pdf":
        for start in re.finditer(rb"stream\r?\n", data):
            try:
                yield zlib.decompressobj().decompress(data[start.end() :])
            except zlib.error:
                continue
    for found in DATA_URI.finditer(data):
        yield base64.b64decode(found[2])


def segments(jpeg: bytes) -> list[int]:
    """Markers of a JPEG's segments before its pixels."""
    markers, at = [], 2
    assert jpeg[:2] == b"\xff\xd8"
    while jpeg[at + 1] != 0xDA:
        assert jpeg[at] == 0xFF
        markers.append(jpeg[at + 1])
        at += 2 + struct.unpack(">H", jpeg[at + 2 : at + 4])[0]
    return markers


def files_of(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def pictures_in(folder: Path) -> list[bytes]:
    """Every JPEG of the results: files, those inside pages, and those inside PDFs."""
    found = [path.read_bytes() for path in files_of(folder) if path.suffix == ".jpg"]
    for path in files_of(folder):
        data = path.read_bytes()
        found += [base64.b64decode(one[2]) for one in DATA_URI.finditer(data) if one[1] == b"image/jpeg"]
        if path.suffix == ".pdf":
            found += [data[one.start() :] for one in re.finditer(rb"\xff\xd8\xff", data)]
    return found


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study with one clip full of tags, run by the command with pictures kept."""
    folder = tmp_path_factory.mktemp("privacy")
    study = make_study(folder / "study", {"walk.mp4": "01"}, changes="heel softer")
    tagged_copy(example_clip(), study / "walk.mp4", TAGS)
    done = run_command("run", "study", "--out", "out", "--model", "full", folder=folder)
    assert done.returncode == 0, done.stderr
    return folder


@pytest.mark.slow
def test_tags_of_the_clip_arrive_nowhere(folder: Path) -> None:
    """Outside check of the check: the clip itself holds every mark, and FFmpeg reads the place and the title."""
    clip = (folder / "study/walk.mp4").read_bytes()
    assert [word for word in WORDS if word not in clip] == []
    with av.open(str(folder / "study/walk.mp4")) as container:
        assert container.metadata["title"] == TAGS["title"] and "+52.1234" in str(container.metadata)
        assert container.metadata["creation_time"].startswith("2031-07-19")
    files = files_of(folder / "out")
    assert {path.suffix for path in files} >= {".npz", ".pdf", ".html", ".json", ".jpg", ".txt", ".csv"}
    for path in files:
        for data in contents(path):
            assert [mark for mark in MARKS if mark in data] == [], path.name


@pytest.mark.slow
def test_no_user_host_or_folder_of_the_machine_is_named(folder: Path) -> None:
    # Short words stand in files by chance or by another meaning.
    names = {str(folder), str(Path(__file__).parents[1])}
    names |= {name for name in (getpass.getuser(), socket.gethostname()) if len(name) > 5}
    for path in files_of(folder / "out"):
        for data in contents(path):
            assert [name for name in names if name.encode() in data] == [], path.name


@pytest.mark.slow
def test_kept_pictures_hold_pixels_only(folder: Path) -> None:
    pictures = pictures_in(folder / "out")
    assert len(pictures) >= 3 * len(list((folder / "out").rglob("*.jpg"))) > 0
    for picture in pictures:
        assert TELLING.isdisjoint(segments(picture))


@pytest.mark.slow
def test_saved_arrays_are_numbers_and_outlines_hold_legs_only(folder: Path) -> None:
    (clip,) = (folder / "out").glob("sub-*/ses-*/walk")
    texts = {}
    for path in clip.glob("*.npz"):
        with np.load(path) as arrays:
            texts |= {name: str(array) for name, array in arrays.items() if array.dtype.kind not in "fiub"}
    assert set(texts) == {"model", "model_sha256", "mediapipe_version", "opencv_version"}
    outlines, track = load_outlines(clip / "outlines.npz"), load_track(clip / "landmarks.npz")
    known = outlines.masks().any(axis=(1, 2))
    shoulders = track.xy_px[known][
        :, [LANDMARK_NAMES.index("left_shoulder"), LANDMARK_NAMES.index("right_shoulder")], 1
    ]
    assert known.mean() > 0.5
    assert (outlines.origin_px[known, 1] > shoulders.max(axis=1)).all()


@posix
@pytest.mark.slow
def test_files_that_show_somebody_are_for_their_owner_alone(folder: Path) -> None:
    (visit,) = (folder / "out").glob("sub-*/ses-*")
    shows = [path for path in files_of(visit) if path.suffix in (".jpg", ".html", ".pdf")]
    shows += (visit / "frames").glob("*.npz")
    assert len(shows) > 20
    assert {stat.S_IMODE(path.stat().st_mode) for path in shows} == {0o600}
    assert stat.S_IMODE((visit / "frames").stat().st_mode) == 0o700


@pytest.mark.slow
def test_a_run_that_keeps_none_deletes_the_pictures_that_are_there(folder: Path) -> None:
    """Nothing that shows anybody is left in any file, and the landmarks are not computed again."""
    n_before = sum(len(list((folder / "out").rglob(kind))) for kind in ("*.jpg", "frames/*.npz"))
    assert n_before > 1
    assert any(b"WEBPVP8" in data for path in files_of(folder / "out") for data in contents(path))
    done = run_command("run", "study", "--out", "out", "--model", "full", "--pictures", "none", folder=folder)
    assert done.returncode == 0, done.stderr
    assert f"pictures of earlier runs deleted: {n_before}\n" in done.stdout
    assert "landmarks unchanged since" in done.stderr
    files = files_of(folder / "out")
    assert [path.name for path in files if path.suffix in (".jpg", ".png", ".webm", ".mp4")] == []
    assert not list((folder / "out").rglob("frames"))
    for path in files:
        for data in contents(path):
            assert b"data:image/jpeg" not in data and b"data:image/png" not in data and b"data:video" not in data
            assert b"\xff\xd8\xff" not in data and b"JFIF" not in data, path.name
            assert b"WEBPVP8" not in data and b"UklGR" not in data, path.name
    assert "No key frames are stored: they were not kept in this run." in next(
        (folder / "out").rglob("visit.html")
    ).read_text(encoding="utf-8")
    again = run_command("run", "study", "--out", "out", "--model", "full", "--pictures", "none", folder=folder)
    assert "deleted" not in again.stdout and "report unchanged since" in again.stderr


def test_a_saved_jpeg_has_no_segment_that_tells_anything(tmp_path: Path) -> None:
    save_picture(tmp_path / "p.jpg", noise())
    markers = segments((tmp_path / "p.jpg").read_bytes())
    # APP0 is the JFIF header: version and pixel density.
    assert TELLING.isdisjoint(markers) and 0xE0 in markers
    with_comment = b"\xff\xd8\xff\xfe\x00\x06text" + (tmp_path / "p.jpg").read_bytes()[2:]
    assert not TELLING.isdisjoint(segments(with_comment))


def with_report(out: Path, visit: str) -> Path:
    """A visit with saved parts and key frames, as an earlier run left them."""
    folder = out / f"sub-P01/ses-{visit}"
    save_parts(folder, fixture.report(), fixture.strides())
    fixture.save_frames(folder)
    viewer_fixture.save_clips(folder)
    return folder


def test_removing_pictures_leaves_clips_that_lie_beside_the_results(tmp_path: Path) -> None:
    """A study folder can be the results folder too: its clips are not ours."""
    visit = with_report(tmp_path, "01")
    theirs = ("walk.mp4", "clips/other.mp4", "photo.jpg", "frames/walk.mp4", "frames/photo.jpg")
    for name in theirs:
        write_bytes(visit / name, b"theirs")
    n_frames = len([*(visit / "frames").glob("*.jpg"), *(visit / "frames").glob("*.npz")]) - 1
    assert len(kept_pictures(visit)) == remove_pictures(visit) == n_frames > 0
    assert {path.name for path in (visit / "frames").iterdir()} == {"walk.mp4", "photo.jpg"}
    assert [(visit / name).read_bytes() for name in theirs] == [b"theirs"] * len(theirs)
    assert remove_pictures(visit) == 0


def test_pictures_are_taken_out_of_old_results_without_their_clips(tmp_path: Path) -> None:
    visit = with_report(tmp_path / "out", "01")
    done = run_command("report", "out", folder=tmp_path)
    assert (done.returncode, "pictures deleted" in done.stdout) == (0, False), done.stderr
    assert "data:image/jpeg" in (visit / "visit.html").read_text(encoding="utf-8")
    n_frames = len(kept_pictures(visit))
    done = run_command("report", "out", "--pictures", "none", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == f"pictures deleted: {n_frames}"
    assert all(
        b"\xff\xd8\xff" not in data and b"image/jpeg" not in data for p in files_of(visit) for data in contents(p)
    )


def test_a_run_that_keeps_none_names_visits_whose_pictures_it_could_not_reach(tmp_path: Path) -> None:
    earlier = with_report(tmp_path / "out", "09")
    make_study(tmp_path / "study", {"a.mp4": "01"})
    done = run_command("run", "study", "--out", "out", "--pictures", "none", folder=tmp_path)
    (line,) = [line for line in done.stdout.splitlines() if "still there" in line]
    n_frames = len(kept_pictures(earlier))
    assert line == (
        f"sub-P01/ses-09: pictures of an earlier run that are still there: {n_frames}. "
        "Delete them with `strideledger report RESULTS --pictures none`."
    )
    (log,) = (tmp_path / "out/runs").glob("*/log.txt")
    assert line in log.read_text(encoding="utf-8")


@posix
def test_private_files_are_their_owner_s_and_in_a_shared_folder_the_group_s(tmp_path: Path) -> None:
    write_bytes(tmp_path / "own/a.jpg", b"", private=True)
    write_text(tmp_path / "own/a.html", "", private=True)
    make_private_folder(tmp_path / "own/frames")
    assert [stat.S_IMODE((tmp_path / "own" / name).stat().st_mode) for name in ("a.jpg", "a.html", "frames")] == [
        0o600,
        0o600,
        0o700,
    ]
    shared = tmp_path / "shared"
    shared.mkdir()
    subprocess.run(["chmod", "g+s", str(shared)], check=True)
    make_private_folder(shared / "frames")
    write_bytes(shared / "frames/a.jpg", b"", private=True)
    assert stat.S_IMODE((shared / "frames/a.jpg").stat().st_mode) == 0o640
    assert stat.S_IMODE((shared / "frames").stat().st_mode) == 0o2750
    write_bytes(tmp_path / "own/table.csv", b"")
    assert stat.S_IMODE((tmp_path / "own/table.csv").stat().st_mode) == 0o644
