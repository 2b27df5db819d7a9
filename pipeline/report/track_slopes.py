"""The slopes of three and more visits in words: rows for the page and the screen, and how far to trust them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.language import say, say_count, say_saved
from pipeline.model import Side
from pipeline.report.words import interval_words, limb_words, metric_title, with_unit
from pipeline.slopes import Slope
from pipeline.tracking import Track


@dataclass(frozen=True, slots=True)
class SlopeRow:
    """One slope in words: measure and limb, change in 30 days with interval, visits, and what to mind."""

    measure: str
    change: str
    interval: str
    visits: str
    is_clear: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SlopesView:
    """Slopes of what the faults are decided by, and of all other measures; `caution` says how far to trust them."""

    of_faults: tuple[SlopeRow, ...]
    others: tuple[SlopeRow, ...]
    caution: str


def slopes_view(track: Track) -> SlopesView | None:
    """Return the slopes of a person in words, clear ones first; None with fewer than three visits to go through."""
    names = [report.visit for report in track.visits]
    if len(names) - names.index(track.baseline) < 3:
        return None
    sides = track.visits[-1].prosthetic_sides
    keys = {(fault.change.metric, fault.change.side) for fault in track.faults if fault.change is not None}
    ordered = sorted(track.slopes, key=lambda slope: not slope.is_clear)
    return SlopesView(
        of_faults=tuple(_row(slope, sides) for slope in ordered if (slope.metric, slope.side) in keys),
        others=tuple(_row(slope, sides) for slope in ordered if (slope.metric, slope.side) not in keys),
        caution=_caution(track),
    )


def _row(slope: Slope, sides: Sequence[Side]) -> SlopeRow:
    """One slope in words."""
    line = slope.line
    sign = "+" if line.per_30_days > 0 else ""
    notes = [say("left out: {reason}", reason=say_saved(reason)) for reason in slope.left_out]
    if not line.is_straight:
        notes.insert(0, say("the values lie further off the line than their intervals explain: no steady change"))
    return SlopeRow(
        measure=f"{metric_title(slope.metric)}, {limb_words(slope.side, sides)}",
        change=f"{sign}{with_unit(line.per_30_days, slope.unit)}",
        interval=interval_words(line.low, line.high, slope.unit),
        visits=str(slope.n_visits),
        is_clear=slope.is_clear,
        notes=tuple(notes),
    )


def _caution(track: Track) -> str:
    """How many slopes were looked at, how many differ from none, and what a line does not tell."""
    if not track.slopes:
        return say("No measure can be compared between the latest and two or more earlier visits.")
    clear = sum(slope.is_clear for slope in track.slopes)
    counted = say_count("{n} slope was looked at", "{n} slopes were looked at", len(track.slopes))
    return say(
        "{counted}; the 95 % intervals of {clear} lie wholly above or below zero, and about {chance} would by chance "
        "alone if nothing changed. A fitting changes in steps, not along a line: read the values of each visit first.",
        counted=counted,
        clear=clear,
        chance=f"{track.slopes_by_chance:.1f}",
    )
