"""Corrections as tables: the file that a person fills in, and the list of what was recorded."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import cast

import pandas as pd

from pipeline.errors import ManifestError, ManyProblems
from pipeline.filled_table import FilledColumn, FilledRow, read_filled
from pipeline.judgement import Verdict
from pipeline.model import SIDES, Side
from pipeline.report.correction_parts import CORRECTIONS, correction_cells
from pipeline.report.parts import guarded, unguarded
from pipeline.report.words import VERDICTS
from pipeline.review import ACTIONS, EVENT_KINDS, Action, EventKind, Reviewed
from pipeline.review_requests import Request
from pipeline.tables import Column

ASKED: tuple[FilledColumn, ...] = (
    FilledColumn("subject", True, "a subject of the results", "P01", "pseudonym of the person"),
    FilledColumn("visit", True, "a visit of this person", "01", "which fitting visit"),
    FilledColumn("action", True, ", ".join(ACTIONS), "move event", "what to do"),
    FilledColumn(
        "clip",
        False,
        "a clip's folder inside that of the visit",
        "P01-01-side",
        "the clip; empty for a verdict, undo and confirm",
        may_be_left_out=True,
    ),
    FilledColumn("limb", False, ", ".join(SIDES), "left", "foot of the event or stride", may_be_left_out=True),
    FilledColumn("event", False, ", ".join(EVENT_KINDS), "contact", "kind of event", may_be_left_out=True),
    FilledColumn(
        "time_s",
        False,
        "seconds from the clip's start",
        "1.63",
        "when the event is now or a new one is; where the stride or the span begins [s]",
        may_be_left_out=True,
    ),
    FilledColumn(
        "to_s",
        False,
        "seconds from the clip's start",
        "1.70",
        "where the event is moved to; the end of the span [s]",
        may_be_left_out=True,
    ),
    FilledColumn("fault", False, "a fault's name", "vaulting", "fault of a verdict", may_be_left_out=True),
    FilledColumn("verdict", False, ", ".join(VERDICTS), "not seen", "the person's own verdict", may_be_left_out=True),
    FilledColumn(
        "record",
        False,
        "a record's id, or the last six letters of it",
        "3f9c2a",
        "what is undone or confirmed",
        may_be_left_out=True,
    ),
    FilledColumn("initials", True, "1 to 8 letters and digits", "AB", "who corrects it"),
    FilledColumn("reason", True, "a few words", "heel is down later", "why"),
)
LISTED: tuple[Column, ...] = (
    Column("subject", "text", "", "pseudonym of the person"),
    Column("visit", "text", "", "which fitting visit"),
    *CORRECTIONS,
)
HELP = "`strideledger corrections RESULTS --template FILE` writes a file with the right columns."


def template() -> pd.DataFrame:
    """Return the table to fill in, without a row."""
    return pd.DataFrame(columns=[column.name for column in ASKED])


def listed(found: Sequence[Reviewed]) -> pd.DataFrame:
    """Return records with their states as a table with the columns of `LISTED`, safe for a spreadsheet."""
    rows = [
        {"subject": one.correction.subject, "visit": one.correction.visit, **correction_cells(one)} for one in found
    ]
    return guarded(pd.DataFrame(rows, columns=[column.name for column in LISTED]), LISTED)


def read_requests(path: Path) -> tuple[tuple[Request, ...], tuple[str, ...]]:
    """Return the requests of a file that a person filled in, in its order, and what is wrong with its other rows.

    Parameters
    ----------
    path : Path
        CSV in UTF-8, with commas or semicolons; columns of `ASKED`, of which those that no row needs may be left out.

    Raises
    ------
    ManifestError
        The file is missing, or no table.
    ManyProblems
        Columns are missing, unknown or repeated: all of them at once.
    """
    table = read_filled(path, ASKED, one_row="correction", do=HELP, missing="no such file")
    problems = table.column_problems(ASKED)
    if problems:
        raise ManyProblems("corrections", problems, f"Nothing was recorded. {HELP}")
    if not table.rows:
        raise ManifestError(table.name, "holds no corrections", "expected one row for each correction", HELP)
    requests = []
    for _, where, cells in table.cells(problems):
        # A list that was written for a spreadsheet may come back with its guards.
        row = _Row(
            where, {column.name: str(unguarded(cells.get(column.name, ""))) for column in ASKED}, table.separator
        )
        request = row.request()
        problems += row.problems
        if request is not None:
            requests.append(request)
    return tuple(requests), tuple(problems)


class _Row(FilledRow):
    """One row of the file."""

    def request(self) -> Request | None:
        """The row as a request, or None when it has a problem."""
        subject, visit = self._name("subject"), self._name("visit")
        action = self._word("action", ACTIONS, needed=True)
        side = self._word("limb", SIDES)
        kind = self._word("event", EVENT_KINDS)
        verdict = self._word("verdict", VERDICTS)
        time_s, to_s = self._seconds("time_s"), self._seconds("to_s")
        if self.problems:
            return None
        return Request(
            subject=subject,
            visit=visit,
            action=cast(Action, action),
            by=self.cells["initials"],
            reason=self.cells["reason"],
            clip_id=self.cells["clip"],
            side=cast(Side, side) if side else None,
            kind=cast(EventKind, kind) if kind else None,
            time_s=time_s,
            to_s=to_s,
            fault=self.cells["fault"],
            verdict=cast(Verdict, verdict) if verdict else None,
            about=self.cells["record"],
            where=self.where,
        )

    def _word(self, column: str, allowed: Sequence[str], *, needed: bool = False) -> str:
        """A cell with one of a few words, or nothing."""
        text = self.cells[column]
        if text or needed:
            self._is_one_of(column, text, allowed)
        return text

    def _seconds(self, column: str) -> float | None:
        """A cell with a time in the clip, or nothing."""
        text = self.cells[column]
        if not text:
            return None
        value = self._parsed(text)
        if not (math.isfinite(value) and value >= 0):
            self._problem(column, f'found "{text}"; expected seconds from the clip\'s start, as 1{self.decimal}63.')
        return value
