"""A clinic's own outcome measures: the list of them, and the values of a study's visits in `recorded.csv`."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import Field

from pipeline.config import config_dir
from pipeline.errors import ManyProblems
from pipeline.filled_table import FilledColumn, FilledRow, read_filled
from pipeline.judgement import Better, Recorded
from pipeline.manifest import HELP
from pipeline.manifest_row import MANIFEST_NAME
from pipeline.metrics import CATALOGUE
from pipeline.model import Clip
from pipeline.store import file_sha256, shown_path
from pipeline.toml_record import Table, read_record

RECORDED_NAME = "recorded.csv"
LIST_NAME = "recorded.toml"
# A measure's name is a key of the list, and stands beside ids of metrics.
MEASURE_NAME = re.compile(r"[a-z][a-z0-9_]*")
COLUMNS: tuple[FilledColumn, ...] = (
    FilledColumn("subject", True, "a subject of the manifest", "P01", "pseudonym of the person"),
    FilledColumn("visit", True, "a visit of the manifest", "01", "which visit of this person"),
    FilledColumn("measure", True, "a measure of the list", "walk_10m_time", "its name in the list of measures"),
    FilledColumn("value", False, "a number", "12.4", "in the list's unit; empty where it was not done"),
    FilledColumn(
        "note", False, "any text", "with rail", "beside the value, or why there is none", may_be_left_out=True
    ),
)
VisitKey = tuple[str, str]


class Measure(Table):
    """One outcome measure of the list; the comments of `configs/recorded.toml` tell each key."""

    title: str = Field(min_length=1)
    unit: str = Field(min_length=1)
    lowest: float = Field(allow_inf_nan=False)
    highest: float = Field(allow_inf_nan=False)
    better: Better
    walking: bool
    detectable: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    source: str = ""
    about: str = ""


@dataclass(frozen=True, slots=True)
class MeasureList:
    """All outcome measures by name, in the order of their file; its name and hash."""

    measures: Mapping[str, Measure]
    file: str
    sha256: str


def load_measures(path: Path | None = None) -> MeasureList:
    """Return the outcome measures that can be recorded.

    Parameters
    ----------
    path : Path, optional
        A clinic's own list; by default the one that ships.

    Raises
    ------
    ConfigError
        The file cannot be read, or is not TOML.
    ManyProblems
        Keys or values are wrong: all of them at once.
    """
    shown = f"configs/{LIST_NAME}" if path is None else shown_path(path)
    path = path or config_dir() / LIST_NAME
    do = "Begin with a copy of configs/recorded.toml."
    measures = read_record(path, shown, dict[str, Measure], expected="expected a list of recorded measures", do=do)
    problems = []
    for name, measure in measures.items():
        if not MEASURE_NAME.fullmatch(name):
            problems.append(f"{name}: expected a name of small letters, digits and _, as walk_10m_time")
        if name in CATALOGUE:
            problems.append(f"{name}: is a metric that the clips give; expected another name")
        if measure.lowest >= measure.highest:
            problems.append(f"{name}: lowest {measure.lowest:g} must be below highest {measure.highest:g}")
        if (measure.detectable is None) != (not measure.source):
            problems.append(f"{name}: expected both detectable and its source, or neither")
    if problems:
        raise ManyProblems(shown, problems)
    return MeasureList(measures, path.name, file_sha256(path))


def read_recorded(study: Path, clips: Sequence[Clip], known: MeasureList) -> dict[VisitKey, tuple[Recorded, ...]]:
    """Return what was recorded at each visit of a study, by subject and visit, in the order of the list.

    Parameters
    ----------
    study : Path
        Folder with the manifest; without `recorded.csv` nothing was recorded.
    clips : sequence of Clip
        Those of the manifest: their subjects and visits may be named.
    known : MeasureList

    Raises
    ------
    ManifestError
        The file is not a table in UTF-8.
    ManyProblems
        Columns or cells are wrong, or a value stands twice: all of them at once.
    """
    path = study / RECORDED_NAME
    if not path.exists():
        return {}
    table = read_filled(path, COLUMNS, one_row="value", do=HELP, inside=study)
    problems = table.column_problems(COLUMNS)
    if problems:
        raise ManyProblems(RECORDED_NAME, problems, HELP)
    found: dict[VisitKey, dict[str, Recorded]] = {}
    first: dict[tuple[str, str, str], int] = {}
    for number, where, cells in table.cells(problems):
        row = RecordedRow(where, cells, table.separator)
        key, one = row.visit(clips), row.recorded(known)
        problems += row.problems
        if row.problems or one is None:
            continue
        earlier = first.setdefault((*key, one.measure), number)
        if earlier != number:
            problems.append(f"{where}: {one.measure} of {key[0]}-{key[1]} stands already in row {earlier}.")
        found.setdefault(key, {})[one.measure] = one
    if problems:
        raise ManyProblems(RECORDED_NAME, problems, HELP)
    return {key: tuple(values[name] for name in known.measures if name in values) for key, values in found.items()}


class PersonRow(FilledRow):
    """A row about a person of the manifest."""

    def subject(self, clips: Sequence[Clip]) -> str:
        """The cell with the person, who must stand in the manifest."""
        text, known = self.cells["subject"], list(dict.fromkeys(clip.subject for clip in clips))
        if text not in known:
            close = difflib.get_close_matches(text, known, n=1)
            hint = f" Did you mean {close[0]}?" if close else ""
            self._problem("subject", f'found "{text}"; {MANIFEST_NAME} has no such subject.{hint}')
        return text

    def visit_of(self, column: str, subject: str, clips: Sequence[Clip]) -> str:
        """A cell with a visit of a person; nothing is said of the visits of somebody who is not in the manifest."""
        text, known = self.cells[column], list(dict.fromkeys(c.visit for c in clips if c.subject == subject))
        if known and text not in known:
            self._problem(column, f'found "{text}"; {MANIFEST_NAME} has these visits of {subject}: {", ".join(known)}.')
        return text

    def _is_known(self, column: str, known: Sequence[str]) -> bool:
        """Whether a cell has one of many names; the nearest is offered, never taken."""
        text = self.cells[column]
        if text not in known:
            close = difflib.get_close_matches(text.lower(), known, n=1)
            hint = f"did you mean {close[0]}?" if close else f"known: {', '.join(known)}."
            self._problem(column, f'found "{text}", which is unknown; {hint}')
        return text in known


class RecordedRow(PersonRow):
    """One row of `recorded.csv`."""

    def visit(self, clips: Sequence[Clip]) -> VisitKey:
        """The person and the visit that the row is about."""
        subject = self.subject(clips)
        return subject, self.visit_of("visit", subject, clips)

    def recorded(self, known: MeasureList) -> Recorded | None:
        """The row's value with what the list says of the measure; None when the measure is unknown."""
        name, note = self.cells["measure"], self._text("note")
        if not self._is_known("measure", list(known.measures)):
            return None
        measure = known.measures[name]
        value = self._number("value", (measure.lowest, measure.highest), measure.unit)
        if not self.cells["value"] and not note:
            text = f"is empty; expected a number [{measure.unit}], or in the column note why there is none."
            self._problem("value", text)
        return Recorded(
            measure=name,
            title=measure.title,
            unit=measure.unit,
            value=value,
            note=note,
            better=measure.better,
            walking=measure.walking,
            detectable=measure.detectable,
            source=measure.source,
            about=measure.about,
        )
