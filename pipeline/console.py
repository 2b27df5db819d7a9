"""What a run shows on the screen: bars in a terminal, plain lines where the output goes to a file."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich import box
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from pipeline.failure_kinds import FailureKind, failure_kinds
from pipeline.judgement import verdict_in_force
from pipeline.model import QualityNote
from pipeline.precheck import ClipCheck
from pipeline.quality import VIEW_SIGNS
from pipeline.store import openable_path
from pipeline.study_result import Progress as RunProgress
from pipeline.study_result import StudyResult, VisitResult
from pipeline.time_left import NOT_KNOWN, in_words

if TYPE_CHECKING:
    from pipeline.report.track import SubjectTrack

# Rich assumes 80 columns where there is no terminal, and would fold every message. [characters]
PLAIN_WIDTH = 200
# Names of clips differ at their end; a bar must still fit beside them in 80 columns. [characters]
NAME_WIDTH = 32
# Lines about the whole run in a file, beside those of what ended. [s]
LINE_EVERY_S = 60.0


def plain_console(*, stderr: bool = False) -> Console:
    """A console that neither reads markup in messages nor folds lines that go to a file."""
    console = Console(stderr=stderr, markup=False, highlight=False, emoji=False)
    if not console.is_terminal:
        console.width = PLAIN_WIDTH
    return console


@contextmanager
def follow_run(n_clips: int) -> Iterator[Callable[[RunProgress], None]]:
    """Give the callback that shows a run: a bar per clip at work, and a line per clip or visit that ended.

    In a file there are no bars, but a line about the whole run once a minute at most.
    """
    console = plain_console(stderr=True)
    if not console.is_terminal:
        yield _Lines(console, n_clips).show
        return
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=16),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.fields[left]}", markup=False),
    )
    with Progress(*columns, console=console, transient=True) as bars:
        whole = bars.add_task("clips", total=n_clips, left=NOT_KNOWN)
        tasks: dict[str, TaskID] = {}

        def show(event: RunProgress) -> None:
            bars.update(whole, left=in_words(event.seconds_left))
            if event.state == "running":
                if event.name not in tasks:
                    tasks[event.name] = bars.add_task(event.name, total=None, left="")
                bars.update(
                    tasks[event.name],
                    description=f"{event.stage} {event.name[-NAME_WIDTH:]}",
                    completed=event.done,
                    total=event.total or None,
                )
                return
            if event.name in tasks:
                bars.remove_task(tasks.pop(event.name))
            if event.name.startswith("clip "):
                bars.advance(whole)
            _print_end(bars.console, event)

        yield show


class _Lines:
    """A run in a file: what ended, and now and then how far it is."""

    def __init__(self, console: Console, n_clips: int) -> None:
        self.console = console
        self.n_clips = n_clips
        self.ended: Counter[str] = Counter()
        self.next_s = time.monotonic() + LINE_EVERY_S

    def show(self, event: RunProgress) -> None:
        """Print the end of a clip or a visit, and the whole run when it is time."""
        _print_end(self.console, event)
        if event.state != "running" and event.name.startswith("clip "):
            self.ended[event.state] += 1
        now_s = time.monotonic()
        if now_s >= self.next_s:
            self.next_s = now_s + LINE_EVERY_S
            failed = f", {self.ended['failed']} of them failed" if self.ended["failed"] else ""
            text = f"{self.ended.total()} of {self.n_clips} clips ended{failed}; {in_words(event.seconds_left)}"
            self.console.print(text, soft_wrap=True)


def _print_end(console: Console, event: RunProgress) -> None:
    """One line for a clip or a visit that ended."""
    if event.state == "notice":
        console.print(f"caution: {event.message}", soft_wrap=True)
    elif event.state == "failed":
        console.print(f"failed  {event.message}", soft_wrap=True)
    elif event.state == "done":
        note = f" ({event.message})" if event.message else ""
        console.print(f"done    {event.name}{note}", soft_wrap=True)


def show_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print rows in columns; without lines where the output goes to a file."""
    console = plain_console()
    table = Table(*header, box=box.SIMPLE_HEAD if console.is_terminal else None, pad_edge=False)
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)


def show_cautions(lines: Sequence[str]) -> None:
    """Print what a run or a check does not refuse but somebody should change."""
    for line in lines:
        plain_console(stderr=True).print(f"caution: {line}", soft_wrap=True)


def show_summary(result: StudyResult) -> None:
    """Print how many clips are done, what each visit shows, and where its report lies."""
    console = plain_console()
    failed = [clip for clip in result.clips if clip.state == "failed"]
    console.print(f"\nclips: {len(result.clips) - len(failed)} done, {len(failed)} failed")
    show_table(
        ("visit", "clips done", "present", "borderline", "not seen", "cannot say", "present faults"),
        [_visit_row(result, visit) for visit in result.visits],
    )
    lost = [clip.message for clip in failed] + [visit.message for visit in result.visits if visit.page is None]
    show_failures(failure_kinds(lost))
    for visit in result.visits:
        for fault in visit.report.faults if visit.report else ():
            if fault.urgent and {fault.verdict, verdict_in_force(fault)} & {"present", "borderline"}:
                console.print(
                    f"URGENT: {visit.subject}-{visit.visit}: {fault.title} ({verdict_in_force(fault)}). "
                    "Read the caution in the report before further walking.",
                    soft_wrap=True,
                )
    for note in result.notes:
        console.print(note, soft_wrap=True)
    pages = [visit.page for visit in result.visits if visit.page is not None]
    console.print(f"\nreports: {len(pages)} of {len(result.visits)} visits")
    for page in pages:
        console.print(openable_path(page), soft_wrap=True)
    if result.persons:
        console.print("\nchange across visits")
    for page in result.persons:
        console.print(openable_path(page), soft_wrap=True)
    for message in result.lost_persons.values():
        console.print(f"failed: {message}", soft_wrap=True)
    if result.page is not None:
        console.print(f"\nthe whole study: {openable_path(result.page)}", soft_wrap=True)
    elif result.page_message:
        console.print(f"\nfailed: {result.page_message}", soft_wrap=True)


