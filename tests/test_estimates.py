"""How strides become a value with an interval: the error of a median, the usual spread, views side by side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from pipeline.judgement import OwnError
from pipeline.metrics.estimates import LARGE_MEDIAN_OVER_MEAN, MEDIAN_OVER_MEAN, run_metrics, standard_error
from pipeline.metrics.registry import Family, PairSpec
from pipeline.model import FloatArray, MetricValue, StrideSet
from pipeline.strides import join
from pipeline.tables import STRIDES, empty_table

SIZES = Family("sizes")
FLAGS = ["use", "near", "leg_sure", "early_sure", "foot_sure"]


@SIZES.metric(title="Size", unit="deg", views=("anterior", "posterior"), needs=("size_deg",), source="definition")
def size(strides: StrideSet) -> FloatArray:
    """The first point of a curve."""
    return strides.curves["size_deg"][:, 0]


def strides_of(sizes: dict[str, list[float]]) -> StrideSet:
    """Strides of the left limb with given sizes, by view."""
    rows = [
        {
            "stride_id": f"{view}:left:1.{i}", "clip_id": view, "view": view, "side": "left", "near": False,
            "pass_number": 1, "start_s": float(i), "end_s": i + 1.1, "fps": 30.0, "use": True, "leg_sure": True,
            "early_sure": True, "foot_sure": True, "why_not": "",
        }
        for view, values in sizes.items() for i in range(len(values))
    ]  # fmt: skip
    table = pd.concat([empty_table(STRIDES), pd.DataFrame(rows)], ignore_index=True)
    table[FLAGS] = table[FLAGS].astype(bool)
    curve = np.repeat(np.concatenate([*sizes.values()])[:, None], 101, axis=1)
    return StrideSet(table, {"size_deg": curve})


def left(sizes: dict[str, list[float]], own: OwnError) -> MetricValue:
    """The left limb's value."""
    values = run_metrics(
        SIZES.specs, {}, strides_of(sizes), prosthetic_sides=(), min_strides=3, measurement_error={"size": own}
    )
    return next(value for value in values if value.side == "left")


@pytest.mark.parametrize("count", [3, 5, 7, 9])
def test_error_of_a_median_of_few_normal_values(count: int) -> None:
    """Worked out anew: the middle one of an odd count has a known density (textbook); its variance by integration."""
    half = (count - 1) // 2
    scale = 1.0 / (2 * integrate.quad(lambda x: _density(x, half), 0, 8)[0])
    variance = 2 * scale * integrate.quad(lambda x: x**2 * _density(x, half), 0, 8)[0]
    assert MEDIAN_OVER_MEAN[count] == pytest.approx(np.sqrt(variance * count), abs=0.002)


@pytest.mark.parametrize("count", [4, 6, 8, 10])
def test_error_of_a_median_of_an_even_count(count: int) -> None:
    """By a draw of 400,000: its own error is 0.2 %."""
    drawn = np.random.default_rng(count).standard_normal((400_000, count))
    assert MEDIAN_OVER_MEAN[count] == pytest.approx(np.median(drawn, axis=1).std() * np.sqrt(count), rel=0.006)


def _density(x: float, half: int) -> float:
    """The density of the middle one of 2 half + 1 values, up to a factor."""
    below = float(stats.norm.cdf(x))
    return float(stats.norm.pdf(x)) * (below * (1 - below)) ** half


def test_standard_error_by_hand() -> None:
    """9, 10, 11 spread by 1 with two degrees of freedom; the usual spread 2 counts as four: (4 x 4 + 2 x 1) / 6 = 3."""
    error, freedom = standard_error(np.array([9.0, 10.0, 11.0]), OwnError(stride_sd=2.0, stride_freedom=4.0))
    assert (error, freedom) == (pytest.approx(1.160 * np.sqrt(3.0 / 3)), 6.0)
    alone, freedom = standard_error(np.array([9.0, 10.0, 11.0]), OwnError())
    assert (alone, freedom) == (pytest.approx(1.160 / np.sqrt(3)), 2.0)
    many, _ = standard_error(np.tile([9.0, 11.0], 50), OwnError())
    assert many == pytest.approx(LARGE_MEDIAN_OVER_MEAN * np.sqrt(100 / 99) / 10)


def test_interval_by_hand() -> None:
    """Student's factor for six degrees of freedom is 2.447 (printed tables); the own error 0.5 adds 1.96 x 0.5."""
    value = left({"anterior": [9.0, 10.0, 11.0]}, OwnError(0.5, 2.0, 4.0))
    assert value.value == 10.0 and value.high is not None
    assert value.high - 10.0 == pytest.approx(np.hypot(2.447 * 1.160, 0.98), rel=1e-3)
    assert value.spread == pytest.approx(1.0), "the spread shown is that of the strides alone"


