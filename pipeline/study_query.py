"""Questions in SQL to the tables of a study, answered by DuckDB.

The visits' files of each table that a question names are strung together in one file of a private folder, which is
deleted after the answer: DuckDB streams it, and takes five times as long over a thousand files. A question is one
SELECT. It may read these files alone: writing, other files, the network and extensions are shut off, and the settings
are locked before it runs.
"""

from __future__ import annotations

import re
import tempfile
import warnings
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.errors import ConfigError, QueryError, StageError
from pipeline.report.parts import GUARDED_STARTS
from pipeline.store import without_home
from pipeline.study_files import VisitFolder, prefixed_rows, read_cells, visit_folders
from pipeline.study_tables import CONTRACTS, FILES, FROM_RECORDS, SAVED
from pipeline.study_visits import record_tables

TABLES = (*FROM_RECORDS, *SAVED)
SQL_TYPES = {"text": "VARCHAR", "number": "DOUBLE", "whole": "BIGINT", "flag": "BOOLEAN", "date": "DATE"}
# One thread: sums are always made in the same order, and two were no faster.
SETTINGS: dict[str, Any] = {
    "threads": 1,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "allow_community_extensions": False,
    "allow_persistent_secrets": False,
    # No reading of the caller's own Python variables, and no spilling to the disk.
    "python_enable_replacements": False,
    "temp_directory": "",
}
READS_ONLY = "expected one SELECT over the tables of the study"
# Errors that lie in the question; any other may come from a damaged file.
OF_THE_QUESTION = ("ParserException", "BinderException", "CatalogException", "PermissionException")


class LossWarning(UserWarning):
    """Files of a study that an answer leaves out."""


def query(results: Path | str, sql: str) -> pd.DataFrame:
    """Return the answer to a question in SQL.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `strideledger run --out`.
    sql : str
        One SELECT over `visits`, `recorded`, `strides`, `metrics`, `findings` and `faults`, whose columns are those
        of `study_tables`. Only the tables that it names are read.

    Returns
    -------
    DataFrame
        In DuckDB's own pandas types; an empty cell is a missing value.

    Warns
    -----
    LossWarning
        Files that are missing or damaged, each with the reason; the answer leaves them out. A damaged cell is found
        only in a column that the question reads.

    Raises
    ------
    ConfigError
        DuckDB is not installed, or the folder holds no visit.
    QueryError
        The SQL is wrong, or does more than to read the tables of the study.
    """
    duckdb = optional("duckdb")
    folders = [folder for folder in visit_folders(results) if folder.has_any(FILES)]
    named = [name for name in TABLES if re.search(rf"\b{name}\b", sql, re.IGNORECASE)]
    _check_statement(duckdb, sql)
    try:
        try:
            answer, lost = _answer(duckdb, folders, named, sql, thorough=False)
        except duckdb.Error as error:
            if type(error).__name__ in OF_THE_QUESTION:
                raise
            # A damaged file stops DuckDB: every cell is read once to find it, then the others are asked again.
            answer, lost = _answer(duckdb, folders, named, sql, thorough=True)
    except duckdb.Error as error:
        raise _refused(error, named) from None
    if lost:
        lines = "\n".join(f"  {file}: {reason}" for file, reason in lost)
        warnings.warn(f"left out of the answer:\n{lines}", LossWarning, stacklevel=2)
    return answer


def optional(name: str) -> Any:
    """Return a package of the extra `study`, or say how to install it."""
    try:
        return import_module(name)
    except ImportError:
        do = "Install it: python -m pip install 'strideledger[study]'"
        raise ConfigError(f"package {name}", "is not installed", "it is part of the extra `study`", do) from None


def _check_statement(duckdb: Any, sql: str) -> None:
    """Refuse everything but one SELECT."""
    with duckdb.connect(":memory:", config=SETTINGS) as connection:
        try:
            kinds = [statement.type.name for statement in connection.extract_statements(sql)]
        except duckdb.Error as error:
            raise _refused(error, ()) from None
    if kinds != ["SELECT"]:
        found = "no statement" if not kinds else " and ".join(kinds)
        raise QueryError("SQL", f"{found} found", READS_ONLY, "Nothing was read or written.")


