"""The visits of a person along time: how far apart, and what was changed before each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.judgement import VisitReport
from pipeline.language import say, say_count
from pipeline.report.page import VISIT_PAGE
from pipeline.tracking import Track

# With fewer visits there is nothing to see in a scale of dates. [visits]
MIN_STOPS_TO_SCALE = 3
# Names nearer to each other than this would touch on a telephone; the later one goes into the next lane. [of the line]
LANE_ROOM = 0.16


@dataclass(frozen=True, slots=True)
class Stop:
    """One visit on the line.

    `share` is where it stands from the first visit (0) to the latest (1); `lane` keeps names apart that would touch,
    0 nearest the line. `later` tells the days since the visit before, `role` whether it is the baseline or the latest.
    """

    visit: str
    date: str
    page: str
    changes: str
    later: str
    role: str
    share: float
    lane: int


@dataclass(frozen=True, slots=True)
class TimeLine:
    """All visits by date. `to_scale` tells whether the scale is worth drawing, `n_lanes` how many lanes it needs."""

    stops: tuple[Stop, ...]
    to_scale: bool
    n_lanes: int


def line_of_visits(track: Track) -> TimeLine:
    """Return the visits of a person along time."""
    reports = track.visits
    days = [report.visit_date.toordinal() for report in reports]
    length = days[-1] - days[0]
    shares = [(day - days[0]) / length if length else 0.0 for day in days]
    lanes = _lanes(shares)
    roles = {track.baseline: say("baseline"), reports[-1].visit: say("latest")}
    stops = tuple(
        Stop(
            visit=report.visit,
            date=report.visit_date.isoformat(),
            page=f"ses-{report.visit}/{VISIT_PAGE}",
            changes=report.changes,
            later=_later(reports, number),
            role=roles.get(report.visit, ""),
            share=round(shares[number], 4),
            lane=lanes[number],
        )
        for number, report in enumerate(reports)
    )
    return TimeLine(stops, len(stops) >= MIN_STOPS_TO_SCALE and length > 0, max(lanes) + 1)


def _later(reports: Sequence[VisitReport], number: int) -> str:
    """How many days after the visit before it; empty for the first."""
    if not number:
        return ""
    days = (reports[number].visit_date - reports[number - 1].visit_date).days
    return say_count("{n} day later", "{n} days later", days)


def _lanes(shares: Sequence[float]) -> list[int]:
    """The lowest lane of each name in which it does not touch the one before."""
    ends: list[float] = []
    lanes = []
    for share in shares:
        lane = next((lane for lane, end in enumerate(ends) if share - end >= LANE_ROOM), len(ends))
        ends[lane : lane + 1] = [share]
        lanes.append(lane)
    return lanes
