"""The straight line through a measure's values at three and more visits: how fast it changes, and how surely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

# 95 % of a normal distribution lies within so many standard deviations.
TWO_SIDED_95 = 1.96
# A slope is told for so many days: a fitting is followed over months.
SLOPE_DAYS = 30.0
# Fewer visits always lie on a line, or hold none. [visits]
MIN_VISITS = 3
# Share of straight courses whose values lie further off their line than this by chance.
OFF_THE_LINE = 0.05


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through values: change in 30 days with its 95 % interval, and whether the values lie on it."""

    per_30_days: float
    low: float
    high: float
    is_straight: bool


@dataclass(frozen=True, slots=True)
class Slope:
    """The line through one metric of one limb.

    Attributes
    ----------
    visits : tuple of str
        Three or more that can be compared with one another, by date; the last one is the person's latest.
    left_out : tuple of str
        Each other visit with the reason why it cannot be compared with these, or has no value.
    line : Line
        In the metric's unit.
    """

    metric: str
    side: str
    unit: str
    visits: tuple[str, ...]
    left_out: tuple[str, ...]
    line: Line

    @property
    def n_visits(self) -> int:
        """How many visits the line goes through."""
        return len(self.visits)

    @property
    def is_clear(self) -> bool:
        """Whether the interval leaves out no change at all."""
        return self.line.low > 0 or self.line.high < 0


def straight_line(days: Sequence[float], values: Sequence[float], half_widths: Sequence[float]) -> Line | None:
    """Return the line through values, each weighted by its interval; None where there is none.

    Parameters
    ----------
    days : sequence of float
        Day of each value, from any day on. [d]
    values, half_widths : sequence of float
        Values and halves of their 95 % intervals, in one unit.

    Notes
    -----
    Weighted least squares with the variances known: weights 1 / SD^2, and the slope has the variance 1 / sum of
    weights x (day - weighted mean day)^2. The sum of weighted squares about the line follows chi-square with n - 2
    degrees of freedom when the course is straight. Textbook formulae, from memory.
    """
    day, value, half = (np.asarray(numbers, dtype=float) for numbers in (days, values, half_widths))
    usable = np.isfinite(value).all() and np.isfinite(half).all() and bool((half > 0).all())
    if len(day) < MIN_VISITS or not usable or np.ptp(day) == 0:
        return None
    weights = (TWO_SIDED_95 / half) ** 2
    centred = day - np.average(day, weights=weights)
    spread = float(np.sum(weights * centred**2))
    slope = float(np.sum(weights * centred * value)) / spread
    error = TWO_SIDED_95 / np.sqrt(spread)
    off = value - np.average(value, weights=weights) - slope * centred
    is_straight = bool(chi2.sf(np.sum(weights * off**2), len(day) - 2) >= OFF_THE_LINE)
    low, high = SLOPE_DAYS * (slope - error), SLOPE_DAYS * (slope + error)
    return Line(SLOPE_DAYS * slope, float(low), float(high), is_straight)
