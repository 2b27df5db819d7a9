"""The figure of one quantity over the stride at two visits, laid over each other, one panel a limb."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from pipeline.figure_style import (
    INK,
    PHASE_SHADE,
    QUIET,
    SMALL_TEXT_SIZE,
    TEXT_SIZE,
    fit_words,
    own_style,
    tick_text,
)
from pipeline.language import say
from pipeline.metrics.reading import mean_and_spread
from pipeline.model import FloatArray

PERCENT = np.arange(101.0)
# The later visit is drawn solid over its shaded spread, the earlier one dashed with its spread between dotted lines.
LATER_BAND = "#d3d0c8"
# Where the first panel begins, and between two. [of the figure]
LEFT, GAP = 0.125, 0.065
DASHES = (0, (5, 2.5))
DOTS = (0, (1, 2))


@dataclass(frozen=True, slots=True)
class Panel:
    """One limb at both visits: what is written above it, and the strides, (n_strides, 101) each; may be empty."""

    title: str
    earlier: FloatArray
    later: FloatArray


def overlay_figure(
    panels: Sequence[Panel],
    *,
    title: str,
    axis_label: str,
    visits: tuple[str, str],
    phase_pct: tuple[float, float] | None = None,
) -> Figure:
    """Return a quantity over the stride at two visits: mean lines over their spread, one panel a limb.

    Parameters
    ----------
    panels : sequence of Panel
        From left to right; they share their vertical axis.
    title : str
        Name of the quantity.
    axis_label : str
        Label of the vertical axis, with the unit in square brackets.
    visits : pair of str
        What the key calls the earlier and the later visit.
    phase_pct : pair of float, optional
        Start and end of the stretch to look at. [% of stride]

    Raises
    ------
    ValueError
        No limb has a curve at either visit.
    """
    curves = [(mean_and_spread(panel.earlier), mean_and_spread(panel.later)) for panel in panels]
    edges = [mean + sign * spread for pair in curves for mean, spread in pair for sign in (-1.0, 1.0)]
    seen = np.concatenate(edges)[np.isfinite(np.concatenate(edges))] if edges else np.empty(0)
    if not len(seen):
        raise ValueError(f"{title}: no limb has a curve to draw")
    room = 0.08 * float(np.ptp(seen)) or 1.0
    with own_style():
        figure = Figure(figsize=(5.8, 3.4))
        width = (0.965 + GAP - LEFT) / len(panels)
        for number, (panel, (earlier, later)) in enumerate(zip(panels, curves, strict=True)):
            axes = figure.add_axes((LEFT + number * width, 0.285, width - GAP, 0.535))
            if phase_pct is not None:
                axes.axvspan(*phase_pct, color=PHASE_SHADE, linewidth=0, zorder=0)
            _draw(axes, earlier, later)
            axes.set_xlim(0.0, 100.0)
            axes.set_ylim(float(seen.min()) - room, float(seen.max()) + room)
            axes.set_xticks([0, 25, 50, 75, 100])
            axes.tick_params(labelsize=SMALL_TEXT_SIZE)
            axes.yaxis.set_major_formatter(tick_text)
            head = axes.set_title(panel.title, loc="left", fontsize=SMALL_TEXT_SIZE, color=INK)
            if number:
                axes.tick_params(labelleft=False)
            else:
                axes.set_ylabel(axis_label)
                fit_words(figure, axes.yaxis.label)
            fit_words(figure, head)
        name = figure.text(LEFT, 0.955, title, fontsize=TEXT_SIZE, fontweight="bold", color=INK, va="center")
        below = figure.text(0.55, 0.155, say("Stride, contact to contact [%]"), ha="center", color=INK)
        fit_words(figure, name, below)
        samples = [
            Line2D([], [], color=QUIET, linewidth=2.2, linestyle=DASHES),
            Line2D([], [], color=INK, linewidth=2.2),
        ]
        key = figure.legend(samples, visits, loc="lower center", ncol=2, frameon=False, handlelength=3.2)
        key.set_bbox_to_anchor((0.55, -0.01))
        for text in key.get_texts():
            text.set(fontsize=SMALL_TEXT_SIZE, color=INK)
    return figure


def _draw(axes: Axes, earlier: tuple[FloatArray, FloatArray], later: tuple[FloatArray, FloatArray]) -> None:
    """Draw both visits of one limb."""
    mean, spread = later
    if np.isfinite(mean).any():
        axes.fill_between(PERCENT, mean - spread, mean + spread, color=LATER_BAND, linewidth=0, zorder=1)
        axes.plot(PERCENT, mean, color=INK, linewidth=2.2, zorder=4)
    mean, spread = earlier
    if np.isfinite(mean).any():
        for edge in (mean - spread, mean + spread):
            axes.plot(PERCENT, edge, color=QUIET, linewidth=0.9, linestyle=DOTS, zorder=2)
        axes.plot(PERCENT, mean, color=QUIET, linewidth=2.2, linestyle=DASHES, zorder=3)
