"""From metric values and limits to findings, and from findings to faults."""

from __future__ import annotations

from dataclasses import replace

from pipeline.judgement import Check, Fault, FaultDefinition, Finding, Limits, Verdict
from pipeline.model import MetricValue, Side, other_side

# The verdict of several checks of one fault. `any`: one check outside is enough, so one that could not be
# measured leaves the fault open. `all`: every check must be outside, so one inside settles it.
STRONGEST_FIRST: dict[str, tuple[Verdict, ...]] = {
    "any": ("present", "borderline", "cannot say", "not seen"),
    "all": ("not seen", "cannot say", "borderline", "present"),
}


def judge(values: tuple[MetricValue, ...], limits: Limits, prosthetic_sides: tuple[Side, ...]) -> tuple[Fault, ...]:
    """Return every fault of the limits with its verdict and the findings behind it.

    Parameters
    ----------
    values : tuple of MetricValue
        From `metrics.estimates.run_metrics`.
    limits : Limits
    prosthetic_sides : tuple of Side
        None, one or both. Without exactly one there is no sound side, and every check that needs one says so.
    """
    by_key = {(value.metric, value.side): value for value in values}
    faults = []
    for definition in limits.faults:
        findings = tuple(
            finding
            for check in limits.checks
            if check.fault == definition.name
            for finding in _findings(check, by_key, prosthetic_sides)
        )
        faults.append(_fault(definition, findings, prosthetic_sides))
    return tuple(faults)


def compare_with_limit(value: MetricValue, check: Check) -> tuple[Verdict, str]:
    """Return the verdict of one value against one limit, and its reason where it needs one.

    `present` when the whole 95 % interval lies beyond the limit, `not seen` when the whole interval lies
    within, `borderline` when the limit lies inside the interval.
    """
    if value.status != "ok" or value.low is None or value.high is None:
        return "cannot say", value.reason
    beyond = value.low > check.limit if check.direction == "above" else value.high < check.limit
    within = value.high < check.limit if check.direction == "above" else value.low > check.limit
    if beyond:
        return "present", ""
    if within:
        return "not seen", ""
    return "borderline", "the limit lies inside the 95 % interval"


def _findings(
    check: Check, by_key: dict[tuple[str, str], MetricValue], prosthetic_sides: tuple[Side, ...]
) -> list[Finding]:
    """The check on every limb that it applies to."""
    sides, reason = _sides(check, prosthetic_sides)
    if reason:
        return [
            _finding(
                check,
                MetricValue(check.metric, check.side, None, check.unit, 0, None, None, None, "not_visible", reason),
            )
        ]
    return [_finding(check, by_key[check.metric, side]) for side in sides]


def _sides(check: Check, prosthetic_sides: tuple[Side, ...]) -> tuple[list[str], str]:
    """The value sides a check reads, or the reason why there is none."""
    one = len(prosthetic_sides) == 1
    if check.side == "prosthetic":
        return list(prosthetic_sides), "" if prosthetic_sides else "the manifest names no prosthetic limb"
    if not one:
        why = "both limbs are prosthetic" if prosthetic_sides else "the manifest names no prosthetic limb"
        return [], f"{why}: there is no sound side to compare with"
    return (["prosthetic/sound"] if check.side == "both" else [other_side(prosthetic_sides[0])]), ""


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
    )


def _without_open_pairs(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings in which an interval that reaches past an upper and a lower limit says nothing at all."""
    open_ends = {
        (finding.metric, finding.side, finding.direction) for finding in findings if finding.verdict == "borderline"
    }
    reason = "the 95 % interval reaches past both limits"
    return tuple(
        replace(finding, verdict="cannot say", reason=reason)
        if {(finding.metric, finding.side, way) for way in ("above", "below")} <= open_ends
        else finding
        for finding in findings
    )


def _fault(definition: FaultDefinition, findings: tuple[Finding, ...], prosthetic_sides: tuple[Side, ...]) -> Fault:
    """One fault's verdict from its findings."""
    findings = _without_open_pairs(findings)
    verdicts = {finding.verdict for finding in findings}
    verdict = next(item for item in STRONGEST_FIRST[definition.rule] if item in verdicts)
    reasons = dict.fromkeys(finding.reason for finding in findings if finding.verdict == verdict and finding.reason)
    side = " and ".join(prosthetic_sides) if definition.side == "prosthetic" else definition.side
    if definition.side == "sound" and len(prosthetic_sides) == 1:
        side = other_side(prosthetic_sides[0])
    return Fault(
        name=definition.name,
        title=definition.title,
        side=side,
        verdict=verdict,
        reason="; ".join(reasons),
        urgent=definition.urgent and verdict in ("present", "borderline"),
        findings=findings,
    )
