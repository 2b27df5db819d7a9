"""The page of a study as PDF: urgent faults, every verdict, subjects and visits, what failed; set by typst."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from importlib.metadata import version
from itertools import groupby
from pathlib import Path
from typing import Any

from pipeline.config import Paper
from pipeline.language import say, say_count
from pipeline.report.pdf import Sheet, document, made_at, typeset
from pipeline.stage_record import finish, run_stage
from pipeline.store import fingerprint, write_bytes

STUDY_PDF = "study.pdf"
STAGE = "study_pdf"
# What its template takes; the runs are left out, since a run that finds nothing to do must leave the file as it is.
SHOWN = (
    "layout", "language", "columns", "verdicts", "n_done", "n_clips", "period", "sets", "latest_run", "sections",
    "any_mark",
)  # fmt: skip
# With more visits their list stands on the page alone: a thousand would fill a hundred sheets. Own choice. [visits]
MOST_LISTED = 300
# A cell of the grid, by its verdict; none where the fault was not looked for.
MARKS = {"present": "p", "borderline": "b", "cannot say": "c", "not seen": "n"}


def write_study_pdf(out: Path, context: Mapping[str, Any], *, paper: Paper = "A4") -> Path:
    """Write the PDF of a study beside its page, unless it is there with the same content; return its path.

    Parameters
    ----------
    out : Path
        The results folder.
    context : mapping
        What the template of the page is filled with.
    paper : {"A4", "Letter"}

    Raises
    ------
    StageError
        Typst refused the document.
    """
    days = list(context["period"])
    n_subjects, n_visits = len(context["subjects"]), len(context["rows"])
    size = [say_count("{n} subject", "{n} subjects", n_subjects), say_count("{n} visit", "{n} visits", n_visits)]
    sheet = Sheet(
        title=context["page_title"],
        running_head=f"{', '.join(size)}; {say(' to ').join(days)}" if days else ", ".join(size),
        kind=context["layout"].study.kind,
        foot=say("Latest result: {time}", time=context["latest_run"] or say("none")),
        made=made_at(context["latest_run"], date.fromisoformat(days[-1]) if days else date(1970, 1, 1)),
        paper=paper,
        landscape=True,
    )
    subjects = [
        {"subject": subject, "visits": [_visit(row) for row in rows]} for subject, rows, _ in context["subjects"]
    ]
    losses = [replace(loss, kind=say(loss.kind)) for loss in context["losses"]]
    shown = {name: context[name] for name in SHOWN}
    content = document(
        "study.typ",
        {
            **shown,
            "losses": losses,
            "subjects": subjects,
            "size": ", ".join(size),
            "is_listed": n_visits <= MOST_LISTED,
        },
        sheet,
    )
    wanted = fingerprint(document=content.sha256, typst=version("typst"), made=sheet.made)

    def work() -> list[str]:
        write_bytes(out / STUDY_PDF, typeset(content, STUDY_PDF))
        return [STUDY_PDF]

    run_stage(out, STAGE, wanted_fingerprint=wanted, stale=(STUDY_PDF,), work=work)
    finish(out)
    return out / STUDY_PDF


def _visit(row: Any) -> dict[str, Any]:
    """A row of the page as its template on paper shows it."""
    seen = [
        {
            "verdict": verdict,
            "titles": [_title(cell) for cell in of],
        }
        for verdict, of in groupby(row.seen, key=lambda cell: cell.verdict)
    ]
    return {
        "visit": row.visit,
        "date": row.date,
        "prosthesis": ", ".join(part for part in (row.prosthetic, row.level) if part),
        "aid": row.aid,
        "changes": row.changes,
        "clips": say("{n} of {all}", n=row.n_done, all=row.n_clips),
        "set": row.set_number,
        "is_latest": row.latest,
        # A star stands beside what a person corrected.
        "marks": [MARKS[one.verdict] + ("*" if one.mark else "") if one is not None else "" for one in row.cells],
        "seen": seen,
        "urgent": [{"title": cell.title, "verdict": cell.verdict} for cell in row.urgent],
        "unknown": [{"title": cell.title, "verdict": cell.verdict} for cell in row.unknown],
    }


def _title(cell: Any) -> str:
    """A fault that was seen, with how severe it is and what a person corrected of it."""
    return "".join([cell.title, *(f" ({words})" for words in (say(cell.severity), cell.mark) if words)])
