"""The pace of a visit in words, and the caution where its clips were walked at different ones."""

from __future__ import annotations

from pipeline.model import MetricValue, StrideSet
from pipeline.pace import pace_notes
from tests.test_estimates import strides_of


def walked(metric: str, unit: str, left: float, right: float) -> tuple[MetricValue, ...]:
    """A metric of both limbs."""
    return tuple(
        MetricValue(metric, side, value, unit, 4, 0.1, value, value, "ok", "")
        for side, value in (("left", left), ("right", right))
    )


def strides(anterior_s: float, posterior_s: float) -> StrideSet:
    """Three strides from the front and from behind, of two durations."""
    made = strides_of({"anterior": [0.0] * 3, "posterior": [0.0] * 3})
    table = made.table.copy()
    table["end_s"] = table["start_s"] + table["view"].map({"anterior": anterior_s, "posterior": posterior_s})
    return StrideSet(table, made.curves)


def test_the_pace_is_the_mean_of_both_limbs() -> None:
    values = (*walked("walking_speed", "m/s", 1.0, 1.1), *walked("cadence", "steps/min", 100.0, 102.0))
    assert pace_notes(strides(1.2, 1.2), values) == ("Walked at 1.05 m/s, 101 steps/min.",)


def test_clips_of_different_pace_are_named() -> None:
    """By hand: 120 / 1.2 = 100 and 120 / 1.0 = 120 steps/min are a fifth apart, 100 and 105 are one pace."""
    (note,) = pace_notes(strides(1.2, 1.0), ())
    assert "not walked at one pace (steps/min: anterior 100, posterior 120)" in note
    assert pace_notes(strides(1.2, 120 / 105), ()) == ()


def test_without_strides_nothing_is_said() -> None:
    made = strides(1.2, 1.2)
    assert pace_notes(StrideSet(made.table.iloc[:0], {}), ()) == ()
