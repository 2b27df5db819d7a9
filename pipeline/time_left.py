"""How long a run still takes, from the frames that remain and the pace so far."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

# What a piece of work is: a clip whose pictures are looked at, one whose landmarks an earlier run left, one that came
# as a landmark file, or the report of a visit.
Kind = Literal["pictures", "measures", "landmark file", "report"]
CHEAP: tuple[Kind, ...] = ("measures", "landmark file")
NOT_KNOWN = "time left not known yet"


@dataclass(frozen=True, slots=True)
class Work:
    """A clip or a report to be made. `amount` is its frames; 1 for a report, and for a landmark file."""

    kind: Kind
    amount: float = 1.0


@dataclass(frozen=True, slots=True)
class Pile:
    """Pieces of work of one kind together: how many, their amount, and the seconds that they took. [s]"""

    pieces: int = 0
    amount: float = 0.0
    seconds: float = 0.0

    def plus(self, work: Work, seconds: float = 0.0) -> Pile:
        """With one more piece."""
        return Pile(self.pieces + 1, self.amount + work.amount, self.seconds + seconds)

    def minus(self, work: Work) -> Pile:
        """Without one of its pieces."""
        return Pile(self.pieces - 1, max(0.0, self.amount - work.amount), self.seconds)


def seconds_left(
    ended: Mapping[Kind, Pile],
    waiting: Mapping[Kind, Pile],
    at_work: Iterable[tuple[Work, float, float]],
    workers: int,
) -> float | None:
    """Estimate how long the rest of a run takes. [s]

    Parameters
    ----------
    ended : mapping of kind to Pile
        What was measured in this run. What was taken over whole, or failed, is not in it: its time tells nothing.
    waiting : mapping of kind to Pile
        What has not begun.
    at_work : iterable of (Work, float, float)
        Each piece at work: its seconds so far [s], and the share of its frames that were looked at. [1]
    workers : int
        Processes at the same time. [1]

    Returns
    -------
    float or None
        None while nothing has ended from which it could be told.

    Notes
    -----
    Own choice. Seconds a frame are all seconds of the ended clips over all of their frames, by kind: a mean over the
    whole run, so that one odd clip moves it by its share only and the estimate does not jump. A clip at work has left
    what it should take less what it took, or the share of its frames that is left where that is more; a clip that is
    slower than foreseen so comes down to nothing, never below. The sum is spread over the workers, and is no less
    than the longest clip at work needs. Clips that are unchanged cost nothing and are in none of the piles. Clips that
    cost little count, while none of their kind has ended, as the mean clip whose pictures were looked at; reports
    count nothing until one was made.
    """
    piles = {kind: pile for kind, pile in ended.items() if pile.pieces and pile.amount > 0}
    total_s, longest_s, pieces = 0.0, 0.0, 0
    for kind, pile in waiting.items():
        if pile.pieces <= 0:
            continue
        expected_s = _expected_s(piles, kind, pile.amount, pile.pieces)
        if expected_s is None:
            return None
        total_s += expected_s
        pieces += pile.pieces
    for work, so_far_s, share in at_work:
        expected_s = _expected_s(piles, work.kind, work.amount, 1)
        if expected_s is None:
            return None
        left_s = max(0.0, expected_s - so_far_s, expected_s * (1.0 - share) if share > 0 else 0.0)
        total_s += left_s
        longest_s = max(longest_s, left_s)
        pieces += 1
    return max(total_s / max(1, min(workers, pieces)), longest_s)


def _expected_s(ended: Mapping[Kind, Pile], kind: Kind, amount: float, pieces: int) -> float | None:
    """What some work should take by what has ended; None where nothing tells. [s]"""
    own = ended.get(kind)
    if own is not None:
        return own.seconds * amount / own.amount
    if kind == "report":
        return 0.0
    full = ended.get("pictures")
    if kind in CHEAP and full is not None:
        return full.seconds / full.pieces * pieces
    return None


def in_words(seconds: float | None) -> str:
    """The time left as a person reads it: rounded up, to the minute, and from an hour on to five."""
    if seconds is None:
        return NOT_KNOWN
    if seconds < 60:
        return "less than a minute left"
    minutes = math.ceil(seconds / 60)
    if minutes < 60:
        return f"about {minutes} min left"
    hours, minutes = divmod(math.ceil(minutes / 5) * 5, 60)
    if hours < 24:
        return f"about {hours} h {minutes:02d} min left"
    days, hours = divmod(hours + (minutes > 0), 24)
    return f"about {days} d {hours} h left"
