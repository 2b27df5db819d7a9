"""The tables that each visit of a results folder saved: which there are, and one of them read cell by cell."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import StageError
from pipeline.outside import LARGEST_SAVED, read_outside
from pipeline.plain_text import natural_key, visible
from pipeline.report.parts import unguarded
from pipeline.report.study_parts import left_reason
from pipeline.store import nothing_saved
from pipeline.tables import Column

CUT_OFF = "is empty or cut off: its last line has no end"
FLAGS = {"True": True, "False": False}
READERS: dict[str, Callable[[str], Any]] = {
    "text": lambda cell: unguarded(cell) or None,
    "number": lambda cell: float(cell) if cell else math.nan,
    "whole": int,
    "flag": FLAGS.__getitem__,
}


@dataclass(frozen=True, slots=True)
class VisitFolder:
    """One visit's folder, named by its place in the results, such as `sub-P01/ses-01`."""

    path: Path
    name: str

    @property
    def subject(self) -> str:
        """The person's pseudonym, as the folder has it."""
        return self.path.parent.name.removeprefix("sub-")

    @property
    def visit(self) -> str:
        """The visit's name, as the folder has it."""
        return self.path.name.removeprefix("ses-")

    def has_any(self, names: Sequence[str]) -> bool:
        """Whether one of the files is there."""
        return any((self.path / name).is_file() for name in names)

    def reason(self) -> str:
        """Why nothing was saved, in the words that the run left; its own where it left none."""
        return left_reason(self.path) or "no saved results; run the study again into the same folder"


def visit_folders(results: Path | str) -> list[VisitFolder]:
    """Return the folders of all visits, P2 before P10.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `run_study`.

    Returns
    -------
    list of VisitFolder
        Each with its `path`, `subject` and `visit`.

    Raises
    ------
    ConfigError
        The folder is not there, or holds no visit.
    """
    results = Path(results)
    folders = [VisitFolder(path, f"{path.parent.name}/{path.name}") for path in results.glob("sub-*/ses-*")]
    found = sorted((one for one in folders if one.path.is_dir()), key=lambda one: natural_key(one.name))
    if not found:
        raise nothing_saved(results) if results.is_dir() else nothing_saved(results, "no such folder")
    return found


def prefixed_rows(path: Path, columns: Sequence[Column], prefix: str) -> bytes:
    """Return the rows of a saved table without its header, each with a prefix; the cells stay as they are.

    Raises
    ------
    StageError
        The file is missing, cut off, or has other columns. Single cells are not looked at.
    """
    try:
        header, *lines = read_outside(path, LARGEST_SAVED).split(b"\n")
    except OSError as error:
        raise StageError(path.name, _unread(error)) from error
    if not lines or lines.pop():
        raise StageError(path.name, CUT_OFF)
    _check_names(path, header.decode("utf-8", errors="replace").strip().split(","), columns)
    start, inside, rows = prefix.encode("utf-8"), False, []
    for line in lines:
        rows.append(line if inside else start + line)
        # A text in quotes may go on in the next line.
        inside ^= line.count(b'"') % 2 == 1
        if not inside:
            rows[-1] = rows[-1].removesuffix(b"\r")
    if inside:
        raise StageError(path.name, "is no CSV (a quote is not closed)")
    return b"".join(row + b"\n" for row in rows)


def read_cells(path: Path, columns: Sequence[Column]) -> dict[str, list[Any]]:
    """Return a saved table's cells by column, text freed from the guard against formulas.

    An empty cell is None in a column of text and NaN in one of numbers; whole numbers and flags are never empty.

    Raises
    ------
    StageError
        The file is missing, cut off, has other columns, or holds a cell that is not of its column's kind.
    """
    try:
        text = visible(read_outside(path, LARGEST_SAVED).decode("utf-8"))
    except OSError as error:
        raise StageError(path.name, _unread(error)) from error
    except UnicodeDecodeError:
        raise StageError(path.name, "is not UTF-8 text") from None
    if not text.endswith("\n"):
        raise StageError(path.name, CUT_OFF)
    try:
        names, *rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    except csv.Error as error:
        raise StageError(path.name, f"is no CSV ({error})") from None
    _check_names(path, names, columns)
    for number, row in enumerate(rows, start=2):
        if len(row) != len(columns):
            raise StageError(path.name, f"row {number} has {len(row)} cells", f"expected {len(columns)}")
    by_column = zip(*rows, strict=True) if rows else ([] for _ in columns)
    return {
        column.name: _converted(path, column, list(cells)) for column, cells in zip(columns, by_column, strict=True)
    }


def _converted(path: Path, column: Column, cells: list[str]) -> list[Any]:
    """The cells of a column as its kind."""
    read = READERS[column.kind]
    try:
        return [read(cell) for cell in cells]
    except (ValueError, KeyError):
        raise StageError(path.name, f"column {column.name} holds a cell that is no {column.kind}") from None


def _check_names(path: Path, names: Sequence[str], columns: Sequence[Column]) -> None:
    """Columns of another version would be read under wrong names."""
    if list(names) != [column.name for column in columns]:
        raise StageError(path.name, "its columns are not those of this version", "", "Run the study again.")


def _unread(error: OSError) -> str:
    """Why a file cannot be read."""
    return "no such file" if isinstance(error, FileNotFoundError) else f"cannot be read ({error.strerror})"
