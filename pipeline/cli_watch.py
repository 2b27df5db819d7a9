"""Commands about a run at work: its status, and the watch of an incoming folder."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypedDict

import typer

from pipeline.cli_study import LimitsOption, StudyArgument
from pipeline.config import ModelChoice, PicturesKept, Settings, config_dir, load_settings, with_choices
from pipeline.stopping import exit_code

if TYPE_CHECKING:
    from pipeline.causes import Causes
    from pipeline.judgement import Limits
    from pipeline.recorded import MeasureList

PicturesOption = Annotated[
    PicturesKept | None, typer.Option(help="Pictures kept, faces hidden; none deletes those of earlier runs.")
]
CausesOption = Annotated[Path | None, typer.Option("--causes", help="File with causes of your own to consider.")]
RecordedOption = Annotated[
    Path | None, typer.Option("--recorded", help="List of your own outcome measures: a copy of configs/recorded.toml.")
]
SettingsOption = Annotated[Path | None, typer.Option(help="TOML file with the settings to change.")]
WorkersOption = Annotated[int | None, typer.Option(min=1, max=64, help="Clips at the same time.")]
ModelOption = Annotated[ModelChoice | None, typer.Option(help="Pose model; full is a quick look.")]
MetricsOption = Annotated[
    Path | None, typer.Option("--metrics-file", help="File with counts for a monitoring system, kept up to date.")
]


def status(
    out: Annotated[Path, typer.Argument(help="Folder with results of `strideledger run`.")],
    json: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> None:
    """Say how far the latest run is, how long it still takes, what failed and what to do; it only reads."""
    from pipeline.status import read_status

    found = read_status(out)
    if json:
        from pydantic_core import to_json

        typer.echo(to_json(found, indent=1).decode())
    else:
        from pipeline.console_status import show_status

        show_status(found)
    raise typer.Exit(0 if found.all_well else 1)


class Given(TypedDict):
    """What a study is measured and judged by."""

    settings: Settings
    limits: Limits
    causes: Causes
    measures: MeasureList


def load_given(
    settings: Path | None,
    limits: Path | None,
    causes: Path | None,
    recorded: Path | None,
    *,
    model: ModelChoice | None,
    pictures: PicturesKept | None,
) -> Given:
    """Read the files that a user gave to `run` or `watch`, and the shipped ones in place of the others."""
    from pipeline.causes_file import load_causes
    from pipeline.recorded import load_measures
    from pipeline.thresholds import load_limits

    loaded = load_limits(limits or config_dir() / "checks")
    return {
        "settings": with_choices(load_settings(settings), model=model, pictures=pictures),
        "limits": loaded,
        "causes": load_causes(causes, limits=loaded),
        "measures": load_measures(recorded),
    }


def watch(
    study: StudyArgument,
    out: Annotated[Path, typer.Option(help="Folder for the results; made if needed.")],
    settings: SettingsOption = None,
    limits: LimitsOption = None,
    causes: CausesOption = None,
    recorded: RecordedOption = None,
    workers: WorkersOption = None,
    model: ModelOption = None,
    pictures: PicturesOption = None,
    metrics_file: MetricsOption = None,
    every: Annotated[float, typer.Option(min=0.2, max=3600.0, help="Seconds from look to look.")] = 5.0,
    settle: Annotated[
        float, typer.Option(min=0.0, max=3600.0, help="Seconds that a file must not change to count as copied.")
    ] = 10.0,
) -> None:
    """Measure clips as they are copied into the study folder, and make reports, until Ctrl-C; as `run` does it.

    The manifest may be filled in meanwhile. Clips that it lists and that are not there are waited for.
    """
    from pipeline.batch import run_study
    from pipeline.console import follow_run, show_summary
    from pipeline.live import check_metrics_file
    from pipeline.study_result import StudyResult
    from pipeline.watch_run import watch_folder

    given = load_given(settings, limits, causes, recorded, model=model, pictures=pictures)
    check_metrics_file(metrics_file)

    def measure(clips: Collection[str]) -> StudyResult:
        with follow_run(len(clips)) as progress:
            result = run_study(
                study,
                out,
                **given,
                workers=workers,
                progress=progress,
                metrics_file=metrics_file,
                only=clips,
                held=True,
            )
        show_summary(result)
        return result

    try:
        watch_folder(
            study,
            out,
            **given,
            measure=measure,
            tell=lambda line: typer.echo(line, err=True),
            every_s=every,
            settle_s=settle,
        )
    except KeyboardInterrupt as stopped:
        typer.echo("Stopped. Finished clips are kept; the same command goes on from here.", err=True)
        raise typer.Exit(exit_code(stopped)) from None
