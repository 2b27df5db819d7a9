"""A run under way: what is queued, where it is done, and how clips and visits ended."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Generator, Mapping
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.causes import Causes
from pipeline.clip_stages import measure_clip_files, unchanged_clip
from pipeline.cluster import OpenCluster
from pipeline.config import Settings
from pipeline.isolate import Job, Outcome, run_jobs
from pipeline.job_process import Failure, Tell
from pipeline.jobs import VisitJob, report_visit, unchanged_visit, visit_job
from pipeline.judgement import ClipResult, Limits, Recorded, VisitReport
from pipeline.live import LiveRun
from pipeline.model import Clip
from pipeline.picture_stages import ClipJob
from pipeline.runs import RunFolder
from pipeline.stage_record import FolderRecord, StageEnd, read_record, told, write_record
from pipeline.store import OutputTree, read_json, write_text
from pipeline.study_result import Progress, VisitResult

if TYPE_CHECKING:
    from pipeline.recorded import MeasureList

ClipWork = Callable[[ClipJob, Tell], tuple[StageEnd, ...]]
VisitWork = Callable[[VisitJob, Tell], StageEnd]
VisitKey = tuple[str, str]


class StudyRun:
    """A run under way: what is queued, and what has ended."""

    def __init__(
        self,
        tree: OutputTree,
        clips: list[Clip],
        settings: Settings,
        limits: Limits,
        causes: Causes,
        progress: Callable[[Progress], None] | None,
        measures: MeasureList,
        recorded: Mapping[VisitKey, tuple[Recorded, ...]],
        workers: int | None,
        metrics_file: Path | None,
        machines: OpenCluster | None,
    ) -> None:
        self.tree = tree
        self.recorded = recorded
        self.clips = {clip.clip_id: clip for clip in clips}
        self.settings = settings
        self.limits = limits
        self.causes = causes
        self.given_workers = workers
        self.workers = workers or settings.run.workers
        self.machines = machines
        self.results: dict[str, ClipResult] = {}
        self.visits: dict[VisitKey, VisitResult] = {}
        self.clips_of: dict[VisitKey, list[Clip]] = {}
        for clip in clips:
            self.clips_of.setdefault(_key(clip), []).append(clip)
        self.folder = RunFolder(tree, settings, limits, causes, measures, visits=self.clips_of, n_clips=len(self.clips))
        tell = progress or (lambda _: None)
        self.live = LiveRun(self.folder, workers=self.at_once, tell=tell, metrics_file=metrics_file)

    def at_once(self) -> int:
        """How many jobs are worked on at the same time: this machine's processes, or what other machines take."""
        if self.machines is None:
            return self.workers
        slots = self.machines.slots
        return slots if self.given_workers is None else min(slots, self.given_workers)

    def clip_results(self) -> list[ClipResult]:
        """Results so far, in the manifest's order."""
        return [self.results[clip_id] for clip_id in self.clips if clip_id in self.results]

    def clip_folder(self, clip: Clip) -> Path:
        """Folder of a clip's results."""
        return self.tree.clip_folder(clip.subject, clip.visit, clip.clip_id)

    def go(self, clip_work: ClipWork, visit_work: VisitWork) -> None:
        """Run all clips, and each visit as soon as its last clip ended. What is unchanged needs no process."""
        clip_of: dict[str, Clip] = {}
        visit_of: dict[str, VisitKey] = {}
        queue: deque[Job] = deque()
        for clip_id, clip in self.clips.items():
            name, job = f"clip {clip_id}", ClipJob(clip, self.clip_folder(clip), self.settings)
            started_s = time.monotonic()
            reused = unchanged_clip(job) if clip_work is measure_clip_files else None
            if reused is None:
                clip_of[name] = clip
                queue.append(limited_job(name, clip_work, job))
                self.live.will_measure(name, job)
            else:
                self.end_clip(clip, Outcome(name, reused, None, time.monotonic() - started_s, ""))
        # Each goes to the front of the queue.
        for key in reversed(self.clips_of):
            self.queue_visit(key, queue, visit_of, visit_work)
        # Closed at once when the run is stopped, so that no process outlives it.
        with closing(self.outcomes(queue)) as outcomes:
            for outcome in outcomes:
                if outcome.name in visit_of:
                    self.end_visit(visit_of[outcome.name], outcome)
                    continue
                clip = clip_of[outcome.name]
                self.end_clip(clip, outcome)
                self.queue_visit(_key(clip), queue, visit_of, visit_work)

    def outcomes(self, queue: deque[Job]) -> Generator[Outcome, None, None]:
        """How the jobs end, on this machine or on others."""
        hear = self.live.hear
        if self.machines is not None:
            return self.machines.run_jobs(queue, workers=self.given_workers, on_progress=hear, on_notice=self.note)
        return run_jobs(queue, scratch=self.folder.folder, workers=self.workers, on_progress=hear)

    def note(self, text: str) -> None:
        """Tell the log and the caller what happens to the other machines."""
        self.folder.log(text)
        self.live.tell(Progress("cluster", "notice", state="notice", message=text))

    def queue_visit(
        self, key: VisitKey, queue: deque[Job], visit_of: dict[str, VisitKey], visit_work: VisitWork
    ) -> None:
        """Queue a visit whose clips have all ended, or end it where its report is unchanged."""
        clips = self.clips_of[key]
        if any(clip.clip_id not in self.results for clip in clips):
            return
        name, job = f"visit {key[0]}-{key[1]}", self.visit_job(clips)
        started_s = time.monotonic()
        end = unchanged_visit(job) if visit_work is report_visit else None
        if end is None:
            visit_of[name] = key
            # Before the clips that wait: a visit has its report early, and a run that is killed leaves more of them.
            queue.appendleft(limited_job(name, visit_work, job))
        else:
            self.end_visit(key, Outcome(name, end, None, time.monotonic() - started_s, ""))

    def visit_job(self, clips: list[Clip]) -> VisitJob:
        """The job of a visit whose clips have all ended."""
        key = _key(clips[0])
        return visit_job(
            clips,
            self.results,
            self.tree.visit_folder(*key),
            settings=self.settings,
            limits=self.limits,
            causes=self.causes,
            run=self.folder.record,
            recorded=self.recorded.get(key, ()),
        )

    def end_clip(self, clip: Clip, outcome: Outcome) -> None:
        """Note how a clip ended. A failed one gets its message into its own folder."""
        failure = outcome.failure
        ends: tuple[StageEnd, ...] = () if failure else outcome.value
        if failure is not None:
            self.note_failure(self.clip_folder(clip), failure)
        result = self.results[clip.clip_id] = ClipResult(
            clip_id=clip.clip_id,
            relative_path=clip.relative_path,
            state="failed" if failure else "done",
            stage=failure.stage if failure else "measures",
            error_type=failure.error_type if failure else "",
            message=failure.message if failure else "",
            seconds=round(outcome.seconds, 2),
            reused=tuple(told(end) for end in ends if end.since),
            repaired=tuple(told(end) for end in ends if end.damaged),
        )
        self.live.clip_ended(result, outcome, failure.message if failure else "; ".join(filter(None, map(told, ends))))

    def end_visit(self, key: VisitKey, outcome: Outcome) -> None:
        """Note how a visit ended."""
        folder = self.tree.visit_folder(*key)
        if outcome.failure is not None:
            self.note_failure(folder, outcome.failure)
            self.visits[key] = VisitResult(*key, folder, None, None, outcome.failure.message)
        else:
            saved = read_json(folder / "visit.json", VisitReport)
            end: StageEnd = outcome.value
            repaired = told(end) if end.damaged else ""
            self.visits[key] = VisitResult(*key, folder, folder / "visit.html", saved, "", end.since, repaired)
        text = outcome.failure.message if outcome.failure else told(outcome.value)
        self.live.visit_ended(self.visits[key], outcome, text)

    def note_failure(self, folder: Path, failure: Failure) -> None:
        """Leave the message beside the results."""
        # On a full disk the message stays in the run's table and summary alone.
        with suppress(OSError):
            write_text(folder / "error.txt", failure.message + "\n")
            write_record(folder, FolderRecord("failed", stages=read_record(folder).stages))


def limited_job(name: str, work: ClipWork | VisitWork, of: ClipJob | VisitJob) -> Job:
    """The work on a clip or a visit, within the limits of its settings."""
    run = of.settings.run
    return Job(name, work, (of,), run.clip_time_limit_s, run.clip_memory_limit_mb)


def _key(clip: Clip) -> VisitKey:
    """Which visit a clip belongs to."""
    return (clip.subject, clip.visit)
