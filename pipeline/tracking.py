"""Change across the visits of one person: how large, more than chance or not, better or worse, comparable or not.

A change is called only when it exceeds the smallest detectable one. With half widths h of the two visits' 95 %
intervals this is sqrt(h1^2 + h2^2); for two equally sure visits it is 1.96 sqrt(2) SEM, the smallest detectable change
of the literature (Weir 2005; Bland and Altman 1999; both from memory), where SEM holds stride spread and the metric's
own error. An own error that is the same at both visits cancels in truth: the value is an upper bound.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np

from pipeline.comparability import SPEEDS, Visit, why_not_comparable
from pipeline.judgement import Verdict, VisitReport, leading_finding, verdict_in_force
from pipeline.model import MetricValue, anatomical_side
from pipeline.plain_text import natural_key
from pipeline.shown import Shown
from pipeline.slopes import MIN_VISITS, Slope, straight_line
from pipeline.tracking_rules import TrackingRules

ChangeVerdict = Literal["better", "worse", "changed", "no clear change", "cannot say"]
# Why two visits cannot be compared, by their names, the views behind the values, and whether the metric is a speed.
Objections = dict[tuple[str, str, tuple[tuple[str, ...], tuple[str, ...]], bool], list[str]]
# Of judged changes, and of slopes, so many are called by chance alone where nothing changes.
BY_CHANCE = 0.05


@dataclass(frozen=True, slots=True)
class Point:
    """One metric of one limb at one visit. Without a value `reason` tells why; `views` are those of its strides."""

    visit: str
    visit_date: date
    value: float | None
    low: float | None
    high: float | None
    n_strides: int
    reason: str
    views: tuple[str, ...]

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval; infinite where there is none."""
        if self.low is None or self.high is None:
            return float("inf")
        return (self.high - self.low) / 2


@dataclass(frozen=True, slots=True)
class Change:
    """One metric of one limb from an earlier visit to a later one.

    Attributes
    ----------
    change, detectable : float or None
        Later minus earlier value, and the smallest change that is more than chance; None without both values.
    verdict : str
        `changed` where a change is clear but neither direction is better, or the value went past its target.
    reasons : tuple of str
        Why it cannot be said.
    """

    metric: str
    side: str
    unit: str
    before: Point
    after: Point
    change: float | None
    detectable: float | None
    verdict: ChangeVerdict
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FaultTrack:
    """One fault across the visits: verdict at each, None where it was not looked for, and the change of its size.

    `by` has the initials of who overruled the verdict of a visit, empty where it is the pipeline's own.
    """

    name: str
    title: str
    verdicts: tuple[Verdict | None, ...]
    change: Change | None
    by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Track(Shown):
    """All visits of one person, in the order of their dates.

    `changes` compare the baseline with the latest visit; `slopes` go through three and more visits, from the
    baseline on.
    """

    subject: str
    visits: tuple[VisitReport, ...]
    baseline: str
    faults: tuple[FaultTrack, ...]
    changes: tuple[Change, ...]
    slopes: tuple[Slope, ...]

    @property
    def n_judged(self) -> int:
        """How many changes could be judged."""
        return sum(change.verdict != "cannot say" for change in self.changes)

    @property
    def by_chance(self) -> float:
        """How many of the changes that could be judged would be called by chance alone, if nothing had changed."""
        return BY_CHANCE * self.n_judged

    @property
    def slopes_by_chance(self) -> float:
        """How many of the slopes would differ from zero by chance alone, if nothing changed."""
        return BY_CHANCE * len(self.slopes)


def track(visits: Sequence[Visit], rules: TrackingRules, *, baseline: str | None = None) -> Track:
    """Return the changes of one person.

    Parameters
    ----------
    visits : sequence of Visit
        Two or more of the same subject, in any order.
    rules : TrackingRules
    baseline : str, optional
        Visit that the latest one is compared with; by default the first.

    Raises
    ------
    ValueError
        Fewer than two visits, more than one subject, or a baseline that is none of them or the latest.
    """
    ordered = in_order(visits)
    subjects = {visit.report.subject for visit in ordered}
    names = [visit.report.visit for visit in ordered]
    if len(ordered) < 2 or len(subjects) != 1:
        raise ValueError(f"{len(ordered)} visits of {len(subjects)} subjects; expected two or more of one subject")
    if baseline is not None and baseline not in names[:-1]:
        raise ValueError(f"baseline {baseline!r} is no visit before the latest one; there are {', '.join(names[:-1])}")
    since = ordered[names.index(baseline) if baseline else 0 :]
    first, last = since[0], since[-1]
    keys = dict.fromkeys((value.metric, value.side) for visit in (first, last) for value in visit.report.metrics)
    changes = {key: compare(first, last, *key, rules) for key in keys}
    known: Objections = {}
    slopes = [slope for key in keys if (slope := _slope(since, *key, rules, known)) is not None]
    return Track(
        subject=last.report.subject,
        visits=tuple(visit.report for visit in ordered),
        baseline=first.report.visit,
        faults=_faults(ordered, changes),
        changes=tuple(changes.values()),
        slopes=tuple(slopes),
    )


def in_order(visits: Sequence[Visit]) -> list[Visit]:
    """Return visits by their dates, those of one day by their names, 9 before 10."""
    return sorted(visits, key=lambda visit: (visit.report.visit_date, natural_key(visit.report.visit)))


