"""From metric values and limits to findings, and from findings to faults."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from pipeline.judgement import Check, Fault, FaultDefinition, Finding, Limits, Severity, Verdict
from pipeline.model import SIDES, Aid, Level, MetricValue, Side, ViewValue, other_side

# Raised when verdicts change for the same strides and limits; VISIT_VERSION is raised then too.
VERDICTS_VERSION = 8
# The verdict of several checks of one fault. `any`: one check outside is enough, so one that could not be
# measured leaves the fault open. `all`: every check must be outside on one limb, so one inside settles it for that
# limb.
STRONGEST_FIRST: dict[str, tuple[Verdict, ...]] = {
    "any": ("present", "borderline", "cannot say", "not seen"),
    "all": ("not seen", "cannot say", "borderline", "present"),
}
SEVERITIES: tuple[Severity, ...] = ("", "slight", "clear", "severe")
VIEWS_DISAGREE = "the views disagree: "
NO_SOUND_SIDE = "there is no sound side to compare with"
# What an empty cell of the manifest counts as; the columns' own words say so.
USUAL_LEVEL: Level = "transfemoral"
USUAL_AID: Aid = "none"


@dataclass(frozen=True, slots=True)
class Person:
    """What limits may depend on.

    Attributes
    ----------
    prosthetic_sides : tuple of Side
        None, one or both. Without exactly one there is no sound side: only limits of single limbs are applied.
    levels : tuple of Level
        Of `prosthetic_sides`, in their order; empty counts as transfemoral.
    aid : Aid or None
        None counts as `none`.
    """

    prosthetic_sides: tuple[Side, ...]
    levels: tuple[Level, ...] = ()
    aid: Aid | None = None

    def level_of(self, side: str) -> tuple[Level, ...]:
        """Return the level of a prosthetic limb, or all levels for any other limb and for comparisons.

        Parameters
        ----------
        side : str
            `left`, `right`, or the limbs compared.

        Returns
        -------
        tuple of Level
            Empty without a prosthesis.
        """
        levels = self.levels or (USUAL_LEVEL,) * len(self.prosthetic_sides)
        own = [level for limb, level in zip(self.prosthetic_sides, levels, strict=True) if limb == side]
        return tuple(own) or levels


@dataclass(frozen=True, slots=True)
class LimbVerdict:
    """A fault's verdict on one limb, and the findings that have it; `limb` is empty for the person as a whole."""

    limb: str
    verdict: Verdict
    findings: tuple[Finding, ...]


def judge(values: tuple[MetricValue, ...], limits: Limits, person: Person) -> tuple[Fault, ...]:
    """Return every fault of the limits with its verdict and the findings behind it.

    Parameters
    ----------
    values : tuple of MetricValue
        From `metrics.estimates.run_metrics`.
    limits : Limits
    person : Person
    """
    by_key = {(value.metric, value.side): value for value in values}
    faults = []
    for definition in limits.faults:
        findings = tuple(
            finding
            for check in limits.checks
            if check.fault == definition.name
            for finding in _findings(check, definition, by_key, person)
        )
        faults.append(_fault(definition, findings, person.prosthetic_sides))
    return tuple(faults)


def compare_with_limit(value: MetricValue, check: Check) -> tuple[Verdict, str]:
    """Return the verdict of one value against one limit, and its reason where it needs one.

    `present` when the whole 95 % interval lies beyond the limit, `not seen` when the whole interval lies within,
    `borderline` when the limit lies inside the interval, or when one view says present and another not seen. An
    interval that reaches from no deviation at all (0; 1 for a ratio) to a clear one says nothing, nor does one without
    bounds.
    """
    if value.status != "ok" or value.low is None or value.high is None:
        return "cannot say", value.reason
    if not (math.isfinite(value.low) and math.isfinite(value.high)):
        return "cannot say", "the 95 % interval is not known: one stride tells no spread"
    by_view = {_by_interval(one.low, one.high, check) for one in value.by_view}
    if {"present", "not seen"} <= by_view:
        return "borderline", VIEWS_DISAGREE + _in_words(value.by_view, value.unit)
    verdict = _by_interval(value.low, value.high, check)
    if verdict == "borderline" and _holds_none_and_clear(value.low, value.high, check):
        return "cannot say", "the 95 % interval holds no deviation at all as well as a clear one"
    return verdict, "the limit lies inside the 95 % interval" if verdict == "borderline" else ""


