"""Lengths along the walk and its speed; side view, where places on the walking line are seen."""

from __future__ import annotations

import numpy as np

from pipeline.metrics.registry import Family
from pipeline.model import FloatArray, StrideSet, View

SPATIAL = Family("spatial")
SIDE_VIEW: tuple[View, ...] = ("sagittal",)
# Standard gravity, by definition (third General Conference on Weights and Measures, 1901; from memory). [m/s2]
GRAVITY_M_S2 = 9.80665


@SPATIAL.metric(
    title="Step length", unit="% leg length", views=SIDE_VIEW, needs=("step_length_pct",), source="definition"
)
def step_length(strides: StrideSet) -> FloatArray:
    """Return the distance along the walk from the other heel's place to this heel's next, (n_strides,). [% leg length]

    Notes
    -----
    Named after the foot that lands. Each place is the median while the heel lies on the floor.
    """
    return np.asarray(strides.table["step_length_pct"], dtype=float)


@SPATIAL.metric(
    title="Step length in metres",
    unit="m",
    views=SIDE_VIEW,
    needs=("step_length_pct", "leg_length_px", "m_per_px"),
    source="definition",
)
def step_length_m(strides: StrideSet) -> FloatArray:
    """Return the step length where the clip has a scale, (n_strides,). [m] NaN without one."""
    return np.asarray(step_length(strides) / 100.0 * leg_length_m(strides))


@SPATIAL.metric(
    title="Walking speed in leg lengths",
    unit="leg lengths/s",
    views=SIDE_VIEW,
    needs=("stride_length_pct", "start_s", "end_s"),
    source="definition",
)
def walking_speed_legs(strides: StrideSet) -> FloatArray:
    """Return the length of each stride over its time, (n_strides,). [leg lengths/s]"""
    duration_s = strides.table["end_s"] - strides.table["start_s"]
    return np.asarray(strides.table["stride_length_pct"] / 100.0 / duration_s, dtype=float)


@SPATIAL.metric(
    title="Walking speed",
    unit="m/s",
    views=SIDE_VIEW,
    needs=("stride_length_pct", "leg_length_px", "m_per_px", "start_s", "end_s"),
    source="definition",
)
def walking_speed(strides: StrideSet) -> FloatArray:
    """Return the walking speed where the clip has a scale, (n_strides,). [m/s] NaN without one."""
    return np.asarray(walking_speed_legs(strides) * leg_length_m(strides))


@SPATIAL.metric(
    title="Froude number",
    unit="1",
    views=SIDE_VIEW,
    needs=("stride_length_pct", "leg_length_px", "m_per_px", "start_s", "end_s"),
    source="alexander_1989",
)
def froude_number(strides: StrideSet) -> FloatArray:
    """Return speed squared over gravity times leg length, (n_strides,). [1] NaN without a scale.

    Notes
    -----
    Speed made independent of the size of the body: people of all sizes walk alike at equal Froude numbers. A scale
    that is off by 1 % puts it off by 1 %.

    References
    ----------
    alexander_1989
    """
    return np.asarray(walking_speed(strides) ** 2 / (GRAVITY_M_S2 * leg_length_m(strides)))


def leg_length_m(strides: StrideSet) -> FloatArray:
    """Return the leg length that stands behind `% leg length`, (n_strides,). [m] NaN without a scale."""
    return np.asarray(strides.table["leg_length_px"] * strides.table["m_per_px"], dtype=float)
