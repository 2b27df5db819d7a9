"""Verdicts: a value with its interval against a limit, and the three-valued logic of several checks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.checks import Person, compare_with_limit, judge, severity_of
from pipeline.judgement import Check, FaultDefinition, Limits, Verdict
from pipeline.model import Aid, Level, MetricValue, Side, ViewValue

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


@pytest.mark.parametrize(("low", "high"), [(math.nan, math.nan), (11.0, math.nan), (-math.inf, math.inf)])
def test_an_interval_without_bounds_cannot_be_said_and_says_why(low: float, high: float) -> None:
    """One stride of a metric of one's own, of which neither an error nor a usual spread is known."""
    one = replace(value(29.0, 31.0), low=low, high=high, n_strides=1)
    assert compare_with_limit(one, CHECK) == (
        "cannot say",
        "the 95 % interval is not known: one stride tells no spread",
    )
    (fault,) = judge((one,), Limits((replace(FAULT, urgent=True),), (CHECK,), {}, ""), Person(("right",)))
    assert (fault.verdict, fault.urgent, fault.severity) == ("cannot say", False, "")


def faults(rule: str, values: list[MetricValue], prosthetic_sides: tuple[Side, ...] = ("right",)) -> Verdict:
    """Verdict of a fault with one check for each value."""
    checks = tuple(replace(CHECK, id=f"c{i}", metric=item.metric) for i, item in enumerate(values))
    definition = replace(FAULT, rule=rule)
    return judge(tuple(values), Limits((definition,), checks, {}, ""), Person(prosthetic_sides))[0].verdict


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


@pytest.mark.parametrize(
    ("left", "right", "verdict"),
    [
        ((PRESENT, PRESENT), (NOT_SEEN, NOT_SEEN), "present"),
        ((NOT_SEEN, NOT_SEEN), (PRESENT, BORDER), "borderline"),
        ((PRESENT, NOT_SEEN), (NOT_SEEN, PRESENT), "not seen"),
        ((PRESENT, None), (NOT_SEEN, PRESENT), "cannot say"),
        ((PRESENT, None), (PRESENT, PRESENT), "present"),
    ],
)
@pytest.mark.parametrize("prosthetic_sides", [("left", "right"), ()])
def test_all_checks_of_a_fault_must_be_outside_on_one_limb(
    left: tuple[tuple[float, float] | None, ...],
    right: tuple[tuple[float, float] | None, ...],
    verdict: Verdict,
    prosthetic_sides: tuple[Side, ...],
) -> None:
    """Two limbs that are judged each by itself: what one shows does not answer for the other."""
    values = [
        value(*size, metric=metric, side=side) if size else unmeasured(metric=metric, side=side)
        for side, sizes in (("left", left), ("right", right))
        for metric, size in zip("ab", sizes, strict=True)
    ]
    checks = tuple(replace(CHECK, id=metric, metric=metric, clear=11.0) for metric in "ab")
    limits = Limits((replace(FAULT, rule="all", urgent=True),), checks, {}, "")
    (fault,) = judge(tuple(values), limits, Person(prosthetic_sides))
    assert fault.verdict == verdict
    assert fault.urgent is (verdict in ("present", "borderline"))
    assert fault.severity == ("clear" if verdict == "present" else "")


@pytest.mark.parametrize(("other", "verdict"), [(PRESENT, "cannot say"), (NOT_SEEN, "not seen")])
def test_all_checks_cannot_be_outside_where_one_does_not_apply(other: tuple[float, float], verdict: Verdict) -> None:
    values = (value(*other, metric="a"), value(*PRESENT, metric="b"))
    checks = (replace(CHECK, id="a", metric="a"), replace(CHECK, id="b", metric="b", levels=("transtibial",)))
    limits = Limits((replace(FAULT, rule="all"),), checks, {}, "")
    (fault,) = judge(values, limits, Person(("right",), ("transfemoral",)))
    assert fault.verdict == verdict
    assert ("transtibial" in fault.reason) is (verdict == "cannot say")


