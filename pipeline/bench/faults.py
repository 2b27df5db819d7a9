"""Detection of faults in rendered walkers whose faults are known."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Annotated

import typer

from pipeline import __version__
from pipeline.batch import run_study
from pipeline.bench.accuracy import PartChoice
from pipeline.bench.clip_set import ensure_walks, truth_path
from pipeline.bench.detection import WalkedStudy, judge_walks
from pipeline.bench.detection_tables import (
    alarm_table,
    confusion_table,
    detection_table,
    goal_rows,
    several_table,
    smallest_table,
    unsaid_table,
)
from pipeline.bench.kept_visits import (
    KeptVisit,
    kept_visit,
    made_with,
    read_visits,
    value_frame,
    verdict_frame,
    write_visits,
)
from pipeline.bench.own_error import save_values
from pipeline.bench.tables import markdown, value_table
from pipeline.config import ModelChoice, Settings, load_settings, with_choices
from pipeline.errors import ConfigError
from pipeline.job_process import Tell
from pipeline.jobs import VisitJob
from pipeline.judgement import Limits, VisitReport
from pipeline.manifest import read_manifest
from pipeline.stage_record import StageEnd
from pipeline.store import write_json, write_text
from pipeline.thresholds import load_limits

INTRODUCTION = """# Detection of faults in rendered walkers

Printed by `python -m pipeline bench faults` on {day}, version {version}, {model} model, {what}: {walks} visits,
{done} of {clips} clips measured, the others refused. The walkers are rendered, so what they show is known exactly;
their people, light and cloth are easier than real ones, and each fault is made in one way only. This is no
validation: it says what the pipeline can see, not how often it will be right on patients.

