"""Front and back view: direction of the foot, sideways path of the heel."""

from __future__ import annotations

import numpy as np

from pipeline.metrics.reading import average, percent_of_stride, window
from pipeline.metrics.registry import Family
from pipeline.model import FloatArray, StrideSet

FRONTAL = Family("frontal")

# Stretches of the stride, in percent. The foot of a walk lies flat from about the end of the loading response
# (12 %) to heel-off (31 %); both are textbook values (perry_2010, from memory).
AT_CONTACT_PCT = (0.0, 4.0)
FOOT_FLAT_PCT = (16.0, 30.0)
# Toe-off comes about 10 % of the stride after the other foot's contact, and a whip is over before mid-swing, 20 %
# later (perry_2010, from memory; common practice).
TOE_OFF_AFTER_OTHER_CONTACT_PCT = 10.0
WHIP_PCT = 20.0


@FRONTAL.metric(
    title="Foot rotation at heel contact",
    unit="deg",
    positive="external (toe out)",
    views=("anterior",),
    needs=("foot_direction_deg",),
    source="definition",
)
def foot_rotation_at_contact(strides: StrideSet) -> FloatArray:
    """Return the foot's direction at contact minus that at foot flat, external positive, (n_strides,). [deg]

    Notes
    -----
    A steady toe-out cancels. Landmarks of a front view see about half of a short turn.
    """
    at_contact = average(window(strides, "foot_direction_deg", *AT_CONTACT_PCT))
    return at_contact - foot_direction_in_stance(strides)


@FRONTAL.metric(
    title="Foot direction at foot flat",
    unit="deg",
    positive="external (toe out)",
    views=("anterior",),
    needs=("foot_direction_deg",),
    source="definition",
)
def foot_direction_in_stance(strides: StrideSet) -> FloatArray:
    """Return the foot's mean direction at foot flat, external positive, (n_strides,). [deg]"""
    return average(window(strides, "foot_direction_deg", *FOOT_FLAT_PCT))


@FRONTAL.metric(
    title="Sideways heel excursion after toe-off",
    unit="% leg length",
    positive="lateral (away from the midline)",
    views=("posterior",),
    needs=("heel_offset_pct", "opposite_contact_s"),
    source="own_choice_whip",
)
def heel_whip(strides: StrideSet) -> FloatArray:
    """Return the heel's largest sideways departure from a straight path just after toe-off, (n_strides,).

    Lateral positive, medial negative. [% leg length]

    Notes
    -----
    The straight path joins the heel's position at toe-off and 20 % of the stride later. Toe-off is taken 10 % of
    the stride after the other foot's contact, since it is not timed in a frontal view.
    """
    values = np.full(len(strides.table), np.nan)
    other_contact = percent_of_stride(strides.table, "opposite_contact_s").to_numpy()
    toe_off = np.round(other_contact + TOE_OFF_AFTER_OTHER_CONTACT_PCT)
    for i, curve in enumerate(strides.curves["heel_offset_pct"]):
        if not np.isfinite(toe_off[i]):
            continue
        start, end = int(toe_off[i]), min(100, int(toe_off[i] + WHIP_PCT))
        path = curve[start : end + 1]
        away = path - np.linspace(path[0], path[-1], len(path))
        values[i] = away[np.argmax(np.abs(away))] if np.isfinite(away).all() else np.nan
    return values
