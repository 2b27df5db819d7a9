"""Tables in, matplotlib figures out; nothing is saved here.

Limbs are told apart by line style and by a label at the line, so that a figure survives a grey printer
and any colour vision. Each figure is a new one, or is drawn into axes of the caller's; labels at the lines then need
room on the right of them.
"""

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
    LINE_COLOURS,
    PHASE_SHADE,
    QUIET,
    SMALL_TEXT_SIZE,
    TEXT_SIZE,
    PageFigure,
    drawing_place,
    figure_of,
    fit_words,
    own_style,
    tick_text,
)
from pipeline.language import say
from pipeline.metrics.reading import mean_and_spread, usable_strides
from pipeline.model import FloatArray

# The box of a curve's axes in its figure: left, bottom, width and height. [of the figure]
CURVE_AXES = (0.125, 0.175, 0.655, 0.705)


@dataclass(frozen=True, slots=True)
class LimbCurves:
    """The strides of one limb in one quantity.

    Attributes
    ----------
    label : str
        What is written at the line.
    line : {"solid", "dashed"}
        Line style: solid for the prosthetic limb, dashed for the sound one.
    values : (n_strides, 101)
        The quantity at 0, 1, ... 100 % of each stride; NaN where it was not seen.
    """

    label: str
    line: Literal["solid", "dashed"]
    values: FloatArray


@dataclass(frozen=True, slots=True)
class ContextMark:
    """A published value beside a curve: its letter, where it stands [% of stride], mean and standard deviation."""

    letter: str
    at_pct: float
    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class LimitStrip:
    """One value against its limits.

    Attributes
    ----------
    title : str
        Metric and limb.
    unit : str
        Unit of every number here, as written on the axis.
    value, low, high : float
        Median over strides and its 95 % interval.
    limits : tuple of (float, {"above", "below"})
        Each limit, and on which side of it a value counts as outside.
    stride_values : (n_strides,)
        One value a stride; may be empty.
    """

    title: str
    unit: str
    value: float
    low: float
    high: float
    limits: tuple[tuple[float, Literal["above", "below"]], ...]
    stride_values: tuple[float, ...] = ()


def curve_figure(
    limbs: Sequence[LimbCurves],
    *,
    title: str,
    axis_label: str,
    phase_pct: tuple[float, float] | None = None,
    context: Sequence[ContextMark] = (),
    axes: Axes | None = None,
) -> Figure:
    """Return the curves of both limbs over the stride: mean line, spread band, phase shaded.

    Parameters
    ----------
    limbs : sequence of LimbCurves
        At most two; a limb without two usable strides is left out (the caption has to say so).
    title : str
        Name of the quantity.
    axis_label : str
        Label of the vertical axis, with the unit in square brackets.
    phase_pct : pair of float, optional
        Start and end of the stretch to look at. [% of stride]
    context : sequence of ContextMark
        Published values, drawn beside the curves.
    axes : Axes, optional
        Where to draw; by default in a new figure.

    Raises
    ------
    ValueError
        No limb has anything to draw.
    """
    drawn = [(limb, *mean_and_spread(limb.values[usable_strides(limb.values)])) for limb in limbs]
    drawn = [entry for entry in drawn if np.isfinite(entry[1]).any()]
    if not drawn:
        raise ValueError(f"{title}: no limb has a curve to draw")
    with own_style():
        figure, axes = drawing_place(axes, (5.8, 3.1), CURVE_AXES)
        if phase_pct is not None:
            _shade_phase(axes, phase_pct)
        for limb, mean, spread in drawn:
            _draw_limb(axes, limb, mean, spread)
        axes.set_xlim(0.0, 100.0)
        axes.margins(y=0.08)
        axes.autoscale_view(scalex=False)
        axes.set_xticks([0, 20, 40, 60, 80, 100])
        axes.set_xlabel(say("Stride, contact to contact [%]"))
        axes.yaxis.set_major_formatter(tick_text)
        axes.set_ylabel(axis_label)
        axes.set_title(title, loc="left", fontsize=TEXT_SIZE, fontweight="bold", color=INK)
        for mark in context:
            _draw_context(axes, mark)
        _label_lines(axes, [(limb, mean) for limb, mean, _ in drawn])
        fit_words(figure, axes.yaxis.label, *axes.texts)
    return figure


def _draw_limb(axes: Axes, limb: LimbCurves, mean: FloatArray, spread: FloatArray) -> None:
    """Draw one limb's mean over its spread; the dashed limb's band has an edge so that it shows in grey."""
    percent, colour = np.arange(101.0), LINE_COLOURS[limb.line]
    band = axes.fill_between(percent, mean - spread, mean + spread, alpha=0.55, zorder=1, linewidth=0)
    band.set_facecolor(BAND_COLOURS[limb.line])
    if limb.line == "dashed":
        for edge in (mean - spread, mean + spread):
            axes.plot(percent, edge, color=colour, linewidth=0.7, linestyle=(0, (1, 2)), zorder=2)
    style = "-" if limb.line == "solid" else (0, (5, 2.5))
    axes.plot(percent, mean, color=colour, linewidth=2.2, linestyle=style, zorder=3)


