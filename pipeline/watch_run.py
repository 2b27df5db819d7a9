"""Starts a watch with the work of a run: what is unchanged is told without one, what is new is measured by one."""

from __future__ import annotations

from collections.abc import Callable, Collection
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.causes import Causes
from pipeline.clip_stages import unchanged_clip
from pipeline.config import Settings
from pipeline.errors import ManifestError, StageError
from pipeline.goals import NO_GOALS, load_goals
from pipeline.jobs import unchanged_visit, visit_job
from pipeline.judgement import ClipResult, Limits
from pipeline.manifest import HELP
from pipeline.manifest_row import MANIFEST_NAME
from pipeline.model import Clip
from pipeline.picture_stages import ClipJob
from pipeline.results_lock import hold_results
from pipeline.runs import new_record
from pipeline.status import latest_run
from pipeline.store import OutputTree, shown_path
from pipeline.study_result import StudyResult
from pipeline.watch import EVERY_S, SETTLE_S, Watch
from pipeline.watch_tables import StudyTables, Tables

if TYPE_CHECKING:
    from pipeline.recorded import MeasureList


def watch_folder(
    study: Path,
    out: Path,
    *,
    settings: Settings,
    limits: Limits,
    causes: Causes,
    measures: MeasureList,
    measure: Callable[[Collection[str]], StudyResult],
    tell: Callable[[str], None],
    every_s: float = EVERY_S,
    settle_s: float = SETTLE_S,
) -> None:
    """Measure the clips of a study as they have been copied into its folder, until the process is stopped.

    Parameters
    ----------
    study, out : Path
        The study folder, in which the manifest may still be missing, and the results folder.
    settings, limits, causes, measures
        As of a run.
    measure : callable
        Runs the study for these clips, by id; the results folder is held already.
    tell : callable
        Called with each line for the user.
    every_s, settle_s : float
        How often the folders are listed, and how long a file must not change. [s]

    Raises
    ------
    PipelineError
        There is no such study folder, a run or a watch is at work in the results folder, or the pose model is wrong.
    """
    if not study.is_dir():
        raise ManifestError(shown_path(study), "no such folder", f"expected a study folder with {MANIFEST_NAME}", HELP)
    tree = OutputTree(out)
    record = new_record("", settings, limits, causes, measures)

    def has_work(tables: StudyTables, clips: list[Clip]) -> bool:
        results = {}
        for clip in clips:
            folder = tree.clip_folder(clip.subject, clip.visit, clip.clip_id)
            reused = unchanged_clip(ClipJob(clip, folder, settings))
            if reused is None:
                return True
            name = clip.clip_id
            results[name] = ClipResult(name, clip.relative_path, "done", "measures", "", "", 0.0)
        key = (clips[0].subject, clips[0].visit)
        job = visit_job(
            clips,
            results,
            tree.visit_folder(*key),
            settings=settings,
            limits=limits,
            causes=causes,
            run=record,
            recorded=tables.recorded.get(key, ()),
        )
        return unchanged_visit(job) is None or _goals_changed(out, tables, clips[0].subject)

    with hold_results(out, "watch") as caution:
        if caution:
            tell(caution)
        earlier = latest_run(out)
        watch = Watch(
            Tables(study, measures, settle_s, tell),
            out,
            settle_s=settle_s,
            has_work=has_work,
            measure=measure,
            tell=tell,
            finish_first=earlier is not None and earlier[1].state != "done",
        )
        with watch:
            tell(f"watching {shown_path(study)}; Ctrl-C ends it.")
            watch.go_on(every_s)


def _goals_changed(out: Path, tables: StudyTables, subject: str) -> bool:
    """Whether the goals that are kept with the results are not those of the table any more."""
    try:
        return bool(load_goals(out, subject) != tables.goals.get(subject, NO_GOALS))
    except StageError:
        return True
