"""The saved parts of a visit, from which its pages are made: records, tables, and what their columns mean."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TypeVar

import pandas as pd

from pipeline import strides as strides_module
from pipeline.judgement import VisitReport
from pipeline.kept import FRAMES_FOLDER, FRAMES_NAME
from pipeline.model import StrideSet
from pipeline.report.correction_parts import CORRECTIONS, corrections_table
from pipeline.review_verdicts import records_behind, strides_touched
from pipeline.store import read_json, write_arrays, write_json, write_table, write_text
from pipeline.tables import STRIDES, Column, check_table

T = TypeVar("T")
REPORT_NAME = "visit.json"
# A spreadsheet runs text that starts like this as a formula; a leading apostrophe makes it text again.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
GUARD = "'"
GUARDED_STARTS = tuple(GUARD + start for start in (*FORMULA_STARTS, GUARD))

METRICS: tuple[Column, ...] = (
    Column("metric", "text", "", "id of the metric in the catalogue"),
    Column("side", "text", "", "left, right, or both for a comparison of sides"),
    Column("value", "number", "see unit", "median over the strides; empty unless status is ok"),
    Column("unit", "text", "", "unit of value, spread, low and high; 1 for a ratio"),
    Column("n_strides", "whole", "1", "strides used"),
    Column("spread", "number", "see unit", "standard deviation over the strides"),
    Column("low", "number", "see unit", "lower end of the 95 % interval of the value"),
    Column("high", "number", "see unit", "upper end of the 95 % interval of the value"),
    Column("status", "text", "", "ok, too_few_strides, not_visible, wrong_view, no_scale or failed"),
    Column("reason", "text", "", "why there is no number; empty when status is ok"),
    Column("stride_ids", "text", "", "the strides used, separated by a space"),
    Column("stride_values", "text", "see unit", "their values in the same order, separated by a space"),
    Column("by_view", "text", "see unit", "view=value (low to high, strides), where several views gave one"),
    Column("corrections", "text", "", "records by which its strides were corrected, separated by a space"),
)
FINDINGS: tuple[Column, ...] = (
    Column("check", "text", "", "id of the limit"),
    Column("fault", "text", "", "the fault it belongs to"),
    Column("metric", "text", "", "id of the metric in the catalogue"),
    Column("side", "text", "", "the limb it was applied to"),
    Column("value", "number", "see unit", "median over the strides; empty when it cannot be said"),
    Column("low", "number", "see unit", "lower end of the 95 % interval of the value"),
    Column("high", "number", "see unit", "upper end of the 95 % interval of the value"),
    Column("limit", "number", "see unit", "the limit"),
    Column("direction", "text", "", "above or below: the side of the limit that counts as outside"),
    Column("unit", "text", "", "unit of value, low, high and limit; 1 for a ratio"),
    Column("verdict", "text", "", "present, borderline, not seen or cannot say"),
    Column("reason", "text", "", "why it cannot be said, or what makes it borderline"),
    Column("n_strides", "whole", "1", "strides used"),
    Column("standing", "text", "", "published, common practice, from memory or provisional"),
    Column("source", "text", "", "key of the limit's source in configs/sources.toml"),
    Column("stride_ids", "text", "", "the strides used, separated by a space"),
    Column("severity", "text", "", "slight, clear or severe, by the two steps; empty unless the verdict is present"),
    Column("clear", "number", "see unit", "from here on a finding is clear; empty where the limit has no steps"),
    Column("severe", "number", "see unit", "from here on a finding is severe; empty where the limit has no steps"),
    Column("applies", "flag", "", "the limit holds for this person and walk; if not, it has no say in the verdict"),
)
FAULTS: tuple[Column, ...] = (
    Column("fault", "text", "", "name of the fault"),
    Column("title", "text", "", "its title for readers"),
    Column("side", "text", "", "the limb it is seen on"),
    Column("verdict", "text", "", "the pipeline's own: present, borderline, not seen or cannot say"),
    Column("reason", "text", "", "why it cannot be said, or what makes it borderline"),
    Column("urgent", "flag", "", "walking has to stop until it is put right"),
    Column("n_findings", "whole", "1", "findings behind the verdict"),
    Column("severity", "text", "", "that of the severest finding; empty unless the verdict is present"),
    Column("limits_sha256", "text", "", "hash of the file of limits that judged it"),
    Column("person_verdict", "text", "", "a person's verdict, which holds in place of the pipeline's own; or empty"),
    Column("person", "text", "", "initials of this person"),
    Column("person_made", "text", "", "when the person overruled the verdict, in UTC"),
    Column("person_reason", "text", "", "why"),
    Column("corrections", "text", "", "records by which what it rests on was corrected, separated by a space"),
)
CANDIDATES: tuple[Column, ...] = (
    Column("rank", "whole", "1", "1 is the first to examine; equal sums share it"),
    Column("cause", "text", "", "id of the cause in the file of causes; one row a line of its sum"),
    Column("group", "text", "", "prosthesis or person"),
    Column("title", "text", "", "what to consider"),
    Column("score", "whole", "points", "sum over the rows of this cause"),
    Column("kind", "text", "", "explained, missing (should have shown), contradicted, or changed (in the change log)"),
    Column("fault", "text", "", "the fault that the line is about; empty for the change log"),
    Column("line", "text", "", "the line in words"),
    Column("points", "whole", "points", "what the line adds or takes off"),
    Column("open", "text", "", "what would count for this cause but could not be judged, separated by a semicolon"),
    Column("sources", "text", "", "keys of configs/sources.toml for this cause, separated by a space"),
    Column("causes_sha256", "text", "", "hash of the file of causes that made the list"),
)
TABLES = {
    "strides.csv": STRIDES,
    "metrics.csv": METRICS,
    "findings.csv": FINDINGS,
    "faults.csv": FAULTS,
    "candidates.csv": CANDIDATES,
    "corrections.csv": CORRECTIONS,
}


@dataclass(frozen=True, slots=True)
class KeyFrame:
    """One stored picture of a fault: `file` lies in the folder of frames, faces are blurred already."""

    file: str
    clip_id: str
    time_s: float
    fault: str
    stride_id: str
    caption: str
    alt: str


@dataclass(frozen=True, slots=True)
class FrameIndex:
    """The stored key frames, and by fault why frames are missing."""

    frames: tuple[KeyFrame, ...] = ()
    left_out: dict[str, str] = field(default_factory=dict)


def save_parts(visit_folder: Path, report: VisitReport, strides: StrideSet) -> list[Path]:
    """Write a visit's record, strides and tables; return the files written.

    Parameters
    ----------
    visit_folder : Path
        Made if it is not there.
    report : VisitReport
    strides : StrideSet
        All clips of the visit joined.

    Notes
    -----
    Text that a spreadsheet would take for a formula gets a leading apostrophe in the CSV files; `visit.json`
    keeps it as it was. `columns.json` gives kind, unit and meaning of every column.
    """
    write_json(visit_folder / REPORT_NAME, report)
    write_arrays(visit_folder / "curves.npz", strides.curves)
    tables = {
        "strides.csv": check_table(strides.table, STRIDES, "strides"),
        "metrics.csv": _metrics_table(report),
        "findings.csv": _findings_table(report),
        "faults.csv": _faults_table(report),
        "candidates.csv": _candidates_table(report),
        "corrections.csv": corrections_table(report.corrections),
    }
    for name, table in tables.items():
        write_table(visit_folder / name, guarded(table, TABLES[name]))
    meanings = {name: [asdict(column) for column in columns] for name, columns in TABLES.items()}
    write_text(visit_folder / "columns.json", json.dumps(meanings, indent=1, ensure_ascii=False) + "\n")
    return [visit_folder / name for name in (REPORT_NAME, "curves.npz", *tables, "columns.json")]


def load_parts(visit_folder: Path | str) -> tuple[VisitReport, StrideSet]:
    """Return the report and the strides of a visit that was measured.

    Parameters
    ----------
    visit_folder : Path or str
        The visit's folder in the results, such as `results/sub-P01/ses-01`.

    Returns
    -------
    report : VisitReport
        Verdicts, values with their intervals, candidates, and what could not be measured.
    strides : StrideSet
        All strides of the visit's clips, used and excluded, with their curves (n_strides, 101).

    Raises
    ------
    StageError
        A file is missing or damaged.
    """
    visit_folder = Path(visit_folder)
    report = read_json(visit_folder / REPORT_NAME, VisitReport)
    stored = strides_module.load(visit_folder)
    table = stored.table.copy()
    for column in STRIDES:
        if column.kind == "text":
            table[column.name] = table[column.name].map(unguarded)
    return report, StrideSet(table, stored.curves)


def load_frames(visit_folder: Path) -> FrameIndex:
    """Return the index of the stored key frames; an empty one where none were kept."""
    path = visit_folder / FRAMES_FOLDER / FRAMES_NAME
    return read_json(path, FrameIndex) if path.is_file() else FrameIndex()


def guarded(table: pd.DataFrame, columns: Sequence[Column]) -> pd.DataFrame:
    """Return the table with its text made safe for a spreadsheet; numbers stay as they are."""
    safe = check_table(table, tuple(columns), "export").copy()
    for column in columns:
        if column.kind == "text":
            safe[column.name] = safe[column.name].map(guard_text)
    return safe


def unguarded(text: T) -> T | str:
    """Return a cell as it was before `guarded`; what is no text stays as it is."""
    return text[1:] if isinstance(text, str) and text.startswith(GUARDED_STARTS) else text


def guard_text(text: object) -> object:
    """Return a cell with an apostrophe before text that a spreadsheet would run; what is no text stays as it is."""
    risky = isinstance(text, str) and text.startswith((*FORMULA_STARTS, GUARD))
    return f"{GUARD}{text}" if risky else text


def _metrics_table(report: VisitReport) -> pd.DataFrame:
    """One row a metric and side."""
    touched = strides_touched(report.corrections)
    rows = [
        asdict(metric)
        | {
            "stride_ids": " ".join(metric.stride_ids),
            "stride_values": " ".join(repr(float(value)) for value in metric.stride_values),
            "by_view": "; ".join(
                f"{one.view}={one.value!r} ({one.low!r} to {one.high!r}, {one.n_strides})" for one in metric.by_view
            ),
            "corrections": " ".join(records_behind(metric.stride_ids, touched)),
        }
        for metric in report.metrics
    ]
    return pd.DataFrame(rows, columns=[column.name for column in METRICS])


def _findings_table(report: VisitReport) -> pd.DataFrame:
    """One row a finding."""
    rows = [
        asdict(finding) | {"stride_ids": " ".join(finding.stride_ids)}
        for fault in report.faults
        for finding in fault.findings
    ]
    return pd.DataFrame(rows, columns=[column.name for column in FINDINGS])


def _faults_table(report: VisitReport) -> pd.DataFrame:
    """One row a fault."""
    rows = [
        {
            "fault": fault.name,
            "title": fault.title,
            "side": fault.side,
            "verdict": fault.verdict,
            "reason": fault.reason,
            "urgent": fault.urgent,
            "n_findings": len(fault.findings),
            "severity": fault.severity,
            "limits_sha256": fault.limits_sha256,
            "person_verdict": fault.person.verdict if fault.person else "",
            "person": fault.person.by if fault.person else "",
            "person_made": fault.person.made if fault.person else "",
            "person_reason": fault.person.reason if fault.person else "",
            "corrections": " ".join(fault.corrections),
        }
        for fault in report.faults
    ]
    return pd.DataFrame(rows, columns=[column.name for column in FAULTS])


def _candidates_table(report: VisitReport) -> pd.DataFrame:
    """One row a line of a candidate's sum."""
    rows = [
        {
            "rank": candidate.rank,
            "cause": candidate.cause,
            "group": candidate.group,
            "title": candidate.title,
            "score": candidate.score,
            "kind": line.kind,
            "fault": line.fault,
            "line": line.text,
            "points": line.amount,
            "open": "; ".join(candidate.open),
            "sources": " ".join(key for key, _ in candidate.sources),
            "causes_sha256": report.run.causes_sha256,
        }
        for candidate in report.candidates
        for line in candidate.lines
    ]
    return pd.DataFrame(rows, columns=[column.name for column in CANDIDATES])