def show_failures(kinds: Sequence[FailureKind]) -> None:
    """Print what failed: a table of what befell several, with what to do, and the message of what befell one."""
    several = [kind for kind in kinds if kind.count > 1]
    if several:
        show_table(
            ("failed", "what was found", "for example", "what to do"),
            [(str(kind.count), kind.found, ", ".join(kind.examples), kind.do) for kind in several],
        )
    for kind in kinds:
        if kind.count == 1:
            plain_console().print(f"failed: {kind.message}", soft_wrap=True)


def _visit_row(result: StudyResult, visit: VisitResult) -> tuple[str, ...]:
    """One visit's line of the summary."""
    name = f"{visit.subject}-{visit.visit}"
    if visit.report is None:
        return (name, "", "", "", "", "", "no report, see below")
    verdicts = Counter(verdict_in_force(fault) for fault in visit.report.faults)
    done = sum(clip.state == "done" for clip in visit.report.clips)
    present = ", ".join(
        dict.fromkeys(
            f"{fault.title}{f' (by {fault.person.by})' if fault.person else ''}"
            for fault in visit.report.faults
            if verdict_in_force(fault) == "present"
        )
    )
    counts = (verdicts["present"], verdicts["borderline"], verdicts["not seen"], verdicts["cannot say"])
    return (name, f"{done} of {len(visit.report.clips)}", *map(str, counts), present)


def show_check(checked: ClipCheck) -> None:
    """Print one clip's verdict, and under it each thing that is not good enough with what to do next time."""
    console = plain_console()
    console.print(f"{checked.clip.clip_id}: {checked.usable} ({checked.seconds:.1f} s)", soft_wrap=True)
    if checked.message:
        console.print(f"  {checked.message}", soft_wrap=True)
    poor = [note for note in checked.notes if not note.ok]
    if poor:
        table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
        for name in ("  looked at", "value", "limit", "next time"):
            table.add_column(name, overflow="fold")
        for note in poor:
            limit = f"at {'least' if note.value < note.limit else 'most'} {_amount(note.limit, note)}"
            cells = (f"  {note.item}", _amount(note.value, note), limit, note.advice)
            table.add_row(*(Text(cell) for cell in cells))
        console.print(table)


def show_track(found: SubjectTrack) -> None:
    """Print the visits of a person with what was changed, each fault's change, and how to read it."""
    # Here, so that a run or a check does not wait for the libraries of the pages.
    from pipeline.report.layout import load_sources
    from pipeline.report.outcomes import goal_rows, outcome_rows
    from pipeline.report.track import fault_rows, open_reasons, time_line
    from pipeline.report.track_slopes import slopes_view

    console, track = plain_console(), found.track
    console.print(f"subject {track.subject}: visit {track.visits[-1].visit} against visit {track.baseline}\n")
    for line in time_line(track.visits):
        console.print(f"visit {line}", soft_wrap=True)
    if found.note:
        console.print(f"{found.note}: compared with the first", soft_wrap=True)
    console.print()
    show_table(
        ("fault", "verdicts", "measure", "before", "after", "change", "verdict of the change"), fault_rows(track)
    )
    outcomes, goals = outcome_rows(track, found.goals, load_sources()), goal_rows(track, found.goals)
    if outcomes:
        rows = [(row.title, row.before, row.after, row.change, row.verdict) for row in outcomes]
        show_table(("recorded", "before", "after", "change", "verdict of the change"), rows)
    if goals:
        targets = [(row.title, row.target, row.value or "-", row.verdict, row.reason) for row in goals]
        show_table(("target of", "target", "latest", "result", "because"), targets)
    for line in open_reasons(track.changes):
        console.print(f"cannot say, {line}", soft_wrap=True)
    console.print(
        f"\nA change is called when it exceeds the smallest detectable one. Of {track.n_judged} measures about "
        f"{track.by_chance:.1f} would be called by chance alone if nothing had changed.",
        soft_wrap=True,
    )
    slopes = slopes_view(track)
    if slopes is not None:
        rows = [(one.measure, one.change, one.interval, one.visits, "; ".join(one.notes)) for one in slopes.of_faults]
        console.print()
        if rows:
            show_table(("measure", "change in 30 days", "95 % interval", "visits", "to mind"), rows)
        console.print(slopes.caution, soft_wrap=True)
    for message in found.losses.values():
        plain_console(stderr=True).print(f"failed: {message}", soft_wrap=True)


def show_check_counts(checks: Sequence[ClipCheck]) -> None:
    """Print how many clips can be used."""
    counts = Counter(checked.usable for checked in checks)
    parts = [f"{counts[name]} {name}" for name in ("usable", "usable with care", "not usable")]
    plain_console().print(f"\nclips: {', '.join(parts)}")


def _amount(value: float, note: QualityNote) -> str:
    """A note's value or limit with its unit; counts are whole, shares have two decimals."""
    if note.unit != "1":
        return f"{value:.{0 if note.unit == 'px' else 1}f} {note.unit}"
    return f"{value:.0f}" if max(abs(note.value), abs(note.limit)) > 1 or note.item == VIEW_SIGNS else f"{value:.2f}"
