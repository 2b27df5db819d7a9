"""What runs/ID/run.json holds while a run is at work and afterwards, and how its state is read from it."""

from __future__ import annotations

import hashlib
import os
import platform
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from pipeline.judgement import RunRecord

RECORD_NAME, CLIPS_NAME, VISITS_NAME = "run.json", "clips.csv", "visits.csv"
# How often the record is written while the run is at work. Own choice. [s]
BEAT_S = 5.0
# A run whose process cannot be asked counts as killed after this time without a sign of life: several beats, and a
# full minute, since clocks of computers on one network differ by seconds. Own choice. [s]
SILENT_S = 60.0

RunState = Literal["at work", "done", "interrupted", "killed"]


@dataclass(frozen=True, slots=True)
class AtWork:
    """A clip, a visit or the pages that a run is at: its stage, the frames looked at, and since when (UTC).

    `total` is 0 while it is not known.
    """

    name: str
    stage: str
    done: int
    total: int
    since: str


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What run.json holds.

    Attributes
    ----------
    state : str
        `started`, then `done` or `interrupted`. A run that was killed stays `started`: `state_of` tells it.
    run : RunRecord
    clips, visits : dict of state to count
        Those that ended, `done` and `failed`.
    n_clips, n_visits : int
        Those of this run. [1]
    unchanged : int
        Clips of those done that were taken over whole from an earlier run. [1]
    frames : int
        Frames that were looked at in this run. [1]
    seconds_left : float or None
        As `time_left.seconds_left`; None when it is not known, and when nothing is left. [s]
    peak_bytes : int
        The most memory that the process of a clip or a visit had so far; 0 when it is not known. [bytes]
    alive, news : str
        When the run last gave a sign of life, and when the work last told something (UTC).
    pid : int
        Number of the run's process.
    host : str
        A mark of the computer since it was last started, not its name.
    messages : dict of page or folder to message
        Pages of persons and of the study that could not be made.
    """

    state: str
    run: RunRecord
    clips: dict[str, int]
    visits: dict[str, int]
    n_clips: int = 0
    n_visits: int = 0
    unchanged: int = 0
    frames: int = 0
    seconds_left: float | None = None
    peak_bytes: int = 0
    at_work: tuple[AtWork, ...] = ()
    alive: str = ""
    news: str = ""
    pid: int = 0
    host: str = ""
    messages: dict[str, str] = field(default_factory=dict)


def this_process() -> tuple[int, str]:
    """The number of this process, and the mark of this computer."""
    return os.getpid(), host_mark()


def host_mark() -> str:
    """Sixteen letters that differ from computer to computer and from start to start, without naming it.

    Process numbers begin anew with every start. A name such as `anna-laptop` would stand in the results.
    """
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        boot = ""
    return hashlib.sha256(f"{platform.node()} {boot}".encode()).hexdigest()[:16]


def is_running(pid: int) -> bool:
    """Whether a process of this number is there, on this computer."""
    if os.name != "posix":
        # There, asking would end it.
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return pid > 0
    return True


def seconds_since(time: str) -> float:
    """Seconds since a time as `now_text` writes it; a clock that is ahead gives 0, no time infinity. [s]"""
    try:
        then = datetime.strptime(time, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
    except ValueError:
        return float("inf")
    return max(0.0, (datetime.now(UTC) - then).total_seconds())


def lives(pid: int, host: str, alive: str) -> bool:
    """Whether what left this mark is still at work: a sign of life of late, and its process there if it is ours."""
    if seconds_since(alive) > SILENT_S:
        return False
    return host != host_mark() or is_running(pid)


def state_of(run: RunSummary) -> RunState:
    """The state of a run; killed when its record says started and nothing lives that would finish it."""
    if run.state == "done":
        return "done"
    if run.state == "started":
        return "at work" if lives(run.pid, run.host, run.alive) else "killed"
    return "interrupted"
