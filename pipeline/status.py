"""What is known of the latest run into a results folder, while it is at work and afterwards; it only reads."""

from __future__ import annotations

import csv
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import StageError
from pipeline.failure_kinds import FailureKind, failure_kinds
from pipeline.run_record import (
    CLIPS_NAME,
    RECORD_NAME,
    VISITS_NAME,
    AtWork,
    RunState,
    RunSummary,
    state_of,
)
from pipeline.store import nothing_saved, read_json
from pipeline.watch_record import WatchRecord, WatchState, read_watch, watch_state

# Below this a run of a few hundred clips may not fit: one leaves one to three megabytes. Own choice. [bytes]
LOW_SPACE = 1_000_000_000


@dataclass(frozen=True, slots=True)
class NoReport:
    """A visit, or a person's or study's page, that is not there, and why."""

    name: str
    why: str


@dataclass(frozen=True, slots=True)
class Status:
    """The latest run into a results folder.

    Attributes
    ----------
    state : {"at work", "done", "interrupted", "killed"}
    run_id, started, finished : str
        Times in UTC; `finished` is empty while it is at work, and when it was killed.
    alive, news : str
        Last sign of life, and when the work last told something (UTC).
    clips : dict of state to count
        `done`, of these `unchanged` since an earlier run, `failed`, `at work`, and `not ended`.
    visits : dict of state to count
        Reports `done`, `failed` and `waiting`.
    frames : int
        Frames looked at in this run. [1]
    seconds_left : float or None
        None when it is not known, or nothing is left. [s]
    peak_bytes : int
        The most memory of one process; 0 when it is not known. [bytes]
    failures : tuple of FailureKind
        What failed, the most frequent first.
    without_report : tuple of NoReport
    free_bytes : int
        Free space where the results lie. [bytes]
    low_space : bool
        Whether that is little.
    watch, watch_state
        What a watch of this folder last noted, and whether it is at work; None without one, and where the latest run
        started after it had ended or was killed.
    """

    state: RunState
    run_id: str
    started: str
    finished: str
    alive: str
    news: str
    clips: dict[str, int]
    visits: dict[str, int]
    frames: int
    seconds_left: float | None
    peak_bytes: int
    at_work: tuple[AtWork, ...]
    failures: tuple[FailureKind, ...]
    without_report: tuple[NoReport, ...]
    free_bytes: int
    low_space: bool
    watch: WatchRecord | None = None
    watch_state: WatchState | None = None

    @property
    def all_well(self) -> bool:
        """Whether nothing failed, and nothing was killed or interrupted."""
        lost = self.failures or self.state in ("killed", "interrupted")
        waits = self.state == "at work" or self.watch_state == "at work"
        unreadable = self.watch is not None and (self.watch.unreadable or self.watch.problem)
        return not (lost or unreadable or self.watch_state == "killed" or (self.without_report and not waits))


def read_status(out: Path | str) -> Status:
    """Read the status of the latest run into a results folder.

    Parameters
    ----------
    out : Path or str
        The results folder.

    Raises
    ------
    ConfigError
        No run has written there.
    """
    out = Path(out)
    watch = read_watch(out)
    found = latest_run(out)
    if found is None:
        raise nothing_saved(out, "no run has written there", expected=f"runs/*/{RECORD_NAME}")
    folder, run = found
    if watch is not None and watch_state(watch) != "at work" and watch.alive < run.run.started:
        watch = None
    clips = list(_rows(folder / CLIPS_NAME, ("state", "message")))
    visits = {
        (row["subject"], row["visit"]): row
        for row in _rows(folder / VISITS_NAME, ("subject", "visit", "state", "message"))
    }
    state = state_of(run)
    is_open = state == "at work"
    failed = [row["message"] for row in clips if row["state"] == "failed"]
    failed += [row["message"] for row in visits.values() if row["state"] == "failed"]
    n_done = sum(row["state"] == "done" for row in clips)
    at_work = run.at_work if is_open else ()
    n_at_work = sum(told.name.startswith("clip ") for told in at_work)
    visit_states = [row["state"] for row in visits.values()]
    free = shutil.disk_usage(out).free
    return Status(
        state=state,
        run_id=run.run.run_id,
        started=run.run.started,
        finished=run.run.finished,
        alive=run.alive,
        news=run.news,
        clips={
            "done": n_done,
            "unchanged": run.unchanged,
            "failed": len(clips) - n_done,
            "at work": n_at_work,
            "not ended": max(0, run.n_clips - len(clips) - n_at_work),
        },
        visits={name: visit_states.count(name) for name in ("done", "failed", "waiting")},
        frames=run.frames,
        seconds_left=run.seconds_left if is_open else None,
        peak_bytes=run.peak_bytes,
        at_work=at_work,
        failures=failure_kinds([*failed, *run.messages.values()]),
        without_report=tuple(_without_report(out, run, visits, state)),
        free_bytes=free,
        low_space=free < LOW_SPACE,
        watch=watch,
        watch_state=watch_state(watch) if watch is not None else None,
    )


def latest_run(out: Path) -> tuple[Path, RunSummary] | None:
    """The latest run's folder and record, None without one; one whose record cannot be read is passed over."""
    for name in sorted(_folders(out / "runs"), reverse=True):
        try:
            return out / "runs" / name, read_json(out / "runs" / name / RECORD_NAME, RunSummary)
        except StageError:
            continue
    return None


def _rows(path: Path, wanted: tuple[str, ...]) -> Iterator[dict[str, str]]:
    """Whole rows of a table of the run; the last one may be half written just now.

    None where a column is missing that is wanted, as when somebody saved the table again in another form.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            header, *rows = csv.reader(file)
    except (OSError, ValueError, csv.Error):
        return
    if not set(wanted) <= set(header):
        return
    for row in rows:
        if len(row) == len(header):
            yield dict(zip(header, row, strict=True))


def _folders(path: Path) -> list[str]:
    """Names of the folders in a folder, links left out."""
    try:
        with os.scandir(path) as entries:
            return [entry.name for entry in entries if entry.is_dir(follow_symlinks=False)]
    except OSError:
        return []


def _without_report(
    out: Path, run: RunSummary, visits: dict[tuple[str, str], Any], state: RunState
) -> Iterator[NoReport]:
    """Visits of this run and of the folder that have no report, and pages that are missing."""
    not_yet = "waits for its turn" if state == "at work" else f"the run was {state} before its turn"
    told = set()
    for (subject, visit), row in visits.items():
        if row["state"] != "done":
            told.add((subject, visit))
            yield NoReport(f"{subject}-{visit}", row["message"] or not_yet)
    for person in sorted(_folders(out)):
        if person.startswith("sub-"):
            for name in sorted(_folders(out / person)):
                key = (person.removeprefix("sub-"), name.removeprefix("ses-"))
                if name.startswith("ses-") and key not in told and not (out / person / name / "visit.json").exists():
                    yield NoReport("-".join(key), _left_reason(out / person / name))
    for page, message in run.messages.items():
        yield NoReport(page, message)


def _left_reason(folder: Path) -> str:
    """What an earlier run left as the reason."""
    try:
        return (folder / "error.txt").read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return "an earlier run stopped before its turn"
