"""The page of a whole study: every visit's verdicts in one grid, made from what all visits saved.

It needs nothing but the results folder, and links to the pages that are there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from pipeline.config import ENGLISH, Paper
from pipeline.judgement import Limits, RunRecord, Verdict
from pipeline.language import say, say_count, speaking, spoken
from pipeline.plain_text import natural_key
from pipeline.report.faults import page_name
from pipeline.report.layout import load_layout
from pipeline.report.layout_records import StudyTexts
from pipeline.report.page import VISIT_PAGE, style_text, template_environment
from pipeline.report.scripts import page_script
from pipeline.report.study_parts import FoundVisit, SavedFault, read_study
from pipeline.report.study_pdf import write_study_pdf
from pipeline.report.words import VERDICTS, prosthetic_words
from pipeline.store import STUDY_PAGE, SUBJECT_PAGE, write_text

SEEN: tuple[Verdict, ...] = ("present", "borderline")
# More visits than this are counted, not named, where sets of visits are told apart. Own choice.
MOST_NAMED = 12
SHORT_HASH = 12


@dataclass(frozen=True, slots=True)
class Column:
    """One fault of the grid, with how many visits have each verdict, in the order of `VERDICTS`."""

    name: str
    title: str
    short: str
    urgent: bool
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Cell:
    """One verdict, and the page of its fault; the page is empty where there is none.

    `mark` says in words what a person corrected. `is_danger`: the pipeline or a person saw it.
    """

    title: str
    verdict: str
    severity: str
    page: str
    mark: str
    is_danger: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One visit: what is known of it, and a cell for each column, None where the fault was not looked for."""

    number: int
    title: str
    subject: str
    visit: str
    date: str
    page: str
    prosthetic: str
    level: str
    aid: str
    changes: str
    n_done: int
    n_clips: int
    latest: bool
    set_number: int
    cells: tuple[Cell | None, ...]
    urgent: tuple[Cell, ...]
    unknown: tuple[Cell, ...]

    @property
    def seen(self) -> list[Cell]:
        """What is present, then what is borderline."""
        cells = [cell for cell in self.cells if cell is not None and cell.verdict in SEEN]
        return sorted(cells, key=lambda cell: SEEN.index(cell.verdict))


@dataclass(frozen=True, slots=True)
class JudgedAlike:
    """Visits that were judged by the same code, settings, limits and packages; `differs` from set 1 in words."""

    number: int
    visits: str
    parts: tuple[tuple[str, str], ...]
    differs: str


def build_study(
    out: Path, limits: Limits, *, config_folder: Path | None = None, paper: Paper = "A4", language: str = ENGLISH
) -> Path:
    """Make the page of all visits that have results in a folder, a PDF beside it, and return the page.

    Parameters
    ----------
    out : Path
        The results folder.
    limits : Limits
        Tells which faults are urgent, and the order of the columns. Verdicts come from the saved reports.
    config_folder : Path, optional
        Folder of `report.toml`; by default the one that ships.
    paper : {"A4", "Letter"}
        Of the PDF.
    language : str
        Of all words but those of the saved parts; one of `config.languages()`.

    Raises
    ------
    ConfigError, ManyProblems
        The layout or the language is wrong.
    """
    with speaking(language):
        context = _context(out, limits, config_folder)
        page = out / STUDY_PAGE
        write_text(page, template_environment().get_template("study.html").render(context))
        write_study_pdf(out, context, paper=paper)
        return page


def _context(out: Path, limits: Limits, config_folder: Path | None) -> dict[str, Any]:
    """What the templates are filled with, in the language that is spoken."""
    layout = load_layout(config_folder)
    parts = read_study(out, layout.study)
    columns = _columns(parts.visits, limits, layout.study)
    sets, set_of = _sets(parts.visits, layout.study)
    rows = _rows(parts.visits, columns, set_of)
    script, policy = page_script("study.js")
    verdicts = Counter(fault.in_force for visit in parts.visits for fault in visit.saved.faults)
    clips = [clip for visit in parts.visits for clip in visit.saved.clips]
    dates = [visit.saved.visit_date.isoformat() for visit in parts.visits]
    return {
        "layout": layout,
        "language": spoken().code,
        "page_title": layout.study.kind,
        "sections": layout.study_sections,
        "style": style_text("study.css"),
        "script": Markup(script),
        "policy": Markup(policy),
        "subjects": _subjects(rows, out),
        "rows": rows,
        "columns": columns,
        "verdicts": [(word, verdicts[word]) for word in VERDICTS],
        "any_mark": any(cell.mark for row in rows for cell in row.cells if cell is not None),
        "n_done": sum(clip.state == "done" for clip in clips),
        "n_clips": len(clips),
        "period": sorted({min(dates), max(dates)}) if dates else [],
        "losses": parts.losses,
        "sets": sets,
        "runs": parts.runs,
        "latest_run": max((visit.saved.run.finished for visit in parts.visits), default=""),
    }


def _subjects(rows: Sequence[Row], out: Path) -> list[tuple[str, list[Row], str]]:
    """Each person with the visits, and the page of the change across them; empty where there is none."""
    subjects = []
    for subject, group in groupby(rows, key=lambda row: row.subject):
        visits = list(group)
        page = f"sub-{subject}/{SUBJECT_PAGE}"
        has_page = len(visits) > 1 and (out / page).is_file()
        subjects.append((subject, visits, quote(page) if has_page else ""))
    return subjects


