"""Tables that a person fills in with a spreadsheet: cells, separator, and what is wrong with a row."""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Mapping, Sequence

# A pseudonym or the name of a visit: it names a folder too.
NAME = re.compile(r"[A-Za-z0-9]{1,32}")


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
    records = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    return [trimmed(record) for record in records], separator


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

    def _problem(self, column: str, text: str) -> None:
        """Note a problem of one cell."""
        self.problems.append(f"{self.where}, column {column}: {text}")

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
