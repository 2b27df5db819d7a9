"""A run as it can be seen from outside: what it is at, what has ended, how long it still takes."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from pipeline.clip_file import count_frames
from pipeline.clip_log import FOLDER, ClipLog
from pipeline.errors import ConfigError
from pipeline.isolate import Outcome
from pipeline.judgement import ClipResult
from pipeline.landmark_file import is_landmark_file
from pipeline.metrics_text import metrics_text
from pipeline.picture_stages import ClipJob
from pipeline.run_record import BEAT_S, AtWork
from pipeline.runs import RunFolder
from pipeline.stage_record import read_record
from pipeline.store import now_text, shown_path, write_text
from pipeline.study_result import Progress, VisitResult
from pipeline.time_left import Kind, Pile, Work, seconds_left

# The mean size of a frame in clips of phones at 1280x720 is 2 to 10 kB: where no index tells the frames, only the
# proportion between clips counts. Own choice. [bytes]
FRAME_SIZE = 4000
REPORT = Work("report")


class LiveRun:
    """Keeps the record of a run up to date, and passes on what it hears with the time left.

    A thread writes the record every few seconds, so that a long stage is no silence. It starts and ends with the
    context.

    Parameters
    ----------
    folder : RunFolder
        Where the record is written.
    workers : callable
        Gives how many clips and visits are worked on at the same time, now. [1]
    tell : callable
        Called with each `Progress`.
    metrics_file : Path, optional
        A file for a monitoring system, written with the record.

    Raises
    ------
    ConfigError
        There is no folder for `metrics_file`.
    """

    def __init__(
        self,
        folder: RunFolder,
        *,
        workers: Callable[[], int],
        tell: Callable[[Progress], None],
        metrics_file: Path | None = None,
    ) -> None:
        self.folder = folder
        self.workers = workers
        self.tell = tell
        self.metrics_file = metrics_file
        self.works: dict[str, Work] = {}
        self.ended: dict[Kind, Pile] = {}
        self.waiting: dict[Kind, Pile] = {"report": Pile(folder.summary.n_visits, folder.summary.n_visits)}
        self.at_work: dict[str, tuple[AtWork, float]] = {}
        self.logs: dict[str, ClipLog] = {}
        self.clips: dict[str, int] = {}
        self.visits: dict[str, int] = {}
        self.unchanged = self.frames = self.peak_bytes = 0
        self.news = now_text()
        self.lock = threading.Lock()
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._beat, daemon=True)

    def __enter__(self) -> LiveRun:
        self.write()
        self.thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop.set()
        self.thread.join()
        # What came after the last beat belongs into the final record, which keeps these figures.
        with suppress(OSError):
            self.write()

    def will_measure(self, name: str, job: ClipJob) -> None:
        """Note that a clip waits for its process."""
        with self.lock:
            work = self.works[name] = work_of(job)
            self.waiting[work.kind] = self.waiting.get(work.kind, Pile()).plus(work)

    def hear(self, name: str, stage: str, done: int, total: int) -> None:
        """A clip or a visit has told something."""
        with self.lock:
            now_s = time.monotonic()
            earlier, started_s = self.at_work.get(name, (None, now_s))
            if earlier is None:
                work = self.works.get(name, REPORT)
                self.waiting[work.kind] = self.waiting[work.kind].minus(work)
            if stage == "landmarks" and done:
                before = earlier.done if earlier is not None and earlier.stage == stage else 0
                self.frames += max(0, done - before)
            since = earlier.since if earlier is not None else now_text()
            self.at_work[name] = (AtWork(name, stage, done, total, since), started_s)
            self.news = now_text()
            left_s = self._seconds_left(now_s)
        if name in self.works and (earlier is None or earlier.stage != stage):
            self._log(name, lambda log: log.stage(stage))
        self.tell(Progress(name, stage, done, total, seconds_left=left_s))

    def clip_ended(self, result: ClipResult, outcome: Outcome, text: str) -> None:
        """A clip has ended, in its process or because it is unchanged."""
        name = outcome.name
        with self.lock:
            self.clips[result.state] = self.clips.get(result.state, 0) + 1
            work = self.works.get(name)
            self.unchanged += work is None
            if work is not None:
                self._end(name, work, outcome)
        if work is not None:
            self._log(name, lambda log: log.end(outcome))
        self.folder.clip_ended(result)
        self._announce(outcome, text)

    def visit_ended(self, result: VisitResult, outcome: Outcome, text: str) -> None:
        """A visit has ended, in its process or because its report is unchanged."""
        with self.lock:
            state = "done" if result.page else "failed"
            self.visits[state] = self.visits.get(state, 0) + 1
            self._end(outcome.name, REPORT, outcome, counts=not result.unchanged_since)
        self.folder.visit_ended(result)
        self._announce(outcome, text)

    def pages(self, name: str) -> None:
        """What comes after the last clip has begun; an empty name ends it."""
        with self.lock:
            self.at_work = {name: (AtWork(name, "pages", 0, 0, now_text()), time.monotonic())} if name else {}
            self.news = now_text()

    def write(self) -> None:
        """Write the record, and the file for a monitoring system."""
        with self.lock:
            at_work = tuple(told for told, _ in self.at_work.values())
            changes = {
                "clips": dict(self.clips),
                "visits": dict(self.visits),
                "unchanged": self.unchanged,
                "frames": self.frames,
                "peak_bytes": self.peak_bytes,
                "at_work": at_work,
                "news": self.news,
                "seconds_left": self._seconds_left(time.monotonic()),
            }
        self.folder.refresh(**changes)
        self.write_metrics()

    def write_metrics(self) -> None:
        """Write the file for a monitoring system; a run does not end because it cannot be written."""
        if self.metrics_file is not None:
            with suppress(OSError):
                write_text(self.metrics_file, metrics_text(self.folder.summary))

    def _end(self, name: str, work: Work, outcome: Outcome, *, counts: bool = True) -> None:
        """Move a piece of work from what waits or is at work to what has ended; its lock is held."""
        if self.at_work.pop(name, None) is None:
            self.waiting[work.kind] = self.waiting[work.kind].minus(work)
        if outcome.failure is None and counts:
            self.ended[work.kind] = self.ended.get(work.kind, Pile()).plus(work, outcome.seconds)
        self.peak_bytes = max(self.peak_bytes, outcome.peak_bytes)
        self.news = now_text()

    def _announce(self, outcome: Outcome, text: str) -> None:
        """Tell the run's log and the caller that a clip or a visit ended."""
        state = "failed" if outcome.failure else "done"
        self.folder.log(f"{outcome.name} {state} after {outcome.seconds:.1f} s. {text}")
        if outcome.failure is not None and outcome.failure.traceback:
            self.folder.log(outcome.failure.traceback)
        if outcome.output:
            self.folder.log(f"{outcome.name} printed:\n{outcome.output}")
        with self.lock:
            left_s = self._seconds_left(time.monotonic())
        self.tell(Progress(outcome.name, "end", state=state, message=text, seconds_left=left_s))

    def _log(self, name: str, write: Callable[[ClipLog], None]) -> None:
        """Write into a clip's log; where the disk is full, the clip's own stage meets it, and says it."""
        file = f"{name.removeprefix('clip ')}.log"
        log = self.logs.setdefault(name, ClipLog(self.folder.folder / FOLDER / file, name))
        with suppress(OSError):
            write(log)

    def _seconds_left(self, now_s: float) -> float | None:
        """The time left; its lock is held."""
        at_work = [
            (self.works.get(name, REPORT), now_s - started_s, _share(told))
            for name, (told, started_s) in self.at_work.items()
        ]
        # While no other machine is there, it is as if those that were at work went on.
        return seconds_left(self.ended, self.waiting, at_work, self.workers() or len(at_work))

    def _beat(self) -> None:
        """Write the record until the run ends."""
        while not self.stop.wait(BEAT_S):
            # A disk that is full now may have room again; the clips' own processes meet it, and say it.
            with suppress(OSError):
                self.write()


def work_of(job: ClipJob) -> Work:
    """What a clip will cost, told from its file's index, without decoding it."""
    path = job.clip.path
    if is_landmark_file(path):
        return Work("landmark file")
    try:
        frames = count_frames(path) or path.stat().st_size / FRAME_SIZE
    except OSError:
        # It will fail at once.
        frames = 0.0
    return Work("measures" if "landmarks" in read_record(job.folder).stages else "pictures", float(frames))


def check_metrics_file(path: Path | None) -> None:
    """Refuse a file for a monitoring system that has no folder."""
    if path is not None and not path.parent.is_dir():
        raise ConfigError(
            shown_path(path),
            "its folder does not exist",
            "expected a file in the folder that the monitoring system reads",
            "Make the folder, or give another file with --metrics-file.",
        )


def _share(told: AtWork) -> float:
    """Share of a clip's frames that were looked at: all of them once it is past its landmarks."""
    if told.stage == "landmarks":
        return min(1.0, told.done / told.total) if told.total else 0.0
    return 1.0
