"""The record of a folder: no half result is taken for a whole one, at whatever moment its writer is killed."""

from __future__ import annotations

import itertools
import os
import re
import signal
import sys
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from pipeline import stage_record
from pipeline.errors import StageError
from pipeline.isolate import Job, run_jobs
from pipeline.stage_record import (
    FolderRecord,
    StageEnd,
    finish,
    known_sha256,
    read_record,
    run_stage,
    see,
    write_record,
)
from pipeline.store import file_sha256, write_bytes, write_text
from tests import standins


@dataclass
class CountedWork:
    """A stage's work that counts how often it ran."""

    folder: Path
    count: int = 0

    def __call__(self) -> list[str]:
        self.count += 1
        write_text(self.folder / "result.txt", f"result {self.count}")
        return ["result.txt"]


def run_counted(folder: Path, work: CountedWork, wanted: str = "a") -> StageEnd:
    return run_stage(folder, "measures", wanted_fingerprint=wanted, stale=("result.txt",), work=work)


def test_unchanged_stage_is_skipped_and_says_since_when(tmp_path: Path) -> None:
    work = CountedWork(tmp_path)
    assert run_counted(tmp_path, work) == StageEnd("measures")
    since = run_counted(tmp_path, work).since
    assert work.count == 1
    assert since == read_record(tmp_path).stages["measures"].finished
    assert len(since) == len("2026-03-14T10:00:00Z")


@pytest.mark.parametrize(
    ("change", "damaged"),
    [
        ("fingerprint", ""),
        ("edited", r"result\.txt is not as it was written at 20\d\d-.*Z"),
        ("removed", r"result\.txt is missing"),
        ("record damaged", r"record\.json cannot be read"),
        ("record cut by a power failure", r"record\.json cannot be read"),
        ("record of another form", ""),
    ],
)
def test_changed_stage_runs_again_and_says_what_was_damaged(tmp_path: Path, change: str, damaged: str) -> None:
    work = CountedWork(tmp_path)
    run_counted(tmp_path, work)
    if change == "edited":
        (tmp_path / "result.txt").write_text("edited by hand")
    if change == "removed":
        (tmp_path / "result.txt").unlink()
    if change == "record damaged":
        (tmp_path / "record.json").write_text("{")
    if change == "record cut by a power failure":
        (tmp_path / "record.json").write_bytes(b"")
    if change == "record of another form":
        write_record(tmp_path, FolderRecord("done", format=0, stages=read_record(tmp_path).stages))
    end = run_counted(tmp_path, work, "b" if change == "fingerprint" else "a")
    assert end.since == ""
    assert re.fullmatch(damaged, end.damaged)
    assert work.count == 2
    assert (tmp_path / "result.txt").read_text() == "result 2"


def test_stage_that_fails_leaves_no_files_of_an_earlier_run(tmp_path: Path) -> None:
    run_counted(tmp_path, CountedWork(tmp_path))

    def fail() -> list[str]:
        raise StageError("clip x", "no result")

    with pytest.raises(StageError):
        run_stage(tmp_path, "measures", wanted_fingerprint="b", stale=("result.txt",), work=fail)
    assert not (tmp_path / "result.txt").exists()
    assert read_record(tmp_path) == FolderRecord("started")


def test_killed_stage_is_not_taken_for_a_finished_one(tmp_path: Path) -> None:
    jobs = deque([Job("job", standins.run_stage_and_die, (tmp_path,), 60.0)])
    list(run_jobs(jobs, scratch=tmp_path, workers=1))
    assert (tmp_path / "result.txt").read_text() == "complete"
    assert read_record(tmp_path) == FolderRecord("started")
    work = CountedWork(tmp_path)
    run_counted(tmp_path, work)
    assert work.count == 1


# What Python tells its audit hooks before it asks the system to change a file.
CHANGES = {"open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod"}


