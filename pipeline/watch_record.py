"""What a watch of an incoming folder notes for others: watch.json in the results folder."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from pipeline.errors import StageError
from pipeline.run_record import lives, this_process
from pipeline.store import now_text, read_json, write_json

NAME = "watch.json"
WatchState = Literal["at work", "ended", "killed"]
# Clips named; the others are counted. Own choice.
MOST_NAMES = 20


@dataclass(frozen=True, slots=True)
class WatchRecord:
    """A watch of an incoming folder.

    Attributes
    ----------
    state : {"started", "ended"}
        One that was killed stays `started`: `watch_state` tells it.
    started, alive : str
        When it started, and its last sign of life (UTC).
    pid, host
        As in a run's record.
    waiting : dict of reason to count
        Clips of the manifest that are not measured yet: `not there`, `being copied`, `to be measured`.
    names : tuple of str
        Some of those that are not there or being copied.
    unreadable : dict of clip to message
        Files that are there and are no whole clip.
    problem : str
        What is wrong with the tables of the study, while the last good ones hold; else empty.
    """

    state: str
    started: str
    alive: str
    pid: int
    host: str
    waiting: dict[str, int] = field(default_factory=dict)
    names: tuple[str, ...] = ()
    unreadable: dict[str, str] = field(default_factory=dict)
    problem: str = ""


def new_watch() -> WatchRecord:
    """The record of a watch that starts now, in this process."""
    return WatchRecord("started", now_text(), now_text(), *this_process())


def write_watch(out: Path, record: WatchRecord) -> None:
    """Write the record."""
    write_json(out / NAME, record)


def read_watch(out: Path) -> WatchRecord | None:
    """The record of the last watch; None when there was none."""
    try:
        return read_json(out / NAME, WatchRecord)
    except StageError:
        return None


def watch_state(record: WatchRecord) -> WatchState:
    """Whether a watch is at work, has ended, or was killed."""
    if record.state != "started":
        return "ended"
    return "at work" if lives(record.pid, record.host, record.alive) else "killed"
