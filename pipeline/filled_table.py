"""Tables that a person fills in with a spreadsheet: cells, separator, and what is wrong with a row."""

from __future__ import annotations

import csv
import difflib
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import ManifestError
from pipeline.outside import LARGEST_TABLE, read_outside
from pipeline.places import lies_inside
from pipeline.plain_text import LINE_ENDS, one_line, unseen_in

# A pseudonym or the name of a visit: it names a folder too.
NAME = re.compile(r"[A-Za-z0-9]{1,32}")
# Headings of columns that say who a person is; common words of spreadsheets, own choice.
PERSONAL = re.compile(
    r"^(first|last|full|given|family|sur|patient)?[ _-]?name$|birth|^dob|^mrn$|^patient|address|phone|e-?mail|insur",
    re.IGNORECASE,
)
# Far more than a table has that a person fills in; own choices. After so many problems the rows that follow are left.
MOST_COLUMNS = 200
MOST_ROWS = 200_000
MOST_PROBLEMS = 1000
LONGEST_HEADING = 60
# A cell is read on a page and beside a curve. Own choice. [characters]
LONGEST_CELL = 1000


@dataclass(frozen=True, slots=True)
class FilledColumn:
    """One column: whether its cells may be empty, what is allowed, an example, and what it means.

    A column that `may_be_left_out` is for rare cases; a table without it is whole.
    """

    name: str
    required: bool
    allowed: str
    example: str
    meaning: str
    may_be_left_out: bool = False


@dataclass(frozen=True, slots=True)
class FilledTable:
    """A table as it was filled in: name in messages, header, rows that hold something, separator.

    Each row has the number that a spreadsheet shows: row 1 is the header, and empty rows count.
    """

    name: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    separator: str

    def column_problems(self, columns: Sequence[FilledColumn]) -> list[str]:
        """Return which columns are missing, unknown or repeated."""
        known, where = [column.name for column in columns], f"{self.name} row 1"
        problems = []
        for name in dict.fromkeys(self.header):
            if name not in known:
                close = difflib.get_close_matches(name, known, n=1)
                hint = f"did you mean {close[0]}?" if close else f"known: {', '.join(known)}."
                if PERSONAL.search(name):
                    hint = "take it out: nothing here may tell who it is; the pseudonym goes into subject."
                problems.append(f'{where}: column "{one_line(name[:LONGEST_HEADING])}" is unknown; {hint}')
            elif self.header.count(name) > 1:
                problems.append(f'{where}: column "{name}" stands {self.header.count(name)} times.')
        problems += [
            f'{where}: column "{column.name}" is missing; expected {column.allowed}'
            f"{'' if column.required else ', cells may be empty'}."
            for column in columns
            if column.name not in self.header and not column.may_be_left_out
        ]
        return problems

    def cells(self, problems: list[str]) -> Iterator[tuple[int, str, dict[str, str]]]:
        """Give number, place and cells by column of each row; one with too many cells is added to the problems."""
        for number, cells in self.rows:
            where = f"{self.name} row {number}"
            if len(problems) >= MOST_PROBLEMS:
                problems.append(f"{where} and all after it were not looked at.")
                return
            if len(cells) > len(self.header):
                problems.append(
                    f"{where}: found {len(cells)} cells; expected {len(self.header)}. "
                    f'Text that holds the separator needs quotes: "socket{self.separator} heel".'
                )
                continue
            filled = (*cells, *[""] * (len(self.header) - len(cells)))
            yield number, where, dict(zip(self.header, filled, strict=True))


def read_filled(
    path: Path,
    columns: Sequence[FilledColumn],
    *,
    one_row: str,
    do: str,
    name: str = "",
    missing: str = "no such file in the study folder",
    inside: Path | None = None,
) -> FilledTable:
    """Return a table as it was filled in.

    Parameters
    ----------
    path : Path
        CSV in UTF-8, as a spreadsheet writes it.
    columns : sequence of FilledColumn
        Those that it may have; whether it has them is not looked at.
    one_row, do : str
        What one row is for, and what to do about a file that cannot be read, as messages say it.
    name : str
        The file, as messages name it; by default its name alone.
    missing : str
        What is said of a file that is not there.
    inside : Path, optional
        Folder in which the file has to lie, links followed.

    Raises
    ------
    ManifestError
        The file is missing, empty, or no table.
    """
    name = name or path.name
    expected = f"expected columns: {', '.join(column.name for column in columns if not column.may_be_left_out)}"
    if inside is not None and not lies_inside(path, inside):
        raise ManifestError(
            name, "is a link that leads outside", "expected a file in the study folder", "Copy the file there."
        )
    try:
        text = read_outside(path, LARGEST_TABLE).decode("utf-8-sig")
    except FileNotFoundError:
        raise ManifestError(name, missing, expected, do) from None
    except OSError as error:
        raise ManifestError(name, f"cannot be read ({error.strerror})", expected, do) from None
    except UnicodeDecodeError:
        raise ManifestError(
            name,
            "is not UTF-8 text",
            "expected a table with commas or semicolons",
            'Save it from the spreadsheet as "CSV UTF-8".',
        ) from None
    try:
        records, separator = split_table(text)
    except csv.Error as error:
        raise ManifestError(name, f"is not a table ({error})", f"expected one row for each {one_row}", do) from None
    if not records:
        raise ManifestError(name, "is empty", expected, do)
    rows = tuple((number, tuple(cells)) for number, cells in enumerate(records[1:], start=2) if cells)
    return FilledTable(name, tuple(records[0]), rows, separator)


