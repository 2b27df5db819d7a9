"""A whole study: each clip and each visit in a process of its own, nothing lost to another's fault."""

from __future__ import annotations

from collections.abc import Callable, Collection
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.causes import Causes
from pipeline.clip_stages import measure_clip_files
from pipeline.cluster import open_cluster
from pipeline.cluster_crew import Cluster
from pipeline.config import Settings, config_dir, load_settings
from pipeline.isolate import refuse_recursion
from pipeline.jobs import report_visit
from pipeline.judgement import Limits
from pipeline.kept import count_pictures, picture_notes
from pipeline.live import check_metrics_file
from pipeline.manifest import clips_of, read_manifest
from pipeline.person_pages import make_person_pages
from pipeline.rebuild import make_study_page
from pipeline.results_lock import hold_results
from pipeline.store import STUDY_PAGE, SUBJECT_PAGE, OutputTree
from pipeline.study_result import Progress, StudyResult
from pipeline.study_run import ClipWork, StudyRun, VisitWork

if TYPE_CHECKING:
    from pipeline.recorded import MeasureList

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
    cluster: Cluster | None = None,
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
        Clips at the same time; by default the setting run.workers, on a cluster all that it takes. [1]
    cluster : Cluster, optional
        Where clips and visits are measured instead, on other machines too; the results are the same.
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
        another run is at work in the results folder, or the cluster cannot be used: nothing is measured. Or the
        cluster was lost: what is finished is kept. What goes wrong with one clip or one visit is in the result instead.
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
    with (
        open_cluster(cluster, study=study, out=out, model=settings.landmarks.model) as machines,
        nullcontext("") if held else hold_results(out, "run", own=machines.folder if machines else None) as caution,
    ):
        save_goals(tree, clips, goals)
        run = StudyRun(
            tree, clips, settings, limits, causes, progress, measures, recorded, workers, metrics_file, machines
        )
        if caution:
            run.folder.log(caution)
        return _run(run, clip_work, visit_work)


def _run(run: StudyRun, clip_work: ClipWork, visit_work: VisitWork) -> StudyResult:
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
