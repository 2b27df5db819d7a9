"""Side view: the foot's pitch in loading, the ankle in single support."""

from __future__ import annotations

import numpy as np

from pipeline.metrics.phases import SIDE_VIEW, VAULT_SHARE, lowest, own_support, speed
from pipeline.metrics.reading import average, peak, window
from pipeline.metrics.registry import Family
from pipeline.metrics.temporal import stride_time
from pipeline.model import FloatArray, StrideSet

FOOT = Family("foot")
# The foot lies flat, and does not yet rise on its toes in a vault, just after the loading response, which ends at 12 %
# of the stride (perry_2010, from memory).
FLAT_PCT = (12.0, 16.0)
# Foot flat counts from where this share of the pitch at contact is left: the rest fades so slowly that its end is not
# seen. Own choice. [1]
LEFT_SHARE = 0.25
# The foot drops to the floor within this part of the stride (perry_2010, from memory: flat by 12 %).
LOADING_PCT = 15
# Start of single support, before a vault. Own choice. [1]
START_SHARE = 0.1


@FOOT.metric(
    title="Plantarflexion in single support",
    unit="deg",
    positive="plantarflexion",
    views=SIDE_VIEW,
    needs=("ankle_dorsiflexion_deg", "opposite_toe_off_s", "opposite_contact_s"),
    near_only=True,
    sure_foot=True,
    source="drevelle_2014",
)
def plantarflexion_in_single_support(strides: StrideSet) -> FloatArray:
    """Return by how much the ankle plantarflexes in the first two thirds of single support, (n_strides,). [deg]

    From its angle at the start of single support to its most plantarflexed one.

    Notes
    -----
    An ankle that dorsiflexes from the start gives 0 or a little less. The last third is left out: there every heel
    leaves the floor.

    References
    ----------
    drevelle_2014
    """
    at_start = average(own_support(strides, "ankle_dorsiflexion_deg", 0.0, START_SHARE))
    return at_start - lowest(own_support(strides, "ankle_dorsiflexion_deg", START_SHARE, VAULT_SHARE))


@FOOT.metric(
    title="Time from contact to foot flat",
    unit="s",
    positive="longer",
    views=SIDE_VIEW,
    needs=("foot_pitch_deg", "start_s", "end_s"),
    near_only=True,
    sure_foot=True,
    min_fps=60.0,
    source="own_choice_foot_flat",
)
def foot_flat_time(strides: StrideSet) -> FloatArray:
    """Return the time from contact until a quarter of the foot's pitch at contact is left, (n_strides,). [s]

    Notes
    -----
    Pitch is taken against that of the flat foot, so that a constant offset cancels.
    """
    pitch = strides.curves["foot_pitch_deg"] - average(window(strides, "foot_pitch_deg", *FLAT_PCT))[:, None]
    values = np.full(len(pitch), np.nan)
    for i, curve in enumerate(pitch):
        above = curve - LEFT_SHARE * curve[0]
        down = np.flatnonzero(above[: int(FLAT_PCT[1]) + 1] <= 0)
        # A foot that is not toes-up at contact has no such time.
        if curve[0] > 0 and len(down):
            at = int(down[0])
            values[i] = at - above[at] / (above[at] - above[at - 1])
    return np.asarray(values / 100.0 * stride_time(strides))


@FOOT.metric(
    title="Peak speed of the foot's drop to the floor",
    unit="deg/s",
    positive="toes going down",
    views=SIDE_VIEW,
    needs=("foot_pitch_deg", "start_s", "end_s"),
    near_only=True,
    sure_foot=True,
    min_fps=60.0,
    source="definition",
)
def foot_drop_speed(strides: StrideSet) -> FloatArray:
    """Return the highest speed at which the toes go down in the first 15 % of the stride, (n_strides,). [deg/s]"""
    return peak(-speed(strides, "foot_pitch_deg")[:, : LOADING_PCT + 1])
