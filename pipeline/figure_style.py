"""What all figures share: colours, sizes, matplotlib settings of their own, and how a figure becomes text.

Figures are drawn with these settings: matplotlib's global ones are neither used nor changed, so the same input gives
the same picture in a notebook and in a report.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import matplotlib
import matplotlib.style
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from pipeline.language import localised

INK = "#1d2329"
QUIET = "#59636e"
PHASE_SHADE = "#ece7da"
# Dark enough for text contrast on white, unlike each other in lightness as well as in hue.
LINE_COLOURS = {"solid": "#12395b", "dashed": "#8a4b08"}
BAND_COLOURS = {"solid": "#b9cbdc", "dashed": "#ecd3b4"}
# A page is read at about 600 px and at 350 px on a telephone: 11 pt stays legible in both. [pt]
TEXT_SIZE = 11.0
SMALL_TEXT_SIZE = 10.0
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
    # A clinic's own titles are text: a price in dollars is no formula.
    "text.parse_math": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "strideledger",
}


@contextmanager
def own_style() -> Iterator[None]:
    """Draw with the settings of this module and leave the global ones as they were."""
    with matplotlib.style.context(["default", STYLE]):
        yield


class PageFigure(Figure):
    """A figure that a notebook shows as the pages do, whatever backend is set."""

    def _repr_svg_(self) -> str:
        return svg_text(self)


def drawing_place(
    axes: Axes | None, size: tuple[float, float], box: tuple[float, float, float, float]
) -> tuple[Figure, Axes]:
    """Return the figure and the axes to draw into.

    Parameters
    ----------
    axes : Axes or None
        Those of the caller, or None for a new figure.
    size : pair of float
        Width and height of a new figure. [inch]
    box : tuple of float
        Left, bottom, width and height of its axes. [of the figure]
    """
    if axes is None:
        figure = PageFigure(figsize=size)
        return figure, figure.add_axes(box)
    return figure_of(axes), axes


def figure_of(axes: Axes) -> Figure:
    """Return the whole figure that axes belong to; ValueError where they belong to none."""
    found = axes.get_figure(root=True)
    if found is None:
        raise ValueError("these axes belong to no figure: take some from `plt.subplots()` or `Figure().subplots()`")
    return found


def fit_words(figure: Figure, *texts: Text) -> None:
    """Make words smaller that would leave the figure, as those of another language may."""
    # A canvas of its own takes the place of the one that a caller's figure may be shown in.
    canvas = figure.canvas
    renderer, (width, height) = FigureCanvasAgg(figure).get_renderer(), figure.bbox.size  # type: ignore[no-untyped-call]
    figure.set_canvas(canvas)
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
    with own_style():
        figure.savefig(target, format="svg", metadata={"Date": None, "Creator": "strideledger"})
    return target.getvalue()
