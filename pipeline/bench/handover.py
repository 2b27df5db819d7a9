"""What the machine that runs the command does for each job of a cluster: how many machines it can keep busy."""

from __future__ import annotations

import shutil
import tempfile
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Annotated, Any
from unittest.mock import patch

import pandas as pd
import typer

from pipeline import batch, study_run
from pipeline.bench.speed import EXAMPLE, take_clips
from pipeline.bench.tables import markdown
from pipeline.config import ModelChoice, load_settings, with_choices
from pipeline.isolate import Job, Outcome, run_jobs
from pipeline.jobs import VisitJob
from pipeline.landmark_file import is_landmark_file
from pipeline.manifest import clips_of, read_manifest
from pipeline.object_store import Place, shared_place
from pipeline.parcels import RESULTS, Handover, parcel_of, take_over
from pipeline.picture_stages import ClipJob
from pipeline.sent_files import SentFiles

SUBJECT, VISIT = "P01", "01"


def handover(
    study: Annotated[Path, typer.Option(help="Study folder with a filmed visit.")] = EXAMPLE,
    repeats: Annotated[int, typer.Option(min=1, help="Times that each job is sent and taken over.")] = 20,
) -> None:
    """Print what sending a job and taking over its results costs the run's own machine, without and with a store.

    By the clock, on a machine that should do nothing else. The store is a folder on its disk: a network's delay comes
    on top, job by job. What the scheduler does is not part of it.
    """
    settings = with_choices(load_settings(), model=ModelChoice.full)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        clips = [clip for clip in clips_of(read_manifest(study), SUBJECT, VISIT) if not is_landmark_file(clip.path)]
        take_clips(study, clips, folder / "study")
        works: list[ClipJob | VisitJob] = []

        def noted(queue: deque[Job], **options: Any) -> Iterator[Outcome]:
            while queue:
                job = queue.popleft()
                works.append(job.arguments[0])
                yield from run_jobs(deque([job]), **options)

        with patch.object(study_run, "run_jobs", noted):
            batch.run_study(folder / "study", folder / "measured", settings=settings)
        rows = [
            _cost(work, folder, travel=travel, repeats=repeats)
            for travel in (False, True)
            for work in (works[0], works[-1])
        ]
    for row in rows:
        row["jobs a second"] = 1000.0 / (row["sent [ms]"] + row["taken over [ms]"])
    typer.echo(markdown(pd.DataFrame(rows)))


def _cost(work: ClipJob | VisitJob, folder: Path, *, travel: bool, repeats: int) -> dict[str, Any]:
    """The time of one job of a study that was measured, into an empty folder."""
    measured = folder / "measured"
    own = work.folder.relative_to(measured)
    site, results = folder / "site", folder / "results"
    place = Place(f"file://{folder / 'store'}") if travel else shared_place(folder / "shared")
    files = SentFiles(place, travel=travel)
    job = replace(work, folder=results / own)
    sent_s, taken_s = [], []
    shutil.copytree(measured / own, site / RESULTS / own)
    for number in range(repeats):
        _lay_out(work, measured / own, results / own)
        at = place.below(str(number))
        started_s = time.perf_counter()
        parcel = parcel_of(job, clips_travel=travel)
        files.put(parcel)
        sent_s.append(time.perf_counter() - started_s)
        Handover(at, parcel, site).send()
        started_s = time.perf_counter()
        take_over(at, parcel)
        place.remove(str(number))
        files.drop(parcel, is_over=True)
        taken_s.append(time.perf_counter() - started_s)
        size = sum(path.stat().st_size for path in (results / own).rglob("*") if path.is_file())
        shutil.rmtree(results)
    shutil.rmtree(site)
    return {
        "job": "a clip" if isinstance(work, ClipJob) else "a visit's report",
        "files travel": "through a store" if travel else "in a shared folder",
        "its folder [MB]": size / 1e6,
        "sent [ms]": 1000.0 * median(sent_s),
        "taken over [ms]": 1000.0 * median(taken_s),
    }


def _lay_out(work: ClipJob | VisitJob, measured: Path, target: Path) -> None:
    """What lies there before the job: nothing, or a visit's clips."""
    target.mkdir(parents=True)
    if isinstance(work, VisitJob):
        for clip in work.clips:
            shutil.copytree(measured / clip.clip_id, target / clip.clip_id)
