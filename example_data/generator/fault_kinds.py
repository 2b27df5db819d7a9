"""The fault catalogue of the benchmark: sizes in the metric's unit, and the generator's fault that makes them.

All sizes are own choices: mild near what a trained eye begins to see, severe what nobody overlooks.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace

from .faults import Faults, fault_range
from .settings import WalkerSettings
from .skeleton import Skeleton
from .walker import walk

SIZE_LABELS = ("mild", "clear", "severe")
# A quick walk holds about seven strides of each limb, so that its median is near the person's own. [s], [1/s]
_QUICK_S, _QUICK_HZ = 8.0, 30.0
_MOST_STEPS = 7
# A size is met within this share of it, or within `_NEAR` of the metric's unit if that is more.
_NEAR_SHARE, _NEAR = 0.02, 0.1
# The first step of the search goes this share of the parameter's range away from neutral.
_FIRST_SHARE = 0.4

Realised = dict[str, float]


@dataclass(frozen=True, slots=True)
class Walked:
    """What a quick walk shows, beside the same walk without faults.

    Parameters
    ----------
    realised, natural : dict of name to float
        As in `GaitTruth.realised`, with and without faults.
    leg_m : float
        From hip to ankle joint in the rest pose. [m]
    """

    realised: Realised
    natural: Realised
    leg_m: float

    def leg_pct(self, name: str) -> float:
        """A realised length. [% of leg length]"""
        return 100.0 * self.realised[name] / self.leg_m


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One fault of the catalogue.

    Parameters
    ----------
    name : str
        Name of the fault in the catalogue.
    parameter : str
        Field of `Faults` that makes it.
    sizes : tuple of three floats
        Mild, clear, severe, in the metric's unit.
    unit : str
        Of the metric.
    measure : function of Walked
        The metric as the joints show it.
    views : str
        "both" sagittal clips, "near" (one, prosthetic limb near the camera), "anterior" or "posterior".
    frame_rate_hz : int
        Quick events need 60 frames a second. [1/s]
    opposite : function of float or None
        Size the other way round, for a fault with two directions.
    opposite_every : int
        Each so many-th walker goes the other way.
    """

    name: str
    parameter: str
    sizes: tuple[float, float, float]
    unit: str
    measure: Callable[[Walked], float]
    views: str
    frame_rate_hz: int = 30
    opposite: Callable[[float], float] | None = None
    opposite_every: int = 2

    def wanted(self, label: str, number: int) -> float:
        """Size of a label for one walker, in the metric's unit."""
        size = self.sizes[SIZE_LABELS.index(label)]
        turned = self.opposite is not None and number % self.opposite_every == self.opposite_every - 1
        return self.opposite(size) if turned and self.opposite is not None else size


def _of(name: str) -> Callable[[Walked], float]:
    """Measure that is a realised value as it is."""
    return lambda walked: walked.realised[name]


def _leg(name: str, sign: float = 1.0) -> Callable[[Walked], float]:
    """Measure that is a realised length over the leg's. [% of leg length]"""
    return lambda walked: sign * walked.leg_pct(name)


def _arm_asymmetry_pct(walked: Walked) -> float:
    """Shortfall of the prosthetic arm's swing over the larger of both. [%]"""
    ratio = walked.realised["arm_swing_ratio"]
    return 100.0 * (1.0 - ratio) / max(1.0, ratio)


def _delay_pct(walked: Walked) -> float:
    """Knee flexion later than in the undisturbed walk. [% of the stride]"""
    return walked.realised["knee_flexion_start_pct"] - walked.natural["knee_flexion_start_pct"]


