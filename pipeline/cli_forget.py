"""The command that deletes everything of one person from results: what will go, the question, what was searched."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli_study import LimitsOption
from pipeline.config import config_dir, load_settings
from pipeline.store import openable_path

if TYPE_CHECKING:
    from pipeline.forget import Forgotten
    from pipeline.forget_plan import ForgetPlan

# More spellings than this are counted in place of being listed. Own choice.
MOST_LISTED = 4
NOT_REACHED = (
    "Not reached, and yours to delete: the study's folder with clips and tables; tables and figures written elsewhere; "
    "landmark files; raters' sheets; copies, mail and backups."
)


def forget(
    results: Annotated[Path, typer.Argument(help="Folder with results of `strideledger run`.")],
    subject: Annotated[str, typer.Argument(help="Pseudonym of the person, as in the manifest.")],
    study: Annotated[
        Path | None, typer.Option(help="Folder of the study: warns while its tables still name the person.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Delete without asking.")] = False,
    settings: Annotated[Path | None, typer.Option(help="TOML file with settings of the study's page.")] = None,
    limits: LimitsOption = None,
) -> None:
    """Delete everything of one person from results, and search every byte for the person's names.

    Says first what will go, and asks. Stopped in the middle, the same command finishes.
    """
    from pipeline.forget import forget_subject
    from pipeline.forget_plan import plan_forget
    from pipeline.thresholds import load_limits

    chosen, loaded = load_settings(settings), load_limits(limits or config_dir() / "checks")
    plan = plan_forget(results, subject, study=study)
    _show_plan(plan)
    if not yes and not typer.confirm(f"Delete all of it for good, {subject} in {openable_path(results)}?"):
        typer.echo("Nothing was deleted.")
        raise typer.Exit(1)
    done = forget_subject(results, subject, study=study, limits=loaded, settings=chosen)
    _show_done(done, results)
    raise typer.Exit(0 if done.is_clean and not done.page_message else 1)


def _show_plan(plan: ForgetPlan) -> None:
    """What will go, and what cannot be taken back."""
    names = plan.names
    if plan.resumed:
        typer.echo(f"{names.subject}: an earlier attempt did not come to its end; this one goes on from there.")
    typer.echo(f"{names.subject}: visits {len(plan.visits)}, files {plan.files}, {_size(plan.size_bytes)}")
    for visit in plan.visits:
        typer.echo(f"  {visit}")
    if plan.pictures:
        typer.echo(f"pictures of the person: {plan.pictures}")
    if plan.clips:
        typer.echo(f"CLIPS OR LANDMARK FILES in the person's folder, which go too: {plan.clips}")
    if plan.corrections:
        typer.echo(f"CORRECTIONS BY HAND, which nobody can make again: {plan.corrections}")
    for one in plan.runs:
        typer.echo(f"runs/{one.run}: rows of tables {one.rows}, entries of log.txt {one.entries}")
    for link in plan.links:
        typer.echo(f"{link}: a link; it goes, and what it leads to stays")
    typer.echo("study.html and study.pdf are made again without the person.")
    for table, rows in plan.listed.items():
        typer.echo(f"warning: {table} of the study still names {names.subject} in {_rows(rows)}.", err=True)
    if "manifest.csv" in plan.listed:
        typer.echo("warning: the next `strideledger run` measures the person again; take the rows out.", err=True)


def _show_done(done: Forgotten, results: Path) -> None:
    """What was deleted, what was searched, and what was found."""
    plan, searched = done.plan, done.searched
    rows, entries = sum(one.rows for one in done.runs), sum(one.entries for one in done.runs)
    typer.echo(
        f"deleted: files {plan.files}, {_size(plan.size_bytes)}; of runs' records {rows} rows, {entries} entries"
    )
    if done.page is not None:
        typer.echo(f"made again: {openable_path(done.page)}")
    if done.page_message:
        typer.echo(f"failed: {done.page_message} `strideledger report` makes it again.", err=True)
    listed = ", ".join(done.looked_for[:MOST_LISTED])
    more = len(done.looked_for) - MOST_LISTED
    typer.echo(
        f"searched: files {searched.files}, {_size(searched.size_bytes)}, names of files too, "
        f"and {_size(searched.unpacked_bytes)} unpacked from them\n"
        f"for: {listed}{f' and {more} more' if more > 0 else ''}"
    )
    if done.narrow:
        typer.echo(f"only in the forms that results write, since they are common words: {', '.join(done.narrow)}")
    if done.shared:
        typer.echo(f"not searched for, since somebody else has a clip of the same name: {', '.join(done.shared)}")
    for place, names in searched.found.items():
        typer.echo(f"still holds {', '.join(names)}: {place}", err=True)
    for place, reason in searched.unread.items():
        typer.echo(f"not searched: {place}: {reason}", err=True)
    if done.is_clean:
        typer.echo("found: nothing")
    else:
        typer.echo(
            f"Correct or delete these files, then give the same command again. Until then the names stay in "
            f"{openable_path(results)}/forgetting-{plan.names.subject}.json.",
            err=True,
        )
    typer.echo(NOT_REACHED)


def _size(size_bytes: int) -> str:
    """A size as people read it."""
    return f"{size_bytes / 1e6:.1f} MB" if size_bytes >= 100_000 else f"{size_bytes} bytes"


def _rows(count: int) -> str:
    """A number of rows."""
    return "1 row" if count == 1 else f"{count} rows"
