"""One job, one short-lived process: what goes wrong in one job leaves the others untouched.

Video and pose libraries are native code, and catching exceptions contains neither a crash nor a hang. In a
pool of two processes, a worker that aborted on item 3 of 6 took that item and all later ones with it.
So each job has a process of its own, watched for time and memory, and hands its result over in a file.
"""

from __future__ import annotations

import math
import multiprocessing
import pickle
import tempfile
import time
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from multiprocessing.connection import wait
from multiprocessing.context import SpawnProcess
from pathlib import Path
from typing import Any

import psutil

from pipeline.errors import StageError
from pipeline.job_process import CANNOT_WRITE, Failure, work
from pipeline.stopping import starting_process
from pipeline.store import JOBS, without_home
from pipeline.usage import read_usage

# Often enough for a smooth progress bar, and to see a process grow. [s]
POLL_S = 0.1
# A native library may hang while its process ends, after the result was handed over. [s]
GRACE_S = 5.0
MEGABYTE = 1e6
# What a system without enough memory sends; the signal module lacks the name on some systems.
SIGKILL = 9
# The end of what a process printed, enough for the lines before a crash. [characters]
LOG_TAIL = 4000

OnProgress = Callable[[str, str, int, int], None]


@dataclass(frozen=True, slots=True)
class Job:
    """A function that can be imported, its arguments, and its limits of time and memory; called with `tell` at the end.

    `tell(stage, done, total)` is how the function says what it is doing. `name` is what messages call the
    job; the names of one run differ. The memory is what the process holds in the machine's memory. [MB]
    """

    name: str
    function: Callable[..., Any]
    arguments: tuple[Any, ...]
    time_limit_s: float
    memory_limit_mb: float = math.inf


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one job ended, and the end of what it printed. `value` is None together with a failure.

    `stages` are those that it told, each with its seconds; `peak_bytes` is the most memory it had, 0 when not known.
    """

    name: str
    value: Any
    failure: Failure | None
    seconds: float
    output: str
    stages: tuple[tuple[str, float], ...] = ()
    peak_bytes: int = 0


@dataclass(slots=True)
class _Running:
    """A process at work."""

    job: Job
    process: SpawnProcess
    folder: Path
    started_s: float
    answered_s: float | None = None
    told: tuple[str, int, int] = ("start", 0, 0)
    peak_mb: float = 0.0

    @property
    def answer(self) -> Path:
        return self.folder / "answer"


def run_jobs(
    queue: deque[Job],
    *,
    scratch: Path,
    workers: int,
    on_progress: OnProgress | None = None,
    is_wanted: Callable[[], bool] = lambda: True,
) -> Generator[Outcome, None, None]:
    """Yield the outcome of each job as it ends.

    Parameters
    ----------
    queue : deque of Job
        Emptied from the left. The caller may append while outcomes arrive.
    scratch : Path
        Existing folder for the files through which the processes report.
    workers : int
        Processes at a time. [1]
    on_progress : callable, optional
        Called with name, stage, done and total whenever a job has told something new.
    is_wanted : callable, optional
        Asked several times a second; once it says no, all processes are stopped and no further outcome is yielded.

    Raises
    ------
    StageError
        Called while a process of an earlier call is still being started.
    """
    refuse_recursion()
    running: list[_Running] = []
    with tempfile.TemporaryDirectory(dir=scratch, prefix=JOBS, ignore_cleanup_errors=True) as folder:
        try:
            while (queue or running) and is_wanted():
                while queue and len(running) < workers:
                    job = queue.popleft()
                    try:
                        running.append(_start(job, Path(tempfile.mkdtemp(dir=folder))))
                    except OSError as error:
                        yield _not_started(job, error)
                wait([item.process.sentinel for item in running], timeout=POLL_S)
                for item in list(running):
                    _hear(item, on_progress)
                    if _has_ended(item):
                        running.remove(item)
                        yield _outcome(item, on_progress)
        finally:
            for item in running:
                _stop(item.process)


def refuse_recursion() -> None:
    """Stop a script that starts a run while it is imported by that run's own processes."""
    if getattr(multiprocessing.current_process(), "_inheriting", False):
        raise StageError(
            "run",
            "started again from inside one of its own processes",
            "expected the call in the script's main part",
            'Put it under `if __name__ == "__main__":`.',
        )