LEG_PCT = "% leg"
KINDS: tuple[FaultKind, ...] = (
    FaultKind("vaulting", "vault_height_m", (3, 5, 8), LEG_PCT, _leg("vault_height_m"), "both"),
    FaultKind(
        "foot_rotation", "foot_rotation_deg", (10, 20, 30), "deg", _of("foot_rotation_deg"), "anterior"
    ),
    FaultKind("uneven_arm_swing", "arm_swing_ratio", (75, 85, 100), "%", _arm_asymmetry_pct, "both"),
    FaultKind("uneven_timing", "stance_ratio", (0.84, 0.75, 0.62), "1", _of("stance_ratio"), "near"),
    FaultKind(
        "terminal_impact", "terminal_impact_deg_s", (600, 700, 850), "deg/s", _of("knee_extension_velocity_deg_s"),
        "near", frame_rate_hz=60,
    ),
    FaultKind("knee_instability", "knee_instability_deg", (20, 25, 30), "deg", _of("knee_instability_deg"), "near"),
    FaultKind("medial_whip", "medial_whip_deg", (5, 8, 11), LEG_PCT, _leg("heel_whip_m", -1.0), "posterior"),
    FaultKind("lateral_whip", "lateral_whip_deg", (5, 8, 11), LEG_PCT, _leg("heel_whip_m"), "posterior"),
    FaultKind("circumduction", "circumduction_m", (8, 12, 18), LEG_PCT, _leg("circumduction_m"), "posterior"),
    FaultKind("wide_base", "abduction_m", (30, 36, 44), LEG_PCT, _leg("step_width_m"), "posterior"),
    FaultKind("lateral_trunk_bending", "lateral_bend_deg", (8, 12, 18), "deg", _of("trunk_lean_deg"), "posterior"),
    FaultKind("hip_hiking", "hip_hike_deg", (5, 8, 12), "deg", _of("swing_hike_deg"), "anterior"),
    FaultKind(
        "uneven_heel_rise", "swing_flexion_change_deg", (8, 12, 16), LEG_PCT, _leg("heel_rise_difference_m"), "both",
        opposite=lambda size: -size,
    ),
    FaultKind(
        # Turned by the same angle to the floor, a foot that takes 60, 40 and 25 % of the sound one's time.
        "foot_slap", "foot_slap_share", (1.67, 2.5, 4.0), "1",
        lambda walked: 1.0 / walked.realised["foot_flat_time_ratio"], "both", frame_rate_hz=60,
    ),
    FaultKind("drop_off", "drop_off_m", (3, 5, 7), LEG_PCT, _leg("drop_off_m"), "near"),
    FaultKind(
        "uneven_step_length", "step_length_difference_m", (1.25, 1.4, 1.7), "1", _of("step_length_ratio"), "both",
        opposite=lambda size: 1.0 / size, opposite_every=3,
    ),
    FaultKind("exaggerated_lordosis", "lordosis_deg", (10, 15, 20), "deg", _of("trunk_back_lean_deg"), "near"),
    FaultKind(
        "reduced_swing_knee_flexion", "swing_flexion_change_deg", (-15, -22, -32), "deg",
        _of("swing_peak_difference_deg"), "both",
    ),
    FaultKind("delayed_knee_flexion", "knee_delay_pct", (5, 7, 9), "% stride", _delay_pct, "both"),
    FaultKind("forward_trunk_bending", "forward_bend_deg", (11, 15, 20), "deg", _of("trunk_bend_deg"), "near"),
    FaultKind("late_pelvic_rise", "late_rise_m", (3, 5, 7), LEG_PCT, _leg("hips_late_peak_m"), "near"),
    FaultKind("steady_toe_out", "steady_toe_out_deg", (20, 25, 33), "deg", _of("foot_direction_deg"), "anterior"),
)  # fmt: skip
KIND = {kind.name: kind for kind in KINDS}

# Faults that one person does not show together here: they move one measure both, or take each other's time.
_CLASHES: tuple[frozenset[str], ...] = tuple(
    frozenset(names)
    for names in (
        ("vaulting", "drop_off", "late_pelvic_rise", "knee_instability"),
        ("uneven_heel_rise", "reduced_swing_knee_flexion", "terminal_impact", "delayed_knee_flexion"),
        ("medial_whip", "lateral_whip", "circumduction", "uneven_heel_rise", "reduced_swing_knee_flexion"),
        ("uneven_timing", "delayed_knee_flexion", "drop_off", "uneven_step_length"),
        ("drop_off", "delayed_knee_flexion", "uneven_heel_rise"),
        ("late_pelvic_rise", "delayed_knee_flexion"),
        ("exaggerated_lordosis", "forward_trunk_bending"),
        ("foot_rotation", "foot_slap"),
        ("hip_hiking", "wide_base", "circumduction"),
    )
)


