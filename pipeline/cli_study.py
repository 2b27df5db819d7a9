"""Commands about results that are there: change across visits, tables, agreement of raters."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.config import config_dir, load_settings
from pipeline.errors import ConfigError
from pipeline.manifest import read_manifest
from pipeline.store import openable_path, shown_path
from pipeline.tables import TableFormat

StudyArgument = Annotated[Path, typer.Argument(help="Folder with manifest.csv and the clips.")]
LimitsOption = Annotated[Path | None, typer.Option("--limits", help="Folder with limits of your own.")]


def track_visits(
    out: Annotated[Path, typer.Argument(help="Folder with results of `strideledger run`.")],
    subject: Annotated[str, typer.Argument(help="Pseudonym of the person, as in the manifest.")],
    baseline: Annotated[
        str | None, typer.Option(help="Visit to compare with; else of goals.csv, else the first.")
    ] = None,
    rules: Annotated[Path | None, typer.Option(help="Rules of your own: a copy of configs/tracking.toml.")] = None,
    csv: Annotated[Path | None, typer.Option(help="File to write every change into, as a table.")] = None,
    settings: Annotated[Path | None, typer.Option(help="TOML file with the settings to change.")] = None,
    limits: LimitsOption = None,
) -> None:
    """Say what changed from one visit of a person to the latest, and whether by more than chance; make page and PDF."""
    from pipeline.console import show_track
    from pipeline.report.subject_page import build_subject
    from pipeline.report.track import track_subject, track_table
    from pipeline.results_lock import hold_results
    from pipeline.store import write_table
    from pipeline.thresholds import load_limits
    from pipeline.tracking_rules import load_tracking_rules

    run = load_settings(settings).run
    loaded = load_limits(limits or config_dir() / "checks")
    found = track_subject(out, subject, load_tracking_rules(rules), baseline=baseline)
    show_track(found)
    with hold_results(out, "track"):
        page = build_subject(out, found, limits=loaded, paper=run.paper, language=run.language)
    typer.echo(openable_path(page))
    typer.echo(openable_path(page.with_suffix(".pdf")))
    if csv is not None:
        write_table(csv, track_table(found.track, found.goals))
        typer.echo(openable_path(csv))
    raise typer.Exit(1 if found.losses else 0)


def tables(
    results: Annotated[Path, typer.Argument(help="Folder with results of `strideledger run`.")],
    out: Annotated[Path, typer.Option(help="Folder for the tables; made if needed.")],
    file_format: Annotated[
        TableFormat, typer.Option("--format", help="Parquet needs the extra `study`.")
    ] = TableFormat.csv,
    curve: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Curve to write too, 101 rows a stride, such as knee_flexion_deg; repeat."),
    ] = None,
) -> None:
    """Write the tables of all visits for analysis: visits, strides, metrics, findings, faults, and a dictionary.

    A file that is missing or damaged is named and left out.
    """
    from pipeline.study_export import export_tables
    from pipeline.study_tables import study_tables

    read = study_tables(results, curves=curve or ())
    for path in export_tables(read, out, file_format=file_format):
        typer.echo(openable_path(path))
    for file, reason in zip(read.losses["file"], read.losses["reason"], strict=True):
        typer.echo(f"left out: {file}: {reason}", err=True)
    raise typer.Exit(1 if len(read.losses) else 0)


def landmark_files(
    study: StudyArgument,
    results: Annotated[Path, typer.Argument(help="Folder with results of `strideledger run` of this study.")],
    out: Annotated[Path, typer.Option(help="Folder for the new study; made if needed.")],
    settings: Annotated[Path | None, typer.Option(help="TOML file with the settings of the run.")] = None,
) -> None:
    """Write a study without pictures: one landmark file for each measured clip, and the manifest that names them.

    It is measured like the clips, to the same numbers, and can be passed on where clips may not be.
    """
    from pipeline.landmark_export import export_landmarks
    from pipeline.landmark_file import is_landmark_file

    exported = export_landmarks(study, results, out, load_settings(settings))
    if exported.files:
        count = sum(is_landmark_file(path) for path in exported.files)
        typer.echo(f"landmark files: {count}\n{openable_path(exported.files[-1])}")
    for path, reason in exported.failures.items():
        typer.echo(f"left out: {path}: {reason}", err=True)
    raise typer.Exit(1 if exported.failures else 0)


def rating_sheet(
    study: StudyArgument,
    rater: Annotated[str, typer.Option(help="Pseudonym or initials of the rater.")],
    csv: Annotated[Path, typer.Option(help="File to write.")],
    seed: Annotated[int, typer.Option(min=0, help="Another seed gives another order.")] = 0,
    limits: LimitsOption = None,
) -> None:
    """Write a sheet for one rater to fill in: one row a visit and fault, in random order, without verdicts."""
    from pipeline.ratings import SHEET
    from pipeline.ratings import rating_sheet as make_sheet
    from pipeline.report.parts import guarded
    from pipeline.store import write_table
    from pipeline.thresholds import load_limits

    if csv.exists():
        do = "Give another name: a sheet that somebody filled in would be lost."
        raise ConfigError(shown_path(csv), "is there already", "expected a new file", do)
    loaded = load_limits(limits or config_dir() / "checks")
    sheet = make_sheet(read_manifest(study), loaded.faults, rater=rater, seed=seed)
    write_table(csv, guarded(sheet, SHEET))
    typer.echo(openable_path(csv))


def agree(
    sheets: Annotated[list[Path], typer.Argument(help="Filled-in sheets, one or more.")],
    csv: Annotated[Path, typer.Option(help="Table to write, one row a statistic.")],
    results: Annotated[Path | None, typer.Option(help="Folder with results of `strideledger run`.")] = None,
    figures: Annotated[Path | None, typer.Option(help="Folder for a figure of each pair's sizes.")] = None,
    limits: LimitsOption = None,
) -> None:
    """Compare raters with the results and with each other: verdicts, and sizes where they gave some."""
    from pipeline.agreement_files import read_reports, write_agreement
    from pipeline.ratings import read_ratings
    from pipeline.thresholds import load_limits

    loaded = load_limits(limits or config_dir() / "checks")
    ratings = read_ratings(sheets, [fault.name for fault in loaded.faults])
    reports = read_reports(results) if results is not None else ()
    for path in write_agreement(csv, ratings, reports, figures=figures):
        typer.echo(openable_path(path))
