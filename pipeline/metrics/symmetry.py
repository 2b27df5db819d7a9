"""One side against the other, from the medians of the metrics above.

`first` is the prosthetic side and `second` the sound one; without exactly one prosthesis they are left and
right. Which comparison was made stands in the value's `side`.
"""

from __future__ import annotations

from pipeline.metrics.registry import PairSpec


def ratio(first: float, second: float) -> float:
    """Return first over second: 1 is symmetric. [1]"""
    return first / second if second else float("nan")


def difference(first: float, second: float) -> float:
    """Return first minus second, in the unit of the metric: 0 is symmetric."""
    return first - second


def reduction_pct(first: float, second: float) -> float:
    """Return by how much the first falls short of the second, in percent of the larger: 0 is symmetric. [%]

    Positive when the first side is the smaller one.
    """
    larger = max(first, second)
    return 100.0 * (second - first) / larger if larger else float("nan")


PAIRS: tuple[PairSpec, ...] = (
    PairSpec("step_time_ratio", "Step time ratio", "1", "first limb longer", "step_time", "definition", ratio),
    PairSpec("stance_time_ratio", "Stance time ratio", "1", "first limb longer", "stance_time", "definition", ratio),
    PairSpec("step_length_ratio", "Step length ratio", "1", "first limb longer", "step_length", "definition", ratio),
    PairSpec(
        "arm_swing_asymmetry",
        "Arm swing amplitude asymmetry",
        "%",
        "smaller on the first side",
        "arm_swing_range",
        "killeen_2018",
        reduction_pct,
    ),
    PairSpec(
        "heel_rise_difference",
        "Heel rise in swing, difference",
        "% leg length",
        "first limb higher",
        "heel_rise_in_swing",
        "definition",
        difference,
    ),
    PairSpec(
        "knee_swing_flexion_difference",
        "Peak knee flexion in swing, difference",
        "deg",
        "first limb flexes more",
        "knee_flexion_peak_in_swing",
        "definition",
        difference,
    ),
    PairSpec(
        "knee_flexion_start_difference",
        "Start of knee flexion for swing, difference",
        "%",
        "first limb later",
        "knee_flexion_start",
        "definition",
        difference,
    ),
    PairSpec(
        "foot_flat_time_ratio",
        "Time from contact to foot flat, ratio",
        "1",
        "first limb longer",
        "foot_flat_time",
        "definition",
        ratio,
    ),
    PairSpec(
        "trunk_lean_difference",
        "Trunk lean over the limb, difference",
        "deg",
        "more over the first limb",
        "trunk_lean_in_stance",
        "definition",
        difference,
    ),
    PairSpec(
        "pelvic_hike_difference",
        "Pelvic lift in mid-swing, difference",
        "deg",
        "first side lifted more",
        "pelvic_hike_in_swing",
        "definition",
        difference,
    ),
    PairSpec(
        "foot_direction_difference",
        "Foot direction at foot flat, difference",
        "deg",
        "first foot further out",
        "foot_direction_in_stance",
        "definition",
        difference,
    ),
    PairSpec(
        "foot_drop_speed_ratio",
        "Speed of the foot's drop to the floor, ratio",
        "1",
        "first limb faster",
        "foot_drop_speed",
        "definition",
        ratio,
    ),
)
