"""Commands about corrections by a person: record them from a file, undo or confirm one, list them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import ConfigError
from pipeline.plain_text import one_line
from pipeline.review import SHORT_ID, Action
from pipeline.store import openable_path, shown_path

ResultsArgument = Annotated[Path, typer.Argument(help="Folder with results of `strideledger run`.")]
RecordArgument = Annotated[str, typer.Argument(metavar="RECORD", help="The record, or the last six letters of it.")]
ByOption = Annotated[str, typer.Option("--by", help="Your initials.")]
ReasonOption = Annotated[str, typer.Option("--reason", help="Why, in a few words.")]
CSV_HELP = "File to write all of them into, as a table."


def correct(
    results: ResultsArgument,
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="Corrections, one row each.")],
) -> None:
    """Record corrections of events, legs, strides and verdicts; all mistakes are told, and then nothing is recorded.

    What was recorded before, word for word, is not recorded twice.
    """
    from pipeline.review_requests import record
    from pipeline.review_table import read_requests

    requests, problems = read_requests(file)
    done = record(results, requests, problems=problems)
    for request, reviewed in done.known:
        typer.echo(f"{request.where}: recorded before as {reviewed.correction.id} ({reviewed.state}); nothing added.")
    _tell(results, [one.id for one in done.new])


def undo(results: ResultsArgument, record: RecordArgument, by: ByOption, reason: ReasonOption) -> None:
    """Undo a correction, or the undoing of one; that is another record, and nothing is deleted."""
    _about(results, record, "undo", by, reason)


def confirm(results: ResultsArgument, record: RecordArgument, by: ByOption, reason: ReasonOption) -> None:
    """Say that a correction made for other landmarks holds for those in use too."""
    _about(results, record, "confirm", by, reason)


def corrections(
    results: ResultsArgument,
    subject: Annotated[str | None, typer.Argument(help="Pseudonym of the person; by default all.")] = None,
    csv: Annotated[Path | None, typer.Option(help=CSV_HELP)] = None,
    template: Annotated[Path | None, typer.Option(help="File to write with the columns alone, to fill in.")] = None,
) -> None:
    """List every correction with its state: applied, waiting, replaced, undone, for other landmarks, not applicable."""
    from pipeline.report.corrections import what_words
    from pipeline.review_saved import list_corrections
    from pipeline.review_table import listed
    from pipeline.review_table import template as empty_table
    from pipeline.store import write_table

    if template is not None:
        if template.exists():
            do = "Give another name: what somebody filled in would be lost."
            raise ConfigError(shown_path(template), "is there already", "expected a new file", do)
        write_table(template, empty_table())
        typer.echo(openable_path(template))
        return
    found, damaged = list_corrections(results, subject)
    for one in found:
        made = one.correction
        state = f"{one.state}: {one.note}" if one.note else one.state
        when = made.made[:16].replace("T", " ")
        clip = f", clip {made.clip_id}" if made.clip_id else ""
        line = f"{made.id[-SHORT_ID:]}  {made.subject}-{made.visit}  {when} UTC  {made.by}  {state}"
        typer.echo(one_line(line))
        typer.echo(f"        {one_line(f'{what_words(made)}{clip}. {made.reason}')}")
    typer.echo(f"corrections: {len(found)}")
    if csv is not None:
        write_table(csv, listed(found))
        typer.echo(openable_path(csv))
    for place, reason in damaged.items():
        typer.echo(one_line(f"cannot be read: {place}: {reason}"), err=True)
    raise typer.Exit(1 if damaged else 0)


def _about(results: Path, name: str, action: Action, by: str, reason: str) -> None:
    """Undo or confirm one record, wherever it lies."""
    from pipeline.review_requests import Request, record
    from pipeline.review_saved import list_corrections

    found = [one.correction for one in list_corrections(results)[0]]
    fitting = [one for one in found if name in (one.id, one.id[-SHORT_ID:])]
    if len(fitting) != 1:
        have = f"{len(fitting)} of {len(found)} records are called so"
        raise ConfigError(f"record {name}", have, "expected one", "`strideledger corrections` lists them.")
    one = fitting[0]
    done = record(results, [Request(one.subject, one.visit, action, by, reason, about=one.id)])
    for _, reviewed in done.known:
        typer.echo(f"recorded before as {reviewed.correction.id} ({reviewed.state}); nothing added.")
    _tell(results, [made.id for made in done.new])


def _tell(results: Path, names: Sequence[str]) -> None:
    """Name what was recorded, and how it is applied."""
    for name in names:
        typer.echo(f"recorded {name}")
    typer.echo(f"corrections recorded: {len(names)}")
    if names:
        typer.echo(
            f"Apply with `strideledger run STUDY --out {openable_path(results)}` and the options of the last run: "
            "it measures only the corrected clips again, from their saved landmarks."
        )