def test_the_interval_holds_the_true_value_in_95_percent_of_walks() -> None:
    """4,000 walks of four strides whose spread differs from walker to walker as the usual spread supposes."""
    rng = np.random.default_rng(11)
    own = OwnError(0.7, 2.0, 5.0)
    inside = 0
    for _ in range(4000):
        spread = own.stride_sd * np.sqrt(own.stride_freedom / rng.chisquare(own.stride_freedom))
        centre = rng.normal(0.0, own.sd)
        error, freedom = standard_error(values := centre + spread * rng.standard_normal(4), own)
        half = np.hypot(stats.t.ppf(0.975, freedom) * error, 1.96 * own.sd)
        inside += abs(np.median(values)) <= half
    assert inside / 4000 == pytest.approx(0.95, abs=0.015)


def test_a_prosthetic_limb_has_its_own_error() -> None:
    """By hand, strides without spread: 1.96 x 0.5 about a sound limb's value, 1.96 x 2 about a prosthetic one's."""
    own = {"size": OwnError(0.5, prosthetic_sd=2.0)}
    strides = strides_of({"anterior": [10.0] * 4})
    for sides, half in (((), 0.98), (("left",), 3.92), (("right",), 0.98), (("left", "right"), 3.92)):
        values = run_metrics(
            SIZES.specs, {}, strides, prosthetic_sides=sides, min_strides=3, measurement_error=own
        )  # fmt: skip
        value = next(one for one in values if one.side == "left")
        assert value.high == pytest.approx(10.0 + half), sides


def test_an_interval_reaches_as_far_as_the_bias_on_its_side_only() -> None:
    """By hand, no spread: 1.96 x 0.5 = 0.98 either way; read 3 too high, the true value may lie 3 lower."""
    own = {"size": OwnError(0.5, bias=3.0, prosthetic_sd=1.0, prosthetic_bias=-2.0)}
    strides = strides_of({"anterior": [10.0] * 4})
    for sides, low, high in (((), 10 - 0.98 - 3, 10 + 0.98), (("left",), 10 - 1.96, 10 + 1.96 + 2)):
        values = run_metrics(
            SIZES.specs, {}, strides, prosthetic_sides=sides, min_strides=3, measurement_error=own
        )  # fmt: skip
        value = next(one for one in values if one.side == "left")
        assert value.value == 10.0
        assert (value.low, value.high) == (pytest.approx(low), pytest.approx(high)), sides


def test_views_stand_side_by_side_and_the_value_counts_every_stride_once() -> None:
    """By hand: five strides about 10 from the front, three about 20 from behind: the median of all eight is 10.75."""
    sizes = {"anterior": [9.0, 9.5, 10.0, 10.5, 11.0], "posterior": [19.0, 20.0, 21.0]}
    value = left(sizes, OwnError(0.5, 1.0, 4.0))
    assert (value.value, value.n_strides) == (10.75, 8)
    front, back = value.by_view
    assert (front.view, front.value, front.n_strides, front.n_clips) == ("anterior", 10.0, 5, 1)
    assert (back.view, back.value, back.n_strides) == ("posterior", 20.0, 3)
    assert front.high < back.low
    assert left({"anterior": sizes["anterior"]}, OwnError(0.5)).by_view == ()


def test_a_view_with_too_few_strides_does_not_stand_beside_another() -> None:
    """One stride of 2 from the front overrules nothing: the median of nine is that of the eight from behind."""
    value = left({"anterior": [2.0], "posterior": [12.0] * 8}, OwnError(0.5, 1.0, 4.0))
    assert (value.value, value.n_strides, value.by_view) == (12.0, 9, ())


def test_a_comparison_stands_by_view_where_both_limbs_do() -> None:
    """By hand: 2 and 14 on the left, 2 and 2 on the right: 0 from the front, 12 from behind."""
    one, other = {"anterior": [2.0] * 4, "posterior": [14.0] * 6}, {"anterior": [2.0] * 4, "posterior": [2.0] * 4}
    both = join([strides_of(one), _on_the_right(strides_of(other))])
    pair = PairSpec(
        id="size_difference", title="Size", unit="deg", positive="first larger", metric="size", source="definition",
        compute=lambda first, second: first - second,
    )  # fmt: skip
    values = run_metrics(
        SIZES.specs, {"size_difference": pair}, both, prosthetic_sides=("left",), min_strides=3,
        measurement_error={"size_difference": OwnError(0.5)},
    )  # fmt: skip
    front, back = next(value for value in values if value.metric == "size_difference").by_view
    assert [(one.view, one.value, one.n_strides, one.n_clips) for one in (front, back)] == [
        ("anterior", 0.0, 4, 1), ("posterior", 12.0, 4, 1)
    ]  # fmt: skip
    assert back.high - back.value == pytest.approx(1.96 * 0.5)


def _on_the_right(strides: StrideSet) -> StrideSet:
    """The same strides, of the other limb."""
    return replace(strides, table=strides.table.assign(side="right"))


