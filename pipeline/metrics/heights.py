"""Side view: heights of hips and heels above the floor."""

from __future__ import annotations

import numpy as np

from pipeline.metrics.phases import SIDE_VIEW, VAULT_SHARE, lowest, other_support, own_support
from pipeline.metrics.reading import peak, percent_of_stride, window
from pipeline.metrics.registry import Family
from pipeline.metrics.spatial import leg_length_m
from pipeline.model import FloatArray, StrideSet

HEIGHTS = Family("heights")
# The hips are lowest in the middle of each double support; contacts and toe-offs may be off by this much. Own choice.
# [% of the stride]
BESIDE_DOUBLE_SUPPORT_PCT = 5.0
# The hips of an even walk are highest near the middle of single support. Before this share of it is early, after it
# late. Own choice. [1]
EARLY_SHARE = 0.4


@HEIGHTS.metric(
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
    return peak(own_support(strides, "hip_height_pct")) - peak(other_support(strides, "hip_height_pct"))


@HEIGHTS.metric(
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


@HEIGHTS.metric(
    title="Hip drop in late stance",
    unit="% leg length",
    positive="hips lower at the end of this limb's stance",
    views=SIDE_VIEW,
    needs=("hip_height_pct", "opposite_toe_off_s", "opposite_contact_s", "toe_off_s"),
    source="own_choice_hip_drop",
)
def hip_drop_in_late_stance(strides: StrideSet) -> FloatArray:
    """Return how much lower the hips come down at the end of this limb's stance than of the other's, (n_strides,).

    Lowest height between this foot's contact and the other's toe-off, minus the lowest between the other's contact and
    this one's toe-off. [% leg length]

    Notes
    -----
    The low points are compared, not the falls from the peaks: a vault lifts a peak and is no drop-off of the other
    limb. A longer step brings the hips lower at its end as well.
    """
    margin = BESIDE_DOUBLE_SUPPORT_PCT
    other_toe_off, other_contact, toe_off = (
        percent_of_stride(strides.table, name) for name in ("opposite_toe_off_s", "opposite_contact_s", "toe_off_s")
    )
    before = lowest(window(strides, "hip_height_pct", 0.0, other_toe_off + margin))
    after = lowest(window(strides, "hip_height_pct", other_contact - margin, toe_off + margin))
    return before - after


@HEIGHTS.metric(
    title="Hip rise in late single support",
    unit="% leg length",
    positive="hips still climbing late",
    views=SIDE_VIEW,
    needs=("hip_height_pct", "opposite_toe_off_s", "opposite_contact_s"),
    source="own_choice_hip_rise",
)
def hip_rise_in_late_stance(strides: StrideSet) -> FloatArray:
    """Return the highest hips of the last 60 % of single support above those of its first 40 %, (n_strides,).

    [% leg length]

    Notes
    -----
    An even arc gives about 0. The other limb is not taken off: its own late rise, or its vault, would hide this one's.
    """
    return peak(own_support(strides, "hip_height_pct", EARLY_SHARE, 1.0)) - peak(
        own_support(strides, "hip_height_pct", 0.0, EARLY_SHARE)
    )


@HEIGHTS.metric(
    title="Heel rise in single support",
    unit="% leg length",
    positive="heel off the floor",
    views=SIDE_VIEW,
    needs=("heel_height_pct", "opposite_toe_off_s", "opposite_contact_s"),
    near_only=True,
    sure_foot=True,
    source="own_choice_heel_rise",
)
def heel_rise_in_single_support(strides: StrideSet) -> FloatArray:
    """Return the highest heel of the first two thirds of single support, (n_strides,). [% leg length]

    Notes
    -----
    The last third is left out: there every heel leaves the floor.
    """
    return peak(own_support(strides, "heel_height_pct", 0.0, VAULT_SHARE))


@HEIGHTS.metric(
    title="Heel rise in swing",
    unit="% leg length",
    positive="heel higher",
    views=SIDE_VIEW,
    needs=("heel_height_pct", "toe_off_s"),
    near_only=True,
    source="definition",
)
def heel_rise_in_swing(strides: StrideSet) -> FloatArray:
    """Return the highest heel between toe-off and the next contact above its level in stance, (n_strides,).

    [% leg length]

    Notes
    -----
    Read on rebuilt legs too: on 24 rendered prosthetic limbs these were as good (slope 0.84 against 1.01, spread of the
    error 2.4 against 1.2), which holds for no other measure of knee and foot but the peak of swing flexion.
    """
    return peak(window(strides, "heel_height_pct", percent_of_stride(strides.table, "toe_off_s"), 100.0))
