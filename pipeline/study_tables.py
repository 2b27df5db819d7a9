"""Tidy tables of a whole study as pandas frames, read from what the visits of a results folder saved.

What a visit lacks, or what is damaged, is named in `losses` and stops nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.errors import ConfigError, StageError
from pipeline.outside import DAMAGED, outside_arrays
from pipeline.plain_text import natural_key, one_line
from pipeline.quantities import QUANTITIES
from pipeline.report.correction_parts import CORRECTIONS
from pipeline.report.parts import FAULTS, FINDINGS, METRICS, REPORT_NAME
from pipeline.strides import PERCENT
from pipeline.study_files import VisitFolder, read_cells, visit_folders
from pipeline.study_visits import KEYS, RECORDED, VISITS, Cells, record_tables
from pipeline.tables import STRIDES, Column

CURVES_NAME = "curves.npz"
CURVES: tuple[Column, ...] = (
    *KEYS,
    Column("stride_id", "text", "", "the stride, as in the table of strides"),
    Column("curve", "text", "", "name of the quantity; ends in its unit: deg, or pct for % leg length"),
    Column("percent", "whole", "%", "share of the stride that has passed, 0 to 100"),
    Column("value", "number", "see curve", "the quantity; empty where it was not seen"),
)
LOSSES: tuple[Column, ...] = (
    Column("file", "text", "", "file or folder inside the results that was left out"),
    Column("reason", "text", "", "why"),
)
# Tables that every visit saves as CSV, by name.
SAVED: dict[str, tuple[Column, ...]] = {
    "strides": STRIDES,
    "metrics": METRICS,
    "findings": FINDINGS,
    "faults": FAULTS,
    "corrections": CORRECTIONS,
}
# Tables that are read from the visits' records.
FROM_RECORDS: dict[str, tuple[Column, ...]] = {"visits": VISITS, "recorded": RECORDED}
CONTRACTS: dict[str, tuple[Column, ...]] = {
    **FROM_RECORDS,
    **{name: (*KEYS, *columns) for name, columns in SAVED.items()},
    "curves": CURVES,
    "losses": LOSSES,
}
FILES = (REPORT_NAME, *(f"{name}.csv" for name in SAVED))


@dataclass(frozen=True, slots=True)
class StudyTables:
    """The tables of a study; each keeps its contract in `CONTRACTS`. `curves` has rows only for what was asked for."""

    visits: pd.DataFrame
    recorded: pd.DataFrame
    strides: pd.DataFrame
    metrics: pd.DataFrame
    findings: pd.DataFrame
    faults: pd.DataFrame
    corrections: pd.DataFrame
    curves: pd.DataFrame
    losses: pd.DataFrame

    def by_name(self) -> dict[str, pd.DataFrame]:
        """All tables in their order."""
        return {name: getattr(self, name) for name in CONTRACTS}


def study_tables(results: Path | str, *, curves: Iterable[str] = ()) -> StudyTables:
    """Return the tables of all visits of a results folder.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `strideledger run --out`.
    curves : names of quantities, optional
        Curves to read, such as `knee_flexion_deg`; by default none, since a curve has 101 rows a stride. Strides in
        which it was not seen at all have no rows.

    Returns
    -------
    StudyTables
        Rows in the order of subjects and visits, P2 before P10. An empty cell is a missing value. A missing or damaged
        file is left out and named in `losses`; a visit's other files are read all the same.

    Raises
    ------
    ConfigError
        The folder holds no visit, or a curve has an unknown name.
    """
    wanted = _known_curves(curves)
    folders = visit_folders(results)
    kept = [folder.has_any(FILES) for folder in folders]
    there = [folder for folder, keep in zip(folders, kept, strict=True) if keep]
    tables, lost = record_tables(there)
    lost += [(folder.name, folder.reason()) for folder, keep in zip(folders, kept, strict=True) if not keep]
    curve_cells = Cells(CURVES)
    for name, columns in SAVED.items():
        table = Cells((*KEYS, *columns))
        for folder in there:
            file = f"{name}.csv"
            try:
                cells = read_cells(folder.path / file, columns)
            except StageError as error:
                lost.append((f"{folder.name}/{file}", error.found))
                if name == "strides" and wanted:
                    lost.append((f"{folder.name}/{CURVES_NAME}", "its strides cannot be read"))
                continue
            count = len(next(iter(cells.values())))
            table.add(subject=[folder.subject] * count, visit=[folder.visit] * count, **cells)
            if name == "strides" and wanted:
                lost += _add_curves(curve_cells, folder, cells["stride_id"], wanted)
        tables[name] = table.frame(name)
    losses = Cells(LOSSES)
    for file, reason in sorted(lost, key=lambda one: natural_key(one[0])):
        losses.add(file=[file], reason=[reason])
    return StudyTables(curves=curve_cells.frame("curves"), losses=losses.frame("losses"), **tables)


def _known_curves(names: Iterable[str]) -> tuple[str, ...]:
    """The names, each once, or a clear error."""
    wanted, known = tuple(dict.fromkeys(names)), [quantity.name for quantity in QUANTITIES]
    for name in wanted:
        if name not in known:
            raise ConfigError(f"curve {name}", "is not known", f"expected one of {', '.join(known)}")
    return wanted


def _add_curves(
    table: Cells, folder: VisitFolder, stride_ids: Sequence[str], wanted: Sequence[str]
) -> list[tuple[str, str]]:
    """Append a visit's curves in long form; return the file with the reason if it cannot be read."""
    file = f"{folder.name}/{CURVES_NAME}"
    try:
        with outside_arrays(folder.path / CURVES_NAME) as stored:
            curves = {name: np.asarray(stored[name], dtype=float) for name in wanted if name in stored.files}
    except FileNotFoundError:
        return [(file, "no such file")]
    except DAMAGED as error:
        return [(file, one_line(f"cannot be read ({error})"))]
    for name, values in curves.items():
        if values.shape != (len(stride_ids), len(PERCENT)):
            return [(file, f"{name} has the shape {values.shape}; its strides are {len(stride_ids)}")]
    for name, values in curves.items():
        rows = np.flatnonzero(np.isfinite(values).any(axis=1)).tolist()
        count = len(rows) * len(PERCENT)
        table.add(
            subject=[folder.subject] * count,
            visit=[folder.visit] * count,
            stride_id=[stride_ids[row] for row in rows for _ in PERCENT],
            curve=[name] * count,
            percent=np.tile(PERCENT, len(rows)).tolist(),
            value=values[rows].ravel().tolist(),
        )
    return []
