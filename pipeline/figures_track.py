"""The figure of one measure across a person's visits: values, intervals, limits, and what chance alone explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pipeline.figure_style import (
    BAND_COLOURS,
    INK,
    QUIET,
    SMALL_TEXT_SIZE,
    TEXT_SIZE,
    drawing_place,
    fit_words,
    own_style,
    tick_text,
)
from pipeline.language import say


@dataclass(frozen=True, slots=True)
class TrackPoint:
    """One visit: its label, and the value with its 95 % interval; None where there is no value."""

    label: str
    value: float | None
    low: float | None
    high: float | None


def track_figure(
    points: Sequence[TrackPoint],
    *,
    title: str,
    axis_label: str,
    limits: Sequence[tuple[float, Literal["above", "below"]]] = (),
    chance: tuple[float, float] | None = None,
    target: tuple[float | None, float | None] = (None, None),
    axes: Axes | None = None,
) -> Figure:
    """Return one measure over the visits, one place a visit.

    Parameters
    ----------
    points : sequence of TrackPoint
        In the order of the visits.
    title : str
        Measure and limb.
    axis_label : str
        Label of the vertical axis, with the unit in square brackets.
    limits : sequence of (float, {"above", "below"})
        Each limit, and on which side of it a value counts as outside; that side is hatched.
    chance : pair of float, optional
        Between these a value of the latest visit is no clear change from the baseline.
    target : pair of (float or None)
        Lower and upper end of what is to be reached, each a dashed line; None where there is none.
    axes : Axes, optional
        Where to draw; by default in a new figure.

    Raises
    ------
    ValueError
        No visit has a value.
    """
    known = [
        number for point in points for number in (point.value, point.low, point.high)
        if number is not None and np.isfinite(number)
    ]  # fmt: skip
    if not known:
        raise ValueError(f"{title}: no visit has a value")
    ends = []
    if target[0] is not None:
        ends.append((target[0], say("target: at least {number}", number=tick_text(target[0]))))
    if target[1] is not None:
        ends.append((target[1], say("target: at most {number}", number=tick_text(target[1]))))
    shown = [*known, *(limit for limit, _ in limits), *(chance or ()), *(end for end, _ in ends)]
    room = 0.12 * (max(shown) - min(shown)) or 1.0
    low, high = min(shown) - room, max(shown) + room
    with own_style():
        figure, axes = drawing_place(axes, (5.8, 2.9), (0.125, 0.2, 0.845, 0.67))
        if chance is not None:
            axes.axhspan(*chance, color=BAND_COLOURS["solid"], alpha=0.5, linewidth=0, zorder=0)
        for limit, direction in limits:
            outside = (limit, high) if direction == "above" else (low, limit)
            axes.axhspan(*outside, facecolor="none", edgecolor="#b9b2a2", hatch="////", linewidth=0, zorder=1)
            axes.axhline(limit, color=INK, linewidth=1.4, zorder=2)
            words = axes.text(0.995, sum(outside) / 2, say("outside"), transform=axes.get_yaxis_transform())
            words.set(ha="right", va="center", fontsize=SMALL_TEXT_SIZE, color=QUIET)
        for end, word in ends:
            axes.axhline(end, color=INK, linewidth=1.2, linestyle=(0, (5, 3)), zorder=2)
            words = axes.text(0.005, end, word, transform=axes.get_yaxis_transform())
            words.set(ha="left", va="bottom", fontsize=SMALL_TEXT_SIZE, color=INK)
        seen = [(place, point.value) for place, point in enumerate(points) if point.value is not None]
        axes.plot([place for place, _ in seen], [value for _, value in seen], color=QUIET, linewidth=1.0, zorder=3)
        for place, point in enumerate(points):
            if point.value is not None:
                if point.low is not None and point.high is not None:
                    axes.plot([place, place], [point.low, point.high], color=INK, linewidth=2.4, zorder=4)
                axes.plot(
                    [place], [point.value], marker="o", markersize=8, color=INK, markeredgecolor="white", zorder=5
                )
        axes.set_xlim(-0.5, len(points) - 0.5)
        axes.set_ylim(low, high)
        axes.set_xticks(range(len(points)), [point.label for point in points], fontsize=SMALL_TEXT_SIZE)
        axes.yaxis.set_major_formatter(tick_text)
        axes.set_ylabel(axis_label)
        head = axes.set_title(title, loc="left", fontsize=TEXT_SIZE, fontweight="bold", color=INK)
        fit_words(figure, axes.yaxis.label, head)
    return figure
