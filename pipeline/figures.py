"""Tables in, matplotlib figures out; nothing is saved here.

Limbs are told apart by line style and by a label at the line, so that a figure survives a grey printer
and any colour vision. Figures are drawn with this module's own settings: matplotlib's global settings are
neither used nor changed, so the same input gives the same picture in a notebook and in a report.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import matplotlib
import matplotlib.style
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from pipeline.language import localised, say
from pipeline.metrics.reading import mean_and_spread, usable_strides
from pipeline.model import FloatArray

INK = "#1d2329"
QUIET = "#59636e"
PHASE_SHADE = "#ece7da"
# Dark enough for text contrast on white, unlike each other in lightness as well as in hue.
LINE_COLOURS = {"solid": "#12395b", "dashed": "#8a4b08"}
BAND_COLOURS = {"solid": "#b9cbdc", "dashed": "#ecd3b4"}
# A page is read at about 600 px and at 350 px on a telephone: 11 pt stays legible in both. [pt]
TEXT_SIZE = 11.0
SMALL_TEXT_SIZE = 10.0
# The box of a curve's axes in its figure: left, bottom, width and height. [of the figure]
CURVE_AXES = (0.125, 0.175, 0.655, 0.705)
STYLE = {
    "font.family": ["DejaVu Sans"],
    "font.size": TEXT_SIZE,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "hatch.linewidth": 0.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "strideledger",
}


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


@contextmanager
def _own_style() -> Iterator[None]:
    """Draw with this module's settings and leave the global ones as they were."""
    with matplotlib.style.context(["default", STYLE]):
        yield


def curve_figure(
    limbs: Sequence[LimbCurves],
    *,
    title: str,
    axis_label: str,
    phase_pct: tuple[float, float] | None = None,
    context: Sequence[ContextMark] = (),
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

    Raises
    ------
    ValueError
        No limb has anything to draw.
    """
    drawn = [(limb, *mean_and_spread(limb.values[usable_strides(limb.values)])) for limb in limbs]
    drawn = [entry for entry in drawn if np.isfinite(entry[1]).any()]
    if not drawn:
        raise ValueError(f"{title}: no limb has a curve to draw")
    with _own_style():
        figure = Figure(figsize=(5.8, 3.1))
        axes = figure.add_axes(CURVE_AXES)
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


def limit_figure(strips: Sequence[LimitStrip]) -> Figure:
    """Return one strip a value: the value with its 95 % interval against its limits, outside hatched.

    Parameters
    ----------
    strips : sequence of LimitStrip
        From top to bottom; each has an axis of its own, since units differ.

    Raises
    ------
    ValueError
        No strip was given.
    """
    if not strips:
        raise ValueError("a limit figure needs at least one value")
    with _own_style():
        figure = Figure(figsize=(5.8, 1.15 * len(strips)))
        for index, strip in enumerate(strips):
            bottom = (len(strips) - 1 - index) / len(strips)
            axes = figure.add_axes((0.03, bottom + 0.46 / len(strips), 0.94, 0.28 / len(strips)))
            _draw_strip(axes, strip)
            fit_words(figure, axes.xaxis.label)
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


def fit_words(figure: Figure, *texts: Text) -> None:
    """Make words smaller that would leave the figure, as those of another language may."""
    renderer, (width, height) = FigureCanvasAgg(figure).get_renderer(), figure.bbox.size  # type: ignore[no-untyped-call]
    for text in texts:
        box = text.get_window_extent(renderer)
        room = width - box.x0 if text.get_horizontalalignment() == "left" else width
        text.set_fontsize(float(text.get_fontsize()) * min(1.0, 0.96 * room / box.width, 0.96 * height / box.height))


def tick_text(value: float, _: float = 0.0) -> str:
    """A number at an axis, as the language writes it."""
    return localised(f"{value:g}".replace("-", "\N{MINUS SIGN}"))


def font_files() -> tuple[Path, ...]:
    """Return the fonts that the words of the figures are written in; they come with matplotlib."""
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    return (folder / "DejaVuSans.ttf", folder / "DejaVuSans-Bold.ttf")


def svg_text(figure: Figure) -> str:
    """Return the figure as SVG, its words as text, without a date: the same figure gives the same text."""
    target = io.StringIO()
    with _own_style():
        figure.savefig(target, format="svg", metadata={"Date": None, "Creator": "strideledger"})
    return target.getvalue()
