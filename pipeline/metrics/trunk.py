"""Side view: lean of the trunk, swing of the arms."""

from __future__ import annotations

from pipeline.metrics.phases import SIDE_VIEW
from pipeline.metrics.reading import peak, percent_of_stride, window
from pipeline.metrics.registry import Family
from pipeline.model import FloatArray, StrideSet

TRUNK = Family("trunk")
# Late stance and the pre-swing after it: heel-off to toe-off, 31 to 60 % of the stride (perry_2010, from memory).
LATE_STANCE_PCT = (30.0, 60.0)


@TRUNK.metric(
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


@TRUNK.metric(
    title="Forward trunk lean in stance",
    unit="deg",
    positive="forward",
    views=SIDE_VIEW,
    needs=("trunk_lean_deg", "toe_off_s"),
    source="definition",
)
def trunk_forward_lean_in_stance(strides: StrideSet) -> FloatArray:
    """Return the furthest forward lean of the trunk between contact and toe-off, (n_strides,). [deg]

    Notes
    -----
    The line from mid-hip to mid-shoulder. The estimator's hips lie some centimetres ahead of the joints; the 3 deg by
    which that leans the line back are made up for (`quantities_sagittal`).
    """
    return peak(window(strides, "trunk_lean_deg", 0.0, percent_of_stride(strides.table, "toe_off_s")))


@TRUNK.metric(
    title="Backward trunk lean in late stance",
    unit="deg",
    positive="backward",
    views=SIDE_VIEW,
    needs=("trunk_lean_deg",),
    source="own_choice_lordosis",
)
def backward_trunk_lean_in_late_stance(strides: StrideSet) -> FloatArray:
    """Return the furthest backward lean of the trunk from 30 to 60 % of the stride, (n_strides,). [deg]

    Notes
    -----
    Stands for exaggerated lordosis: neither pelvis nor spine has a landmark.
    """
    return peak(-window(strides, "trunk_lean_deg", *LATE_STANCE_PCT))
