"""Front and back view: direction of the foot, sideways places of the feet, leans of trunk and pelvis."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.metrics.reading import average, peak, percent_of_stride, window
from pipeline.metrics.registry import Family
from pipeline.model import FloatArray, StrideSet, View
from pipeline.parallax import DOUBLE_SUPPORT_OF_STRIDE

FRONTAL = Family("frontal")
END_VIEWS: tuple[View, ...] = ("anterior", "posterior")

# Stretches of the stride, in percent. The foot of a walk lies flat from about the end of the loading response
# (12 %) to heel-off (31 %); both are textbook values (perry_2010, from memory).
AT_CONTACT_PCT = (0.0, 4.0)
FOOT_FLAT_PCT = (16.0, 30.0)
# Either foot leaves the floor that long after the other one's contact; a whip is over before mid-swing, 20 % later
# (common practice).
DOUBLE_SUPPORT_PCT = 100 * DOUBLE_SUPPORT_OF_STRIDE
WHIP_PCT = 20.0
# Half of the stretch about mid-swing over which the pelvis is averaged. Own choice: half of a swing of 40 %.
MID_SWING_HALF_PCT = 9.0


@FRONTAL.metric(
    title="Foot rotation at heel contact",
    unit="deg",
    positive="external (toe out)",
    views=("anterior",),
    needs=("foot_direction_deg",),
    leg_needed=False,
    early=True,
    source="definition",
)
def foot_rotation_at_contact(strides: StrideSet) -> FloatArray:
    """Return the foot's direction at contact minus that at foot flat, external positive, (n_strides,). [deg]

    Notes
    -----
    A steady toe-out cancels. Read by the outer edge of the shoe; by landmarks alone about half of a short turn is seen.
    """
    at_contact, when_flat = (
        average(window(strides, "foot_direction_deg", *part)) for part in (AT_CONTACT_PCT, FOOT_FLAT_PCT)
    )
    return at_contact - when_flat


@FRONTAL.metric(
    title="Foot direction at foot flat",
    unit="deg",
    positive="external (toe out)",
    views=("anterior",),
    needs=("foot_level_deg",),
    leg_needed=False,
    early=True,
    version=2,
    source="definition",
)
def foot_direction_in_stance(strides: StrideSet) -> FloatArray:
    """Return the foot's mean direction at foot flat, external positive, (n_strides,). [deg]

    Notes
    -----
    NaN where the estimator lost the ankle, as it does on bare pylons: the direction is read against it.
    """
    return average(window(strides, "foot_level_deg", *FOOT_FLAT_PCT))


@FRONTAL.metric(
    title="Sideways excursion of the shank after toe-off",
    unit="% leg length",
    positive="lateral (away from the midline)",
    views=("posterior",),
    needs=("ankle_beside_knee_pct", "opposite_contact_s"),
    version=2,
    source="own_choice_whip",
)
def heel_whip(strides: StrideSet) -> FloatArray:
    """Return how far the ankle flicks sideways of the knee just after toe-off, (n_strides,).

    Lateral positive, medial negative. [% leg length]

    Notes
    -----
    The largest departure from the straight path between toe-off and 20 % of the stride later. In a whip the shank turns
    about the thigh. Against the knee, circumduction and a wide base cancel: the whole leg moves in them. The ankle
    stands for the heel, which is followed less well from behind and moves further: by a fifth in rendered medial whips,
    by up to a half in lateral ones.
    """
    return _departure(strides, "ankle_beside_knee_pct", WHIP_PCT)


@FRONTAL.metric(
    title="Sideways arc of the ankle in swing",
    unit="% leg length",
    positive="lateral (away from the midline)",
    views=END_VIEWS,
    needs=("ankle_offset_pct", "opposite_contact_s"),
    source="definition",
)
def ankle_arc_in_swing(strides: StrideSet) -> FloatArray:
    """Return the ankle's largest sideways departure from the straight path of its swing, (n_strides,).

    Lateral positive, medial negative. [% leg length]

    Notes
    -----
    The straight path joins the ankle's places at toe-off and at the next contact: setting the foot down further out
    does not count. A whip moves the ankle too: a medial one takes off more than half of its own size.
    """
    return _departure(strides, "ankle_offset_pct", 100.0)


@FRONTAL.metric(
    title="Step width",
    unit="% leg length",
    views=END_VIEWS,
    needs=("ankle_offset_pct", "other_ankle_offset_pct", "opposite_contact_s"),
    source="definition",
)
def step_width(strides: StrideSet) -> FloatArray:
    """Return the sideways distance of the ankles, each in its own single support, (n_strides,). [% leg length]

    Notes
    -----
    In single support a foot passes below the hips and is as far from the camera as they are. In double support the feet
    are a step apart, and a camera beside the walk misplaces them. A camera that is not level cancels.
    """
    contact = percent_of_stride(strides.table, "opposite_contact_s")
    own = window(strides, "ankle_offset_pct", DOUBLE_SUPPORT_PCT, contact)
    other = window(strides, "other_ankle_offset_pct", contact + DOUBLE_SUPPORT_PCT, 100.0)
    return average(own) + average(other)


@FRONTAL.metric(
    title="Foot beside the hip in stance",
    unit="% leg length",
    positive="lateral (foot outside the hip)",
    views=END_VIEWS,
    needs=("ankle_beside_hip_pct", "opposite_contact_s"),
    source="definition",
)
def foot_beside_hip(strides: StrideSet) -> FloatArray:
    """Return how far the ankle stands outside the hip of its side in single support, (n_strides,). [% leg length]

    Notes
    -----
    The feet of a usual walk stand inside the hips: negative. Each degree that the camera is not level shifts it by
    1.7 %, outward for one limb and inward for the other.
    """
    contact = percent_of_stride(strides.table, "opposite_contact_s")
    return average(window(strides, "ankle_beside_hip_pct", DOUBLE_SUPPORT_PCT, contact))


@FRONTAL.metric(
    title="Trunk lean over the limb in its stance",
    unit="deg",
    positive="over this limb",
    views=END_VIEWS,
    needs=("trunk_side_lean_deg", "opposite_contact_s"),
    leg_needed=False,
    source="own_choice_trunk_lean",
)
def trunk_lean_in_stance(strides: StrideSet) -> FloatArray:
    """Return the largest lean over the limb in its stance, against the stride's median, (n_strides,). [deg]

    Notes
    -----
    The line from mid-hip to mid-shoulder. Against the median a camera that is not level cancels, and so does a lean
    that never ends. Who bends over one limb only is upright for more than half of the stride.
    """
    toe_off = _toe_off_pct(strides)
    lean = strides.curves["trunk_side_lean_deg"]
    return peak(window(strides, "trunk_side_lean_deg", 0.0, toe_off)) - np.median(lean, axis=1)


@FRONTAL.metric(
    title="Pelvic lift in mid-swing",
    unit="deg",
    positive="swing side up",
    views=("anterior",),
    needs=("pelvic_obliquity_deg", "opposite_contact_s"),
    leg_needed=False,
    source="own_choice_hip_hiking",
)
def pelvic_hike_in_swing(strides: StrideSet) -> FloatArray:
    """Return the pelvis's mean obliquity in mid-swing against the stride's mean, (n_strides,). [deg]

    Notes
    -----
    Against the mean a camera that is not level cancels, and so do limbs of unequal length. Landmarks show 0.3 of a
    lift, which is made up for, and read too much on both sides: compare the sides. From behind the scatter is twice as
    large.
    """
    middle = (_toe_off_pct(strides) + 100.0) / 2
    swing = window(strides, "pelvic_obliquity_deg", middle - MID_SWING_HALF_PCT, middle + MID_SWING_HALF_PCT)
    return average(swing) - average(strides.curves["pelvic_obliquity_deg"][:, :100])


def _toe_off_pct(strides: StrideSet) -> pd.Series:
    """When the foot leaves the floor, which is not timed in a frontal view, in whole percent, (n_strides,). [%]"""
    contact = percent_of_stride(strides.table, "opposite_contact_s")
    return (contact + DOUBLE_SUPPORT_PCT).round().clip(upper=100.0)


def _departure(strides: StrideSet, curve: str, longest_pct: float) -> FloatArray:
    """Largest departure, with its sign, from the straight path between toe-off and a time after it, (n_strides,)."""
    values = np.full(len(strides.table), np.nan)
    for i, toe_off in enumerate(_toe_off_pct(strides)):
        if np.isfinite(toe_off):
            path = strides.curves[curve][i, int(toe_off) : int(min(toe_off + longest_pct, 100.0)) + 1]
            away = path - np.linspace(path[0], path[-1], len(path))
            values[i] = away[np.argmax(np.abs(away))] if np.isfinite(away).all() else np.nan
    return values