def killed_before_change(number: int, work: Callable[[], None], folder: Path) -> bool:
    """Do work in a process of its own, killed just before it changes files of the folder for the n-th time.

    Whether it was killed: no longer when there are fewer changes.
    """
    child = os.fork()
    if child == 0:
        changes = itertools.count(1)

        def watch(event: str, arguments: tuple[object, ...]) -> None:
            if event not in CHANGES or not str(arguments[0]).startswith(str(folder)):
                return
            writes = event != "open" or bool(int(str(arguments[2])) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
            if writes and next(changes) == number:
                os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(watch)
        work()
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.WEXITSTATUS(status) == 0
    return False


def two_stages(folder: Path, version: int = 1) -> None:
    """Two stages of two files each, the second made from the first."""

    def first() -> list[str]:
        write_text(folder / "a.csv", f"first {version}")
        write_bytes(folder / "frames" / "b.npz", bytes(1000), private=True)
        return ["a.csv", "frames/b.npz"]

    def second() -> list[str]:
        write_text(folder / "c.csv", (folder / "a.csv").read_text() + ", second")
        write_text(folder / "d.json", "{}")
        return ["c.csv", "d.json"]

    run_stage(folder, "first", wanted_fingerprint=f"1-{version}", stale=("a.csv", "frames/*"), work=first)
    run_stage(folder, "second", wanted_fingerprint=f"2-{version}", stale=("c.csv", "d.json"), work=second)
    finish(folder)


def contents(folder: Path) -> dict[str, bytes]:
    """Every file but the record, which holds times."""
    paths = [path for path in folder.rglob("*") if path.is_file() and path.name != "record.json"]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills its own copy, which needs fork")
@pytest.mark.parametrize("earlier", [False, True], ids=["new folder", "over earlier results"])
def test_killed_before_each_change_of_a_file_the_next_run_gives_the_same_bytes(tmp_path: Path, earlier: bool) -> None:
    """All moments there are, not some by chance: between two changes of a file nothing on the disk differs."""
    two_stages(tmp_path / "whole", 2)
    wanted = contents(tmp_path / "whole")
    for number in itertools.count(1):
        folder = tmp_path / str(number)
        if earlier:
            two_stages(folder, 1)
        killed = killed_before_change(number, lambda folder=folder: two_stages(folder, 2), folder)  # type: ignore[misc]
        record = read_record(folder)
        assert (record.state == "done") <= (not killed or earlier)
        for stage in record.stages.values():
            # Of earlier results the first change is that of the record: what it still lists is whole.
            assert stage.outputs == {name: file_sha256(folder / name) for name in stage.outputs}
        two_stages(folder, 2)
        assert contents(folder) == wanted
        assert read_record(folder).state == "done"
        if not killed:
            break
    assert number > 20


def test_a_file_that_looks_as_it_did_is_not_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "walk.mp4"
    path.write_bytes(b"a clip")
    os.utime(path, (1_700_000_000, 1_700_000_000))
    digest = file_sha256(path)
    # The time of change of its record is that of now: too new to be trusted, and no one can set it back.
    assert see(path) == (digest, None)
    monkeypatch.setattr(stage_record, "SETTLED_NS", 0)
    found, seen = see(path)
    assert (found, seen is not None and seen.sha256) == (digest, digest)
    monkeypatch.setattr(stage_record, "file_sha256", lambda _: "read again")
    assert known_sha256(path, seen) == digest
    assert known_sha256(path, None) == "read again"
    # Another content of the same size, and the old time set on it.
    path.write_bytes(b"b clip")
    os.utime(path, (1_700_000_000, 1_700_000_000))
    assert known_sha256(path, seen) == "read again"


def test_another_file_in_its_place_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stage_record, "SETTLED_NS", 0)
    path, other = tmp_path / "walk.mp4", tmp_path / "other.mp4"
    for one, content in ((path, b"a clip"), (other, b"b clip")):
        one.write_bytes(content)
        os.utime(one, (1_700_000_000, 1_700_000_000))
    _, seen = see(path)
    other.replace(path)
    assert known_sha256(path, seen) == file_sha256(path)
