"""Verdicts: a value with its interval against a limit, and the three-valued logic of several checks."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.checks import compare_with_limit, judge
from pipeline.judgement import Check, FaultDefinition, Limits, Verdict
from pipeline.model import MetricValue, Side

CHECK = Check("c", "f", "m", "prosthetic", "above", 10.0, "deg", "provisional", "s", "")
FAULT = FaultDefinition(
    "f", "Fault", "sagittal", "prosthetic", "", "", "", "any", False, "", "knee_flexion_deg", (0.0, 30.0)
)


def value(low: float, high: float, *, metric: str = "m", side: str = "right") -> MetricValue:
    """A measured value halfway between its bounds."""
    return MetricValue(metric, side, (low + high) / 2, "deg", 5, 1.0, low, high, "ok", "")


def unmeasured(*, metric: str = "m", side: str = "right") -> MetricValue:
    """A value that could not be measured."""
    return MetricValue(metric, side, None, "deg", 1, None, None, None, "too_few_strides", "1 whole stride")


@pytest.mark.parametrize(
    ("low", "high", "above", "below"),
    [
        (11.0, 15.0, "present", "not seen"),
        (5.0, 9.0, "not seen", "present"),
        (8.0, 12.0, "borderline", "borderline"),
        (10.0, 12.0, "borderline", "borderline"),
    ],
)
def test_interval_against_a_limit_of_ten(low: float, high: float, above: Verdict, below: Verdict) -> None:
    assert compare_with_limit(value(low, high), CHECK)[0] == above
    assert compare_with_limit(value(low, high), replace(CHECK, direction="below"))[0] == below


def test_what_could_not_be_measured_cannot_be_said_and_says_why() -> None:
    assert compare_with_limit(unmeasured(), CHECK) == ("cannot say", "1 whole stride")


def faults(rule: str, values: list[MetricValue], prosthetic_sides: tuple[Side, ...] = ("right",)) -> Verdict:
    """Verdict of a fault with one check for each value."""
    checks = tuple(replace(CHECK, id=f"c{i}", metric=item.metric) for i, item in enumerate(values))
    definition = replace(FAULT, rule=rule)
    return judge(tuple(values), Limits((definition,), checks, {}, ""), prosthetic_sides)[0].verdict


PRESENT, BORDER, NOT_SEEN = (11.0, 15.0), (8.0, 12.0), (5.0, 9.0)


@pytest.mark.parametrize(
    ("rule", "first", "second", "verdict"),
    [
        ("any", NOT_SEEN, NOT_SEEN, "not seen"),
        ("any", NOT_SEEN, None, "cannot say"),
        ("any", PRESENT, None, "present"),
        ("any", BORDER, None, "borderline"),
        ("all", NOT_SEEN, None, "not seen"),
        ("all", PRESENT, None, "cannot say"),
        ("all", PRESENT, BORDER, "borderline"),
        ("all", PRESENT, PRESENT, "present"),
    ],
)
def test_several_checks_of_one_fault(
    rule: str, first: tuple[float, float], second: tuple[float, float] | None, verdict: Verdict
) -> None:
    """One check outside is enough for `any`; one inside settles `all`; what is unmeasured leaves it open."""
    values = [value(*first, metric="a"), value(*second, metric="b") if second else unmeasured(metric="b")]
    assert faults(rule, values) == verdict


def test_a_side_is_worked_out_from_the_prosthesis() -> None:
    values = (value(*PRESENT, side="left"), value(*NOT_SEEN, side="right"))
    prosthetic = Limits((FAULT,), (CHECK,), {}, "")
    sound = Limits((replace(FAULT, side="sound"),), (replace(CHECK, side="sound"),), {}, "")
    assert judge(values, prosthetic, ("left",))[0].verdict == "present"
    assert judge(values, sound, ("left",))[0].verdict == "not seen"
    assert judge(values, sound, ("left",))[0].side == "right"


def test_two_prostheses_are_judged_each_and_have_no_sound_side() -> None:
    values = (value(*PRESENT, side="left"), value(*NOT_SEEN, side="right"))
    both = judge(values, Limits((FAULT,), (CHECK,), {}, ""), ("left", "right"))[0]
    assert [finding.side for finding in both.findings] == ["left", "right"] and both.verdict == "present"
    sound = judge(values, Limits((FAULT,), (replace(CHECK, side="sound"),), {}, ""), ("left", "right"))[0]
    assert sound.verdict == "cannot say"
    assert sound.reason == "both limbs are prosthetic: there is no sound side to compare with"


def test_without_a_prosthesis_nothing_can_be_said() -> None:
    fault = judge((value(*PRESENT),), Limits((FAULT,), (CHECK,), {}, ""), ())[0]
    assert (fault.verdict, fault.reason) == ("cannot say", "the manifest names no prosthetic limb")


def test_only_a_seen_urgent_fault_is_urgent() -> None:
    urgent = Limits((replace(FAULT, urgent=True),), (CHECK,), {}, "")
    assert judge((value(*PRESENT),), urgent, ("right",))[0].urgent
    assert judge((value(*BORDER),), urgent, ("right",))[0].urgent
    assert not judge((value(*NOT_SEEN),), urgent, ("right",))[0].urgent
    assert not judge((unmeasured(),), urgent, ("right",))[0].urgent


def test_an_interval_past_an_upper_and_a_lower_limit_says_nothing() -> None:
    """By hand: -14 to 23 against 10 and -10 is neither within nor outside of either."""
    checks = (CHECK, replace(CHECK, id="d", direction="below", limit=-10.0))
    fault = judge((value(-14.0, 23.0),), Limits((FAULT,), checks, {}, ""), ("right",))[0]
    assert (fault.verdict, fault.reason) == ("cannot say", "the 95 % interval reaches past both limits")
    one_sided = judge((value(-9.0, 23.0),), Limits((FAULT,), checks, {}, ""), ("right",))[0]
    assert one_sided.verdict == "borderline"
