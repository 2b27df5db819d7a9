"""Numbers, limbs and limits in the words of the pages."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from pipeline.checks import LimbVerdict, findings_behind, limb_verdicts
from pipeline.judgement import Fault, FaultDefinition, Finding, Verdict, verdict_in_force
from pipeline.language import localised, say, say_count, say_saved
from pipeline.metrics import CATALOGUE
from pipeline.model import SIDES, MetricValue, OwnError, Side, anatomical_side, other_side

# Decimals worth reading, by unit; a unit that is not listed gets two.
DECIMALS = {
    "deg": 1,
    "deg/s": 0,
    "s": 2,
    "m": 2,
    "cm": 1,
    "m/s": 2,
    "steps/min": 0,
    "px": 0,
    "1/s": 1,
    "1": 2,
}
RATIO = "ratio"
VERDICTS: tuple[Verdict, ...] = ("present", "borderline", "cannot say", "not seen")


def number_words(value: float, unit: str) -> str:
    """A number with the decimals of its unit, a true minus sign and the decimal sign of the language."""
    decimals = 1 if unit.startswith("%") else DECIMALS.get(unit, 2)
    text = localised(f"{value:.{decimals}f}")
    is_zero = not text.strip("-0.,")
    return text.lstrip("-") if is_zero else text.replace("-", "\N{MINUS SIGN}")


def unit_words(unit: str) -> str:
    """A unit as it is written behind a number or on an axis; a ratio says that it is one."""
    return say(RATIO if unit == "1" else unit)


def with_unit(value: float | None, unit: str) -> str:
    """A number with its unit; empty for None."""
    if value is None:
        return ""
    if not math.isfinite(value):
        return say("not known")
    shown_unit = f"({unit_words(unit)})" if unit == "1" else unit_words(unit)
    return f"{number_words(value, unit)} {shown_unit}"


def own_error_words(finding: Finding, errors: Mapping[str, OwnError], prosthetic_sides: Sequence[Side]) -> str:
    """The own error of a finding's metric on its limb, with its unit; empty where there is none."""
    if finding.metric not in errors:
        return ""
    own = errors[finding.metric].of_limb(finding.side in prosthetic_sides)
    sd = with_unit(own.sd, finding.unit)
    if not own.bias:
        return sd
    return say("{sd}, and {bias} in the mean, found minus true", sd=sd, bias=with_unit(own.bias, finding.unit))


def plain_number(value: float, unit: str) -> str:
    """A number of a recording: counts whole, shares with two decimals, the rest with its unit."""
    if unit != "1" or not math.isfinite(value):
        return with_unit(value, unit)
    return f"{value:.0f}" if value > 1.0 else localised(f"{value:.2f}")


def interval_words(low: float | None, high: float | None, unit: str) -> str:
    """A 95 % interval without its unit; empty when there is none, or none that is known."""
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return ""
    return say("{low} to {high}", low=number_words(low, unit), high=number_words(high, unit))


def limit_words(finding: Finding) -> str:
    """What would count as outside, e.g. `above 2.0 % leg length`."""
    limit = with_unit(finding.limit, finding.unit)
    return say("above {limit}", limit=limit) if finding.direction == "above" else say("below {limit}", limit=limit)


def limb_words(side: str, prosthetic_sides: Sequence[Side]) -> str:
    """Name a limb both ways where that is possible: `prosthetic (right)`.

    Parameters
    ----------
    side : str
        `left`, `right`, `prosthetic`, `sound`, `both`, or a comparison such as `prosthetic/sound`.
    prosthetic_sides : sequence of {"left", "right"}
        None, one or two.
    """
    if side == "both":
        return say("both limbs compared")
    if "/" in side:
        first, second = side.split("/", 1)
        words = [limb_words(one, prosthetic_sides) for one in (first, second)]
        return say("{first} against {second}", first=words[0], second=words[1])
    if len(prosthetic_sides) != 1:
        is_anatomical = side in ("left", "right")
        if is_anatomical and prosthetic_sides:
            return say("{side} (prosthetic)", side=say(side))
        return say(side)
    prosthetic = prosthetic_sides[0]
    sound = other_side(prosthetic)
    if side in ("prosthetic", prosthetic):
        return say("prosthetic ({side})", side=say(prosthetic))
    return say("sound ({side})", side=say(sound)) if side in ("sound", sound) else say(side)


def fault_limb_words(fault: Fault, definition: FaultDefinition | None, prosthetic_sides: Sequence[Side]) -> str:
    """Name the limbs on which a fault has the verdict in force; those it was judged on where a person overruled it.

    A person's verdict is about the fault and names no limb: what the person saw may be on either.
    """
    if not _each_limb_judged(fault):
        return limb_words(fault.side, prosthetic_sides)
    verdicts = _limb_verdicts(fault, definition, prosthetic_sides)
    overruled = verdict_in_force(fault) != fault.verdict
    limbs = [one.limb for one in verdicts if overruled or one.verdict == fault.verdict]
    if len(limbs) == 1:
        return limb_words(limbs[0] or fault.side, prosthetic_sides)
    if overruled and verdict_in_force(fault) in ("present", "borderline"):
        return say("left or right")
    return limb_words(" and ".join(prosthetic_sides or SIDES), prosthetic_sides)