def _columns(visits: Sequence[FoundVisit], limits: Limits, texts: StudyTexts) -> list[Column]:
    """The faults of all visits, urgent ones first, then in the order of the limits, then as they come."""
    found: dict[str, SavedFault] = {fault.name: fault for visit in visits for fault in visit.saved.faults}
    urgent = {definition.name for definition in limits.faults if definition.urgent}
    urgent |= {fault.name for visit in visits for fault in visit.saved.faults if fault.urgent}
    order = [definition.name for definition in limits.faults if definition.name in found]
    names = sorted(dict.fromkeys([*order, *found]), key=lambda name: name not in urgent)
    counts = Counter((fault.name, fault.in_force) for visit in visits for fault in visit.saved.faults)
    return [
        Column(
            name=name,
            title=say(found[name].title),
            short=texts.short.get(name, say(found[name].title)),
            urgent=name in urgent,
            counts=tuple(counts[name, word] for word in VERDICTS),
        )
        for name in names
    ]


def _rows(visits: Sequence[FoundVisit], columns: Sequence[Column], set_of: dict[str, int]) -> list[Row]:
    """One row a visit, in their order."""
    last = {visit.saved.subject: visit.folder for visit in visits}
    rows = []
    for number, visit in enumerate(visits):
        saved, address = visit.saved, quote(visit.folder)
        cells = {fault.name: _cell(fault, visit, address) for fault in saved.faults}
        risky = [cells[column.name] for column in columns if column.urgent and column.name in cells]
        rows.append(
            Row(
                number=number,
                title=visit.title,
                subject=saved.subject,
                visit=saved.visit,
                date=saved.visit_date.isoformat(),
                page=f"{address}/{VISIT_PAGE}" if VISIT_PAGE in visit.names else "",
                prosthetic=prosthetic_words(saved.prosthetic_sides),
                level=" / ".join(say(level) for level in saved.levels),
                aid=say(saved.aid or ""),
                changes=saved.changes,
                n_done=sum(clip.state == "done" for clip in saved.clips),
                n_clips=len(saved.clips),
                latest=last[saved.subject] == visit.folder,
                set_number=set_of[visit.folder],
                cells=tuple(cells.get(column.name) for column in columns),
                urgent=tuple(cell for cell in risky if cell.is_danger),
                unknown=tuple(cell for cell in risky if cell.verdict == "cannot say" and not cell.is_danger),
            )
        )
    return rows


def _cell(fault: SavedFault, visit: FoundVisit, address: str) -> Cell:
    """A fault's verdict, with the page if there is one."""
    name = page_name(fault.name)
    verdict = fault.in_force
    return Cell(
        title=say(fault.title),
        verdict=verdict,
        severity=fault.severity if verdict == fault.verdict else "",
        page=f"{address}/{quote(name)}" if name in visit.names else "",
        mark=_mark(fault),
        is_danger=bool({verdict, fault.verdict} & set(SEEN)),
    )


def _mark(fault: SavedFault) -> str:
    """What a person corrected of a verdict, in words; empty for nothing."""
    parts = [say("rests on corrections by a person")] if fault.corrections else []
    if fault.person is not None:
        own = say(fault.verdict)
        parts.insert(0, say("by {by}, the pipeline's own: {verdict}", by=fault.person.by, verdict=own))
    return "; ".join(parts)


def _sets(visits: Sequence[FoundVisit], texts: StudyTexts) -> tuple[list[JudgedAlike], dict[str, int]]:
    """Visits by what judged them, the largest set first; and the number of the set of each visit's folder."""
    members: dict[tuple[tuple[str, str], ...], list[FoundVisit]] = {}
    for visit in visits:
        members.setdefault(_judged_by(visit.saved.run), []).append(visit)
    ordered = sorted(members.items(), key=lambda item: (-len(item[1]), item[0]))
    sets = []
    for number, (parts, group) in enumerate(ordered, start=1):
        first = dict(ordered[0][0])
        other = ", ".join(name for name, value in parts if value != first[name])
        sets.append(
            JudgedAlike(
                number=number,
                visits=_named(group),
                parts=parts,
                differs=texts.differs.format(number=number, parts=other) if other else "",
            )
        )
    numbers = {visit.folder: number for number, (_, group) in enumerate(ordered, start=1) for visit in group}
    return sets, numbers


def _judged_by(run: RunRecord) -> tuple[tuple[str, str], ...]:
    """What a verdict depends on, name and value; hashes in short."""
    return (
        (say("Code version"), run.code_version),
        (say("Pose model"), f"{run.model} {run.model_sha256[:SHORT_HASH]}"),
        (say("Settings"), (run.measuring_sha256 or run.settings_sha256)[:SHORT_HASH]),
        (say("Limits"), run.limits_sha256[:SHORT_HASH]),
        (say("Causes"), f"{run.causes_file} {run.causes_sha256[:SHORT_HASH]}".strip()),
        (say("Packages"), ", ".join(f"{name} {version}" for name, version in sorted(run.package_versions.items()))),
    )


def _named(visits: Iterable[FoundVisit]) -> str:
    """How many visits, and which, unless they are many."""
    titles = sorted((visit.title for visit in visits), key=natural_key)
    count = say_count("{n} visit", "{n} visits", len(titles))
    return count if len(titles) > MOST_NAMED else f"{count}: {', '.join(titles)}"