def _draw_context(axes: Axes, mark: ContextMark) -> None:
    """Draw a published mean with one standard deviation to each side, and its letter above."""
    axes.errorbar(mark.at_pct, mark.mean, yerr=mark.sd, fmt="D", markersize=4, color=QUIET, capsize=4, linewidth=1.2)
    axes.annotate(
        mark.letter,
        (mark.at_pct, mark.mean + mark.sd),
        xytext=(0, 2),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=SMALL_TEXT_SIZE,
        color=QUIET,
    )


def _shade_phase(axes: Axes, phase_pct: tuple[float, float]) -> None:
    """Shade the stretch to look at and say so in words."""
    axes.axvspan(*phase_pct, color=PHASE_SHADE, linewidth=0, zorder=0)
    place, below_edge = float(np.clip(np.mean(phase_pct), 12.0, 88.0)), axes.get_xaxis_transform()
    words = axes.text(place, 0.985, say("look here"), transform=below_edge, ha="center", va="top")
    words.set(fontsize=SMALL_TEXT_SIZE, color=QUIET)


def _label_lines(axes: Axes, lines: Sequence[tuple[LimbCurves, FloatArray]]) -> None:
    """Write each limb's label right of its last point, moved apart where the ends meet."""
    low, high = axes.get_ylim()
    ends = [float(mean[np.isfinite(mean)][-1]) for _, mean in lines]
    gap = 0.34 * (high - low)
    order = np.argsort(ends)
    places = np.array(ends)
    if len(ends) == 2 and places[order[1]] - places[order[0]] < gap:
        middle = float(np.clip(places.mean(), low + 0.85 * gap, high - 0.6 * gap))
        places[order[0]], places[order[1]] = middle - gap / 2, middle + gap / 2
    for (limb, _), end, place in zip(lines, ends, places, strict=True):
        colour = LINE_COLOURS[limb.line]
        axes.annotate(
            limb.label,
            xy=(100.0, end),
            xytext=(105.0, float(place)),
            va="center",
            fontsize=SMALL_TEXT_SIZE,
            color=colour,
            annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.8, "shrinkA": 1, "shrinkB": 0},
        )


def limit_figure(strips: Sequence[LimitStrip], *, axes: Axes | None = None) -> Figure:
    """Return one strip a value: the value with its 95 % interval against its limits, outside hatched.

    Parameters
    ----------
    strips : sequence of LimitStrip
        From top to bottom; each has an axis of its own, since units differ.
    axes : Axes, optional
        Where to draw, strips one below the other; by default in a new figure.

    Raises
    ------
    ValueError
        No strip was given.
    """
    if not strips:
        raise ValueError("a limit figure needs at least one value")
    with own_style():
        height = 1.0 / len(strips)
        boxes = [(0.03, (index + 0.46) * height, 0.94, 0.28 * height) for index in reversed(range(len(strips)))]
        if axes is None:
            figure: Figure = PageFigure(figsize=(5.8, 1.15 * len(strips)))
            places = [figure.add_axes(box) for box in boxes]
        else:
            figure, places = figure_of(axes), [axes.inset_axes(box) for box in boxes]
            axes.set_axis_off()
        for place, strip in zip(places, strips, strict=True):
            _draw_strip(place, strip)
            fit_words(figure, place.xaxis.label)
    return figure


def _draw_strip(axes: Axes, strip: LimitStrip) -> None:
    """Draw one value, its interval, its strides and the sides of its limits that count as outside."""
    numbers = [
        strip.value,
        strip.low,
        strip.high,
        *strip.stride_values,
        *(limit for limit, _ in strip.limits),
    ]
    finite = [number for number in numbers if np.isfinite(number)]
    low, high = min(finite), max(finite)
    room = 0.25 * (high - low) or 1.0
    low, high = low - room, high + room
    for limit, direction in strip.limits:
        outside = (limit, high) if direction == "above" else (low, limit)
        axes.axvspan(*outside, facecolor="#f4f1ea", edgecolor="#b9b2a2", hatch="////", linewidth=0, zorder=0)
        axes.axvline(limit, color=INK, linewidth=1.4, zorder=2)
        centre = sum(outside) / 2
        axes.text(centre, 1.08, say("outside"), ha="center", va="bottom", fontsize=SMALL_TEXT_SIZE, color=QUIET)
    axes.vlines(strip.stride_values, 0.1, 0.42, color=QUIET, linewidth=1.1, zorder=2)
    axes.plot([strip.low, strip.high], [0.65, 0.65], color=INK, linewidth=2.4, zorder=3)
    axes.plot([strip.value], [0.65], marker="o", markersize=8, color=INK, markeredgecolor="white", zorder=4)
    axes.set_xlim(low, high)
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(f"{strip.title} [{strip.unit}]", fontsize=SMALL_TEXT_SIZE)
    axes.tick_params(labelsize=SMALL_TEXT_SIZE)
    axes.xaxis.set_major_formatter(tick_text)
