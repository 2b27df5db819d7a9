"""The figure of two raters' sizes: their difference over their mean, with bias and limits of agreement.

Its words are English, as are the tables that it belongs to: it stands on no page of a visit.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pipeline.agreement import Estimate
from pipeline.agreement_sizes import BlandAltman
from pipeline.figure_style import (
    BAND_COLOURS,
    INK,
    LINE_COLOURS,
    QUIET,
    SMALL_TEXT_SIZE,
    TEXT_SIZE,
    drawing_place,
    fit_words,
    own_style,
    tick_text,
)

# The box of the axes: room on the right for the words of three lines. [of the figure]
AXES = (0.17, 0.165, 0.57, 0.72)


def bland_altman_figure(
    agreement: BlandAltman, *, title: str, unit: str, first: str, second: str, axes: Axes | None = None
) -> Figure:
    """Return the differences over the means, with bias, limits of agreement and their 95 % intervals as bands.

    Parameters
    ----------
    agreement : BlandAltman
    title : str
        What was sized.
    unit : str
        Unit of the sizes.
    first, second : str
        Names of the raters; differences are first less second.
    axes : Axes, optional
        Where to draw, with room on the right for words; by default in a new figure.

    Raises
    ------
    ValueError
        There are fewer than two pairs: nothing can be said of their spread.
    """
    lines = ((agreement.upper, "dashed"), (agreement.bias, "solid"), (agreement.lower, "dashed"))
    values = [line.value for line, _ in lines]
    if agreement.sd is None or None in values:
        raise ValueError(f"{title}: {agreement.bias.note}")
    with own_style():
        figure, axes = drawing_place(axes, (5.8, 3.6), AXES)
        for line, style in lines:
            _draw_line(axes, line, style)
        axes.axhline(0.0, color=QUIET, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)
        axes.plot(
            agreement.means, agreement.differences, "o", color=INK, markersize=5, markerfacecolor="white", zorder=4
        )
        axes.margins(x=0.08, y=0.1)
        axes.set_xlabel(f"Mean of both [{unit}]")
        axes.set_ylabel(f"{first} \N{MINUS SIGN} {second} [{unit}]")
        axes.set_title(title, loc="left", fontsize=TEXT_SIZE, fontweight="bold", color=INK)
        axes.xaxis.set_major_formatter(tick_text)
        axes.yaxis.set_major_formatter(tick_text)
        names = ("upper limit", "bias", "lower limit")
        fit_words(figure, axes.xaxis.label, axes.yaxis.label)
        _write_names(axes, [float(value or 0.0) for value in values], names)
    return figure


def _draw_line(axes: Axes, line: Estimate, style: str) -> None:
    """Draw one line over the band of its interval; a dashed line's band has an edge, which shows in grey."""
    if line.value is None:
        return
    if line.low is not None and line.high is not None:
        axes.axhspan(line.low, line.high, facecolor=BAND_COLOURS[style], alpha=0.55, linewidth=0, zorder=0)
        if style == "dashed":
            for edge in (line.low, line.high):
                axes.axhline(edge, color=LINE_COLOURS[style], linewidth=0.7, linestyle=(0, (1, 2)), zorder=2)
    dash = "-" if style == "solid" else (0, (5, 2.5))
    axes.axhline(line.value, color=LINE_COLOURS[style], linewidth=2.0, linestyle=dash, zorder=3)


def _write_names(axes: Axes, values: list[float], names: tuple[str, ...]) -> None:
    """Write name and value right of each line, from top to bottom, moved apart where lines meet."""
    low, high = axes.get_ylim()
    gap = 0.17 * (high - low)
    places = list(values)
    places[0] = max(places[0], places[1] + gap)
    places[2] = min(places[2], places[1] - gap)
    digits = max(0, 1 - int(np.floor(np.log10(max(high - low, 1e-9) / 10))))
    for name, value, place in zip(names, values, places, strict=True):
        number = f"{value:.{digits}f}".replace("-", "\N{MINUS SIGN}")
        axes.annotate(
            f"{name}\n{number}",
            xy=(1.0, value),
            xytext=(1.03, place),
            xycoords=("axes fraction", "data"),
            textcoords=("axes fraction", "data"),
            va="center",
            fontsize=SMALL_TEXT_SIZE,
            color=INK,
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": QUIET, "linewidth": 0.8, "shrinkA": 1, "shrinkB": 0},
        )
