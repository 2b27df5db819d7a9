"""How a person's recorded measures changed across visits, and whether targets are reached."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.comparability import other_walk
from pipeline.goals import Goal, GoalVerdict, verdict_of_goal
from pipeline.judgement import Recorded, VisitReport
from pipeline.model import MetricValue
from pipeline.tracking import ChangeVerdict

# What a difference of two written numbers needs; beyond lies rounding of the machine. [decimals]
DIGITS = 9
CHANCE_NOT_KNOWN = "it is not known how much of a change is chance"
ERROR_NOT_KNOWN = "its error is not known"
NOT_RECORDED = "it was not recorded"
NO_VALUE = "there is no value at the latest visit"


@dataclass(frozen=True, slots=True)
class RecordedChange:
    """One recorded measure from the baseline to the latest visit.

    Attributes
    ----------
    latest : Recorded
        The last time that it stands anywhere: its words and its detectable change count.
    values : tuple of Recorded or None
        One a visit, in their order; None where nothing was written down.
    before, after : Recorded or None
        At the baseline and at the latest visit.
    change, detectable : float or None
        After minus before, None without both; and the smallest change that is more than chance, None if not known. In
        the measure's unit.
    verdict : str
        As for the metrics; `cannot say` without a detectable change.
    reasons : tuple of str
        Why it cannot be said.
    """

    latest: Recorded
    values: tuple[Recorded | None, ...]
    before: Recorded | None
    after: Recorded | None
    change: float | None
    detectable: float | None
    verdict: ChangeVerdict
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GoalState:
    """A target against the latest visit: value and 95 % interval there, None where there is none.

    `reason` tells why it cannot be told; empty where the interval itself reaches over an end of the target.
    """

    goal: Goal
    side: str
    value: float | None
    low: float | None
    high: float | None
    verdict: GoalVerdict
    reason: str


def recorded_changes(visits: Sequence[VisitReport], baseline: str) -> tuple[RecordedChange, ...]:
    """Return every measure that was recorded at one of the visits, compared from the baseline to the latest.

    Parameters
    ----------
    visits : sequence of VisitReport
        Of one person, in the order of their dates.
    baseline : str
        Visit that the latest one is compared with.
    """
    first = next(number for number, report in enumerate(visits) if report.visit == baseline)
    names = dict.fromkeys(one.measure for report in visits for one in report.recorded)
    return tuple(_recorded_change(visits, first, name) for name in names)


def _recorded_change(visits: Sequence[VisitReport], first: int, name: str) -> RecordedChange:
    """One measure."""
    values = tuple(next((one for one in report.recorded if one.measure == name), None) for report in visits)
    latest = [one for one in values if one is not None][-1]
    before, after = values[first], values[-1]
    reasons = []
    for report, one in ((visits[first], before), (visits[-1], after)):
        if one is None or one.value is None:
            reasons.append(f"visit {report.visit}: {one.note if one else NOT_RECORDED}")
    units = dict.fromkeys(one.unit for one in (before, after) if one is not None)
    if len(units) > 1:
        reasons.append(f"other unit ({', then '.join(units)})")
    if latest.walking:
        reasons += other_walk(visits[first], visits[-1])
    change = None
    if before is not None and after is not None and before.value is not None and after.value is not None:
        change = round(after.value - before.value, DIGITS) if len(units) == 1 else None
    if change is not None and latest.detectable is None:
        reasons.append(CHANCE_NOT_KNOWN)
    verdict: ChangeVerdict = "cannot say"
    if not reasons and change is not None and latest.detectable is not None:
        verdict = _verdict(change, latest.detectable, latest)
    return RecordedChange(latest, values, before, after, change, latest.detectable, verdict, tuple(reasons))


def _verdict(change: float, detectable: float, measure: Recorded) -> ChangeVerdict:
    """What a change means, by the direction that the list declares."""
    if abs(change) <= detectable:
        return "no clear change"
    if measure.better == "neither":
        return "changed"
    return "better" if (change > 0) == (measure.better == "more") else "worse"


def recorded_interval(one: Recorded) -> tuple[float | None, float | None]:
    """Return the 95 % interval of a recorded value, None where it is not known.

    Notes
    -----
    A detectable change D is 1.96 sqrt(2) times the standard error of one value, so that the half width of one value's
    interval is D / sqrt(2); two of them give D again.
    """
    if one.value is None or one.detectable is None:
        return None, None
    half = one.detectable / math.sqrt(2)
    return one.value - half, one.value + half


def goal_states(visits: Sequence[VisitReport], goals: Sequence[Goal]) -> tuple[GoalState, ...]:
    """Return each target against the latest of the visits, which stand in the order of their dates."""
    return tuple(_goal_state(visits[-1], goal) for goal in goals)


def _goal_state(latest: VisitReport, goal: Goal) -> GoalState:
    """One target at the latest visit, of a metric or of a recorded measure."""
    side = goal.side(latest.prosthetic_sides)
    recorded = next((one for one in latest.recorded if one.measure == goal.measure), None)
    measured = value_of_goal(latest, goal)
    if recorded is not None:
        value, unit, reason = recorded.value, recorded.unit, recorded.note if recorded.value is None else ""
        low, high = recorded_interval(recorded)
        if value is not None and low is None:
            meets = verdict_of_goal(value, value, goal) == "reached"
            reason = f"the value {'lies' if meets else 'does not lie'} in the target, but {ERROR_NOT_KNOWN}"
    elif measured is not None:
        value, unit, reason = measured.value, measured.unit, measured.reason
        low, high = (None if one is None or not np.isfinite(one) else one for one in (measured.low, measured.high))
        reason = reason or ("there is no interval" if low is None or high is None else "")
    else:
        return GoalState(goal, side, None, None, None, "cannot tell", NO_VALUE)
    if unit != goal.unit:
        return GoalState(goal, side, value, None, None, "cannot tell", f"other unit ({goal.unit}, then {unit})")
    return GoalState(goal, side, value, low, high, verdict_of_goal(low, high, goal), reason)


def value_of_goal(report: VisitReport, goal: Goal) -> MetricValue | None:
    """Return a visit's value of a metric that a goal is about; None where there is none, or the measure is recorded."""
    side = goal.side(report.prosthetic_sides)
    values = [value for value in report.metrics if value.metric == goal.measure and side in ("", value.side)]
    return values[0] if values else None
