"""Verdicts of human raters: the sheets that they fill in without seeing others' verdicts, and the sheets read back.

A sheet that is read may have any other columns beside those of `RATINGS`; they are passed over. Every problem is told
at once, with the row number that a spreadsheet shows.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np
import pandas as pd

from pipeline.agreement import VERDICTS
from pipeline.errors import ManifestError, ManyProblems
from pipeline.filled_table import NAME, FilledColumn, FilledRow, FilledTable, read_filled
from pipeline.judgement import FaultDefinition, Verdict
from pipeline.model import SIDES, Clip, Side
from pipeline.store import shown_path
from pipeline.tables import Column, check_table

# The word for what the pipeline itself said; no rater may be called so.
TOOL = "tool"
UNIT = re.compile(r"[A-Za-z%°][A-Za-z0-9%°/ ]{0,31}")
HELP = "`strideledger rating-sheet` writes a sheet with the right columns."
RATINGS: tuple[Column, ...] = (
    Column(
        "rater", "text", "", "pseudonym or initials; a second look by the same person has a name of its own, as AB2"
    ),
    Column("subject", "text", "", "pseudonym of the person"),
    Column("visit", "text", "", "which fitting visit"),
    Column("fault", "text", "", "the fault's name in the files of limits, as vaulting"),
    Column("verdict", "text", "", "present, borderline, not seen or cannot say"),
    Column("side", "text", "", "left or right: the limb that shows it; may be empty"),
    Column("size", "number", "", "how large it is, in the unit beside it; may be empty"),
    Column("unit", "text", "", "unit of the size, as deg; empty where there is none"),
)
NEEDED = tuple(column.name for column in RATINGS[:5])
OPTIONAL = tuple(column.name for column in RATINGS[5:])
SHEET: tuple[Column, ...] = (
    *RATINGS[:4],
    Column("title", "text", "", "the fault in words"),
    Column("clips", "text", "", "the visit's clips, by their paths in the study folder"),
    *RATINGS[4:],
)


@dataclass(frozen=True, slots=True)
class Rating:
    """One rater's verdict of one fault at one visit; `size` is in `unit`, None where none was given."""

    rater: str
    subject: str
    visit: str
    fault: str
    verdict: Verdict
    side: Side | None = None
    size: float | None = None
    unit: str = ""


def rating_sheet(
    clips: Sequence[Clip], faults: Sequence[FaultDefinition], *, rater: str, seed: int = 0
) -> pd.DataFrame:
    """Return a sheet for one rater to fill in: one row a visit and fault, without anybody's verdicts.

    Parameters
    ----------
    clips : sequence of Clip
        All clips of the study.
    faults : sequence of FaultDefinition
        Those to look for, such as `load_limits().faults`.
    rater : str
        Pseudonym or initials, letters and digits.
    seed : int
        Same seed and rater, same order; each rater has another one.

    Returns
    -------
    DataFrame, columns of `SHEET`
        Visits in random order, so that no rater goes from a person's first visit to the last; the rows of a visit stay
        together, since its clips are watched together, and its faults are in random order. Own choice.

    Raises
    ------
    ManifestError
        The rater's name is none.
    """
    if not NAME.fullmatch(rater) or rater.lower() == TOOL:
        raise ManifestError("rater", f'found "{rater}"', f"expected letters and digits only, as AB, and not {TOOL}")
    paths: dict[tuple[str, str], list[str]] = {}
    for clip in clips:
        paths.setdefault((clip.subject, clip.visit), []).append(clip.relative_path)
    random = np.random.default_rng([seed, *rater.encode()])
    visits = sorted(paths)
    rows = []
    for visit in random.permutation(len(visits)):
        subject, name = visits[visit]
        for fault in random.permutation(len(faults)):
            definition = faults[fault]
            seen = "; ".join(paths[subject, name])
            rows.append((rater, subject, name, definition.name, definition.title, seen, "", "", None, ""))
    return check_table(pd.DataFrame(rows, columns=[column.name for column in SHEET]), SHEET, "rating sheet")


def read_ratings(paths: Sequence[Path | str], faults: Sequence[str]) -> tuple[Rating, ...]:
    """Return the ratings of one or more sheets, in their order.

    Parameters
    ----------
    paths : sequence of Path or str
        CSV files in UTF-8, with commas or semicolons.
    faults : sequence of str
        Names of the faults that there are.

    Returns
    -------
    tuple of Rating

    Raises
    ------
    ManifestError
        A file is missing, or no table.
    ManyProblems
        Columns or cells are wrong, or a rater judged the same twice, also with a side and without: all
        of them at once.
    """
    problems: list[str] = []
    ratings: list[Rating] = []
    first: dict[tuple[str, ...], dict[str, str]] = {}
    for path in map(Path, paths):
        name = shown_path(path)
        table = _table(path)
        wrong = _column_problems(name, table.header)
        problems += wrong
        for _, where, cells in () if wrong else table.cells(problems):
            known = {column: cells[column] for column in (*NEEDED, *OPTIONAL) if column in cells}
            reader = _Row(where, known, table.separator)
            rating = reader.rating(faults)
            problems += reader.problems
            if rating is None:
                continue
            key = (*(part.lower() for part in (rating.rater, rating.subject, rating.visit)), rating.fault)
            limbs = first.setdefault(key, {})
            problem = twice(rating, {limb: f" in {at.removeprefix(f'{name} ')}" for limb, at in limbs.items()})
            limbs.setdefault(rating.side or "", where)
            if problem:
                problems.append(f"{where}: {problem}.")
            else:
                ratings.append(rating)
    if problems:
        raise ManyProblems("ratings", problems, HELP)
    return tuple(ratings)