def compare(before: Visit, after: Visit, metric: str, side: str, rules: TrackingRules) -> Change:
    """Return how one metric of one limb changed from one visit to another."""
    points = [_point(visit, metric, side) for visit in (before, after)]
    unit = next(value.unit for visit in (after, before) for value in _values(visit, metric, side))
    reasons = [
        f"visit {point.visit}: {point.reason}" for point in points if point.value is None or point.half_width == np.inf
    ]
    reasons += why_not_comparable(before, after, (points[0].views, points[1].views), metric, rules)
    first, last = points
    if first.value is None or last.value is None:
        return Change(metric, side, unit, first, last, None, None, "cannot say", tuple(reasons))
    change, detectable = last.value - first.value, float(np.hypot(first.half_width, last.half_width))
    verdict: ChangeVerdict = "cannot say"
    if not reasons:
        on_prosthetic = side in after.report.prosthetic_sides
        verdict = verdict_of_change(first.value, last.value, detectable, metric, rules, on_prosthetic=on_prosthetic)
    finite = detectable if np.isfinite(detectable) else None
    return Change(metric, side, unit, first, last, change, finite, verdict, tuple(reasons))


def verdict_of_change(
    before: float, after: float, detectable: float, metric: str, rules: TrackingRules, *, on_prosthetic: bool = False
) -> ChangeVerdict:
    """Return what a change means.

    Parameters
    ----------
    before, after, detectable : float
        The two values and the smallest detectable change, in the metric's unit.
    on_prosthetic : bool
        Whether they are of a prosthetic limb.

    Notes
    -----
    Nothing can be said where one of the three is no finite number. Where nearer to a target is better, a value that
    went past its target has changed for the better or the worse only as far as it is nearer or further.
    """
    if not np.isfinite([before, after, detectable]).all():
        return "cannot say"
    change = after - before
    if abs(change) <= detectable:
        return "no clear change"
    target = rules.better.toward.get(metric)
    gain = 0.0
    if target is not None:
        gain = abs(before - target) - abs(after - target)
    elif metric in rules.better.less or (on_prosthetic and metric in rules.better.less_on_prosthetic):
        gain = -change
    elif metric in rules.better.more:
        gain = change
    if abs(gain) <= detectable:
        return "changed"
    return "better" if gain > 0 else "worse"


def _values(visit: Visit, metric: str, side: str) -> list[MetricValue]:
    """The value of a metric of a limb at a visit, as a list of one or none."""
    return [value for value in visit.report.metrics if (value.metric, value.side) == (metric, side)]


def _point(visit: Visit, metric: str, side: str) -> Point:
    """A metric of a limb at a visit, with its views; what is no finite number is none."""
    report = visit.report
    for value in _values(visit, metric, side):
        table = visit.strides.table
        views = table.loc[table["stride_id"].isin(value.stride_ids), "view"]
        number, low, high = (
            one if one is not None and np.isfinite(one) else None for one in (value.value, value.low, value.high)
        )
        reason = "its value is no finite number" if number != value.value else "there is no interval"
        return Point(
            report.visit, report.visit_date, number, low, high, value.n_strides,
            value.reason or reason, tuple(sorted(set(views))),
        )  # fmt: skip
    return Point(report.visit, report.visit_date, None, None, None, 0, "it was not measured", ())


def _slope(visits: Sequence[Visit], metric: str, side: str, rules: TrackingRules, known: Objections) -> Slope | None:
    """The line through a metric's values up to the latest visit; None with fewer than three that can be compared.

    Each earlier visit joins where it can be compared with all that have joined, the nearest first. `known` holds what
    was found of pairs of visits, which is the same for many metrics.
    """
    joined: list[tuple[Visit, Point]] = []
    left_out: list[str] = []
    for visit in reversed(visits):
        point = _point(visit, metric, side)
        reasons = [] if point.value is not None and np.isfinite(point.half_width) else [point.reason]
        for other, later in joined if not reasons else ():
            views = (point.views, later.views)
            pair = (point.visit, later.visit, views, metric in SPEEDS)
            if pair not in known:
                known[pair] = why_not_comparable(visit, other, views, metric, rules)
            reasons = reasons or known[pair]
        if reasons and not joined:
            return None
        if reasons:
            left_out.insert(0, f"visit {point.visit}: {'; '.join(reasons)}")
        else:
            joined.insert(0, (visit, point))
    if len(joined) < MIN_VISITS:
        return None
    points = [point for _, point in joined]
    line = straight_line(
        [float(point.visit_date.toordinal()) for point in points],
        [float(point.value) for point in points if point.value is not None],
        [point.half_width for point in points],
    )
    if line is None:
        return None
    unit = _values(joined[-1][0], metric, side)[0].unit
    return Slope(metric, side, unit, tuple(point.visit for point in points), tuple(left_out), line)


def _faults(visits: Sequence[Visit], changes: Mapping[tuple[str, str], Change]) -> tuple[FaultTrack, ...]:
    """Every fault with its verdicts, and the change of what decided it when it was last seen, else at the end."""
    names = dict.fromkeys(fault.name for visit in visits for fault in visit.report.faults)
    tracks = []
    for name in names:
        found = [next((one for one in visit.report.faults if one.name == name), None) for visit in visits]
        known = [fault for fault in found if fault is not None]
        seen = [fault for fault in known if verdict_in_force(fault) in ("present", "borderline")]
        finding = leading_finding((seen or known)[-1])
        change = None
        if finding is not None:
            sides = (finding.side, anatomical_side(finding.side, visits[-1].report.prosthetic_sides))
            change = next((changes[key] for side in sides if (key := (finding.metric, str(side))) in changes), None)
        verdicts = tuple(verdict_in_force(fault) if fault else None for fault in found)
        by = tuple(fault.person.by if fault and fault.person else "" for fault in found)
        tracks.append(FaultTrack(name, known[-1].title, verdicts, change, by))
    return tuple(tracks)
