"""Clips measured without a run's reports and pages: a benchmark judges them itself."""

from __future__ import annotations

from collections import deque
from contextlib import closing
from pathlib import Path

from pipeline.clip_stages import measure_clip_files, unchanged_clip
from pipeline.config import Settings
from pipeline.isolate import Job, run_jobs
from pipeline.manifest import read_manifest
from pipeline.picture_stages import ClipJob
from pipeline.results_lock import hold_results
from pipeline.store import OutputTree
from pipeline.study_run import limited_job


def measure_clips(study: Path, out: Path, settings: Settings, *, workers: int | None = None) -> dict[str, str]:
    """Measure every clip of a study as a run does; what is unchanged is used again.

    Parameters
    ----------
    study, out : Path
        As for `run_study`.
    settings : Settings
    workers : int, optional
        Clips at the same time; by default the setting run.workers. [1]

    Returns
    -------
    dict of clip id to str
        What was said of each clip that was refused.

    Raises
    ------
    PipelineError
        As for `run_study`.
    """
    tree = OutputTree(out)
    with hold_results(out, "run"):
        queue: deque[Job] = deque()
        for clip in read_manifest(study):
            work = ClipJob(clip, tree.clip_folder(clip.subject, clip.visit, clip.clip_id), settings)
            if unchanged_clip(work) is None:
                queue.append(limited_job(clip.clip_id, measure_clip_files, work))
        # Closed at once when it is stopped, so that no process outlives it.
        with closing(run_jobs(queue, scratch=out, workers=workers or settings.run.workers)) as outcomes:
            return {outcome.name: outcome.failure.message for outcome in outcomes if outcome.failure is not None}