def clash(one: str, other: str) -> bool:
    """True if two faults are not put into one walk."""
    return any(one in names and other in names for names in _CLASHES)


def quick_walk(skeleton: Skeleton, settings: WalkerSettings) -> Realised:
    """Return what a walk shows, without rendering it; both limbs are known.

    Raises
    ------
    ValueError
        If the body cannot walk so, or has no prosthetic side.
    """
    _, truth = walk(skeleton, settings, duration_s=_QUICK_S, fps=_QUICK_HZ)
    realised = {name: value for name, value in truth.realised.items() if value is not None}
    if not realised:
        raise ValueError("fault walk: the walker has no prosthetic side; one is expected. Draw again.")
    return realised


def with_sizes(skeleton: Skeleton, settings: WalkerSettings, wanted: dict[str, float]) -> tuple[WalkerSettings, Walked]:
    """Return settings whose walk shows faults of the wanted sizes, and what it shows.

    Parameters
    ----------
    skeleton : Skeleton
        Body.
    settings : WalkerSettings
        The person, without faults.
    wanted : dict of fault name to float
        In the metric's unit.

    Raises
    ------
    ValueError
        If this body cannot walk so at its speed: a size is never made smaller.
    """
    natural = quick_walk(skeleton, settings)
    leg_m = skeleton.length_m("left_hip", "left_ankle")

    @functools.cache
    def shown(trial: WalkerSettings) -> Walked:
        return Walked(quick_walk(skeleton, trial), natural, leg_m)

    # One fault moves the measure of another a little, so that several are set twice.
    for _ in range(min(len(wanted), 2)):
        for name, size in wanted.items():
            settings = _set_one(KIND[name], settings, size, shown)
    walked = shown(settings)
    for name, size in wanted.items():
        found = KIND[name].measure(walked)
        if abs(found - size) > 3.0 * _near(size):
            raise ValueError(f"fault walk: {name} is {found:.2f}; {size} is expected. Draw again.")
    return settings, walked


def _near(size: float) -> float:
    """Error within which a size counts as met, in the metric's unit."""
    return _NEAR_SHARE * abs(size) if abs(size) < 2.0 else max(_NEAR_SHARE * abs(size), _NEAR)


def _set_one(
    kind: FaultKind, settings: WalkerSettings, size: float, shown: Callable[[WalkerSettings], Walked]
) -> WalkerSettings:
    """Settings with one fault of the wanted size, by secant steps on its parameter."""
    low, high = fault_range(kind.parameter)

    def trial(value: float) -> tuple[WalkerSettings, float]:
        changed = replace(settings, faults=replace(settings.faults, **{kind.parameter: value}))
        return changed, kind.measure(shown(changed)) - size

    before = float(getattr(settings.faults, kind.parameter))
    _, before_gap = trial(before)
    neutral = float(getattr(Faults(), kind.parameter))
    end = high if neutral <= low else low
    now = before + _FIRST_SHARE * (end - neutral) if before == neutral else 0.98 * before
    for _ in range(_MOST_STEPS):
        now = round(min(max(now, low), high), 4)
        changed, gap = trial(now)
        if abs(gap) <= _near(size):
            return changed
        if now == before or gap == before_gap:
            break
        slope = (gap - before_gap) / (now - before)
        before, before_gap, now = now, gap, now - gap / slope
    raise ValueError(
        f"fault walk: {kind.name} of {size} {kind.unit} was not reached with {kind.parameter} = {now:.4g}, "
        f"{low} to {high}; {gap + size:.2f} was. Draw another body."
    )