*present* means that the whole 95 % interval lies beyond the limit. *true* and *found* are medians. Sensitivity counts
`borderline` and `cannot say` as missed. A visit with one fault has only the clips that show it; visits without a fault
have two side views, one from the front and one from behind. What needs 60 frames a second is counted where it had them:
every second visit without a fault. The goals are those set before the first measurement; what a fault falls short of,
and why, stands on [its page](faults/README.md). Under *Metrics* stand errors, found minus true; *slope* is that of
found on true values with half of its 95 % interval (*+-*), where the true values show one."""


def faults(
    part: Annotated[
        PartChoice, typer.Option(help="Half of the walkers; the test half is for the last measurement only.")
    ] = PartChoice.tuning,
    seed: Annotated[int, typer.Option(help="Seed of the walkers.")] = 2,
    per_size: Annotated[int, typer.Option(min=0, help="Walkers for each fault and size.")] = 12,
    without: Annotated[int, typer.Option(min=0, help="Walkers without a fault.")] = 40,
    several: Annotated[int, typer.Option(min=0, help="Walkers with several faults at once.")] = 20,
    only: Annotated[str, typer.Option(help="Faults to show, with commas between; empty is all.")] = "",
    out: Annotated[Path, typer.Option(help="Results; what is unchanged is used again.")] = Path("results"),
    model: Annotated[ModelChoice, typer.Option(help="Pose model.")] = ModelChoice.heavy,
    limits: Annotated[Path | None, typer.Option(help="Folder with limits of your own.")] = None,
    rows: Annotated[
        Path | None,
        typer.Option(help="Keep what each visit gave in this file; a visit that is in it is not rendered again."),
    ] = None,
    at_most: Annotated[
        int | None, typer.Option(min=1, help="Visits to measure now, with --rows; by default all.")
    ] = None,
    write: Annotated[Path | None, typer.Option(help="Also write the tables to this file.")] = None,
) -> None:
    """Print sensitivity, false alarms, the smallest size found and confusion between faults, for every fault.

    A clip takes about 20 s of computing to render and as much to measure; all walkers of a half are about 1,300 clips.
    With --rows and --at-most they are measured over several sittings or machines, walker 1 of everything first.
    """
    chosen = tuple(name.strip() for name in only.split(",") if name.strip())
    settings, loaded = with_choices(load_settings(), model=model), load_limits(limits)
    folder, what = out / f"faults-{seed}-{part.value}", f"the {part.value} half, seed {seed}"
    wanted = made_with(settings, loaded, what)
    visits = read_visits(rows, wanted) if rows else {}
    study = ensure_walks(
        out / "clips", seed, part.value, per_size=per_size, without=without, several=several, only=chosen,
        leave_out=visits.keys(), at_most=at_most, workers=2, say=typer.echo,
    )  # fmt: skip
    visits |= _measured(study, folder, settings, loaded)
    if not visits:
        raise ConfigError(
            "--per-size", "no visit is asked for", "expected walkers with or without a fault", "Raise it."
        )
    if rows:
        write_visits(rows, wanted, visits)
    verdicts, values = verdict_frame(visits.values()), value_frame(visits.values())
    failed = {clip: message for visit in visits.values() for clip, message in visit.failed.items()}
    clips = sum(visit.clips for visit in visits.values())
    days = sorted({visit.day for visit in visits.values()})
    day = " to ".join(dict.fromkeys([days[0], days[-1]]))
    introduction = INTRODUCTION.format(
        day=day, version=__version__, model=settings.landmarks.model, what=what, walks=len(visits),
        done=clips - len(failed), clips=clips,
    )  # fmt: skip
    own = {name: error.sd for name, error in loaded.measurement_error.items()}
    tables = {
        "Goals": goal_rows(verdicts, own),
        "Walkers with one fault": detection_table(verdicts),
        "Walkers without a fault": alarm_table(verdicts),
        "Cannot say without a fault, by limb": unsaid_table(verdicts),
        "Smallest size found": smallest_table(verdicts),
        "Walkers with several faults": several_table(verdicts),
        "Confusion: other faults called present in clear and severe walkers with one fault": confusion_table(verdicts),
        "Metrics": value_table(values),
    }
    sections = [introduction, *(f"### {name}\n\n{markdown(table)}" for name, table in tables.items())]
    if failed:
        sections.append("Not measured:\n\n" + "\n".join(f"- {clip}: {message}" for clip, message in failed.items()))
    text = "\n\n".join(sections)
    typer.echo(text)
    if write is not None:
        write_text(write, text + "\n")
    save_values(folder, values, f"the {part.value} half of the fault walkers, seed {seed}, {day}")


def _measured(study: Path, folder: Path, settings: Settings, limits: Limits) -> dict[str, KeptVisit]:
    """Measure and judge the walks of a study; what each gave, by subject."""
    walks = _walks(study)
    if not walks:
        return {}
    result = run_study(study, folder, settings=settings, limits=limits, visit_work=without_pages)
    clips = read_manifest(study)
    failed = {one.clip_id: one.message for one in result.clips if one.state != "done"}
    walked = WalkedStudy(
        clips=clips,
        done={clip.clip_id for clip in clips} - failed.keys(),
        walks=walks,
        out=folder,
        truth_files={clip.clip_id: truth_path(study, clip.relative_path) for clip in clips},
    )
    visits = {}
    for judged in judge_walks(walked, settings, limits):
        own = [clip.clip_id for clip in clips if clip.subject == judged.subject]
        refused = {name: failed[name] for name in own if name in failed}
        visits[judged.subject] = kept_visit(judged, result.run.started[:10], len(own), refused)
    return visits


def without_pages(job: VisitJob, tell: Tell) -> StageEnd:
    """Stand in for the work on a visit: the walks are judged here, from the strides of their clips."""
    report = VisitReport(
        subject=job.subject, visit=job.visit, visit_date=job.visit_date, prosthetic_sides=job.person.prosthetic_sides,
        changes=job.changes, clips=job.results, quality={}, metrics=(), faults=(), run=job.run,
    )  # fmt: skip
    write_json(job.folder / "visit.json", report)
    write_text(job.folder / "visit.html", "")
    return StageEnd("report")


def _walks(study: Path) -> dict[str, list[dict[str, str]]]:
    """What each walker shows, by subject."""
    walks: dict[str, list[dict[str, str]]] = {}
    with (study / "walks.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            walks.setdefault(row["subject"], []).append(row)
    return walks