def test_a_comparison_counts_for_either_limb_under_all() -> None:
    """Without one sound limb it does not apply, so that not all can be outside."""
    values = tuple(value(*PRESENT, metric="a", side=side) for side in ("left", "right"))
    checks = (replace(CHECK, id="a", metric="a"), replace(CHECK, id="b", metric="b", side="both"))
    limits = Limits((replace(FAULT, rule="all"),), checks, {}, "")
    assert judge(values, limits, Person(("left", "right")))[0].verdict == "cannot say"


def test_a_side_is_worked_out_from_the_prosthesis() -> None:
    values = (value(*PRESENT, side="left"), value(*NOT_SEEN, side="right"))
    prosthetic = Limits((FAULT,), (CHECK,), {}, "")
    sound = Limits((replace(FAULT, side="sound"),), (replace(CHECK, side="sound"),), {}, "")
    assert judge(values, prosthetic, Person(("left",)))[0].verdict == "present"
    assert judge(values, sound, Person(("left",)))[0].verdict == "not seen"
    assert judge(values, sound, Person(("left",)))[0].side == "right"


def test_two_prostheses_are_judged_each_and_have_no_sound_side() -> None:
    values = (value(*PRESENT, side="left"), value(*NOT_SEEN, side="right"))
    both = judge(values, Limits((FAULT,), (CHECK,), {}, ""), Person(("left", "right")))[0]
    assert [finding.side for finding in both.findings] == ["left", "right"] and both.verdict == "present"
    sound = judge(values, Limits((FAULT,), (replace(CHECK, side="sound"),), {}, ""), Person(("left", "right")))[0]
    assert sound.verdict == "cannot say"
    assert sound.reason == "both limbs are prosthetic: there is no sound side to compare with"


def test_a_sound_limbed_walk_is_judged_limb_by_limb_against_limits_only() -> None:
    values = (value(*NOT_SEEN, side="left"), value(*PRESENT, side="right"))
    fault = judge(values, Limits((FAULT,), (CHECK,), {}, ""), Person(()))[0]
    assert [finding.side for finding in fault.findings] == ["left", "right"]
    assert (fault.verdict, fault.side) == ("present", "left and right")


def test_a_comparison_without_a_sound_side_has_no_say_beside_a_limit_of_the_limb() -> None:
    checks = (CHECK, replace(CHECK, id="d", side="both"))
    values = (value(*NOT_SEEN, side="left"), value(*NOT_SEEN, side="right"))
    for sides in ((), ("left", "right")):
        fault = judge(values, Limits((FAULT,), checks, {}, ""), Person(sides))[0]
        assert fault.verdict == "not seen"
        assert [finding.applies for finding in fault.findings] == [True, True, False]
    alone = judge(values, Limits((FAULT,), checks[1:], {}, ""), Person(()))[0]
    assert alone.verdict == "cannot say"
    assert alone.reason == "the manifest names no prosthetic limb: there is no sound side to compare with"


def test_a_fault_of_a_prosthesis_alone_is_not_looked_for_in_sound_limbs() -> None:
    limits = Limits((replace(FAULT, prosthesis_only=True, urgent=True),), (CHECK,), {}, "")
    fault = judge((value(*PRESENT, side="left"), value(*PRESENT)), limits, Person(()))[0]
    assert (fault.verdict, fault.urgent) == ("cannot say", False)
    assert fault.reason == "it is a fault of a prosthetic limb; the manifest names none"


@pytest.mark.parametrize(
    ("levels", "aid", "verdict", "reason"),
    [
        ((), None, "present", ""),
        (("transfemoral",), "stick", "present", ""),
        (("transtibial",), None, "cannot say", "the limit is for transfemoral; this limb: transtibial"),
        ((), "crutch", "cannot say", "the limit is for walking with none, stick as an aid; here: crutch"),
    ],
)
def test_a_limit_holds_for_its_levels_and_aids(
    levels: tuple[Level, ...], aid: Aid | None, verdict: Verdict, reason: str
) -> None:
    """An empty cell of the manifest counts as transfemoral, walking with none."""
    limits = Limits((FAULT,), (replace(CHECK, levels=("transfemoral",), aids=("none", "stick")),), {}, "")
    fault = judge((value(*PRESENT),), limits, Person(("right",), levels, aid))[0]
    assert (fault.verdict, fault.reason) == (verdict, reason)