def fault_reason_words(fault: Fault, definition: FaultDefinition | None, prosthetic_sides: Sequence[Side]) -> str:
    """The reason of a fault's own verdict; a limb stands before what is a reason for that limb alone."""
    if not _each_limb_judged(fault):
        return say_saved(fault.reason)
    sides: dict[str, set[str]] = {}
    for finding in deciding_findings(fault, definition, prosthetic_sides):
        if finding.reason:
            sides.setdefault(finding.reason, set()).add(finding.side)
    named = [
        say_saved(f"{next(iter(own))} limb: {reason}" if len(own) == 1 and own <= {*SIDES} else reason)
        for reason, own in sides.items()
    ]
    return "; ".join(named) or say_saved(fault.reason)


def deciding_findings(
    fault: Fault, definition: FaultDefinition | None, prosthetic_sides: Sequence[Side]
) -> tuple[Finding, ...]:
    """The findings with a fault's own verdict, of the limbs that have it."""
    return findings_behind(fault.verdict, _limb_verdicts(fault, definition, prosthetic_sides), fault.findings)


def _each_limb_judged(fault: Fault) -> bool:
    """Whether a fault was looked for on either limb by itself: without exactly one prosthesis."""
    return fault.side not in SIDES and {*SIDES} <= {finding.side for finding in fault.findings}


def _limb_verdicts(
    fault: Fault, definition: FaultDefinition | None, prosthetic_sides: Sequence[Side]
) -> tuple[LimbVerdict, ...]:
    """The verdicts of the limbs by the fault's rule; `any` where its definition is not known."""
    return limb_verdicts(fault.findings, definition.rule if definition else "any", prosthetic_sides)


def sides_in_order(prosthetic_sides: Sequence[Side]) -> tuple[Side, Side]:
    """Both sides, the prosthetic one first where there is exactly one."""
    first: Side = prosthetic_sides[0] if len(prosthetic_sides) == 1 else "left"
    return first, other_side(first)


def prosthetic_words(prosthetic_sides: Sequence[Side]) -> str:
    """The prosthetic side of a person, in words."""
    if not prosthetic_sides:
        return say("none")
    return say("both" if len(prosthetic_sides) == 2 else prosthetic_sides[0])


def plain_name(identifier: str) -> str:
    """An identifier as words: `hip_vault_height` becomes `Hip vault height`."""
    words = identifier.replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def metric_title(metric: str) -> str:
    """Title of a metric from the catalogue, or its id as words."""
    return say(CATALOGUE[metric].title) if metric in CATALOGUE else plain_name(metric)


def sign_words(metric: str) -> str:
    """Which way a metric is positive, from the catalogue; empty where a size has no sign."""
    spec = CATALOGUE.get(metric)
    if spec is None or not spec.positive:
        return ""
    what = say(spec.positive)
    return say("above 1: {what}", what=what) if spec.unit == "1" else say("positive: {what}", what=what)


def stride_words(count: int) -> str:
    """A count of strides."""
    return say_count("{n} stride", "{n} strides", count)


def severity_words(severity: str, clear: float | None, severe: float | None, unit: str) -> str:
    """A severity with the numbers behind it: `clear (clear from 10.0, severe from 16.0 deg)`; empty for none."""
    steps = []
    if clear is not None:
        steps.append(say("clear from {number}", number=number_words(clear, unit)))
    if severe is not None:
        steps.append(say("severe from {number}", number=number_words(severe, unit)))
    if not severity or not steps:
        return say(severity)
    return f"{say(severity)} ({', '.join(steps)}{'' if unit == '1' else ' ' + say(unit)})"


def view_words(metric: MetricValue | None) -> str:
    """The value of each view, where several gave one: `anterior 3.1 (2.0 to 4.2), posterior ...`."""
    if metric is None:
        return ""
    return ", ".join(
        f"{say(one.view)} {number_words(one.value, metric.unit)} ({interval_words(one.low, one.high, metric.unit)}), "
        f"{stride_words(one.n_strides)}"
        for one in metric.by_view
    )


def in_reading_order(faults: Sequence[Fault]) -> list[Fault]:
    """What needs action first: urgent and seen, present, borderline, cannot say, not seen."""

    def rank(fault: Fault) -> tuple[int, int]:
        seen = {fault.verdict, verdict_in_force(fault)} & {"present", "borderline"}
        return (0 if fault.urgent and seen else 1, VERDICTS.index(verdict_in_force(fault)))

    return sorted(faults, key=rank)


def counts_sentence(faults: Sequence[Fault]) -> str:
    """How many faults have each verdict, as one sentence."""
    if not faults:
        return say("No fault was looked for.")
    counts = [(sum(verdict_in_force(fault) == verdict for fault in faults), verdict) for verdict in VERDICTS]
    parts = ", ".join(f"{count} {say(verdict)}" for count, verdict in counts if count)
    return say_count(
        "Of {n} fault looked for: {counts}.", "Of {n} faults looked for: {counts}.", len(faults), counts=parts
    )


def side_of_interest(fault: Fault, definition: FaultDefinition | None, sides: Sequence[Side]) -> Side | None:
    """The anatomical side on whose stride a fault's phase is counted; the prosthetic one when it is both."""
    name = definition.side if definition else fault.side
    side = anatomical_side(name, sides) or anatomical_side(fault.side, sides)
    return side or (sides[0] if len(sides) == 1 else None)
