"""What a person is to reach, and the visit to compare with: `goals.csv` of a study, kept with the person's results.

A target is a range: at least, at most, or both. It is reached when the whole 95 % interval of a value lies inside, and
not yet reached when the whole interval lies outside; a value alone tells neither. Own choice, as verdicts are made.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from pipeline.errors import ManyProblems
from pipeline.filled_table import FilledColumn, read_filled
from pipeline.manifest import HELP
from pipeline.metrics import CATALOGUE
from pipeline.metrics.registry import PairSpec
from pipeline.model import SIDES, Clip, Side, anatomical_side
from pipeline.recorded import MeasureList, PersonRow
from pipeline.store import OutputTree, read_json, write_json

GOALS_NAME = "goals.csv"
# Where a person's goals are kept, in the person's folder of the results.
SAVED_NAME = "goals.json"
LIMBS = ("prosthetic", "sound", *SIDES)
COLUMNS: tuple[FilledColumn, ...] = (
    FilledColumn("subject", True, "a subject of the manifest", "P01", "pseudonym of the person"),
    FilledColumn(
        "measure",
        False,
        "a metric of `strideledger catalogue`, or a recorded measure",
        "hip_vault_height",
        "what is to be reached; empty in a row that only names a baseline",
    ),
    FilledColumn("limb", False, ", ".join(LIMBS), "sound", "of a metric of one limb; empty for anything else"),
    FilledColumn("at_least", False, "a number", "0.95", "lower end of the target, in the measure's unit"),
    FilledColumn("at_most", False, "a number", "1.05", "upper end of the target, in the measure's unit"),
    FilledColumn(
        "unit",
        False,
        "the measure's unit",
        "% leg length",
        "guards against a target in another unit",
        may_be_left_out=True,
    ),
    FilledColumn(
        "baseline",
        False,
        "a visit of this person",
        "01",
        "visit that the latest is compared with; in one row of the person, or the same in several",
        may_be_left_out=True,
    ),
)
GoalVerdict = Literal["reached", "not yet", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Goal:
    """A target of one measure; `limb` is as written, empty for what has none. An end that is None is open."""

    measure: str
    title: str
    unit: str
    limb: str
    at_least: float | None
    at_most: float | None

    def side(self, prosthetic_sides: Sequence[Side]) -> str:
        """The side that the values have; the limb as written where it means no single one."""
        return anatomical_side(self.limb, prosthetic_sides) or self.limb


@dataclass(frozen=True, slots=True)
class PersonGoals:
    """A person's targets, and the visit that the latest is compared with; empty: the first."""

    baseline: str = ""
    goals: tuple[Goal, ...] = ()


NO_GOALS = PersonGoals()


def verdict_of_goal(low: float | None, high: float | None, goal: Goal) -> GoalVerdict:
    """Return whether an interval reaches a target.

    Parameters
    ----------
    low, high : float or None
        Ends of the value's 95 % interval, in the goal's unit; None where there is none.
    goal : Goal
    """
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return "cannot tell"
    least = -math.inf if goal.at_least is None else goal.at_least
    most = math.inf if goal.at_most is None else goal.at_most
    if least <= low and high <= most:
        return "reached"
    return "not yet" if high < least or low > most else "cannot tell"