def test_each_limb_of_two_prostheses_has_its_own_level() -> None:
    limits = Limits((FAULT,), (replace(CHECK, levels=("transfemoral",)),), {}, "")
    values = (value(*NOT_SEEN, side="left"), value(*PRESENT, side="right"))
    fault = judge(values, limits, Person(("left", "right"), ("transfemoral", "transtibial")))[0]
    assert [finding.applies for finding in fault.findings] == [True, False]
    assert fault.verdict == "not seen"


@pytest.mark.parametrize(
    ("speed", "verdict", "reason"),
    [
        (1.3, "present", ""),
        (0.8, "cannot say", "the limit is for 1 to 1.6 leg lengths/s; this walk: 0.80"),
        (None, "cannot say", "the limit is for 1 to 1.6 leg lengths/s; the walking speed is not known"),
    ],
)
def test_a_limit_holds_for_its_walking_speeds(speed: float | None, verdict: Verdict, reason: str) -> None:
    limits = Limits((FAULT,), (replace(CHECK, speed_legs=(1.0, 1.6)),), {}, "")
    pace = [value(speed, speed, metric="walking_speed_legs", side=side) for side in ("left", "right") if speed]
    fault = judge((value(*PRESENT), *pace), limits, Person(("right",)))[0]
    assert (fault.verdict, fault.reason) == (verdict, reason)


@pytest.mark.parametrize(("size", "severity"), [(11.0, "slight"), (20.0, "clear"), (29.9, "clear"), (30.0, "severe")])
def test_severity_steps(size: float, severity: str) -> None:
    steps = replace(CHECK, clear=20.0, severe=30.0)
    assert severity_of(size, steps) == severity
    assert severity_of(-size, replace(steps, direction="below", limit=-10, clear=-20.0, severe=-30.0)) == severity


def test_a_fault_is_as_severe_as_its_severest_finding_and_only_when_present() -> None:
    checks = (replace(CHECK, clear=12.0, severe=40.0), replace(CHECK, id="d", metric="n"))
    values = (value(*PRESENT), value(*BORDER, metric="n"))
    assert judge(values, Limits((FAULT,), checks, {}, ""), Person(("right",)))[0].severity == "clear"
    fault = judge(values, Limits((replace(FAULT, rule="all"),), checks, {}, ""), Person(("right",)))[0]
    assert (fault.verdict, fault.severity) == ("borderline", "")


def test_views_that_disagree_make_a_value_borderline_and_are_told() -> None:
    """The joined interval lies beyond the limit; one view alone lies within."""
    views = (ViewValue("anterior", 5.0, 3.0, 7.0, 4, 1), ViewValue("posterior", 20.0, 18.0, 22.0, 6, 1))
    joined = replace(value(12.0, 22.0), by_view=views)
    verdict, reason = compare_with_limit(joined, CHECK)
    assert verdict == "borderline"
    assert reason == "the views disagree: anterior 5.0 (3.0 to 7.0) deg, posterior 20.0 (18.0 to 22.0) deg"
    agreeing = replace(joined, by_view=(replace(views[0], low=3.0, high=12.0), views[1]))
    assert compare_with_limit(agreeing, CHECK)[0] == "present"


def test_only_a_seen_urgent_fault_is_urgent() -> None:
    urgent = Limits((replace(FAULT, urgent=True),), (CHECK,), {}, "")
    assert judge((value(*PRESENT),), urgent, Person(("right",)))[0].urgent
    assert judge((value(*BORDER),), urgent, Person(("right",)))[0].urgent
    assert not judge((value(*NOT_SEEN),), urgent, Person(("right",)))[0].urgent
    assert not judge((unmeasured(),), urgent, Person(("right",)))[0].urgent