def severity_of(value: float, check: Check) -> Severity:
    """Return how far a value lies beyond a limit, by the steps that the limit states."""
    sign = 1.0 if check.direction == "above" else -1.0
    if check.severe is not None and sign * value >= sign * check.severe:
        return "severe"
    if check.clear is not None and sign * value >= sign * check.clear:
        return "clear"
    return "slight"


def _by_interval(low: float, high: float, check: Check) -> Verdict:
    """The verdict of an interval against a limit."""
    beyond = low > check.limit if check.direction == "above" else high < check.limit
    within = high < check.limit if check.direction == "above" else low > check.limit
    return "present" if beyond else "not seen" if within else "borderline"


def _holds_none_and_clear(low: float, high: float, check: Check) -> bool:
    """Whether an interval reaches from no deviation to the step from which a finding is clear."""
    if check.clear is None:
        return False
    none = 1.0 if check.unit == "1" else 0.0
    return low <= min(none, check.clear) and high >= max(none, check.clear)


def _in_words(views: tuple[ViewValue, ...], unit: str) -> str:
    """The values of the views with their intervals."""
    return ", ".join(f"{one.view} {one.value:.1f} ({one.low:.1f} to {one.high:.1f}) {unit}" for one in views)


def _findings(
    check: Check, definition: FaultDefinition, by_key: dict[tuple[str, str], MetricValue], person: Person
) -> list[Finding]:
    """The check on every limb that it applies to; one finding that says so where it applies to none."""
    sides, why_not = _sides(check, person.prosthetic_sides)
    if definition.prosthesis_only and not person.prosthetic_sides:
        why_not = "it is a fault of a prosthetic limb; the manifest names none"
    if why_not:
        return [_not_applied(check, check.side, why_not)]
    findings = []
    for side in sides:
        why_not = _outside_scope(check, side, by_key, person)
        findings.append(_not_applied(check, side, why_not) if why_not else _finding(check, by_key[check.metric, side]))
    return findings


def _sides(check: Check, prosthetic_sides: tuple[Side, ...]) -> tuple[tuple[str, ...], str]:
    """The value sides a check reads, or the reason why there is none; without a prosthesis each limb is judged."""
    n_prostheses = len(prosthetic_sides)
    why = "both limbs are prosthetic" if n_prostheses else "the manifest names no prosthetic limb"
    if check.side == "both":
        return (("prosthetic/sound",), "") if n_prostheses == 1 else ((), f"{why}: {NO_SOUND_SIDE}")
    if n_prostheses == 0:
        return SIDES, ""
    if check.side == "prosthetic":
        return prosthetic_sides, ""
    return ((other_side(prosthetic_sides[0]),), "") if n_prostheses == 1 else ((), f"{why}: {NO_SOUND_SIDE}")


def _outside_scope(check: Check, side: str, by_key: dict[tuple[str, str], MetricValue], person: Person) -> str:
    """Why a limit does not hold for this limb, person or pace; empty when it does."""
    levels = person.level_of(side)
    if check.levels and levels and not set(levels) <= set(check.levels):
        return f"the limit is for {', '.join(check.levels)}; this limb: {', '.join(levels)}"
    aid = person.aid or USUAL_AID
    if check.aids and aid not in check.aids:
        return f"the limit is for walking with {', '.join(check.aids)} as an aid; here: {aid}"
    if check.speed_legs is not None:
        low, high = check.speed_legs
        speeds = [by_key[key].value for limb in SIDES if (key := ("walking_speed_legs", limb)) in by_key]
        known = [speed for speed in speeds if speed is not None]
        if not known:
            return f"the limit is for {low:g} to {high:g} leg lengths/s; the walking speed is not known"
        speed = sum(known) / len(known)
        if not low <= speed <= high:
            return f"the limit is for {low:g} to {high:g} leg lengths/s; this walk: {speed:.2f}"
    return ""


def _not_applied(check: Check, side: str, reason: str) -> Finding:
    """A finding that has no say."""
    missing = MetricValue(check.metric, side, None, check.unit, 0, None, None, None, "not_visible", reason)
    return replace(_finding(check, missing), applies=False)


