"""Error of events, knee curves and metrics against the truth of rendered clips."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from pipeline.batch import run_study
from pipeline.bench.clip_set import ensure_set, truth_path
from pipeline.bench.errors import event_errors, knee_errors, value_errors
from pipeline.bench.event_methods import event_methods
from pipeline.bench.goals import goal_table, leg_facts, put_right
from pipeline.bench.lag import lag_table
from pipeline.bench.own_error import save_values
from pipeline.bench.tables import event_table, knee_table, markdown, value_table
from pipeline.bench.truth import ClipTruth, load_truth
from pipeline.config import ModelChoice, Settings, load_settings, with_choices
from pipeline.landmark_file import is_landmark_file
from pipeline.manifest import read_manifest
from pipeline.model import Clip
from pipeline.motion import prepare
from pipeline.passes import find_passes
from pipeline.store import write_text
from pipeline.study_result import StudyResult


class ClipSetChoice(StrEnum):
    """Which clips are measured."""

    example = "example"
    full = "full"


class PartChoice(StrEnum):
    """Halves of the varied clips."""

    tuning = "tuning"
    test = "test"


EXAMPLE = Path("example_data/study")
EXAMPLE_TRUTH = Path("example_data/truth")
INTRODUCTION = """# Accuracy against rendered clips

Printed by `python -m pipeline bench accuracy` on {day}, version {version}, {model} model, from {what}:
{done} of {clips} clips measured. The clips are rendered, so their joints and events are known exactly; people, light
and cloth of real clips are harder. This is no validation: the figures say what works, not how well it will work on
patients.

Errors are found minus true. *near* and *far* say where the limb is from the camera. Values of a visit stand beside the
same metric computed from the true joints; *low* and *high* bound the 95 % interval that verdicts use, *inside* is how
often it holds the true value, *slope* that of found on true values with half of its 95 % interval (*+-*),
where the true values show one."""


@dataclass(frozen=True, slots=True)
class Measured:
    """The measured clips of one benchmark run, with their truth."""

    what: str
    result: StudyResult
    n_filmed: int
    out: Path
    clips: list[Clip]
    truth_files: dict[str, Path]
    settings: Settings


def accuracy(
    clip_set: Annotated[
        ClipSetChoice, typer.Option("--set", help="The example study, or varied clips that are rendered on demand.")
    ] = ClipSetChoice.example,
    part: Annotated[
        PartChoice, typer.Option(help="Half of the varied clips; the test half is for the last measurement only.")
    ] = PartChoice.tuning,
    seed: Annotated[int, typer.Option(help="Seed of the varied clips.")] = 1,
    count: Annotated[int, typer.Option(help="Varied clips, both halves together.")] = 60,
    out: Annotated[Path, typer.Option(help="Results; what is unchanged is used again.")] = Path("results"),
    model: Annotated[ModelChoice, typer.Option(help="Pose model.")] = ModelChoice.heavy,
    write: Annotated[Path | None, typer.Option(help="Also write the tables to this file.")] = None,
) -> None:
    """Print the errors against truth: walker found, legs, contacts, toe-offs, lag, knee curves, each metric."""
    measured = _measure(clip_set, part, seed, count, out, model)
    truths = {clip.clip_id: load_truth(measured.truth_files[clip.clip_id]) for clip in measured.clips}
    values = value_errors(measured.result, measured.clips, truths)
    text = "\n\n".join(_sections(measured, truths, values, example=clip_set is ClipSetChoice.example))
    typer.echo(text)
    if write is not None:
        write_text(write, text + "\n")
    save_values(measured.out, values, f"{measured.what}, {measured.result.run.started[:10]}")


def _measure(
    clip_set: ClipSetChoice, part: PartChoice, seed: int, count: int, out: Path, model: ModelChoice
) -> Measured:
    """Render what is missing and run the pipeline."""
    if clip_set is ClipSetChoice.example:
        study, what = EXAMPLE, "the example study"
    else:
        study = ensure_set(out / "clips", seed, count, part.value, workers=2, say=typer.echo)
        out, what = out / f"seed-{seed}-{part.value}", f"the {part.value} half of {count} varied clips, seed {seed}"
    settings = with_choices(load_settings(), model=model)
    result = run_study(study, out, settings=settings)
    done = {one.clip_id for one in result.clips if one.state == "done"}
    # Of clips that came as landmark files no truth is kept.
    filmed = [clip for clip in read_manifest(study) if not is_landmark_file(clip.path)]
    clips = [clip for clip in filmed if clip.clip_id in done]
    files = {clip.clip_id: _truth_file(clip_set, study, clip) for clip in clips}
    return Measured(what, result, len(filmed), out, clips, files, settings)


def _sections(measured: Measured, truths: dict[str, ClipTruth], values: pd.DataFrame, *, example: bool) -> list[str]:
    """The page, section by section."""
    clips, out = measured.clips, measured.out
    events = event_errors(clips, truths, out)
    knees = knee_errors(clips, truths, out)
    tracks = put_right(clips, out, measured.settings)
    facts = leg_facts(clips, measured.truth_files, tracks)
    motions = [
        (prepare(legs.track, measured.settings.signals, legs.doubtful), measured.truth_files[clip.clip_id])
        for clip, (_, legs) in zip(clips, tracks.values(), strict=True)
        if clip.view == "sagittal"
    ]
    tables = {
        "Figures beside their goals": goal_table(facts, events, knees, values),
        "Walker and legs, frames": facts.drop(columns="clip").groupby(["view", "look"], as_index=False).sum(),
        "Events": event_table(events),
        "Ways to time events in side views": event_methods(
            [(motion, find_passes(motion, "sagittal"), truth) for motion, truth in motions]
        ),
        "Lag of the landmarks that time events": lag_table(motions),
        "Knee-flexion curve, 101 points a stride": knee_table(knees),
        "Metrics over all visits": value_table(values),
    }
    if example:
        tables["Values of each visit"] = values
    run = measured.result.run
    introduction = INTRODUCTION.format(
        what=measured.what,
        day=run.started[:10],
        version=run.code_version,
        model=measured.settings.landmarks.model,
        done=len(clips),
        clips=measured.n_filmed,
    )
    failed = [f"- {one.clip_id}: {one.message}" for one in measured.result.clips if one.state != "done"]
    refused = ["Not measured:\n\n" + "\n".join(failed)] if failed else []
    return [introduction, *refused, *(f"### {title}\n\n{markdown(table)}" for title, table in tables.items())]


def _truth_file(clip_set: ClipSetChoice, study: Path, clip: Clip) -> Path:
    """Where a clip's truth lies."""
    if clip_set is ClipSetChoice.full:
        return truth_path(study, clip.relative_path)
    return EXAMPLE_TRUTH / Path(clip.relative_path).with_suffix(".truth.json")
