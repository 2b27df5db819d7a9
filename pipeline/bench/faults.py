"""Detection of faults in rendered walkers whose faults are known."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from pipeline.bench.accuracy import PartChoice
from pipeline.bench.clip_set import ensure_walks, fault_walkers, truth_path, walks_version
from pipeline.bench.clips_alone import measure_clips
from pipeline.bench.detection import WalkedStudy, judge_walks
from pipeline.bench.faults_page import days_of, faults_page
from pipeline.bench.kept_visits import KeptVisit, go_on_with, kept_visit, nothing_kept, value_frame, write_half
from pipeline.bench.own_error import save_values
from pipeline.config import ModelChoice, Settings, load_settings, with_choices
from pipeline.errors import ConfigError
from pipeline.judgement import Limits
from pipeline.manifest import read_manifest
from pipeline.store import now_text, write_text
from pipeline.thresholds import load_limits


def faults(
    part: Annotated[
        PartChoice, typer.Option(help="Half of the walkers; the test half is for the last measurement only.")
    ] = PartChoice.tuning,
    seed: Annotated[int, typer.Option(help="Seed of the walkers.")] = 2,
    per_size: Annotated[int, typer.Option(min=0, help="Walkers for each fault and size.")] = 12,
    without: Annotated[int, typer.Option(min=0, help="Walkers without a fault.")] = 40,
    several: Annotated[int, typer.Option(min=0, help="Walkers with several faults at once.")] = 20,
    every_view: Annotated[
        int, typer.Option(min=0, help="Walkers for each fault, clear in size, that are filmed in every view.")
    ] = 2,
    only: Annotated[str, typer.Option(help="Faults to show, with commas between; empty is all.")] = "",
    out: Annotated[Path, typer.Option(help="Results; what is unchanged is used again.")] = Path("results"),
    model: Annotated[ModelChoice, typer.Option(help="Pose model.")] = ModelChoice.heavy,
    limits: Annotated[Path | None, typer.Option(help="Folder with limits of your own.")] = None,
    rows: Annotated[
        Path | None,
        typer.Option(help="Keep what each visit gave in this file; a visit that is in it is not rendered again."),
    ] = None,
    at_most: Annotated[
        int | None, typer.Option(min=0, help="Visits to measure now; by default all; 0 prints what --rows keeps.")
    ] = None,
    write: Annotated[Path | None, typer.Option(help="Also write the tables to this file.")] = None,
) -> None:
    """Print sensitivity, false alarms, the smallest size found and confusion between faults, for every fault.

    A clip takes about 20 s of computing to render and as much to measure; all walkers of a half are about 1,450 clips.
    With --rows and --at-most they are measured over several sittings or machines, walker 1 of everything first.
    """
    chosen = tuple(name.strip() for name in only.split(",") if name.strip())
    settings, loaded = with_choices(load_settings(), model=model), load_limits(limits)
    walkers = fault_walkers(per_size=per_size, without=without, several=several, every_view=every_view, only=chosen)
    wanted = nothing_kept(settings, loaded, f"the {part.value} half, seed {seed}", len(walkers), walks_version())
    half = go_on_with(rows, wanted)
    folder = out / f"faults-{seed}-{part.value}"
    left = [walker for walker in walkers if walker.subject not in half.visits][:at_most]
    study = ensure_walks(out / "clips", seed, part.value, left, workers=2, say=typer.echo)
    half = replace(half, visits=half.visits | _measured(study, folder, settings, loaded))
    if not half.visits:
        raise ConfigError(
            "--per-size", "no visit is asked for", "expected walkers with or without a fault", "Raise it."
        )
    if rows:
        write_half(rows, half)
    text = faults_page(half)
    typer.echo(text)
    if write is not None:
        write_text(write, text)
    what = f"{half.walkers.replace('half', 'half of the fault walkers')}, {days_of(half)}"
    save_values(folder, value_frame(half.visits.values()), what)


def _measured(study: Path, folder: Path, settings: Settings, limits: Limits) -> dict[str, KeptVisit]:
    """Measure and judge the walks of a study; what each gave, by subject."""
    walks = _walks(study)
    if not walks:
        return {}
    day = now_text()[:10]
    failed = measure_clips(study, folder, settings)
    clips = read_manifest(study)
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
        visits[judged.subject] = kept_visit(judged, day, len(own), refused)
    return visits


def _walks(study: Path) -> dict[str, list[dict[str, str]]]:
    """What each walker shows, by subject."""
    walks: dict[str, list[dict[str, str]]] = {}
    with (study / "walks.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            walks.setdefault(row["subject"], []).append(row)
    return walks
