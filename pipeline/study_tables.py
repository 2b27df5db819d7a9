"""Tidy tables of a whole study as pandas frames, read from what the visits of a results folder saved.

What a visit lacks, or what is damaged, is named in `losses` and stops nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
import pandas as pd

from pipeline.errors import ConfigError, StageError
from pipeline.judgement import RunRecord
from pipeline.model import Aid, Level, Side
from pipeline.pace import mean_of_limbs
from pipeline.quantities import QUANTITIES
from pipeline.report.parts import FAULTS, FINDINGS, METRICS, REPORT_NAME
from pipeline.report.study_parts import natural_key
from pipeline.store import read_json
from pipeline.strides import PERCENT
from pipeline.study_files import VisitFolder, read_cells, visit_folders
from pipeline.tables import STRIDES, Column, check_table

CURVES_NAME = "curves.npz"
DTYPES = {"text": "string", "number": "float64", "whole": "int64", "flag": "bool", "date": "datetime64[us]"}
KEYS: tuple[Column, ...] = (
    Column("subject", "text", "", "pseudonym of the person, as written: 01 is not 1"),
    Column("visit", "text", "", "name of the visit, as written"),
)
VISITS: tuple[Column, ...] = (
    *KEYS,
    Column("visit_date", "date", "", "day of the visit"),
    Column("prosthetic_sides", "text", "", "left, right or both, separated by a space; empty without a prosthesis"),
    Column("levels", "text", "", "level of amputation of each of these sides, separated by a space"),
    Column("aid", "text", "", "walking aid; empty where the manifest names none"),
    Column("changes", "text", "", "what was changed since the last visit, as written in the manifest"),
    Column("speed_m_s", "number", "m/s", "walking speed, mean of both limbs"),
    Column("speed_legs_s", "number", "leg lengths/s", "walking speed in leg lengths, mean of both limbs"),
    Column("cadence_steps_min", "number", "steps/min", "cadence, mean of both limbs"),
    Column("pace_reason", "text", "", "why a speed or the cadence is missing; empty when all are there"),
    Column("clips_done", "whole", "1", "clips that were measured"),
    Column("clips_failed", "whole", "1", "clips that could not be measured"),
    Column("run_id", "text", "", "the run that made the report"),
    Column("finished", "text", "", "when that run ended, in UTC"),
    Column("code_version", "text", "", "version of the program"),
    Column("packages", "text", "", "versions of the packages that results depend on"),
    Column("model", "text", "", "pose model"),
    Column("model_sha256", "text", "", "hash of the pose model's file"),
    Column("settings_sha256", "text", "", "hash of the settings"),
    Column("limits_sha256", "text", "", "hash of the limits that judged the visit"),
    Column("causes_sha256", "text", "", "hash of the file of causes"),
)
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
}
CONTRACTS: dict[str, tuple[Column, ...]] = {
    "visits": VISITS,
    **{name: (*KEYS, *columns) for name, columns in SAVED.items()},
    "curves": CURVES,
    "losses": LOSSES,
}
FILES = (REPORT_NAME, *(f"{name}.csv" for name in SAVED))
PACE = {"speed_m_s": "walking_speed", "speed_legs_s": "walking_speed_legs", "cadence_steps_min": "cadence"}


@dataclass(frozen=True, slots=True)
class StudyTables:
    """The tables of a study; each keeps its contract in `CONTRACTS`. `curves` has rows only for what was asked for."""

    visits: pd.DataFrame
    strides: pd.DataFrame
    metrics: pd.DataFrame
    findings: pd.DataFrame
    faults: pd.DataFrame
    curves: pd.DataFrame
    losses: pd.DataFrame

    def by_name(self) -> dict[str, pd.DataFrame]:
        """All tables in their order."""
        return {name: getattr(self, name) for name in CONTRACTS}


@dataclass(frozen=True, slots=True)
class SavedValue:
    """What the visits' table needs of a metric's saved value."""

    metric: str
    side: str
    value: float | None
    reason: str


@dataclass(frozen=True, slots=True)
class SavedClip:
    """How a clip ended."""

    state: str


@dataclass(frozen=True, slots=True)
class SavedVisit:
    """What the visits' table needs of a saved `VisitReport`; the rest of `visit.json` is passed over."""

    subject: str
    visit: str
    visit_date: date
    prosthetic_sides: tuple[Side, ...]
    changes: str
    clips: tuple[SavedClip, ...]
    metrics: tuple[SavedValue, ...]
    run: RunRecord
    levels: tuple[Level, ...] = ()
    aid: Aid | None = None