def twice(rating: Rating, earlier: Mapping[str, str]) -> str:
    """Return what is wrong with a rating whose rater judged the same before; empty where nothing is.

    Parameters
    ----------
    rating : Rating
    earlier : mapping of str to str
        Where its rater judged this fault of this visit before, by the limb that was named, empty for none: words such
        as ` in row 4`, or nothing.
    """
    limb = rating.side or ""
    judged = f"{rating.rater} judged {rating.fault} of {rating.subject}-{rating.visit}"
    if limb in earlier:
        again = f"{judged} already{earlier[limb]}"
        return f"{again}; a second look needs a rater's name of its own, as {rating.rater}2"
    if earlier and "" in (limb, *earlier):
        other, at = next(iter(earlier.items()))
        found = f"{judged} with {_side_words(limb)} here and {_side_words(other)} already{at}"
        return f"{found}; expected one row without a side, or a row for each limb"
    return ""


def _side_words(limb: str) -> str:
    """The cell `side` in words."""
    return f"side {limb}" if limb else "no side"


def _table(path: Path) -> FilledTable:
    """One sheet as it was filled in."""
    columns = [FilledColumn(column.name, True, column.meaning, "", column.meaning) for column in RATINGS[:5]]
    name = shown_path(path)
    table = read_filled(path, columns, one_row="verdict", do=HELP, name=name, missing="no such file")
    if not table.rows:
        raise ManifestError(name, "holds no ratings", f"expected columns: {', '.join(NEEDED)}", HELP)
    return table


def _column_problems(name: str, header: Sequence[str]) -> list[str]:
    """Missing and repeated columns, and those that look like a column spelt otherwise."""
    known = (*NEEDED, *OPTIONAL)
    problems = [
        f'{name} row 1: column "{one}" is missing; expected {_meaning(one)}.' for one in NEEDED if one not in header
    ]
    for column in dict.fromkeys(header):
        if column in known and header.count(column) > 1:
            problems.append(f'{name} row 1: column "{column}" stands {header.count(column)} times.')
        close = difflib.get_close_matches(column.lower(), [one for one in known if one not in header], n=1, cutoff=0.75)
        if column not in known and close:
            problems.append(f'{name} row 1: column "{column}" is unknown; did you mean {close[0]}?')
    if ("size" in header) != ("unit" in header):
        problems.append(f"{name} row 1: expected both columns size and unit, or neither.")
    return problems


def _meaning(name: str) -> str:
    """What goes into a column."""
    return next(column.meaning for column in RATINGS if column.name == name)


class _Row(FilledRow):
    """One row of a sheet."""

    def rating(self, faults: Sequence[str]) -> Rating | None:
        """The row as a rating, or None when it has a problem."""
        rater, subject, visit = (self._name(column) for column in ("rater", "subject", "visit"))
        if rater.lower() == TOOL:
            self._problem("rater", f'found "{rater}"; it is taken by what the pipeline says.')
        fault = self._choice("fault", faults, "")
        verdict = self._choice("verdict", VERDICTS, " A row that cannot be judged is cannot say.")
        side = self._choice("side", SIDES, "") if self.cells.get("side") else ""
        size, unit = self._size(), self.cells.get("unit", "")
        if size is not None and not unit:
            self._problem("unit", "a size is given but this is empty; expected its unit, as deg.")
        elif unit and not UNIT.fullmatch(unit):
            self._problem("unit", f'found "{unit}"; expected a unit in letters, %, ° and /, as deg or % leg length.')
        if self.problems:
            return None
        limb = cast(Side, side) if side else None
        return Rating(
            rater, subject, visit, fault, cast(Verdict, verdict), limb, size, unit if size is not None else ""
        )

    def _choice(self, column: str, allowed: Sequence[str], hint: str) -> str:
        """A cell with one of a few words; a close match is offered, never taken."""
        self._is_one_of(column, self.cells[column], allowed, hint)
        return self.cells[column]

    def _size(self) -> float | None:
        """The cell with the size, or nothing."""
        text = self.cells.get("size", "")
        if not text:
            return None
        value = self._parsed(text)
        if not math.isfinite(value):
            self._problem("size", f'found "{text}"; expected a number, as 12{self.decimal}5, or nothing.')
        return value
