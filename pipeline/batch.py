"""A whole study: each clip and each visit in a process of its own, nothing lost to another's fault."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Collection, Mapping
from contextlib import closing, nullcontext, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.causes import Causes
from pipeline.clip_stages import measure_clip_files, unchanged_clip
from pipeline.config import Settings, config_dir, load_settings
from pipeline.isolate import Job, Outcome, refuse_recursion, run_jobs
from pipeline.job_process import Failure, Tell
from pipeline.jobs import VisitJob, report_visit, unchanged_visit, visit_job
from pipeline.judgement import ClipResult, Limits, Recorded, VisitReport
from pipeline.kept import count_pictures, picture_notes
from pipeline.live import LiveRun, check_metrics_file
from pipeline.manifest import clips_of, read_manifest
from pipeline.model import Clip
from pipeline.person_pages import make_person_pages
from pipeline.picture_stages import ClipJob
from pipeline.rebuild import make_study_page
from pipeline.results_lock import hold_results
from pipeline.runs import RunFolder
from pipeline.stage_record import FolderRecord, StageEnd, read_record, told, write_record
from pipeline.store import STUDY_PAGE, SUBJECT_PAGE, OutputTree, read_json, write_text
from pipeline.study_result import Progress, StudyResult, VisitResult

if TYPE_CHECKING:
    from pipeline.recorded import MeasureList

ClipWork = Callable[[ClipJob, Tell], tuple[StageEnd, ...]]
VisitWork = Callable[[VisitJob, Tell], StageEnd]
VisitKey = tuple[str, str]
STOPPED = f"{STUDY_PAGE}: the run was stopped while it was made. Run the same command again."


def run_study(
    study: Path | str,
    out: Path | str,
    *,
    settings: Settings | None = None,
    limits: Limits | None = None,
    causes: Causes | None = None,
    measures: MeasureList | None = None,
    subject: str | None = None,
    visit: str | None = None,
    workers: int | None = None,
    progress: Callable[[Progress], None] | None = None,
    metrics_file: Path | None = None,
    only: Collection[str] | None = None,
    held: bool = False,
    clip_work: ClipWork = measure_clip_files,
    visit_work: VisitWork = report_visit,
) -> StudyResult:
    """Measure every clip of a study and make every visit's report; what is unchanged is not done again.

    Parameters
    ----------
    study : Path or str
        Folder with `manifest.csv` and the clips; `recorded.csv` and `goals.csv` may stand there too.
    out : Path or str
        Folder for the results; nothing is written anywhere else.
    settings, limits, causes, measures : optional
        By default those that ship with the package; `measures` is the list of what may stand in `recorded.csv`.
    subject, visit : str, optional
        Measure only the clips of this person, and of this visit; by default all of the manifest.
    workers : int, optional
        Clips at the same time; by default the setting run.workers. [1]
    progress : callable, optional
        Called with each `Progress`.
    metrics_file : Path, optional
        File for a monitoring system, written every few seconds.
    only : collection of str, optional
        Ids of the clips to take; the others of the manifest are left alone.
    held : bool
        Whoever calls holds the results folder already.
    clip_work, visit_work : callable
        What is done for a clip and for a visit; they must be importable by a new process.

    Returns
    -------
    StudyResult

    Raises
    ------
    PipelineError
        The manifest, what was recorded, the goals, the settings, the limits, the causes or the pose model are wrong, or
        another run is at work in the results folder: nothing is measured. What goes wrong with one clip or one visit is
        in the result instead.
    """
    refuse_recursion()
    # Here, so that a check does not wait for the catalogue of metrics.
    from pipeline.goals import read_goals, save_goals
    from pipeline.recorded import load_measures, read_recorded

    study, out = Path(study), Path(out)
    if limits is None:
        from pipeline.thresholds import load_limits

        limits = load_limits(config_dir() / "checks")
    if causes is None:
        from pipeline.causes_file import load_causes

        causes = load_causes(limits=limits)
    everybody = read_manifest(study)
    measures = measures or load_measures()
    recorded = read_recorded(study, everybody, measures)
    goals = read_goals(study, everybody, measures)
    clips = [clip for clip in clips_of(everybody, subject, visit) if only is None or clip.clip_id in only]
    check_metrics_file(metrics_file)
    settings = settings or load_settings()
    tree = OutputTree(out)
    with nullcontext("") if held else hold_results(out, "run") as caution:
        save_goals(tree, clips, goals)
        run = _Study(tree, clips, settings, limits, causes, progress, measures, recorded, workers, metrics_file)
        if caution:
            run.folder.log(caution)
        return _run(run, clip_work, visit_work)


def _run(run: _Study, clip_work: ClipWork, visit_work: VisitWork) -> StudyResult:
    """Measure, report, and make the pages; what was not come to is told too."""
    out, settings, limits = run.tree.root, run.settings.run, run.limits
    state = "interrupted"
    notes: tuple[str, ...] = ()
    persons: list[Path] = []
    lost: dict[str, str] = {}
    try:
        with run.live:
            keeps_none = settings.keep_pictures == "none"
            pictures = count_pictures(run.tree) if keeps_none else {}
            run.go(clip_work, visit_work)
            run.live.pages("pages of persons")
            persons, lost = make_person_pages(out, limits, settings, workers=run.workers, log=run.folder.log)
            if keeps_none:
                notes = picture_notes(pictures, count_pictures(run.tree))
                for note in notes:
                    run.folder.log(note)
            state = "done"
    finally:
        messages = {f"{folder}/{SUBJECT_PAGE}": message for folder, message in lost.items()}
        record, lost_record = run.folder.finish(state, run.clip_results(), messages)
        # Also of a run that was stopped: what it did not come to stands on the page.
        page: Path | None = None
        page_message = STOPPED
        try:
            page, page_message = make_study_page(
                out, limits, paper=settings.paper, language=settings.language, log=run.folder.log
            )
        finally:
            if page is None:
                run.folder.amend("interrupted" if page_message == STOPPED else state, {STUDY_PAGE: page_message})
        run.live.write_metrics()
    if lost_record:
        notes = (*notes, f"failed: {lost_record}")
    visits = tuple(run.visits[key] for key in run.clips_of)
    return StudyResult(
        record, run.folder.folder, tuple(run.clip_results()), visits, notes, page, page_message, tuple(persons), lost
    )


class _Study:
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
    ) -> None:
        self.tree = tree
        self.recorded = recorded
        self.clips = {clip.clip_id: clip for clip in clips}
        self.settings = settings
        self.limits = limits
        self.causes = causes
        self.workers = workers or settings.run.workers
        self.results: dict[str, ClipResult] = {}
        self.visits: dict[VisitKey, VisitResult] = {}
        self.clips_of: dict[VisitKey, list[Clip]] = {}
        for clip in clips:
            self.clips_of.setdefault(_key(clip), []).append(clip)
        self.folder = RunFolder(tree, settings, limits, causes, measures, visits=self.clips_of, n_clips=len(self.clips))
        tell = progress or (lambda _: None)
        self.live = LiveRun(self.folder, workers=self.workers, tell=tell, metrics_file=metrics_file)

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
                queue.append(self.job(name, clip_work, job))
                self.live.will_measure(name, job)
            else:
                self.end_clip(clip, Outcome(name, reused, None, time.monotonic() - started_s, ""))
        # Each goes to the front of the queue.
        for key in reversed(self.clips_of):
            self.queue_visit(key, queue, visit_of, visit_work)
        jobs = run_jobs(
            queue,
            scratch=self.folder.folder,
            workers=self.workers,
            on_progress=self.live.hear,
        )
        # Closed at once when the run is stopped, so that no process outlives it.
        with closing(jobs):
            for outcome in jobs:
                if outcome.name in visit_of:
                    self.end_visit(visit_of[outcome.name], outcome)
                    continue
                clip = clip_of[outcome.name]
                self.end_clip(clip, outcome)
                self.queue_visit(_key(clip), queue, visit_of, visit_work)

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
            queue.appendleft(self.job(name, visit_work, job))
        else:
            self.end_visit(key, Outcome(name, end, None, time.monotonic() - started_s, ""))

    def job(self, name: str, work: ClipWork | VisitWork, of: ClipJob | VisitJob) -> Job:
        """The work on a clip or a visit, within the limits of the settings."""
        run = self.settings.run
        return Job(name, work, (of,), run.clip_time_limit_s, run.clip_memory_limit_mb)

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


def _key(clip: Clip) -> VisitKey:
    """Which visit a clip belongs to."""
    return (clip.subject, clip.visit)