@pytest.mark.parametrize(
    ("sizes", "reason"),
    [
        ([1.0, np.nan, np.nan, np.nan], "it could be read in 1 of 4 whole strides with this limb"),
        ([np.nan] * 3, "it could be read in 0 of 3 whole strides with this limb"),
        ([1.0, np.nan], "only 1 whole strides with this limb were found"),
    ],
)
def test_strides_that_cannot_be_read_are_not_called_missing(sizes: list[float], reason: str) -> None:
    """Who is told that no strides were found films more of them, in vain."""
    value = left({"anterior": sizes}, OwnError(0.5))
    assert value.reason == f"{reason}; at least 3 are needed"


def test_a_measure_that_needs_no_leg_takes_strides_whose_leg_was_lost() -> None:
    """Two strides of three were left out, one because the leg was lost, one because it was too long."""
    family = Family("trunk")
    for name, needed in (("with_leg", True), ("without_leg", False)):

        def compute(strides: StrideSet) -> FloatArray:
            return strides.curves["size_deg"][:, 0]

        compute.__name__ = name
        family.metric(
            title=name, unit="deg", views=("anterior",), needs=("size_deg",), source="definition", min_strides=1,
            leg_needed=needed,
        )(compute)  # fmt: skip
    strides = strides_of({"anterior": [1.0, 2.0, 3.0]})
    strides.table["use"] = [True, False, False]
    strides.table["why_not"] = ["", "limb seen in 41% of the frames; at least 80% expected", "4.00 s between contacts"]
    values = run_metrics(family.specs, {}, strides, prosthetic_sides=(), min_strides=1, measurement_error={})
    found = {value.metric: value.stride_values for value in values if value.side == "left"}
    assert found == {"with_leg": (1.0,), "without_leg": (1.0, 2.0)}


def test_an_early_measure_takes_the_stance_after_the_last_contact() -> None:
    """Its leg must have been followed, unless the measure needs none."""
    family = Family("early")
    for name, early, needed in (("whole", False, True), ("early", True, True), ("early_without_leg", True, False)):

        def compute(strides: StrideSet) -> FloatArray:
            return strides.curves["size_deg"][:, 0]

        compute.__name__ = name
        family.metric(
            title=name, unit="deg", views=("anterior",), needs=("size_deg",), source="definition", min_strides=1,
            leg_needed=needed, early=early,
        )(compute)  # fmt: skip
    strides = strides_of({"anterior": [1.0, 2.0, 3.0]})
    strides.table["use"] = [True, False, False]
    strides.table["early_sure"] = [True, True, False]
    strides.table["why_not"] = ["", "after the last contact", "after the last contact"]
    values = run_metrics(family.specs, {}, strides, prosthetic_sides=(), min_strides=1, measurement_error={})
    found = {value.metric: value.stride_values for value in values if value.side == "left"}
    assert found == {"whole": (1.0,), "early": (1.0, 2.0), "early_without_leg": (1.0, 2.0, 3.0)}


def test_a_leg_lost_in_swing_leaves_what_is_read_before() -> None:
    """Three strides: the second lost its leg in swing, the third from contact on."""
    family = Family("lost")
    for name, early in (("whole", False), ("early", True)):

        def compute(strides: StrideSet) -> FloatArray:
            return strides.curves["size_deg"][:, 0]

        compute.__name__ = name
        family.metric(
            title=name, unit="deg", views=("sagittal",), needs=("size_deg",), source="definition", min_strides=1,
            sure_leg=True, early=early,
        )(compute)  # fmt: skip
    strides = strides_of({"sagittal": [1.0, 2.0, 3.0]})
    strides.table["leg_sure"] = [True, False, False]
    strides.table["early_sure"] = [True, True, False]
    values = run_metrics(family.specs, {}, strides, prosthetic_sides=(), min_strides=1, measurement_error={})
    found = {value.metric: value.stride_values for value in values if value.side == "left"}
    assert found == {"whole": (1.0,), "early": (1.0, 2.0)}


def test_a_foot_that_was_lost_leaves_the_knee_and_not_the_foot() -> None:
    """Three strides on a pylon: its line gives the knee of all, its foot was followed in the first alone."""
    family = Family("sure")
    for name, foot in (("knee", False), ("foot", True)):

        def compute(strides: StrideSet) -> FloatArray:
            return strides.curves["size_deg"][:, 0]

        compute.__name__ = name
        family.metric(
            title=name, unit="deg", views=("sagittal",), needs=("size_deg",), source="definition", min_strides=1,
            sure_leg=not foot, sure_foot=foot,
        )(compute)  # fmt: skip
    strides = strides_of({"sagittal": [1.0, 2.0, 3.0]})
    strides.table["foot_sure"] = [True, False, False]
    values = run_metrics(family.specs, {}, strides, prosthetic_sides=(), min_strides=1, measurement_error={})
    found = {value.metric: value.stride_values for value in values if value.side == "left"}
    assert found == {"knee": (1.0, 2.0, 3.0), "foot": (1.0,)}