def _start(job: Job, folder: Path) -> _Running:
    """Start the job's process."""
    # Spawned, not forked: a fork copies threads and locks of native libraries in any state.
    process = multiprocessing.get_context("spawn").Process(
        target=work, args=(job.function, job.arguments, folder), daemon=True
    )
    with starting_process():
        process.start()
    return _Running(job, process, folder, time.monotonic())


def _not_started(job: Job, error: OSError) -> Outcome:
    """The outcome of a job for which there is no process, or no folder for its answer."""
    found = f"cannot be started ({error.strerror})"
    do = "Check free space, memory and the right to write into the results folder."
    message = str(StageError(job.name, found, "", do))
    return Outcome(job.name, None, Failure("start", "StageError", message, machine=f"its process {found}"), 0.0, "")


def _hear(item: _Running, on_progress: OnProgress | None) -> None:
    """Read what the job last told."""
    try:
        done, total, stage = (item.folder / "progress").read_text(encoding="utf-8").split(" ", 2)
    except OSError:
        return
    told = (stage, int(done), int(total))
    if told != item.told:
        item.told = told
        if on_progress is not None:
            on_progress(item.job.name, *told)


def _has_ended(item: _Running) -> bool:
    """Tell whether the job is over: its process ended, or it is out of time and was stopped."""
    now_s = time.monotonic()
    if not item.process.is_alive():
        return True
    item.peak_mb = max(item.peak_mb, _held_mb(item.process))
    if item.answered_s is None and item.answer.exists():
        item.answered_s = now_s
    # The result that is there counts, even when the process then fails to end.
    over_s = item.started_s + item.job.time_limit_s if item.answered_s is None else item.answered_s + GRACE_S
    if now_s < over_s and not (item.answered_s is None and item.peak_mb > item.job.memory_limit_mb):
        return False
    _stop(item.process)
    return True


def _held_mb(process: SpawnProcess) -> float:
    """What a process holds in the machine's memory. [MB]"""
    try:
        return float(psutil.Process(process.pid).memory_info().rss) / MEGABYTE
    except psutil.Error:
        return 0.0


def _stop(process: SpawnProcess) -> None:
    """End a process that does not end by itself."""
    process.kill()
    process.join()


def _outcome(item: _Running, on_progress: OnProgress | None) -> Outcome:
    """The job's result, or why there is none. What it told just before its end is heard first."""
    ended_s = time.monotonic()
    seconds = ended_s - item.started_s
    stages, peak_bytes = read_usage(item.folder, item.started_s, ended_s)
    _hear(item, on_progress)
    item.process.join()
    value: Any = None
    if item.answer.exists():
        value = pickle.loads(item.answer.read_bytes())
        failure = value if isinstance(value, Failure) else None
        if failure is not None and failure.traceback:
            failure = replace(failure, message=f"{item.job.name}: {failure.message}")
    else:
        failure = _failure_without_answer(item, seconds)
    output = item.folder / "output"
    tail = output.read_text(encoding="utf-8", errors="replace")[-LOG_TAIL:] if output.exists() else ""
    item.process.close()
    peak_bytes = max(peak_bytes, round(item.peak_mb * MEGABYTE))
    return Outcome(item.job.name, None if failure else value, failure, seconds, without_home(tail), stages, peak_bytes)


def _failure_without_answer(item: _Running, seconds: float) -> Failure:
    """What to say of a process that ended, or was ended, without a word."""
    exit_code, machine = item.process.exitcode or 0, ""
    if seconds >= item.job.time_limit_s:
        found = f"no result within {item.job.time_limit_s:g} s"
        do = "Cut the clip shorter, or raise run.clip_time_limit_s in the settings."
    elif item.peak_mb > item.job.memory_limit_mb:
        found = f"took {math.ceil(item.peak_mb)} MB of memory; at most {item.job.memory_limit_mb:g} MB are allowed"
        do = "Use a clip with smaller pictures, or raise run.clip_memory_limit_mb in the settings."
    elif exit_code == CANNOT_WRITE:
        found = machine = "the result cannot be written"
        do = "Check free space and the right to write into the results folder."
    elif exit_code == -SIGKILL:
        found = f"the process ended with signal {-exit_code}"
        do = "Often the memory ran out: use fewer --workers, or a shorter clip."
    elif exit_code < 0:
        found = f"the process ended with signal {-exit_code}"
        do = "The file may be damaged: play it to the end, or export it again."
    else:
        found = f"the process ended with exit code {exit_code} and without a result"
        do = "The log of this run holds its last output."
    return Failure(item.told[0], "StageError", str(StageError(item.job.name, found, "", do)), machine=machine)
