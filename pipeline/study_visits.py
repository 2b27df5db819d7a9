"""What the records of a study's visits say: the table of visits, and that of the measures recorded there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import pandas as pd

from pipeline.errors import StageError
from pipeline.judgement import Recorded, RunRecord
from pipeline.model import Aid, Level, Side
from pipeline.pace import mean_of_limbs
from pipeline.report.parts import REPORT_NAME
from pipeline.store import read_json
from pipeline.study_files import VisitFolder
from pipeline.tables import Column, check_table

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
    Column("footwear", "text", "", "footwear, as written in the manifest; empty where it is not stated"),
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
    Column("measuring_sha256", "text", "", "hash of the settings that values depend on"),
    Column("limits_sha256", "text", "", "hash of the limits that judged the visit"),
    Column("causes_sha256", "text", "", "hash of the file of causes"),
    Column("recorded_sha256", "text", "", "hash of the list of recorded measures"),
)
RECORDED: tuple[Column, ...] = (
    *KEYS,
    Column("measure", "text", "", "name of the recorded measure in the clinic's list"),
    Column("title", "text", "", "its title for readers"),
    Column("value", "number", "see unit", "as the clinic recorded it; empty where it was not done"),
    Column("unit", "text", "", "unit of value and detectable"),
    Column("note", "text", "", "as written beside the value, or why there is none"),
    Column("better", "text", "", "which way it gets better: less, more or neither"),
    Column("detectable", "number", "see unit", "smallest change that is more than chance; empty where it is not known"),
    Column("source", "text", "", "of the detectable change: a key of configs/sources.toml, or words"),
)
PACE = {"speed_m_s": "walking_speed", "speed_legs_s": "walking_speed_legs", "cadence_steps_min": "cadence"}


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
    footwear: str = ""
    recorded: tuple[Recorded, ...] = ()


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


def record_tables(folders: Iterable[VisitFolder]) -> tuple[dict[str, pd.DataFrame], list[tuple[str, str]]]:
    """Return the tables `visits` and `recorded`, and the files that were left out, each with the reason."""
    visits, recorded, lost = Cells(VISITS), Cells(RECORDED), []
    for folder in folders:
        file = f"{folder.name}/{REPORT_NAME}"
        try:
            saved = read_json(folder.path / REPORT_NAME, SavedVisit)
        except StageError as error:
            lost.append((file, error.found))
            continue
        if (saved.subject, saved.visit) == (folder.subject, folder.visit):
            visits.add(**{name: [cell] for name, cell in _visit_cells(saved).items()})
            for one in saved.recorded:
                recorded.add(**{name: [cell] for name, cell in _recorded_cells(saved, one).items()})
        else:
            found = f"sub-{saved.subject}/ses-{saved.visit}"
            lost.append((file, f"it is the report of {found}; the tables beside it are read as this folder's"))
    return {"visits": visits.frame("visits"), "recorded": recorded.frame("recorded")}, lost


def _recorded_cells(saved: SavedVisit, one: Recorded) -> dict[str, Any]:
    """The row of a recorded measure; empty text is a missing value."""
    texts = {name: getattr(one, name) or None for name in ("measure", "title", "unit", "note", "better", "source")}
    numbers = {"value": one.value, "detectable": one.detectable}
    return {"subject": saved.subject, "visit": saved.visit, **texts, **numbers}


def _visit_cells(saved: SavedVisit) -> dict[str, Any]:
    """The row of a visit; empty text is a missing value."""
    run, clips = saved.run, [clip.state for clip in saved.clips]
    texts = {
        "prosthetic_sides": " ".join(saved.prosthetic_sides),
        "levels": " ".join(saved.levels),
        "aid": saved.aid,
        "footwear": saved.footwear,
        "changes": saved.changes,
        "pace_reason": "; ".join(_pace_reasons(saved.metrics)),
        "run_id": run.run_id,
        "finished": run.finished,
        "code_version": run.code_version,
        "packages": ", ".join(f"{name} {version}" for name, version in sorted(run.package_versions.items())),
        "model": run.model,
        "model_sha256": run.model_sha256,
        "settings_sha256": run.settings_sha256,
        "measuring_sha256": run.measuring_sha256,
        "limits_sha256": run.limits_sha256,
        "causes_sha256": run.causes_sha256,
        "recorded_sha256": run.recorded_sha256,
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