def read_goals(study: Path, clips: Sequence[Clip], known: MeasureList) -> dict[str, PersonGoals]:
    """Return the goals of a study by person.

    Parameters
    ----------
    study : Path
        Folder with the manifest; without `goals.csv` nobody has goals.
    clips : sequence of Clip
        Those of the manifest: their subjects and visits may be named.
    known : MeasureList
        Recorded measures that may be named beside the metrics.

    Raises
    ------
    ManifestError
        The file is not a table in UTF-8.
    ManyProblems
        Columns or cells are wrong, or contradict each other: all of them at once.
    """
    path = study / GOALS_NAME
    if not path.exists():
        return {}
    table = read_filled(path, COLUMNS, one_row="target", do=HELP, inside=study)
    problems = table.column_problems(COLUMNS)
    if problems:
        raise ManyProblems(GOALS_NAME, problems, HELP)
    found: dict[str, PersonGoals] = {}
    first: dict[tuple[str, ...], int] = {}
    for number, where, cells in table.cells(problems):
        row = GoalRow(where, cells, table.separator)
        subject = row.subject(clips)
        baseline = row.baseline(subject, clips)
        sides = next((clip.prosthetic_sides for clip in clips if clip.subject == subject), ())
        goal = row.goal(known, sides)
        problems += row.problems
        if row.problems:
            continue
        person = found.get(subject, NO_GOALS)
        if baseline and person.baseline and baseline != person.baseline:
            problems.append(
                f'{where}, column baseline: found "{baseline}"; an earlier row of {subject} has "{person.baseline}".'
            )
        if goal is not None:
            earlier = first.setdefault((subject, goal.measure, goal.side(sides)), number)
            if earlier != number:
                problems.append(
                    f"{where}: {goal.measure} of this limb of {subject} has a target already in row {earlier}."
                )
        goals = person.goals if goal is None else (*person.goals, goal)
        found[subject] = replace(person, baseline=baseline or person.baseline, goals=goals)
    if problems:
        raise ManyProblems(GOALS_NAME, problems, HELP)
    return found


def save_goals(tree: OutputTree, clips: Sequence[Clip], goals: Mapping[str, PersonGoals]) -> None:
    """Keep the goals of every person of a manifest with the results; those that a person no longer has are deleted."""
    for subject in dict.fromkeys(clip.subject for clip in clips):
        path = tree.inside(f"sub-{subject}", SAVED_NAME)
        if subject in goals:
            write_json(path, goals[subject])
        else:
            path.unlink(missing_ok=True)


def load_goals(results: Path, subject: str) -> PersonGoals:
    """Return the goals that were kept with a person's results; empty ones where there are none.

    Raises
    ------
    StageError
        The file is damaged.
    """
    path = OutputTree(results).inside(f"sub-{subject}", SAVED_NAME)
    return read_json(path, PersonGoals) if path.is_file() else NO_GOALS


class GoalRow(PersonRow):
    """One row of `goals.csv`."""

    def baseline(self, subject: str, clips: Sequence[Clip]) -> str:
        """The cell with the visit to compare with, or nothing."""
        return self.visit_of("baseline", subject, clips) if self.cells.get("baseline") else ""

    def goal(self, known: MeasureList, sides: Sequence[Side]) -> Goal | None:
        """The row's target; None when it has a problem, or only a baseline."""
        name, limb = self.cells["measure"], self.cells["limb"]
        if not name:
            if not self.cells.get("baseline") or any(self.cells[one] for one in ("limb", "at_least", "at_most")):
                self._problem("measure", "is empty; expected a metric or a recorded measure.")
            return None
        if not self._is_known("measure", [*known.measures, *CATALOGUE]):
            return None
        self._check_limb(name, limb, sides)
        recorded = known.measures.get(name)
        one = recorded or CATALOGUE[name]
        allowed = (recorded.lowest, recorded.highest) if recorded else (-math.inf, math.inf)
        least, most = (self._number(column, allowed, one.unit) for column in ("at_least", "at_most"))
        if not self.cells["at_least"] and not self.cells["at_most"]:
            self._problem("at_least", "is empty, and at_most too; expected one of them, or both.")
        if least is not None and most is not None and least > most:
            self._problem("at_most", f"found {most:g}; expected no less than at_least, {least:g}.")
        unit = self.cells.get("unit", "")
        if unit and unit != one.unit:
            self._problem("unit", f'found "{unit}"; {name} is in {one.unit}.')
        return Goal(name, one.title, one.unit, limb, least, most)

    def _check_limb(self, name: str, limb: str, sides: Sequence[Side]) -> None:
        """A metric of one limb needs the limb, anything else has none; a sound limb needs exactly one prosthesis."""
        if name not in CATALOGUE or isinstance(CATALOGUE[name], PairSpec):
            if limb:
                self._problem("limb", f'found "{limb}"; {name} is not of one limb: expected nothing.')
        elif self._is_one_of("limb", limb, LIMBS) and anatomical_side(limb, sides) is None:
            self._problem(
                "limb", f'found "{limb}"; this person has not exactly one prosthesis: expected left or right.'
            )
