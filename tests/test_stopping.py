"""Ctrl-C and the request to end, as a user and a system send them: to a real group of processes, on stand-in work."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from pipeline.run_record import RunSummary, state_of
from pipeline.status import read_status
from pipeline.store import read_json
from tests.clip_files import write_clip
from tests.studies import ROOT, make_study

pytestmark = pytest.mark.skipif(os.name != "posix", reason="groups of processes are of POSIX")
STOPPED = "Stopped. Finished clips are kept; the same command goes on from here."
# The command, with stand-ins for the work on clips and visits; `{more}` changes more of it.
SCRIPT = """
import functools, signal, sys, time
from pathlib import Path
from pipeline import batch, cli, person_pages
from tests import standins

def linger(out, *_, **__):
    (out / "lingers").touch()
    time.sleep(600)

if __name__ == "__main__":
    # As in a terminal, also where the tests run in the background of a shell, which ignores Ctrl-C there.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    {more}
    batch.run_study = functools.partial(
        batch.run_study, clip_work=standins.behave_as_named, visit_work=standins.report_plainly
    )
    sys.argv = ["strideledger", *sys.argv[1:]]
    cli.main()
"""


Start = Callable[..., subprocess.Popen[str]]
RUN = ("run", "study", "--out", "out", "--workers", "2")


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Start the command in a group of its own, as a shell does; whatever is left of it is killed after the test."""
    started: list[subprocess.Popen[str]] = []

    def call(
        clips: dict[str, str], more: str = "pass", arguments: tuple[str, ...] = RUN, **options: Any
    ) -> subprocess.Popen[str]:
        make_study(tmp_path / "study", {f"{name}.mp4": visit for name, visit in clips.items()})
        (tmp_path / "script.py").write_text(SCRIPT.replace("{more}", more))
        environment = {"PYTHONPATH": str(ROOT), "PATH": "", "HOME": str(tmp_path)}
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT} | options
        arguments = (sys.executable, "script.py", *arguments)
        started.append(
            subprocess.Popen(arguments, cwd=tmp_path, env=environment, text=True, start_new_session=True, **pipes)
        )
        return started[-1]

    yield call
    for command in started:
        with suppress(ProcessLookupError):
            os.killpg(command.pid, signal.SIGKILL)
        command.wait()


def until(condition: Callable[[], bool]) -> None:
    """Wait for something, two minutes at most."""
    end_s = time.monotonic() + 120
    while not condition():
        assert time.monotonic() < end_s, "it did not come so far"
        time.sleep(0.1)


def at_work(group: int) -> list[str]:
    """Processes of a group that have not ended."""
    listed = subprocess.run(["ps", "-eo", "pgid=,stat=,args="], capture_output=True, text=True, check=True).stdout
    parts = [line.split(maxsplit=2) for line in listed.splitlines()]
    return [args for pgid, stat, args in parts if int(pgid) == group and not stat.startswith("Z")]


def summary_of(folder: Path) -> RunSummary:
    (path,) = (folder / "out/runs").glob("*/run.json")
    return read_json(path, RunSummary)


def hangs(folder: Path) -> bool:
    """Whether both workers are at clips that hang; their logs tell it at once."""
    return len(list((folder / "out/runs").glob("*/clips/*-hang.log"))) == 2


def assert_clean(folder: Path, command: subprocess.Popen[str], output: str) -> None:
    """No traceback, no process of the group, no temporary file; the lock is free."""
    assert "Traceback" not in output and "KeyboardInterrupt" not in output
    # multiprocessing's own helper ends by itself when it finds the run gone.
    until(lambda: not at_work(command.pid))
    left = [path.name for path in (folder / "out").rglob("*") if path.name.endswith(".part") or ".jobs-" in path.name]
    assert left == []
    assert (folder / "out/.in-use").read_bytes() == b""


CLIPS = {"a-one": "01", "b-hang": "02", "c-hang": "02"}


