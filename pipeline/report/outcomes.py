"""A person's recorded measures and targets across the visits: rows of words, their figures, and rows of a table."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.figure_style import svg_text
from pipeline.figures_track import TrackPoint, track_figure
from pipeline.goals import Goal, PersonGoals
from pipeline.judgement import Recorded, VisitReport
from pipeline.language import localised, say, say_saved
from pipeline.metrics import CATALOGUE
from pipeline.outcomes import (
    NO_VALUE,
    GoalState,
    RecordedChange,
    goal_states,
    recorded_changes,
    recorded_interval,
    value_of_goal,
)
from pipeline.report.drawings import Picture
from pipeline.report.layout import Source
from pipeline.report.recorded import BETTER_WORDS, recorded_number, recorded_words, source_of
from pipeline.report.words import interval_words, limb_words, unit_words, with_unit
from pipeline.tracking import Track


@dataclass(frozen=True, slots=True)
class OutcomeRow:
    """One recorded measure across the visits in words, with its figure where there are two values.

    `change` also says what is detectable by which source, and why the change cannot be judged.
    """

    title: str
    better: str
    before: str
    after: str
    change: str
    verdict: str
    figure: Picture | None


@dataclass(frozen=True, slots=True)
class GoalRow:
    """One target in words: the latest value against it. The figure of a recorded measure stands in its own row."""

    title: str
    target: str
    value: str
    verdict: str
    reason: str
    figure: Picture | None


def outcome_rows(track: Track, goals: PersonGoals, sources: Mapping[str, Source]) -> tuple[OutcomeRow, ...]:
    """Return one row a measure that was recorded at one of the visits."""
    return tuple(_outcome_row(one, track, goals, sources) for one in recorded_changes(track.visits, track.baseline))


def goal_rows(track: Track, goals: PersonGoals) -> tuple[GoalRow, ...]:
    """Return one row a target, in the order of the clinic's file."""
    return tuple(_goal_row(state, track) for state in goal_states(track.visits, goals.goals))


def target_words(goal: Goal) -> str:
    """What is to be reached, e.g. `at most 12 s`."""
    least, most = goal.at_least, goal.at_most
    if least is not None and most is not None:
        ends = _interval(least, most, goal)
        return ends if goal.unit == "1" else f"{ends} {say(goal.unit)}"
    if least is not None:
        return say("at least {least}", least=_with_unit(least, goal))
    return "" if most is None else say("at most {most}", most=_with_unit(most, goal))


def target_of(goals: PersonGoals, metric: str, side: str, report: VisitReport) -> tuple[float | None, float | None]:
    """Return both ends of the target of a measure of a limb, for its figure; None where there is none."""
    for goal in goals.goals:
        if goal.measure == metric and goal.side(report.prosthetic_sides) in ("", side):
            return goal.at_least, goal.at_most
    return None, None


def change_cells(track: Track, goals: PersonGoals) -> Iterator[dict[str, Any]]:
    """Give the rows of the table of changes that no metric has: recorded measures, and targets without any value."""
    left = target_cells(track, goals)
    first = next(report for report in track.visits if report.visit == track.baseline)
    visits: dict[str, str] = {}
    for name, report in (("baseline", first), ("latest", track.visits[-1])):
        visits |= {name: report.visit, f"{name}_date": report.visit_date.isoformat()}
    for one in recorded_changes(track.visits, track.baseline):
        cells: dict[str, Any] = {"metric": one.latest.measure, "side": "", "unit": one.latest.unit}
        for name, value in (("before", one.before), ("after", one.after)):
            ends = recorded_interval(value) if value else (None, None)
            cells |= {name: value.value if value else None, f"{name}_low": ends[0], f"{name}_high": ends[1]}
        yield {
            **cells,
            **visits,
            "change": one.change,
            "detectable": one.detectable,
            "verdict": one.verdict,
            "reasons": "; ".join(one.reasons),
        }
        left.pop((one.latest.measure, ""), None)
    for change in track.changes:
        left.pop((change.metric, change.side), None)
    for metric, side in left:
        unit = next(goal.unit for goal in goals.goals if goal.measure == metric)
        cells = {"metric": metric, "side": side, "unit": unit, "verdict": "cannot say", "reasons": NO_VALUE}
        yield cells | visits


def target_cells(track: Track, goals: PersonGoals) -> dict[tuple[str, str], dict[str, Any]]:
    """Return the cells of the targets in the table of changes, by measure and side."""
    cells = {}
    for state in goal_states(track.visits, goals.goals):
        found = value_of_goal(track.visits[-1], state.goal)
        goal = state.goal
        key = (goal.measure, state.side if found is None else found.side)
        cells[key] = {"at_least": goal.at_least, "at_most": goal.at_most, "target": state.verdict}
    return cells