def _answer(
    duckdb: Any, folders: Sequence[VisitFolder], named: Sequence[str], sql: str, *, thorough: bool
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """The answer from the files that are whole, and those that are not; `thorough` looks at every cell before."""
    records, lost = record_tables(folders) if set(named) & set(FROM_RECORDS) else ({}, [])
    with (
        tempfile.TemporaryDirectory(prefix="study-tables-") as scratch,
        duckdb.connect(":memory:", config=SETTINGS) as connection,
    ):
        files = {name: Path(scratch).resolve() / f"{name}.csv" for name in named if name in SAVED}
        for name, path in files.items():
            lost += _string_together(folders, name, path, thorough=thorough)
        allowed = ", ".join(_text(path.as_posix()) for path in files.values())
        connection.execute(f"SET allowed_paths = [{allowed}]")
        connection.execute("SET enable_external_access = false")
        for name, path in files.items():
            connection.execute(_view(name, path.as_posix()))
        for name in records.keys() & set(named):
            connection.register(f"saved_{name}", records[name])
            dates = [column.name for column in CONTRACTS[name] if column.kind == "date"]
            replaced = f" REPLACE ({', '.join(f'CAST({one} AS DATE) AS {one}' for one in dates)})" if dates else ""
            connection.execute(f"CREATE VIEW {name} AS SELECT *{replaced} FROM saved_{name}")
        connection.execute("SET lock_configuration = true")
        answer: pd.DataFrame = connection.execute(sql).df()
    return answer, lost


def _string_together(folders: Sequence[VisitFolder], name: str, path: Path, *, thorough: bool) -> list[tuple[str, str]]:
    """Write the rows of all visits into one file, subject and visit before each; return what was left out."""
    lost = []
    with path.open("wb") as file:
        for folder in folders:
            saved = folder.path / f"{name}.csv"
            keys = (f'"{key.replace(chr(34), chr(34) * 2)}",' for key in (folder.subject, folder.visit))
            try:
                if thorough:
                    read_cells(saved, SAVED[name])
                file.write(prefixed_rows(saved, SAVED[name], "".join(keys)))
            except StageError as error:
                lost.append((f"{folder.name}/{saved.name}", error.found))
    return lost


def _view(name: str, path: str) -> str:
    """The SQL of a view over the strung rows of one table."""
    columns = CONTRACTS[name]
    chosen = ", ".join(_unguarded(one.name) if one.kind == "text" else _name(one.name) for one in columns)
    types = ", ".join(f"{_text(one.name)}: {_text(SQL_TYPES[one.kind])}" for one in columns)
    return (
        f"CREATE VIEW {name} AS SELECT {chosen} FROM read_csv({_text(path)}, columns = {{{types}}}, "
        "auto_detect = false, header = false, delim = ',', quote = '\"', escape = '\"', nullstr = '')"
    )


def _unguarded(column: str) -> str:
    """The SQL that takes the guard against formulas off a text, as `report.parts.unguarded` does."""
    name, starts = _name(column), ", ".join(_text(start) for start in GUARDED_STARTS)
    return f"CASE WHEN left({name}, 2) IN ({starts}) THEN substr({name}, 2) ELSE {name} END AS {name}"


def _name(text: str) -> str:
    """A column's name in SQL."""
    return f'"{text}"'


def _text(text: str) -> str:
    """A text in SQL."""
    return "'" + text.replace("'", "''") + "'"


def _refused(error: Exception, named: Sequence[str]) -> QueryError:
    """DuckDB's error in its first line, with the tables and columns that can be asked for."""
    first = str(error).splitlines()[0].partition(": ")[2] or str(error)
    if type(error).__name__ == "PermissionException":
        place = re.search(r'"(.*?)"', first)
        found = f"{place.group(1)} may not be read" if place else "something else than the study is asked for"
        return QueryError("SQL", found, READS_ONLY, "Nothing else is read, and nothing is written.")
    known = "".join(f"\n  {name}: {', '.join(column.name for column in CONTRACTS[name])}" for name in (named or TABLES))
    return QueryError("SQL", without_home(first).rstrip(".!"), "", f"Tables and their columns:{known}")
