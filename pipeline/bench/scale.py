"""What many clips cost: a run with nothing to do, the bookkeeping of a fresh run, and memory over a clip's length."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections import deque
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Annotated, Any
from unittest.mock import patch

import pandas as pd
import typer

from pipeline import batch, study_run
from pipeline.bench.speed import EXAMPLE, take_clips
from pipeline.bench.tables import markdown
from pipeline.clip_stages import measure_clip_files, measures_fingerprint
from pipeline.config import ModelChoice, Settings, load_settings, with_choices
from pipeline.isolate import Job, Outcome, run_jobs
from pipeline.jobs import VisitJob, wanted_report
from pipeline.manifest import clips_of, read_manifest
from pipeline.manifest_row import MANIFEST_NAME
from pipeline.model import Clip
from pipeline.picture_stages import ClipJob, landmarks_fingerprint, picture_fingerprints
from pipeline.stage_record import FolderRecord, StageEnd, StageRecord, finish, read_record, see, write_record
from pipeline.store import OutputTree, file_sha256, now_text, write_text

SUBJECT, VISIT = "P01", "03"


def scale(
    study: Annotated[Path, typer.Option(help="Study folder with landmark files of one visit.")] = EXAMPLE,
    clips: Annotated[str, typer.Option(help="Numbers of clips, with commas between.")] = "10,100,1000,10000",
) -> None:
    """Print what a clip costs in small and large studies: in a fresh run without measuring, and with nothing to do.

    The clips are landmark files of one visit under other names. Their results are copied, not measured, so that
    what is left is what the run itself does for each clip and visit, pages of the study included.
    """
    settings = _without_pictures()
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        one = clips_of(read_manifest(study), SUBJECT, VISIT)
        take_clips(study, one, folder / "one")
        batch.run_study(folder / "one", folder / "measured", settings=settings)
        measured = OutputTree(folder / "measured").visit_folder(SUBJECT, VISIT)
        for count in map(int, clips.split(",")):
            many = _many(folder / f"study-{count}", one, count)
            rows.append(_costs(many, folder / f"out-{count}", one, measured, count, settings))
            shutil.rmtree(folder / f"out-{count}")
            typer.echo(f"{count} clips done", err=True)
    table = pd.DataFrame(rows)
    for column in ("fresh, without measuring", "nothing to do"):
        table[f"{column}, against the first row"] = table[f"{column} [ms a clip]"] / table[f"{column} [ms a clip]"][0]
    typer.echo(markdown(table))


def memory(
    clip: Annotated[Path, typer.Argument(help="A clip; its frames are shown to and fro.")],
    minutes: Annotated[float, typer.Option(help="Length of the long clip.")] = 10.0,
    model: Annotated[ModelChoice, typer.Option(help="Pose model.")] = ModelChoice.full,
) -> None:
    """Print the most memory that the process of a clip holds, for 10 seconds and for a clip of many minutes."""
    settings = with_choices(_without_pictures(), model=model)
    rows = []
    for seconds in (10.0, 60.0 * minutes):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            _lengthen(clip, folder / "walk.mp4", seconds)
            write_text(
                folder / MANIFEST_NAME,
                "subject,visit,date,clip,view,prosthetic_side,height_m,known_length_m,known_length_px,changes\n"
                "P01,01,2026-03-01,walk.mp4,sagittal,left,,,,\n",
            )
            (walk,) = read_manifest(folder)
            job = Job("walk", measure_clip_files, (ClipJob(walk, folder / "out", settings),), 100_000.0)
            (outcome,) = run_jobs(deque([job]), scratch=folder, workers=1)
            message = outcome.failure.message if outcome.failure else ""
            rows.append(
                {
                    "length [s]": seconds,
                    "peak [MB]": outcome.peak_bytes / 1e6,
                    "took [s]": outcome.seconds,
                    "message": message,
                }
            )
    typer.echo(markdown(pd.DataFrame(rows)))


def _without_pictures() -> Settings:
    """The settings, no pictures kept: they would measure the disk."""
    settings = load_settings()
    return settings.model_copy(update={"run": settings.run.model_copy(update={"keep_pictures": "none"})})


def _many(folder: Path, one: list[Clip], count: int) -> Path:
    """A study of visits like one, each of another person, as many clips as asked for."""
    folder.mkdir()
    rows = ["subject,visit,date,clip,view,prosthetic_side,height_m,known_length_m,known_length_px,changes"]
    for number in range(count):
        clip = one[number % len(one)]
        person = f"S{number // len(one):05d}"
        name = f"{person}/{person}-{number % len(one)}.landmarks"
        (folder / person).mkdir(exist_ok=True)
        os.link(clip.path, folder / name)
        rows.append(f"{person},{VISIT},2026-05-19,{name},{clip.view},{'/'.join(clip.prosthetic_sides)},,,,")
    write_text(folder / MANIFEST_NAME, "\n".join(rows) + "\n")
    return folder


def _costs(study: Path, out: Path, one: list[Clip], measured: Path, count: int, settings: Settings) -> dict[str, Any]:
    """What a fresh run and one with nothing to do cost."""
    row: dict[str, Any] = {"clips": count}
    for what in ("fresh, without measuring", "nothing to do"):
        copying = patch.object(study_run, "run_jobs", partial(_copied, one=one, measured=measured))
        started_s, started_cpu_s = time.perf_counter(), time.process_time()
        with copying as run_jobs_here:
            result = batch.run_study(study, out, settings=settings)
        row[f"{what} [s]"] = time.perf_counter() - started_s
        row[f"{what} [ms a clip]"] = 1000.0 * (time.process_time() - started_cpu_s) / count
        assert result.all_done and run_jobs_here is not None
        if what == "nothing to do":
            assert all(visit.unchanged_since for visit in result.visits)
    return row


def _copied(queue: deque[Job], *, one: list[Clip], measured: Path, **_: object) -> Iterator[Outcome]:
    """Stand in for the processes: each job's results are copied from those of the visit that was measured."""
    while queue:
        job = queue.popleft()
        (work,) = job.arguments
        end = _copy_clip(work, one, measured) if isinstance(work, ClipJob) else _copy_visit(work, one, measured)
        yield Outcome(job.name, end, None, 0.0, "")


