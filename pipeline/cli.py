"""The command `strideledger`.

Exit codes: 0 all clips done (or usable); 1 some clip or report failed (or not usable); 2 wrong use, manifest,
settings, limits or causes, or a results folder in use; 130 stopped with Ctrl-C; 143 asked to end by the system.
"""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

from pipeline import __version__, cli_forget, cli_review, cli_study, cli_watch
from pipeline.cli_study import LimitsOption, StudyArgument
from pipeline.cli_watch import (
    CausesOption,
    MetricsOption,
    ModelOption,
    PicturesOption,
    RecordedOption,
    SettingsOption,
    WorkersOption,
    load_given,
)
from pipeline.config import config_dir, load_settings, with_choices
from pipeline.errors import ConfigError, PipelineError
from pipeline.manifest import clips_of, read_manifest
from pipeline.manifest_row import COLUMNS, MANIFEST_NAME
from pipeline.stopping import exit_code, stoppable
from pipeline.store import OutputTree, nothing_saved, openable_path, shown_path

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Measured gait faults from ordinary clips of a prosthetic fitting visit. "
    "A screening aid for trained staff; it makes no diagnosis.",
)

# The benchmarks read their own arguments.
PASS_ON = {"allow_extra_args": True, "ignore_unknown_options": True, "help_option_names": []}


def main() -> None:
    """Run the command; a mistake of the user gives its message and no traceback."""
    try:
        with stoppable():
            app(prog_name="strideledger")
    except PipelineError as error:
        typer.echo(f"error: {error}", err=True)
        sys.exit(2)
    except OSError as error:
        name = shown_path(Path(error.filename)) if error.filename else "a file"
        typer.echo(
            f"error: {name}: cannot be read or written ({error.strerror}). "
            "Check free space, and the right to write into the folder given with --out.",
            err=True,
        )
        sys.exit(2)


@app.callback(invoke_without_command=True)
def show_version(
    version: Annotated[bool, typer.Option("--version", help="Print the version and stop.")] = False,
) -> None:
    """Options of the command itself."""
    if version:
        typer.echo(f"strideledger {__version__}")
        raise typer.Exit


@app.command()
def run(
    study: StudyArgument,
    out: Annotated[Path, typer.Option(help="Folder for the results; made if needed.")],
    settings: SettingsOption = None,
    limits: LimitsOption = None,
    causes: CausesOption = None,
    recorded: RecordedOption = None,
    subject: Annotated[str | None, typer.Option(help="Only this person of the manifest.")] = None,
    visit: Annotated[str | None, typer.Option(help="Only visits of this name.")] = None,
    workers: WorkersOption = None,
    model: ModelOption = None,
    pictures: PicturesOption = None,
    metrics_file: MetricsOption = None,
    cluster: Annotated[
        str | None, typer.Option(help="Address of a dask scheduler: its workers measure, on other machines too.")
    ] = None,
    store: Annotated[
        str | None, typer.Option(help="Object store, s3://bucket/folder, for workers that do not see these folders.")
    ] = None,
    wait: Annotated[float, typer.Option(min=0.0, help="Seconds to wait for a lost scheduler or worker.")] = 300.0,
) -> None:
    """Measure all clips of a study and write a report for each visit.

    What is unchanged since an earlier run into the same folder is not computed again.
    """
    from pipeline.batch import run_study
    from pipeline.cluster_crew import Cluster
    from pipeline.console import follow_run, show_cautions, show_summary
    from pipeline.pseudonyms import pseudonym_cautions

    if store is not None and cluster is None:
        raise ConfigError("--store", "is given without --cluster", "", "Add the scheduler's address, or leave it out.")
    machines = None if cluster is None else Cluster(cluster, store, wait)
    given = load_given(settings, limits, causes, recorded, model=model, pictures=pictures)
    clips = clips_of(read_manifest(study), subject, visit)
    show_cautions(pseudonym_cautions(clips))
    try:
        with follow_run(len(clips)) as progress:
            result = run_study(
                study,
                out,
                **given,
                subject=subject,
                visit=visit,
                workers=workers,
                cluster=machines,
                progress=progress,
                metrics_file=metrics_file,
            )
    except KeyboardInterrupt as stopped:
        typer.echo("Stopped. Finished clips are kept; the same command goes on from here.", err=True)
        raise typer.Exit(exit_code(stopped)) from None
    show_summary(result)
    raise typer.Exit(0 if result.all_done else 1)


@app.command()
def check(
    study: StudyArgument,
    settings: SettingsOption = None,
    workers: WorkersOption = None,
) -> None:
    """Say in seconds which clips of a study can be measured, and how to film better; nothing is written.

    A sample of each clip's frames is looked at. Strides are counted only by `strideledger run`.
    """
    from pipeline.console import show_cautions, show_check, show_check_counts
    from pipeline.precheck import check_study
    from pipeline.pseudonyms import pseudonym_cautions

    show_cautions(pseudonym_cautions(read_manifest(study)))
    checks = []
    try:
        for checked in check_study(study, settings=load_settings(settings), workers=workers):
            show_check(checked)
            checks.append(checked)
    except KeyboardInterrupt as stopped:
        typer.echo("Stopped.", err=True)
        raise typer.Exit(exit_code(stopped)) from None
    show_check_counts(checks)
    raise typer.Exit(1 if any(checked.usable == "not usable" for checked in checks) else 0)