def _outcome_row(one: RecordedChange, track: Track, goals: PersonGoals, sources: Mapping[str, Source]) -> OutcomeRow:
    """One recorded measure in words."""
    latest = one.latest
    change = ""
    if one.change is not None:
        change = ("+" if one.change > 0 else "") + recorded_words(one.change, latest.unit)
    if one.change is not None and one.detectable is not None:
        detectable = f"{recorded_words(one.detectable, latest.unit)} ({source_of(latest, sources)})"
        change = say("{change}; detectable {detectable}", change=change, detectable=detectable)
    return OutcomeRow(
        title=say(latest.title),
        better=say(BETTER_WORDS[latest.better]),
        before=_value(one.before),
        after=_value(one.after),
        change="; ".join(part for part in (change, *(say_saved(reason) for reason in one.reasons)) if part),
        verdict=one.verdict,
        figure=_recorded_figure(one, track, goals),
    )


def _value(one: Recorded | None) -> str:
    """A recorded value in words; a stroke where there is none."""
    return "-" if one is None or one.value is None else recorded_words(one.value, one.unit)


def _recorded_figure(one: RecordedChange, track: Track, goals: PersonGoals) -> Picture | None:
    """A recorded measure over the visits that have the unit of the latest; None where they are fewer than two."""
    name, latest = one.latest.measure, one.latest
    points = []
    for report, value in zip(track.visits, one.values, strict=True):
        kept = value if value is not None and value.unit == latest.unit else None
        ends = recorded_interval(kept) if kept else (None, None)
        points.append(TrackPoint(_label(report), kept.value if kept else None, *ends))
    chance = None
    if one.before is not None and one.before.value is not None and one.detectable is not None:
        chance = (one.before.value - one.detectable, one.before.value + one.detectable)
    if sum(point.value is not None for point in points) < 2:
        return None
    target = target_of(goals, name, "", track.visits[-1])
    return _picture(f"{name}-recorded.svg", points, say(latest.title), say(latest.unit), chance, target)


def _goal_row(state: GoalState, track: Track) -> GoalRow:
    """One target in words."""
    goal, sides = state.goal, track.visits[-1].prosthetic_sides
    title = say(goal.title) if not goal.limb else f"{say(goal.title)}, {limb_words(goal.limb, sides)}"
    reason = say_saved(state.reason)
    if not reason and state.verdict == "cannot tell":
        reason = say("the 95 % interval reaches over an end of the target")
    value = "" if state.value is None else _with_unit(state.value, goal)
    if state.value is not None and state.low is not None and state.high is not None:
        value = f"{value} ({_interval(state.low, state.high, goal)})"
    figure = None
    if goal.measure in CATALOGUE:
        points = [_measured_point(report, goal) for report in track.visits]
        name = f"{goal.measure}-{goal.limb or 'both'}-target.svg"
        figure = _picture(name, points, title, unit_words(goal.unit), None, (goal.at_least, goal.at_most))
    return GoalRow(title, target_words(goal), value, state.verdict, reason, figure)


def _with_unit(value: float, goal: Goal) -> str:
    """A number of a target with its unit, as its measure is written elsewhere."""
    return with_unit(value, goal.unit) if goal.measure in CATALOGUE else recorded_words(value, goal.unit)


def _interval(low: float, high: float, goal: Goal) -> str:
    """An interval without its unit; that of a recorded value follows from its detectable change, two decimals do."""
    if goal.measure in CATALOGUE:
        return interval_words(low, high, goal.unit)
    return say("{low} to {high}", low=recorded_number(round(low, 2)), high=recorded_number(round(high, 2)))


def _measured_point(report: VisitReport, goal: Goal) -> TrackPoint:
    """A visit's value of a metric that a target is about."""
    found = value_of_goal(report, goal)
    if found is None:
        return TrackPoint(_label(report), None, None, None)
    low, high = (None if one is None or not math.isfinite(one) else one for one in (found.low, found.high))
    return TrackPoint(_label(report), found.value, low, high)


def _label(report: VisitReport) -> str:
    """A visit below a figure."""
    return f"{report.visit}\n{report.visit_date.isoformat()}"


def _picture(
    name: str,
    points: Sequence[TrackPoint],
    title: str,
    unit: str,
    chance: tuple[float, float] | None,
    target: tuple[float | None, float | None],
) -> Picture | None:
    """A figure over the visits; None where no visit has a value."""
    seen = [(point.label.splitlines()[0], point.value) for point in points if point.value is not None]
    if not seen:
        return None
    figure = track_figure(points, title=title, axis_label=f"[{unit}]", chance=chance, target=target)
    values = "; ".join(f"{visit} {localised(f'{value:.4g}')}" for visit, value in seen)
    alt = say("Values over the visits. {title}: {values}.", title=title, values=values)
    return Picture(name, svg_text(figure), title, "", alt)
