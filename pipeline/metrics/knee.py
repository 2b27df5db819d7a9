"""Side view: the knee in stance and swing."""

from __future__ import annotations

import numpy as np

from pipeline.metrics.phases import SIDE_VIEW, lowest, speed
from pipeline.metrics.reading import peak, percent_of_stride, window
from pipeline.metrics.registry import Family
from pipeline.model import FloatArray, StrideSet

KNEE = Family("knee")
# The knee has begun to flex for swing when it is this much above its straightest in stance: clear of noise, and well
# below the 35 to 40 deg of toe-off (perry_2010, from memory). Own choice. [deg]
FLEXED_DEG = 10.0
# Loading and mid-stance end at 31 % of the stride (perry_2010, from memory).
MID_STANCE_PCT = 30
# Terminal swing, with the mid-swing before it that the knee extends in, begins here. Own choice. [% of the stride]
LATE_SWING_PCT = 75


@KNEE.metric(
    title="Knee flexion at contact",
    unit="deg",
    positive="flexion",
    views=SIDE_VIEW,
    needs=("knee_flexion_deg",),
    near_only=True,
    sure_leg=True,
    early=True,
    source="definition",
)
def knee_flexion_at_contact(strides: StrideSet) -> FloatArray:
    """Return knee flexion at 0 % of the stride, (n_strides,). [deg]"""
    return strides.curves["knee_flexion_deg"][:, 0]


@KNEE.metric(
    title="Knee flexion rise in loading and mid-stance",
    unit="deg",
    positive="flexion",
    views=SIDE_VIEW,
    needs=("knee_flexion_deg",),
    near_only=True,
    sure_leg=True,
    early=True,
    source="definition",
)
def knee_flexion_rise_in_stance(strides: StrideSet) -> FloatArray:
    """Return the highest knee flexion up to 30 % of the stride minus that at contact, (n_strides,). [deg]

    Notes
    -----
    A constant offset of the hip, knee or ankle landmark cancels. Some prosthetic knees are built to flex
    5-15 deg here.
    """
    return peak(window(strides, "knee_flexion_deg", 0, MID_STANCE_PCT)) - knee_flexion_at_contact(strides)


@KNEE.metric(
    title="Peak knee flexion in swing",
    unit="deg",
    positive="flexion",
    views=SIDE_VIEW,
    needs=("knee_flexion_deg",),
    near_only=True,
    source="definition",
)
def knee_flexion_peak_in_swing(strides: StrideSet) -> FloatArray:
    """Return the highest knee flexion after 50 % of the stride, (n_strides,). [deg]

    Notes
    -----
    Read on rebuilt legs too: on 24 rendered prosthetic limbs these were as good (slope 0.69 against 0.71, error 9.4
    against 9.2 deg). The peak reads about 8 deg low on both limbs: compare them.
    """
    return peak(window(strides, "knee_flexion_deg", 50, 100))


@KNEE.metric(
    title="Start of knee flexion for swing",
    unit="%",
    positive="later",
    views=SIDE_VIEW,
    needs=("knee_flexion_deg", "toe_off_s"),
    near_only=True,
    sure_leg=True,
    source="own_choice_knee_flexion_start",
)
def knee_flexion_start(strides: StrideSet) -> FloatArray:
    """Return when the knee passes 10 deg above its straightest in stance for the last time, (n_strides,). [%]

    In percent of the stride.

    Notes
    -----
    Passed before the peak of swing; a constant offset of a landmark cancels.
    """
    toe_off = percent_of_stride(strides.table, "toe_off_s")
    straight = lowest(window(strides, "knee_flexion_deg", 0.0, toe_off))
    values = np.full(len(strides.table), np.nan)
    for i, curve in enumerate(strides.curves["knee_flexion_deg"]):
        if not (np.isfinite(curve).all() and np.isfinite(straight[i])):
            continue
        above = curve - straight[i] - FLEXED_DEG
        first = int(toe_off.iloc[i])
        last = first + int(np.argmax(curve[first:]))
        below = np.flatnonzero(above[:last] < 0)
        # A knee that stays straight, or is bent all the time, has no start.
        if len(below) and above[last] > 0:
            at = int(below[-1])
            values[i] = at - above[at] / (above[at + 1] - above[at])
    return values


@KNEE.metric(
    title="Peak knee extension speed in late swing",
    unit="deg/s",
    positive="extending",
    views=SIDE_VIEW,
    needs=("knee_flexion_quick_deg", "start_s", "end_s"),
    near_only=True,
    sure_leg=True,
    min_fps=60.0,
    version=2,
    source="definition",
)
def knee_extension_speed(strides: StrideSet) -> FloatArray:
    """Return the highest speed of knee extension after 75 % of the stride, (n_strides,). [deg/s]

    Notes
    -----
    The jolt lasts a few hundredths of a second: below 60 frames a second it is not reported.
    """
    return peak(-speed(strides, "knee_flexion_quick_deg")[:, LATE_SWING_PCT:])