@app.command()
def report(
    out: Annotated[Path, typer.Argument(help="Folder with results of `strideledger run`.")],
    settings: SettingsOption = None,
    limits: LimitsOption = None,
    pictures: PicturesOption = None,
) -> None:
    """Make all pages, PDF and text again from the saved results, of visits, persons and study; nothing is
    measured anew.
    """
    from pipeline.kept import count_pictures
    from pipeline.rebuild import rebuild_reports
    from pipeline.thresholds import load_limits

    loaded = load_limits(limits or config_dir() / "checks")
    chosen = with_choices(load_settings(settings), pictures=pictures)
    keeps_none = chosen.run.keep_pictures == "none"
    n_pictures = sum(count_pictures(OutputTree(out)).values()) if keeps_none else 0
    pages, failures = rebuild_reports(out, limits=loaded, settings=chosen)
    if not pages and not failures:
        raise nothing_saved(out)
    for page in pages:
        typer.echo(openable_path(page))
    for message in failures.values():
        typer.echo(f"failed: {message}", err=True)
    if n_pictures and (deleted := n_pictures - sum(count_pictures(OutputTree(out)).values())):
        typer.echo(f"pictures deleted: {deleted}")
    raise typer.Exit(1 if failures else 0)


@app.command()
def manifest(
    study: Annotated[Path | None, typer.Argument(help="Folder of a study, to check its tables.")] = None,
    recorded: RecordedOption = None,
) -> None:
    """Explain the columns of manifest.csv, and of recorded.csv and goals.csv, which may be left out; or check those of
    a study.
    """
    from pipeline import goals
    from pipeline import recorded as outcomes

    if study is None:
        for name, row, columns in (
            (MANIFEST_NAME, "clip", COLUMNS),
            (outcomes.RECORDED_NAME, "value", outcomes.COLUMNS),
            (goals.GOALS_NAME, "target", goals.COLUMNS),
        ):
            typer.echo(f"{name}: one row per {row}, these columns in any order (commas or semicolons).\n")
            for column in columns:
                typer.echo(f"{column.name}: {column.meaning}")
                empty = "" if column.required else ", or empty"
                typer.echo(f"    allowed: {column.allowed}{empty}. Example: {column.example}")
            typer.echo()
        return
    clips = read_manifest(study)
    visits = {(clip.subject, clip.visit) for clip in clips}
    typer.echo(f"manifest.csv: no problem found; clips: {len(clips)}, visits: {len(visits)}.")
    measures = outcomes.load_measures(recorded)
    if found := outcomes.read_recorded(study, clips, measures):
        values = sum(len(values) for values in found.values())
        typer.echo(f"{outcomes.RECORDED_NAME}: no problem found; values: {values}, visits: {len(found)}.")
    if persons := goals.read_goals(study, clips, measures):
        targets = sum(len(person.goals) for person in persons.values())
        typer.echo(f"{goals.GOALS_NAME}: no problem found; targets: {targets}, persons: {len(persons)}.")
    missing = [clip.relative_path for clip in clips if not clip.path.is_file()]
    for path in missing:
        typer.echo(f"no such file: {path}")
    raise typer.Exit(1 if missing else 0)


@app.command()
def catalogue(
    limits: LimitsOption = None,
    csv: Annotated[
        Path | None, typer.Option(help="File to write as a table for a spreadsheet, one row a limit.")
    ] = None,
    pages: Annotated[
        Path | None, typer.Option(help="Folder for one page a fault; text of your own in them is kept.")
    ] = None,
) -> None:
    """List every fault with its limits, and every metric, with units, views, standing and source."""
    from pipeline.catalogue import catalogue_rows, catalogue_table, catalogue_text
    from pipeline.fault_pages import made_pages
    from pipeline.report.layout import load_sources
    from pipeline.store import write_table, write_text
    from pipeline.thresholds import load_limits

    loaded = load_limits(limits or config_dir() / "checks")
    rows = catalogue_rows(loaded, load_sources())
    if csv is not None:
        write_table(csv, catalogue_table(rows))
        typer.echo(openable_path(csv))
    if pages is not None:
        for name, text in made_pages(pages, loaded).items():
            write_text(pages / name, text)
            typer.echo(openable_path(pages / name))
    if csv is None and pages is None:
        typer.echo(catalogue_text(loaded, rows))


@app.command("check-limits")
def check_limits(
    folder: Annotated[Path | None, typer.Argument(help="Folder; by default the shipped one.")] = None,
) -> None:
    """Check a folder of limits, and list each limit with its standing."""
    from pipeline.console import show_table
    from pipeline.thresholds import load_limits

    limits = load_limits(folder or config_dir() / "checks")
    rows = [
        (check.fault, check.id, f"{check.direction} {check.limit:g} {check.unit}", check.side, check.standing)
        for check in limits.checks
    ]
    show_table(("fault", "check", "outside when", "side", "standing"), rows)
    typer.echo(f"no problem found; faults: {len(limits.faults)}, limits: {len(limits.checks)}.")


app.command("status")(cli_watch.status)
app.command("watch")(cli_watch.watch)
app.command("track")(cli_study.track_visits)
app.command("tables")(cli_study.tables)
app.command("landmark-files")(cli_study.landmark_files)
app.command("forget")(cli_forget.forget)
app.command("rating-sheet")(cli_study.rating_sheet)
app.command("agree")(cli_study.agree)
app.command("correct")(cli_review.correct)
app.command("undo")(cli_review.undo)
app.command("confirm")(cli_review.confirm)
app.command("corrections")(cli_review.corrections)


@app.command(context_settings=PASS_ON)
def bench(context: typer.Context) -> None:
    """Measure the pipeline against clips with known truth, such as `bench accuracy`."""
    import_module("pipeline.bench").main(context.args)
