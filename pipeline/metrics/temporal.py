"""Times and shares of the stride; any view."""

from __future__ import annotations

from pipeline.metrics.registry import Family
from pipeline.model import FloatArray, StrideSet, View

TEMPORAL = Family("temporal")
ANY: tuple[View, ...] = ("sagittal", "anterior", "posterior")
# Frontal contacts are good enough for whole strides, not for one step against the other; toe-off is not timed there.
SIDE_VIEW: tuple[View, ...] = ("sagittal",)


@TEMPORAL.metric(
    title="Stride time", unit="s", views=ANY, needs=("start_s", "end_s"), leg_needed=False, source="definition"
)
def stride_time(strides: StrideSet) -> FloatArray:
    """Return the time from contact to the next contact of the same foot, (n_strides,). [s]"""
    return (strides.table["end_s"] - strides.table["start_s"]).to_numpy()


@TEMPORAL.metric(
    title="Cadence", unit="steps/min", views=ANY, needs=("start_s", "end_s"), leg_needed=False, source="definition"
)
def cadence(strides: StrideSet) -> FloatArray:
    """Return two steps over the stride's time, (n_strides,). [steps/min]"""
    return 120.0 / stride_time(strides)


@TEMPORAL.metric(
    title="Step time", unit="s", views=SIDE_VIEW, needs=("opposite_contact_s", "end_s"), source="definition"
)
def step_time(strides: StrideSet) -> FloatArray:
    """Return the time from the other foot's contact to this foot's next, (n_strides,). [s]

    Notes
    -----
    Named after the foot that lands. It needs contacts only, so it is the primary temporal measure.
    """
    return (strides.table["end_s"] - strides.table["opposite_contact_s"]).to_numpy()


@TEMPORAL.metric(title="Stance time", unit="s", views=SIDE_VIEW, needs=("start_s", "toe_off_s"), source="definition")
def stance_time(strides: StrideSet) -> FloatArray:
    """Return the time from contact to toe-off of the same foot, (n_strides,). [s]

    Notes
    -----
    Its error is that of two events. Toe-off on a prosthetic foot is the less certain one (aftab_2022).
    """
    return (strides.table["toe_off_s"] - strides.table["start_s"]).to_numpy()


@TEMPORAL.metric(
    title="Stance share of the stride",
    unit="%",
    views=SIDE_VIEW,
    needs=("start_s", "toe_off_s", "end_s"),
    source="definition",
)
def stance_share(strides: StrideSet) -> FloatArray:
    """Return the share of each stride that the foot spends on the floor, (n_strides,). [%]"""
    return 100.0 * stance_time(strides) / stride_time(strides)


@TEMPORAL.metric(
    title="Double support share of the stride",
    unit="%",
    views=SIDE_VIEW,
    needs=("start_s", "opposite_toe_off_s", "opposite_contact_s", "toe_off_s", "end_s"),
    source="hollman_2011",
)
def double_support_share(strides: StrideSet) -> FloatArray:
    """Return the share of each stride that both feet spend on the floor, both times together, (n_strides,). [%]

    Notes
    -----
    About 20 % of the stride in adults; a slow or careful walk has more. Its error is that of four events.
    """
    table = strides.table
    both_s = table["opposite_toe_off_s"] - table["start_s"] + table["toe_off_s"] - table["opposite_contact_s"]
    return 100.0 * both_s.to_numpy() / stride_time(strides)