@pytest.mark.parametrize(("number", "code", "times"), [(signal.SIGINT, 130, 2), (signal.SIGTERM, 143, 1)])
def test_a_run_that_is_stopped_ends_cleanly(tmp_path: Path, start: Start, number: int, code: int, times: int) -> None:
    command = start(CLIPS)
    until(lambda: hangs(tmp_path))
    for _ in range(times):
        os.killpg(command.pid, number)
        time.sleep(0.05)
    output, _ = command.communicate(timeout=120)
    assert command.returncode == code, output
    assert STOPPED in output
    assert_clean(tmp_path, command, output)
    summary = summary_of(tmp_path)
    assert (summary.state, summary.clips) == ("interrupted", {"done": 1})
    # What was at work is not taken for failed.
    assert not list((tmp_path / "out").glob("sub-*/ses-*/*/error.txt"))
    assert (tmp_path / "out/study.html").exists()


@pytest.mark.parametrize(
    "more", ["person_pages.build_person = standins.linger_on_person", "batch.make_study_page = linger"]
)
def test_a_run_that_is_stopped_while_pages_are_made_ends_cleanly(tmp_path: Path, start: Start, more: str) -> None:
    command = start({"a-one": "01", "b-one": "02"}, more)
    until(lambda: (tmp_path / "out/lingers").exists())
    os.killpg(command.pid, signal.SIGINT)
    output, _ = command.communicate(timeout=120)
    assert command.returncode == 130, output
    assert STOPPED in output
    assert_clean(tmp_path, command, output)
    assert summary_of(tmp_path).state == "interrupted"


def test_a_run_that_is_killed_is_told_at_once_and_leaves_no_lock(tmp_path: Path, start: Start) -> None:
    command = start(CLIPS)
    until(lambda: hangs(tmp_path))
    assert read_status(tmp_path / "out").state == "at work"
    os.killpg(command.pid, signal.SIGKILL)
    command.communicate(timeout=60)
    status = read_status(tmp_path / "out")
    assert status.state == "killed" == state_of(summary_of(tmp_path))
    assert status.clips["done"] == 1
    assert [one.name for one in status.without_report] == ["P01-02"]
    assert list((tmp_path / "out/runs").glob("*/.jobs-*"))
    again = start({"a-one": "01"})
    output, _ = again.communicate(timeout=120)
    assert again.returncode == 0, output
    assert not list((tmp_path / "out/runs").glob("*/.jobs-*"))


def test_a_watch_measures_what_arrives_keeps_others_out_and_ends_with_ctrl_c(tmp_path: Path, start: Start) -> None:
    watch = start(
        {"a-one": "01", "b-one": "01"}, "pass",
        ("watch", "study", "--out", "out", "--every", "0.2", "--settle", "0.4"),
    )  # fmt: skip
    until(lambda: (tmp_path / "out/watch.json").exists())
    write_clip(tmp_path / "study/new.mp4", range(0, 990, 33))
    (tmp_path / "study/new.mp4").rename(tmp_path / "study/a-one.mp4")
    until(lambda: (tmp_path / "out/study.html").exists())
    refused = start({"a-one": "01", "b-one": "01"})
    output, _ = refused.communicate(timeout=120)
    assert refused.returncode == 2
    assert "in use by `strideledger watch` since" in output and f"process {watch.pid} of this computer" in output
    os.killpg(watch.pid, signal.SIGINT)
    output, _ = watch.communicate(timeout=120)
    assert watch.returncode == 130, output
    assert "done    clip a-one" in output and "waiting: 1 not there" in output and STOPPED in output
    assert_clean(tmp_path, watch, output)
    status = read_status(tmp_path / "out")
    assert (status.state, status.watch_state, status.clips["done"]) == ("done", "ended", 1)


def test_the_terminal_is_put_right(tmp_path: Path, start: Start) -> None:
    ours, theirs = pty.openpty()
    command = start(CLIPS, stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    pieces: list[bytes] = []

    def read() -> None:
        """Read what is shown, as a terminal does: one that nobody reads stops whoever writes to it."""
        with suppress(OSError):
            while piece := os.read(ours, 65536):
                pieces.append(piece)

    reader = threading.Thread(target=read)
    reader.start()
    until(lambda: hangs(tmp_path))
    os.killpg(command.pid, signal.SIGINT)
    command.wait(timeout=120)
    reader.join(timeout=60)
    os.close(ours)
    shown = b"".join(pieces)
    assert command.returncode == 130
    # Cursor hidden while the bars move (DEC private mode 25), and shown again.
    assert shown.rfind(b"\x1b[?25h") > shown.rfind(b"\x1b[?25l") >= 0
    assert b"time left not known yet" in shown
    assert STOPPED.encode() in shown and b"Traceback" not in shown
