"""A study's tables as files: CSV for spreadsheets or Parquet, with a dictionary of every column beside them."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from pipeline.metrics import CATALOGUE
from pipeline.places import make_results_folder
from pipeline.quantities import QUANTITIES
from pipeline.report.parts import guarded
from pipeline.store import write_bytes, write_table
from pipeline.study_query import optional
from pipeline.study_tables import CONTRACTS, StudyTables
from pipeline.tables import Column, TableFormat, check_table

DICTIONARY_NAME = "dictionary.csv"
DICTIONARY: tuple[Column, ...] = (
    Column("table", "text", "", "name of the table"),
    Column("column", "text", "", "name of the column"),
    Column("of", "text", "", "id of the metric or curve that the row is about; empty: the column as a whole"),
    Column("kind", "text", "", "text, number, whole, flag or date"),
    Column("unit", "text", "", "unit; empty for text"),
    Column("meaning", "text", "", "what the column or value is, and which way is positive"),
    Column("source", "text", "", "key of the metric's source in configs/sources.toml, or definition"),
)


def export_tables(tables: StudyTables, out: Path | str, *, file_format: TableFormat = TableFormat.csv) -> list[Path]:
    """Write every table that has been read, and `dictionary.csv`; return the files, the dictionary last.

    Parameters
    ----------
    tables : StudyTables
        Curves are written only where some were asked for.
    out : Path or str
        Made if it is not there. Each file is written whole or not at all.
    file_format : TableFormat
        CSV guards text that a spreadsheet would take for a formula by an apostrophe; Parquet keeps text as it is.

    Returns
    -------
    list of Path
        Files written.

    Raises
    ------
    ConfigError
        Parquet is wanted and pyarrow is not installed.

    Notes
    -----
    The same tables give the same bytes, with the same versions of pandas and pyarrow.
    """
    out = Path(out)
    if file_format == TableFormat.parquet:
        optional("pyarrow")
    make_results_folder(out)
    written = []
    for name, table in tables.by_name().items():
        if name == "curves" and table.empty:
            continue
        path = out / f"{name}.{file_format.value}"
        if file_format == TableFormat.parquet:
            buffer = io.BytesIO()
            table.to_parquet(buffer, engine="pyarrow", index=False)
            write_bytes(path, buffer.getvalue())
        else:
            write_table(path, _for_csv(table, CONTRACTS[name]))
        written.append(path)
    write_table(out / DICTIONARY_NAME, guarded(dictionary(), DICTIONARY))
    return [*written, out / DICTIONARY_NAME]


def dictionary() -> pd.DataFrame:
    """Return kind, unit and meaning of every column of every table, and of each metric's and each curve's value."""
    rows = [
        (name, column.name, "", column.kind, column.unit, column.meaning, "")
        for name, columns in CONTRACTS.items()
        for column in columns
    ]
    rows += list(_value_rows())
    table = pd.DataFrame(rows, columns=[column.name for column in DICTIONARY])
    return check_table(table, DICTIONARY, "dictionary")


def _value_rows() -> Iterator[tuple[str, str, str, str, str, str, str]]:
    """One row for the value of each metric, and one for that of each curve."""
    for name, spec in CATALOGUE.items():
        yield "metrics", "value", name, "number", spec.unit, _meaning(spec.title, spec.positive, spec.unit), spec.source
    for one in QUANTITIES:
        yield "curves", "value", one.name, "number", one.unit, _meaning(one.title, one.positive, one.unit), ""


def _meaning(title: str, positive: str, unit: str) -> str:
    """A title with the direction that counts as positive, of a ratio above 1."""
    return f"{title}; {'above 1' if unit == '1' else 'positive'}: {positive}" if positive else title


def _for_csv(table: pd.DataFrame, columns: tuple[Column, ...]) -> pd.DataFrame:
    """The table with its text guarded and its dates as year-month-day."""
    safe = guarded(table, columns)
    for column in columns:
        if column.kind == "date":
            safe[column.name] = safe[column.name].dt.strftime("%Y-%m-%d")
    return safe
