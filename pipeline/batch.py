"""A whole study: each clip and each visit in a process of its own, nothing lost to another's fault."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.causes import Causes
from pipeline.checks import Person
from pipeline.clip_stages import measure_clip_files, unchanged_clip
from pipeline.config import Settings, config_dir, load_settings
from pipeline.isolate import Failure, Job, Outcome, Tell, refuse_recursion, run_jobs
from pipeline.jobs import VisitJob, report_visit, unchanged_visit
from pipeline.judgement import ClipResult, Limits, Recorded, VisitReport
from pipeline.kept import count_pictures, picture_notes
from pipeline.manifest import clips_of, read_manifest
from pipeline.model import Clip
from pipeline.person_pages import make_person_pages
from pipeline.picture_stages import ClipJob
from pipeline.rebuild import make_study_page
from pipeline.runs import RunFolder
from pipeline.stage_record import FolderRecord, StageEnd, read_record, write_record
from pipeline.store import OutputTree, read_json, write_text
from pipeline.study_result import Progress, StudyResult, VisitResult

if TYPE_CHECKING:
    from pipeline.recorded import MeasureList

ClipWork = Callable[[ClipJob, Tell], tuple[StageEnd, ...]]
VisitWork = Callable[[VisitJob, Tell], StageEnd]
VisitKey = tuple[str, str]


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
    clip_work, visit_work : callable
        What is done for a clip and for a visit; they must be importable by a new process.

    Returns
    -------
    StudyResult

    Raises
    ------
    PipelineError
        The manifest, what was recorded, the goals, the settings, the limits, the causes or the pose model are wrong:
        nothing is measured. What goes wrong with one clip or one visit is in the result instead.
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
    clips = clips_of(everybody, subject, visit)
    run = _Study(OutputTree(out), clips, settings or load_settings(), limits, causes, progress, measures, recorded)
    state = "interrupted"
    notes: tuple[str, ...] = ()
    persons: list[Path] = []
    lost: dict[str, str] = {}
    try:
        save_goals(run.tree, clips, goals)
        keeps_none = run.settings.run.keep_pictures == "none"
        pictures = count_pictures(run.tree) if keeps_none else {}
        run.go(workers, clip_work, visit_work)
        persons, lost = make_person_pages(out, limits, run.settings.run, workers=workers, log=run.folder.log)
        if keeps_none:
            notes = picture_notes(pictures, count_pictures(run.tree))
            for note in notes:
                run.folder.log(note)
        state = "done"
    finally:
        record, lost_record = run.folder.finish(
            state, run.clip_results(), ["done" if visit.page else "failed" for visit in run.visits.values()]
        )
        # Also of a run that was stopped: what it did not come to stands on the page.
        pages = run.settings.run
        page, page_message = make_study_page(
            out, limits, paper=pages.paper, language=pages.language, log=run.folder.log
        )
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
    ) -> None:
        self.tree = tree
        self.recorded = recorded
        self.clips = {clip.clip_id: clip for clip in clips}
        self.settings = settings
        self.limits = limits
        self.causes = causes
        self.progress = progress or (lambda _: None)
        self.results: dict[str, ClipResult] = {}
        self.visits: dict[VisitKey, VisitResult] = {}
        self.clips_of: dict[VisitKey, list[Clip]] = {}
        for clip in clips:
            self.clips_of.setdefault(_key(clip), []).append(clip)
        self.folder = RunFolder(tree, settings, limits, causes, measures)

    def clip_results(self) -> list[ClipResult]:
        """Results so far, in the manifest's order."""
        return [self.results[clip_id] for clip_id in self.clips if clip_id in self.results]

    def clip_folder(self, clip: Clip) -> Path:
        """Folder of a clip's results."""
        return self.tree.clip_folder(clip.subject, clip.visit, clip.clip_id)

    def go(self, workers: int | None, clip_work: ClipWork, visit_work: VisitWork) -> None:
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
            else:
                self.end_clip(clip, Outcome(name, reused, None, time.monotonic() - started_s, ""))
        for key in self.clips_of:
            self.queue_visit(key, queue, visit_of, visit_work)
        jobs = run_jobs(
            queue,
            scratch=self.folder.folder,
            workers=workers or self.settings.run.workers,
            on_progress=lambda name, stage, done, total: self.progress(Progress(name, stage, done, total)),
        )
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
            queue.append(self.job(name, visit_work, job))
        else:
            self.end_visit(key, Outcome(name, end, None, time.monotonic() - started_s, ""))

    def job(self, name: str, work: ClipWork | VisitWork, of: ClipJob | VisitJob) -> Job:
        """The work on a clip or a visit, within the limits of the settings."""
        run = self.settings.run
        return Job(name, work, (of,), run.clip_time_limit_s, run.clip_memory_limit_mb)

    def visit_job(self, clips: list[Clip]) -> VisitJob:
        """The job of a visit whose clips have all ended."""
        first = clips[0]
        return VisitJob(
            subject=first.subject,
            visit=first.visit,
            visit_date=first.visit_date,
            person=Person(
                first.prosthetic_sides,
                next((clip.levels for clip in clips if clip.levels), ()),
                next((clip.aid for clip in clips if clip.aid), None),
            ),
            changes=next((clip.changes for clip in clips if clip.changes), ""),
            clips=tuple(clips),
            results=tuple(self.results[clip.clip_id] for clip in clips),
            folder=self.tree.visit_folder(first.subject, first.visit),
            settings=self.settings,
            limits=self.limits,
            causes=self.causes,
            run=self.folder.record,
            footwear=next((clip.footwear for clip in clips if clip.footwear), ""),
            recorded=self.recorded.get((first.subject, first.visit), ()),
        )

    def end_clip(self, clip: Clip, outcome: Outcome) -> None:
        """Note how a clip ended. A failed one gets its message into its own folder."""
        failure = outcome.failure
        ends: tuple[StageEnd, ...] = () if failure else outcome.value
        if failure is not None:
            self.note_failure(self.clip_folder(clip), failure)
        self.results[clip.clip_id] = ClipResult(
            clip_id=clip.clip_id,
            relative_path=clip.relative_path,
            state="failed" if failure else "done",
            stage=failure.stage if failure else "measures",
            error_type=failure.error_type if failure else "",
            message=failure.message if failure else "",
            seconds=round(outcome.seconds, 2),
            reused=tuple(_reused(end) for end in ends if end.since),
            repaired=tuple(_repaired(end) for end in ends if end.damaged),
        )
        self.announce(outcome, ends)

    def end_visit(self, key: VisitKey, outcome: Outcome) -> None:
        """Note how a visit ended."""
        folder = self.tree.visit_folder(*key)
        if outcome.failure is not None:
            self.note_failure(folder, outcome.failure)
            self.visits[key] = VisitResult(*key, folder, None, None, outcome.failure.message)
        else:
            saved = read_json(folder / "visit.json", VisitReport)
            end: StageEnd = outcome.value
            repaired = _repaired(end) if end.damaged else ""
            self.visits[key] = VisitResult(*key, folder, folder / "visit.html", saved, "", end.since, repaired)
        self.announce(outcome, (outcome.value,) if outcome.failure is None else ())

    def note_failure(self, folder: Path, failure: Failure) -> None:
        """Leave the message beside the results."""
        # On a full disk the message stays in the run's table and summary alone.
        with suppress(OSError):
            write_text(folder / "error.txt", failure.message + "\n")
            write_record(folder, FolderRecord("failed", stages=read_record(folder).stages))

    def announce(self, outcome: Outcome, ends: tuple[StageEnd, ...]) -> None:
        """Tell the log and the caller that a clip or a visit ended, and what of it was taken over or made again."""
        state = "failed" if outcome.failure else "done"
        told = [_repaired(end) if end.damaged else _reused(end) for end in ends if end.damaged or end.since]
        text = outcome.failure.message if outcome.failure else "; ".join(told)
        self.folder.log(f"{outcome.name} {state} after {outcome.seconds:.1f} s. {text}")
        if outcome.failure is not None and outcome.failure.traceback:
            self.folder.log(outcome.failure.traceback)
        if outcome.output:
            self.folder.log(f"{outcome.name} printed:\n{outcome.output}")
        self.progress(Progress(outcome.name, "end", state=state, message=text))


def _reused(end: StageEnd) -> str:
    """Since when a stage is unchanged."""
    return f"{end.stage} unchanged since {end.since}"


def _repaired(end: StageEnd) -> str:
    """Why a stage was made again whose files should have been there."""
    return f"{end.stage} made again: {end.damaged}"


def _key(clip: Clip) -> VisitKey:
    """Which visit a clip belongs to."""
    return (clip.subject, clip.visit)
