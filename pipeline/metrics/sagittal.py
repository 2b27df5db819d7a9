"""Side view: knee angles, arm swing, heights of hip and heel."""

from __future__ import annotations

import numpy as np

from pipeline.metrics.reading import peak, percent_of_stride, window
from pipeline.metrics.registry import Family
from pipeline.metrics.spatial import leg_length_m
from pipeline.model import FloatArray, StrideSet, View

SAGITTAL = Family("sagittal")
SIDE_VIEW: tuple[View, ...] = ("sagittal",)


@SAGITTAL.metric(
    title="Knee flexion at contact",
    unit="deg",
    positive="flexion",
    views=SIDE_VIEW,
    needs=("knee_flexion_deg",),
    near_only=True,
    sure_leg=True,
    source="definition",
)
def knee_flexion_at_contact(strides: StrideSet) -> FloatArray:
    """Return knee flexion at 0 % of the stride, (n_strides,). [deg]"""
    return strides.curves["knee_flexion_deg"][:, 0]


@SAGITTAL.metric(
    title="Knee flexion rise in loading and mid-stance",
    unit="deg",
    positive="flexion",
    views=SIDE_VIEW,
    needs=("knee_flexion_deg",),
    near_only=True,
    sure_leg=True,
    source="definition",
)
def knee_flexion_rise_in_stance(strides: StrideSet) -> FloatArray:
    """Return the highest knee flexion up to 30 % of the stride minus that at contact, (n_strides,). [deg]

    Notes
    -----
    A constant offset of the hip, knee or ankle landmark cancels. Some prosthetic knees are built to flex
    5-15 deg here.
    """
    return peak(window(strides, "knee_flexion_deg", 0, 30)) - knee_flexion_at_contact(strides)


@SAGITTAL.metric(
    title="Peak knee flexion in swing",
    unit="deg",
    positive="flexion",
    views=SIDE_VIEW,
    needs=("knee_flexion_deg",),
    near_only=True,
    sure_leg=True,
    source="definition",
)
def knee_flexion_peak_in_swing(strides: StrideSet) -> FloatArray:
    """Return the highest knee flexion after 50 % of the stride, (n_strides,). [deg]"""
    return peak(window(strides, "knee_flexion_deg", 50, 100))


@SAGITTAL.metric(
    title="Peak knee extension speed in late swing",
    unit="deg/s",
    positive="extending",
    views=SIDE_VIEW,
    needs=("knee_flexion_deg", "start_s", "end_s"),
    near_only=True,
    sure_leg=True,
    min_fps=60.0,
    source="definition",
)
def knee_extension_speed(strides: StrideSet) -> FloatArray:
    """Return the highest speed of knee extension after 75 % of the stride, (n_strides,). [deg/s]

    Notes
    -----
    The jolt lasts a few hundredths of a second: below 60 frames a second it is not reported.
    """
    duration_s = (strides.table["end_s"] - strides.table["start_s"]).to_numpy()
    slope = -np.gradient(strides.curves["knee_flexion_deg"], axis=1) * 100.0 / duration_s[:, None]
    return np.asarray(slope[:, 75:].max(axis=1, initial=-np.inf))


@SAGITTAL.metric(
    title="Arm swing range",
    unit="deg",
    views=SIDE_VIEW,
    needs=("arm_angle_deg",),
    near_only=True,
    source="definition",
)
def arm_swing_range(strides: StrideSet) -> FloatArray:
    """Return the range of the shoulder-wrist line's angle over the stride, (n_strides,). [deg]"""
    arm = strides.curves["arm_angle_deg"]
    return peak(arm) + peak(-arm)


@SAGITTAL.metric(
    title="Hip vaulting height",
    unit="% leg length",
    positive="hips higher in this limb's single support",
    views=SIDE_VIEW,
    needs=("hip_height_pct", "opposite_toe_off_s", "opposite_contact_s", "toe_off_s"),
    source="definition",
)
def hip_vault_height(strides: StrideSet) -> FloatArray:
    """Return the hip-height peak of this limb's single support minus the other's, (n_strides,).

    Positive when the hips climb higher over this limb. [% leg length]

    Notes
    -----
    Both peaks lie in one stride: this limb stands alone from the other's toe-off to its contact, the other
    from this limb's toe-off to the stride's end. On the sound limb a positive value is the vault.
    """
    own = window(
        strides,
        "hip_height_pct",
        percent_of_stride(strides.table, "opposite_toe_off_s"),
        percent_of_stride(strides.table, "opposite_contact_s"),
    )
    others = window(strides, "hip_height_pct", percent_of_stride(strides.table, "toe_off_s"), 100.0)
    return peak(own) - peak(others)


@SAGITTAL.metric(
    title="Hip vaulting height in metres",
    unit="m",
    positive="hips higher in this limb's single support",
    views=SIDE_VIEW,
    needs=("hip_height_pct", "opposite_toe_off_s", "opposite_contact_s", "toe_off_s", "m_per_px"),
    source="definition",
)
def hip_vault_height_m(strides: StrideSet) -> FloatArray:
    """Return the hip vaulting height where the clip has a scale, (n_strides,). [m] NaN without one."""
    leg_m = leg_length_m(strides)
    return np.asarray(hip_vault_height(strides) / 100.0 * leg_m)


@SAGITTAL.metric(
    title="Heel rise in single support",
    unit="% leg length",
    positive="heel off the floor",
    views=SIDE_VIEW,
    needs=("heel_height_pct", "opposite_toe_off_s", "opposite_contact_s"),
    near_only=True,
    sure_leg=True,
    source="own_choice_heel_rise",
)
def heel_rise_in_single_support(strides: StrideSet) -> FloatArray:
    """Return the highest heel of the first two thirds of single support, (n_strides,). [% leg length]

    Notes
    -----
    The last third is left out: there every heel leaves the floor.
    """
    start = percent_of_stride(strides.table, "opposite_toe_off_s")
    end = percent_of_stride(strides.table, "opposite_contact_s")
    return peak(window(strides, "heel_height_pct", start, start + (end - start) * 2 / 3))