def test_an_interval_past_an_upper_and_a_lower_limit_says_nothing() -> None:
    """By hand: -14 to 23 against 10 and -10 is neither within nor outside of either."""
    checks = (CHECK, replace(CHECK, id="d", direction="below", limit=-10.0))
    fault = judge((value(-14.0, 23.0),), Limits((FAULT,), checks, {}, ""), Person(("right",)))[0]
    assert (fault.verdict, fault.reason) == ("cannot say", "the 95 % interval reaches past both limits")
    one_sided = judge((value(-9.0, 23.0),), Limits((FAULT,), checks, {}, ""), Person(("right",)))[0]
    assert one_sided.verdict == "borderline"


@pytest.mark.parametrize("high", [9.0, 10.5, 19.0, 21.0, 40.0])
def test_a_wider_interval_past_both_limits_never_says_more(high: float) -> None:
    """Limits 5 and -5, clear from 10 and -10: whether the interval holds a clear deviation on one side or not."""
    upper = replace(CHECK, limit=5.0, clear=10.0)
    checks = (upper, replace(upper, id="d", direction="below", limit=-5.0, clear=-10.0))
    fault = judge((value(-6.0, high),), Limits((FAULT,), checks, {}, ""), Person(("right",)))[0]
    assert (fault.verdict, fault.reason) == ("cannot say", "the 95 % interval reaches past both limits")


def test_an_interval_without_bounds_keeps_its_own_reason() -> None:
    checks = (CHECK, replace(CHECK, id="d", direction="below", limit=-10.0))
    fault = judge((value(-np.inf, np.inf),), Limits((FAULT,), checks, {}, ""), Person(("right",)))[0]
    assert fault.verdict == "cannot say" and "one stride tells no spread" in fault.reason


def test_views_that_disagree_are_told_where_another_finding_decides() -> None:
    views = (ViewValue("anterior", 5.0, 3.0, 7.0, 4, 1), ViewValue("posterior", 20.0, 18.0, 22.0, 6, 1))
    values = (replace(value(12.0, 22.0), by_view=views), value(*PRESENT, metric="n"))
    checks = (CHECK, replace(CHECK, id="d", metric="n"))
    fault = judge(values, Limits((FAULT,), checks, {}, ""), Person(("right",)))[0]
    assert fault.verdict == "present"
    assert fault.reason.startswith("the views disagree: anterior 5.0 (3.0 to 7.0) deg")


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [(-4.0, 21.0, "cannot say"), (1.0, 21.0, "borderline"), (-4.0, 19.0, "borderline"), (11.0, 21.0, "present")],
)
def test_an_interval_from_no_deviation_to_a_clear_one_says_nothing(low: float, high: float, verdict: Verdict) -> None:
    """Limit 10, clear from 20: -4 to 21 holds both 0 and 20. The same mirrored, and for a ratio from 1 down to 0.8."""
    check = replace(CHECK, clear=20.0)
    assert compare_with_limit(value(low, high), check)[0] == verdict
    mirrored = replace(check, direction="below", limit=-10.0, clear=-20.0)
    assert compare_with_limit(value(-high, -low), mirrored)[0] == verdict
    ratio = replace(check, direction="below", limit=0.9, clear=0.8, unit="1")
    assert compare_with_limit(value(0.79, 1.01), ratio)[0] == "cannot say"
    assert compare_with_limit(value(0.79, 0.99), ratio)[0] == "borderline"


def test_an_urgent_fault_whose_interval_says_nothing_is_not_called_borderline() -> None:
    limits = Limits((replace(FAULT, urgent=True),), (replace(CHECK, clear=20.0),), {}, "")
    fault = judge((value(-17.6, 21.9),), limits, Person(("right",)))[0]
    assert (fault.verdict, fault.urgent) == ("cannot say", False)
    assert fault.reason == "the 95 % interval holds no deviation at all as well as a clear one"