def split_table(text: str) -> tuple[list[list[str]], str]:
    """Return the cells of a table by row, and the separator that its first line uses.

    Parameters
    ----------
    text : str
        Cells with commas or semicolons between them.

    Raises
    ------
    csv.Error
        It is no table, such as one with a quote that is not closed.
    """
    first_line = text.partition("\n")[0]
    separator = ";" if first_line.count(";") > first_line.count(",") else ","
    records: list[list[str]] = []
    for record in csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True):
        if len(records) >= MOST_ROWS or len(record) > MOST_COLUMNS:
            raise csv.Error(f"it has more than {MOST_COLUMNS} columns or {MOST_ROWS} rows")
        records.append(trimmed(record))
    return records, separator


def trimmed(record: Sequence[str]) -> list[str]:
    """Return a record's cells without spaces around them and without the empty cells at its end."""
    cells = [cell.strip() for cell in record]
    while cells and not cells[-1]:
        cells.pop()
    return cells


class FilledRow:
    """The cells of one row, each read once; what is wrong with them gathers in `problems`.

    Parameters
    ----------
    where : str
        File and row, as messages name them.
    cells : mapping of column to text
    separator : str
        Of the cells. Where a semicolon separates them, the spreadsheet writes decimals with a comma.
    """

    def __init__(self, where: str, cells: Mapping[str, str], separator: str) -> None:
        self.where = where
        self.cells = cells
        self.decimal = "," if separator == ";" else "."
        self.problems: list[str] = []
        self._refused: set[str] = set()
        for column, text in cells.items():
            if len(text) > LONGEST_CELL:
                self._refuse(column, f"found {len(text)} characters; expected up to {LONGEST_CELL}.")
            elif mark := unseen_in(text):
                self._refuse(column, f"found the sign {mark}, which cannot be seen; expected text without it.")

    def _refuse(self, column: str, text: str) -> None:
        """Note that a cell is not even looked at: what else is wrong with it is not told."""
        self._problem(column, text)
        self._refused.add(column)

    def _problem(self, column: str, text: str) -> None:
        """Note a problem of one cell."""
        if column not in self._refused:
            self.problems.append(one_line(f"{self.where}, column {column}: {text}"))

    def _text(self, column: str) -> str:
        """A cell with free text, in one line."""
        text = self.cells.get(column, "")
        return " ".join(text.split()) if LINE_ENDS.search(text) else text

    def _name(self, column: str) -> str:
        """A cell with a pseudonym or a visit's name."""
        text = self.cells[column]
        if not NAME.fullmatch(text):
            self._problem(column, f'found "{text}"; expected letters and digits only, as P01.')
        return text

    def _is_one_of(self, column: str, text: str, allowed: Sequence[str], otherwise: str = "") -> bool:
        """Whether a word is allowed; a close match is offered, never taken, and without one `otherwise` is said."""
        if text not in allowed:
            close = difflib.get_close_matches(text.lower(), allowed, n=1)
            hint = f" Did you mean {close[0]}?" if close else otherwise
            self._problem(column, f'found "{text}"; allowed: {", ".join(allowed)}.{hint}')
        return text in allowed

    def _number(self, column: str, allowed: tuple[float, float], unit: str) -> float | None:
        """A cell with a number in a range, or nothing; None too where it is wrong."""
        text = self.cells.get(column, "")
        if not text:
            return None
        value = self._parsed(text)
        low, high = allowed
        if low <= value <= high and math.isfinite(value):
            return value
        words = "a number" if math.isinf(low) and math.isinf(high) else f"a number from {low:g} to {high:g}"
        self._problem(column, f'found "{text}"; expected {words} [{unit}].')
        return None

    def _parsed(self, text: str) -> float:
        """A number as the spreadsheet writes it; NaN where it is none."""
        try:
            return float(text.replace(self.decimal, "."))
        except ValueError:
            return math.nan