def _copy_clip(job: ClipJob, one: list[Clip], measured: Path) -> tuple[StageEnd, ...]:
    """Results of a clip like one that was measured, with a record that holds for this one."""
    source = measured / one[int(job.clip.clip_id[-1])].clip_id
    clip_sha256, seen = see(job.clip.path)
    landmarks = landmarks_fingerprint(job, clip_sha256)
    wanted = picture_fingerprints(job, landmarks) | {"measures": measures_fingerprint(job, landmarks)}
    _copy(source, job.folder, wanted)
    finish(job.folder, seen)
    return tuple(StageEnd(stage) for stage in wanted)


def _copy_visit(job: VisitJob, one: list[Clip], measured: Path) -> StageEnd:
    """The report of a visit like the one that was measured."""
    _copy(measured, job.folder, {"report": wanted_report(job).fingerprint})
    text = (measured / "visit.json").read_text(encoding="utf-8").replace(f'"{SUBJECT}"', f'"{job.subject}"')
    write_text(job.folder / "visit.json", text)
    record = read_record(job.folder)
    report = record.stages["report"]
    outputs = report.outputs | {"visit.json": file_sha256(job.folder / "visit.json")}
    entry = StageRecord(report.fingerprint, report.finished, report.seconds, outputs)
    write_record(job.folder, FolderRecord("done", stages={"report": entry}))
    return StageEnd("report")


def _copy(source: Path, folder: Path, wanted: dict[str, str]) -> None:
    """Link what the stages of a folder wrote into another one, with a record of other fingerprints."""
    record = read_record(source)
    for stage in wanted:
        for name in record.stages[stage].outputs:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            os.link(source / name, folder / name)
    stages = {
        stage: StageRecord(value, now_text(), 0.0, record.stages[stage].outputs) for stage, value in wanted.items()
    }
    write_record(folder, FolderRecord("done", stages=stages))


def _lengthen(clip: Path, long: Path, seconds: float) -> None:
    """Write a clip's frames to and fro until it is long enough."""
    import cv2

    from pipeline.video import probe_video, read_frames

    info = probe_video(clip)
    pictures = [cv2.cvtColor(frame.image, cv2.COLOR_RGB2BGR) for frame in read_frames(clip, info=info)]
    fourcc = cv2.VideoWriter.fourcc(*"mp4v")
    writer = cv2.VideoWriter(str(long), fourcc, info.fps_nominal, (info.width_px, info.height_px))
    both = [*pictures, *reversed(pictures)]
    for number in range(round(seconds * info.fps_nominal)):
        writer.write(both[number % len(both)])
    writer.release()