def _finding(check: Check, value: MetricValue) -> Finding:
    verdict, reason = compare_with_limit(value, check)
    return Finding(
        check=check.id,
        fault=check.fault,
        metric=check.metric,
        side=value.side,
        value=value.value,
        low=value.low,
        high=value.high,
        limit=check.limit,
        direction=check.direction,
        unit=check.unit,
        verdict=verdict,
        reason=reason,
        n_strides=value.n_strides,
        standing=check.standing,
        source=check.source,
        stride_ids=value.stride_ids,
        severity=severity_of(value.value, check) if verdict == "present" and value.value is not None else "",
        clear=check.clear,
        severe=check.severe,
    )


def _without_open_pairs(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings in which an interval that reaches past an upper and a lower limit says nothing at all."""
    reached = [
        finding
        for finding in findings
        if finding.low is not None and finding.high is not None and finding.low <= finding.limit <= finding.high
        # Without bounds the interval is not known: that is the better reason.
        and math.isfinite(finding.low) and math.isfinite(finding.high)
    ]  # fmt: skip
    ways = {(finding.metric, finding.side, finding.direction) for finding in reached}
    return tuple(
        replace(finding, verdict="cannot say", reason="the 95 % interval reaches past both limits")
        if finding in reached and {(finding.metric, finding.side, way) for way in ("above", "below")} <= ways
        else finding
        for finding in findings
    )


def limb_verdicts(
    findings: Sequence[Finding], rule: Literal["any", "all"], prosthetic_sides: Sequence[Side]
) -> tuple[LimbVerdict, ...]:
    """Return the verdict of a fault on each limb that it can be seen on; of the person where one limb is prosthetic.

    A finding that compares limbs counts for each. Under `any` findings that do not apply have no say, unless there are
    no others; under `all` each counts as `cannot say`.

    Parameters
    ----------
    findings : sequence of Finding
        Of one fault.
    rule : {"any", "all"}
    prosthetic_sides : sequence of Side
    """
    limbs = ("",) if len(prosthetic_sides) == 1 else SIDES
    deciding = list(findings) if rule == "all" else [one for one in findings if one.applies] or list(findings)
    found = []
    for limb in limbs:
        own = tuple(one for one in deciding if not limb or one.side == limb or one.side not in SIDES)
        if own:
            verdict = next(item for item in STRONGEST_FIRST[rule] if any(one.verdict == item for one in own))
            found.append(LimbVerdict(limb, verdict, tuple(one for one in own if one.verdict == verdict)))
    return tuple(found)


def findings_behind(verdict: Verdict, limbs: Sequence[LimbVerdict], findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Return those of a fault's findings, in their order, by which limbs have a verdict."""
    behind = [one for limb in limbs if limb.verdict == verdict for one in limb.findings]
    return tuple(finding for finding in findings if finding in behind)


def _fault(definition: FaultDefinition, findings: tuple[Finding, ...], prosthetic_sides: tuple[Side, ...]) -> Fault:
    """One fault's verdict: the strongest of its limbs."""
    findings = _without_open_pairs(findings)
    limbs = limb_verdicts(findings, definition.rule, prosthetic_sides)
    verdict = min((limb.verdict for limb in limbs), key=STRONGEST_FIRST["any"].index)
    deciding = findings_behind(verdict, limbs, findings)
    # Views that disagree are told also where another finding decides.
    telling = [one for one in findings if one in deciding or one.reason.startswith(VIEWS_DISAGREE)]
    reasons = dict.fromkeys(finding.reason for finding in telling if finding.reason)
    severities = [finding.severity for finding in deciding]
    return Fault(
        name=definition.name,
        title=definition.title,
        side=_side_words(definition, prosthetic_sides),
        verdict=verdict,
        reason="; ".join(reasons),
        urgent=definition.urgent and verdict in ("present", "borderline"),
        findings=findings,
        severity=max(severities, key=SEVERITIES.index, default=""),
        limits_sha256=definition.file_sha256,
    )


def _side_words(definition: FaultDefinition, prosthetic_sides: tuple[Side, ...]) -> str:
    """The limb or limbs that a fault is looked for on."""
    if definition.side == "both":
        return "both"
    if definition.side == "sound" and len(prosthetic_sides) == 1:
        return other_side(prosthetic_sides[0])
    return " and ".join(prosthetic_sides or SIDES)
