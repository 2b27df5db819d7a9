"""Figures for a notebook: the pictures of the pages, in a new figure or in axes of the caller's."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pipeline.agreement_sizes import bland_altman
from pipeline.errors import ConfigError
from pipeline.figure_style import PageFigure, svg_text
from pipeline.plots import plot_curve, plot_differences, plot_fault, plot_visits
from pipeline.report import build_visit, save_parts
from pipeline.tracking import track
from pipeline.tracking_rules import load_tracking_rules
from tests import report_fixture as fixture
from tests.test_tracking import visit

AGREEMENT = bland_altman(np.array([1.0, 2.0, 4.0]), np.array([1.5, 2.0, 3.0]))
TRACK = track([visit("01", *fixture.report().metrics), visit("02", *fixture.report().metrics)], load_tracking_rules())
PLOTS: dict[str, Callable[[Axes | None], Figure]] = {
    "curve": lambda axes: plot_curve(fixture.report(), fixture.strides(), axes=axes),
    "fault": lambda axes: plot_fault(fixture.report(), "vaulting", axes=axes),
    "visits": lambda axes: plot_visits(TRACK, "vaulting", axes=axes),
    "differences": lambda axes: plot_differences(
        AGREEMENT, title="Vault", unit="deg", first="tool", second="AB", axes=axes
    ),
}


@pytest.mark.parametrize("name", PLOTS)
def test_a_plot_gives_a_figure_that_a_notebook_shows(name: str) -> None:
    figure = PLOTS[name](None)
    assert isinstance(figure, PageFigure)
    assert figure._repr_svg_() == svg_text(PLOTS[name](None))


@pytest.mark.parametrize("name", PLOTS)
def test_a_plot_draws_into_axes_that_it_is_given(name: str) -> None:
    figure = Figure()
    canvas, (left, right) = figure.canvas, figure.subplots(1, 2)
    settings = dict(matplotlib.rcParams)
    assert PLOTS[name](right) is figure
    assert figure.canvas is canvas and dict(matplotlib.rcParams) == settings
    assert not left.lines and not left.child_axes
    assert right.lines or right.child_axes


def test_axes_inside_a_part_of_a_figure_belong_to_the_whole_figure() -> None:
    figure = Figure()
    part = figure.subfigures(1, 2)[0]
    assert PLOTS["curve"](part.subplots()) is figure


def test_axes_without_a_figure_are_refused() -> None:
    figure = Figure()
    axes = figure.subplots()
    axes.remove()
    with pytest.raises(ValueError, match="belong to no figure"):
        PLOTS["curve"](axes)


def test_the_pictures_are_those_of_the_pages(tmp_path: Path) -> None:
    save_parts(tmp_path, fixture.report(), fixture.strides())
    build_visit(tmp_path, fixture.limits())
    saved = (tmp_path / "figures" / "vaulting-limits.svg").read_text(encoding="utf-8")
    assert svg_text(plot_fault(fixture.report(), "vaulting")) == saved


def test_what_is_not_there_is_named_with_what_is() -> None:
    with pytest.raises(ConfigError, match=r"^curve: found 'knee'; expected one of: .*knee_flexion_deg"):
        plot_curve(fixture.report(), fixture.strides(), "knee")
    with pytest.raises(ConfigError, match=r"^fault: found 'vault'; expected one of: .*vaulting"):
        plot_fault(fixture.report(), "vault")
    with pytest.raises(ConfigError, match=r"^fault: found 'vault'; expected one of: .*vaulting"):
        plot_visits(TRACK, "vault")


def test_what_was_not_measured_says_why() -> None:
    with pytest.raises(ValueError, match=f"Terminal impact: there is no value to draw, because {fixture.TOO_SLOW}"):
        plot_fault(fixture.report(), "terminal_impact")
    with pytest.raises(ValueError, match="no visit has a value"):
        plot_visits(TRACK, "terminal_impact")
