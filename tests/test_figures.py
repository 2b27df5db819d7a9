"""Figures: the numbers behind them, and what a reader needs to read them."""

from __future__ import annotations

import re
from copy import deepcopy

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.figure_style import BAND_COLOURS, LINE_COLOURS, svg_text
from pipeline.figures import LimbCurves, LimitStrip, curve_figure, limit_figure
from pipeline.metrics.reading import mean_and_spread


def limb(label: str = "prosthetic (right)", line: str = "solid", level: float = 0.0, n: int = 4) -> LimbCurves:
    shape = 30 * np.sin(np.linspace(0, np.pi, 101))
    return LimbCurves(label, line, np.array([shape + level + i for i in range(n)]))  # type: ignore[arg-type]


def strip(direction: str = "above") -> LimitStrip:
    return LimitStrip(
        "Hip vaulting height, sound (left)",
        "% leg length",
        2.9,
        2.1,
        3.7,
        ((1.5, direction),),  # type: ignore[arg-type]
        (2.2, 2.9, 3.6),
    )


def texts(svg: str) -> list[str]:
    return re.findall(r"<text[^>]*>([^<]*)</text>", svg)


def test_mean_and_spread_are_those_worked_by_hand():
    # 1, 2, 6: mean 3; squares 4 + 1 + 9 = 14; 14 / 2 = 7; sqrt 7. Standard deviation with n - 1.
    mean, spread = mean_and_spread(np.repeat([[1.0], [2.0], [6.0]], 101, axis=1))
    assert mean == pytest.approx(3.0)
    assert spread == pytest.approx(np.sqrt(7.0))


def test_points_that_fewer_than_two_strides_show_have_no_mean():
    values = np.array([[1.0, np.nan, np.nan], [3.0, 5.0, np.nan]])
    mean, spread = mean_and_spread(values)
    assert mean[0] == 2.0
    assert np.isnan(mean[1:]).all() and np.isnan(spread[1:]).all()


def test_no_stride_gives_an_empty_curve_and_no_warning():
    mean, _ = mean_and_spread(np.empty((0, 101)))
    assert np.isnan(mean).all()


@given(st.integers(2, 6), st.integers(0, 10_000))
def test_mean_and_spread_agree_with_numpy_where_nothing_is_missing(n_strides, seed):
    values = np.random.default_rng(seed).normal(size=(n_strides, 101))
    mean, spread = mean_and_spread(values)
    np.testing.assert_allclose(mean, values.mean(axis=0), atol=1e-12)
    np.testing.assert_allclose(spread, values.std(axis=0, ddof=1), atol=1e-12)


def test_global_settings_of_matplotlib_are_left_as_they_were_and_change_nothing():
    plain = svg_text(curve_figure([limb()], title="Knee flexion", axis_label="Knee flexion [deg]"))
    with matplotlib.rc_context({"font.size": 31.0, "lines.linewidth": 9.0, "svg.fonttype": "path"}):
        before = deepcopy(dict(matplotlib.rcParams))
        odd = svg_text(curve_figure([limb()], title="Knee flexion", axis_label="Knee flexion [deg]"))
        svg_text(limit_figure([strip()]))
        assert dict(matplotlib.rcParams) == before
    assert odd == plain


def test_the_same_input_gives_the_same_bytes_with_words_as_text_and_without_a_date():
    def draw() -> str:
        return svg_text(
            curve_figure(
                [limb(), limb("sound (left)", "dashed", 5)],
                title="Knee flexion",
                axis_label="Knee flexion [deg]",
                phase_pct=(10, 50),
            )
        )

    svg = draw()
    assert svg == draw()
    assert "Knee flexion [deg]" in texts(svg)
    assert "<dc:date>" not in svg


def test_both_axes_of_a_curve_have_a_unit_and_each_limb_is_named_at_its_line():
    svg = svg_text(
        curve_figure([limb(), limb("sound (left)", "dashed", 5)], title="Knee flexion", axis_label="Knee flexion [deg]")
    )
    words = texts(svg)
    assert {
        "Stride, contact to contact [%]",
        "Knee flexion [deg]",
        "prosthetic (right)",
        "sound (left)",
    } <= set(words)


def test_every_strip_has_its_unit_on_its_axis():
    axes = limit_figure([strip(), strip("below")]).axes
    assert [one.get_xlabel() for one in axes] == ["Hip vaulting height, sound (left) [% leg length]"] * 2


def test_limbs_differ_in_line_style_and_the_dashed_band_has_an_edge():
    axes = curve_figure([limb(), limb("sound (left)", "dashed", 5)], title="t", axis_label="a [deg]").axes[0]
    thick = [line for line in axes.lines if line.get_linewidth() > 2]
    assert [line.is_dashed() for line in thick] == [False, True]
    assert len([line for line in axes.lines if line.get_linewidth() < 1]) == 2


@pytest.mark.parametrize("colour", [*LINE_COLOURS.values()])
def test_lines_and_labels_reach_the_contrast_of_text_on_white(colour):
    # 4.5 : 1 is the AA level for text of WCAG 2.2, criterion 1.4.3 (formula from memory).
    assert contrast(colour, "#ffffff") >= 4.5


@pytest.mark.parametrize("line", ["solid", "dashed"])
def test_a_line_stands_out_from_its_own_band(line):
    # 3 : 1 for graphical objects, WCAG 2.2, success criterion 1.4.11 (from memory).
    assert contrast(LINE_COLOURS[line], BAND_COLOURS[line]) >= 3.0


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours by the WCAG formula."""

    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_labels_of_curves_that_end_together_do_not_overlap():
    axes = curve_figure([limb(), limb("sound (left)", "dashed", 0)], title="t", axis_label="a [deg]").axes[0]
    low, high = axes.get_ylim()
    places = sorted(
        text.get_position()[1] for text in axes.texts if text.get_text() in ("prosthetic (right)", "sound (left)")
    )
    assert places[1] - places[0] > 0.3 * (high - low)


@pytest.mark.parametrize(("direction", "expected"), [("above", (1.5, 4.25)), ("below", (0.95, 1.5))])
def test_the_hatched_side_is_the_side_that_counts_as_outside(direction, expected):
    # Numbers from 1.5 to 3.7, a quarter of 2.2 as room on each side: 0.95 to 4.25.
    box = limit_figure([strip(direction)]).axes[0].patches[0].get_extents()
    axes = limit_figure([strip(direction)]).axes[0]
    left, right = axes.transData.inverted().transform([[box.x0, 0], [box.x1, 0]])[:, 0]
    assert (left, right) == pytest.approx(expected)


def test_a_value_with_a_limit_on_either_side_has_both_on_one_strip():
    one = LimitStrip("Foot rotation", "deg", 4.0, -1.0, 9.0, ((5.0, "above"), (-5.0, "below")))
    (axes,) = limit_figure([one]).axes
    assert [text.get_text() for text in axes.texts] == ["outside", "outside"]
    assert len(axes.patches) == 2


def test_a_limb_without_two_strides_is_left_out():
    figure = curve_figure([limb(), limb("sound (left)", "dashed", n=1)], title="t", axis_label="a [deg]")
    assert "sound (left)" not in [text.get_text() for text in figure.axes[0].texts]


def test_nothing_to_draw_is_refused():
    with pytest.raises(ValueError, match="Knee flexion: no limb has a curve to draw"):
        curve_figure([limb(n=1)], title="Knee flexion", axis_label="a [deg]")
    with pytest.raises(ValueError, match="at least one value"):
        limit_figure([])
