"""Corrections as tables: the file that a person fills in, and the list of what was recorded."""

from __future__ import annotations

import csv
import difflib
import math
from collections.abc import Sequence
from pathlib import Path
from typing import cast

import pandas as pd

from pipeline.errors import ManifestError, ManyProblems
from pipeline.filled_table import FilledRow, split_table
from pipeline.judgement import Verdict
from pipeline.model import SIDES, Side
from pipeline.report.correction_parts import CORRECTIONS, correction_cells
from pipeline.report.parts import guarded, unguarded
from pipeline.report.words import VERDICTS
from pipeline.review import ACTIONS, EVENT_KINDS, Action, EventKind, Reviewed
from pipeline.review_requests import Request
from pipeline.store import shown_path
from pipeline.tables import Column

ASKED: tuple[Column, ...] = (
    Column("subject", "text", "", "pseudonym of the person"),
    Column("visit", "text", "", "which fitting visit"),
    Column("action", "text", "", ", ".join(ACTIONS)),
    Column("clip", "text", "", "the clip's folder inside that of the visit; empty for a verdict, undo and confirm"),
    Column("limb", "text", "", "left or right: the foot of the event or stride"),
    Column("event", "text", "", "contact or toe_off"),
    Column("time_s", "number", "s", "when the event is now or a new one is; where the stride or the span begins"),
    Column("to_s", "number", "s", "where the event is moved to; the end of the span"),
    Column("fault", "text", "", "the fault's name in the files of limits, as vaulting"),
    Column("verdict", "text", "", "the person's own: present, borderline, not seen or cannot say"),
    Column("record", "text", "", "undo and confirm: the record, or the last six letters of it"),
    Column("initials", "text", "", "who corrects it"),
    Column("reason", "text", "", "why, in a few words"),
)
NEEDED = ("subject", "visit", "action", "initials", "reason")
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
    name = shown_path(path)
    header, rows, separator = _table(path)
    problems = _column_problems(name, header)
    if problems:
        raise ManyProblems("corrections", problems, f"Nothing was recorded. {HELP}")
    requests = []
    for number, cells in rows:
        where = f"{name} row {number}"
        if len(cells) > len(header):
            problems.append(
                f"{where}: found {len(cells)} cells; expected {len(header)}. Text with {separator} in it needs quotes."
            )
            continue
        # A list that was written for a spreadsheet may come back with its guards.
        filled = [str(unguarded(cell)) for cell in [*cells, *[""] * (len(header) - len(cells))]]
        given = dict(zip(header, filled, strict=True))
        row = _Row(where, {column.name: given.get(column.name, "") for column in ASKED}, separator)
        request = row.request()
        problems += row.problems
        if request is not None:
            requests.append(request)
    return tuple(requests), tuple(problems)


def _table(path: Path) -> tuple[list[str], list[tuple[int, list[str]]], str]:
    """Header, rows with their numbers in a spreadsheet, and the separator."""
    name, expected = shown_path(path), f"expected columns: {', '.join(NEEDED)} and others"
    try:
        records, separator = split_table(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise ManifestError(name, f"cannot be read ({error.strerror})", expected, HELP) from None
    except UnicodeDecodeError:
        do = 'Save it from the spreadsheet as "CSV UTF-8".'
        raise ManifestError(name, "is not UTF-8 text", "expected a table with commas or semicolons", do) from None
    except csv.Error as error:
        raise ManifestError(name, f"is not a table ({error})", expected, HELP) from None
    filled = [(number, cells) for number, cells in enumerate(records[1:], start=2) if cells]
    if not filled:
        raise ManifestError(name, "holds no corrections", expected, HELP)
    return records[0], filled, separator


def _column_problems(name: str, header: Sequence[str]) -> list[str]:
    """Missing, unknown and repeated columns."""
    known = [column.name for column in ASKED]
    problems = [f'{name} row 1: column "{one}" is missing.' for one in NEEDED if one not in header]
    for column in dict.fromkeys(header):
        if column not in known:
            close = difflib.get_close_matches(column.lower(), known, n=1)
            hint = f"did you mean {close[0]}?" if close else f"known: {', '.join(known)}."
            problems.append(f'{name} row 1: column "{column}" is unknown; {hint}')
        elif header.count(column) > 1:
            problems.append(f'{name} row 1: column "{column}" stands {header.count(column)} times.')
    return problems


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
        try:
            value = float(text.replace(self.decimal, "."))
        except ValueError:
            value = math.nan
        if not (math.isfinite(value) and value >= 0):
            self._problem(column, f'found "{text}"; expected seconds from the clip\'s start, as 1{self.decimal}63.')
        return value
