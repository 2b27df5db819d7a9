"""A disk that is full or may not be written: the clips that it meets fail with a message, and nothing else does."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from pipeline.bench.same_results import comparable
from pipeline.store import write_bytes
from tests import standins
from tests.studies import quick_settings, run_command
from tests.test_batch import run_standins
from tests.test_kills import study_of

ADVICE = "Check free space and the right to write into the results folder."


def mount(*arguments: str) -> bool:
    """Mount a file system, where this machine lets us."""
    if shutil.which("mount") is None:
        return False
    return subprocess.run(["mount", *arguments], capture_output=True, check=False).returncode == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB of its own."""
    folder = tmp_path / "disk"
    folder.mkdir()
    if not mount("-t", "tmpfs", "-o", "size=1m", "none", str(folder)):
        pytest.skip("only the system's administrator can mount a small disk")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    """A folder that nobody may write to, not even the system's administrator."""
    folder = tmp_path / "locked"
    folder.mkdir()
    if not (mount("--bind", str(folder), str(folder)) and mount("-o", "remount,ro,bind", str(folder))):
        pytest.skip("only the system's administrator can mount a folder read-only")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_clips_fail_while_the_disk_is_full_and_are_measured_when_it_is_not(small_disk: Path) -> None:
    """Each stand-in writes 0.3 MB: three clips fit into what is left, the others do not."""
    names = {f"a{number}-large": "01" for number in range(6)}
    result = run_standins(small_disk, names)
    failed = [clip for clip in result.clips if clip.state == "failed"]
    assert 1 <= len(failed) <= 4
    for clip in failed:
        assert "No space left on device" in clip.message or "the result cannot be written" in clip.message
        assert clip.message.endswith(ADVICE.replace("space and", "space, memory and")) or clip.message.endswith(ADVICE)
    assert len(result.clips) == 6

    assert mount("-o", "remount,size=20m", str(small_disk))
    again = run_standins(small_disk, names)
    assert [clip.state for clip in again.clips] == ["done"] * 6
    assert json.loads((again.folder / "run.json").read_text())["state"] == "done"


def test_a_disk_without_any_space_gives_a_message_and_no_traceback(small_disk: Path) -> None:
    (small_disk / "study").mkdir()
    (small_disk / "study" / "manifest.csv").write_text(
        "subject,visit,date,clip,view,prosthetic_side,height_m,known_length_m,known_length_px,changes\n"
        "P01,01,2026-03-01,a.landmarks,sagittal,left,,,,\n"
    )
    fill(small_disk)
    done = run_command("run", "study", "--out", "out", folder=small_disk)
    assert done.returncode == 2
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stdout + done.stderr


def fill(disk: Path) -> None:
    """Take all the space that is left."""
    with suppress(OSError), (disk / "filler").open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def test_results_folder_that_may_not_be_written_is_named(read_only: Path, tmp_path: Path) -> None:
    study_of(tmp_path / "study", {"03": ["anterior"]})
    done = run_command("run", "study", "--out", "locked", folder=tmp_path)
    assert done.returncode == 2
    assert "cannot be read or written (Read-only file system)" in done.stderr
    assert "the right to write into the folder given with --out" in done.stderr
    assert "Traceback" not in done.stdout + done.stderr


def test_one_visit_that_may_not_be_written_leaves_the_others(tmp_path: Path) -> None:
    names = {"a-one": "01", "b-two": "02"}
    visit = tmp_path / "out" / "sub-P01" / "ses-01"
    visit.mkdir(parents=True)
    if not (mount("--bind", str(visit), str(visit)) and mount("-o", "remount,ro,bind", str(visit))):
        pytest.skip("only the system's administrator can mount a folder read-only")
    try:
        result = run_standins(tmp_path, names)
    finally:
        subprocess.run(["umount", str(visit)], check=True)
    assert [clip.state for clip in result.clips] == ["failed", "done"]
    assert "Read-only file system" in result.clips[0].message
    assert [visit.page is not None for visit in result.visits] == [False, True]
    assert "Read-only file system" in result.visits[0].message


def test_a_result_that_cannot_be_handed_over_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result = run_standins(tmp_path, {"a-silenced": "01"}, settings=quick_settings())
    assert result.clips[0].message == f"clip a-silenced: the result cannot be written. {ADVICE}"


@pytest.mark.slow
def test_real_clips_on_a_disk_that_fills_up_end_in_the_same_results(small_disk: Path, tmp_path: Path) -> None:
    words = ["sagittal_run-1", "anterior", "posterior"]
    study_of(tmp_path / "study", {"03": words})
    whole = run_command("run", "study", "--out", "whole", folder=tmp_path)
    assert whole.returncode == 0, whole.stdout + whole.stderr
    first = run_command("run", "study", "--out", "disk/out", folder=tmp_path)
    assert first.returncode == 1, first.stdout + first.stderr
    assert "No space left on device" in first.stdout
    assert "Traceback" not in first.stdout + first.stderr
    assert mount("-o", "remount,size=200m", str(small_disk))
    second = run_command("run", "study", "--out", "disk/out", folder=tmp_path)
    assert second.returncode == 0, second.stdout + second.stderr
    assert comparable(small_disk / "out") == comparable(tmp_path / "whole")


def test_what_no_run_can_make_again_is_on_the_disk_when_it_is_said_to_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX: fsync of the file brings its content to the disk, fsync of the folder its name."""
    synced: list[str] = []
    monkeypatch.setattr("os.fsync", lambda handle: synced.append(standins.name_of_handle(handle)))
    write_bytes(tmp_path / "plain.json", b"{}")
    assert synced == []
    write_bytes(tmp_path / "record.json", b"{}", lasting=True)
    assert [name.startswith(".record.json.") for name in synced] == [True, False]
    assert synced[1] == tmp_path.name