@dataclass(slots=True)
class Cells:
    """A table that grows file by file."""

    columns: tuple[Column, ...]
    cells: dict[str, list[Any]] = field(default_factory=dict)

    def add(self, **cells: Sequence[Any]) -> None:
        """Append cells to every column."""
        for column in self.columns:
            self.cells.setdefault(column.name, []).extend(cells[column.name])

    def frame(self, name: str) -> pd.DataFrame:
        """The table, with the kinds of its contract."""
        series = {
            column.name: pd.Series(self.cells.get(column.name, []), dtype=DTYPES[column.kind])
            for column in self.columns
        }
        return check_table(pd.DataFrame(series), self.columns, name)


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
    visits, lost = visits_table(there)
    lost += [(folder.name, folder.reason()) for folder, keep in zip(folders, kept, strict=True) if not keep]
    tables = {}
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
    return StudyTables(visits=visits, curves=curve_cells.frame("curves"), losses=losses.frame("losses"), **tables)


def visits_table(folders: Iterable[VisitFolder]) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Return the table of visits, and the files that were left out, each with the reason."""
    table, lost = Cells(VISITS), []
    for folder in folders:
        file = f"{folder.name}/{REPORT_NAME}"
        try:
            saved = read_json(folder.path / REPORT_NAME, SavedVisit)
        except StageError as error:
            lost.append((file, error.found))
            continue
        if (saved.subject, saved.visit) == (folder.subject, folder.visit):
            table.add(**{name: [cell] for name, cell in _visit_cells(saved).items()})
        else:
            found = f"sub-{saved.subject}/ses-{saved.visit}"
            lost.append((file, f"it is the report of {found}; the tables beside it are read as this folder's"))
    return table.frame("visits"), lost


def _visit_cells(saved: SavedVisit) -> dict[str, Any]:
    """The row of a visit; empty text is a missing value."""
    run, clips = saved.run, [clip.state for clip in saved.clips]
    texts = {
        "prosthetic_sides": " ".join(saved.prosthetic_sides),
        "levels": " ".join(saved.levels),
        "aid": saved.aid,
        "changes": saved.changes,
        "pace_reason": "; ".join(_pace_reasons(saved.metrics)),
        "run_id": run.run_id,
        "finished": run.finished,
        "code_version": run.code_version,
        "packages": ", ".join(f"{name} {version}" for name, version in sorted(run.package_versions.items())),
        "model": run.model,
        "model_sha256": run.model_sha256,
        "settings_sha256": run.settings_sha256,
        "limits_sha256": run.limits_sha256,
        "causes_sha256": run.causes_sha256,
    }
    return {
        "subject": saved.subject,
        "visit": saved.visit,
        "visit_date": saved.visit_date,
        **{name: text or None for name, text in texts.items()},
        **{name: mean_of_limbs(saved.metrics, metric) for name, metric in PACE.items()},
        "clips_done": clips.count("done"),
        "clips_failed": clips.count("failed"),
    }


def _pace_reasons(values: Sequence[SavedValue]) -> Iterator[str]:
    """Why a speed or the cadence is missing, one a metric."""
    for metric in PACE.values():
        if mean_of_limbs(values, metric) is None:
            reasons = [one.reason for one in values if one.metric == metric and one.reason]
            yield f"{metric}: {' / '.join(dict.fromkeys(reasons)) or 'not among the metrics of this visit'}"


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
        with np.load(folder.path / CURVES_NAME, allow_pickle=False) as stored:
            curves = {name: np.asarray(stored[name], dtype=float) for name in wanted if name in stored.files}
    except FileNotFoundError:
        return [(file, "no such file")]
    except (OSError, EOFError, ValueError, KeyError, BadZipFile) as error:
        return [(file, f"cannot be read ({str(error).splitlines()[0]})")]
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
