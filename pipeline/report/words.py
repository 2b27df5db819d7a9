"""Numbers, limbs and limits in the words of the pages."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.judgement import Fault, Finding, Verdict
from pipeline.metrics import CATALOGUE
from pipeline.model import MetricValue, Side, other_side

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
BECAUSE = "could not be measured, because "


def number_words(value: float, unit: str) -> str:
    """A number with the decimals of its unit and a true minus sign."""
    decimals = 1 if unit.startswith("%") else DECIMALS.get(unit, 2)
    text = f"{value:.{decimals}f}"
    is_zero = not text.strip("-0.")
    return text.lstrip("-") if is_zero else text.replace("-", "\N{MINUS SIGN}")


def unit_words(unit: str) -> str:
    """A unit as it is written behind a number or on an axis; a ratio says that it is one."""
    return RATIO if unit == "1" else unit


def with_unit(value: float | None, unit: str) -> str:
    """A number with its unit; empty for None."""
    if value is None:
        return ""
    if not math.isfinite(value):
        return "not known"
    shown_unit = f"({RATIO})" if unit == "1" else unit
    return f"{number_words(value, unit)} {shown_unit}"


def plain_number(value: float, unit: str) -> str:
    """A number of a recording: counts whole, shares with two decimals, the rest with its unit."""
    if unit != "1" or not math.isfinite(value):
        return with_unit(value, unit)
    return f"{value:.0f}" if value > 1.0 else f"{value:.2f}"


def interval_words(low: float | None, high: float | None, unit: str) -> str:
    """A 95 % interval without its unit; empty when there is none."""
    if low is None or high is None:
        return ""
    return f"{number_words(low, unit)} to {number_words(high, unit)}"


def limit_words(finding: Finding) -> str:
    """What would count as outside, e.g. `above 2.0 % leg length`."""
    return f"{finding.direction} {with_unit(finding.limit, finding.unit)}"


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
        return "both limbs compared"
    if "/" in side:
        first, second = side.split("/", 1)
        return f"{limb_words(first, prosthetic_sides)} against {limb_words(second, prosthetic_sides)}"
    if len(prosthetic_sides) != 1:
        is_anatomical = side in ("left", "right")
        return f"{side} (prosthetic)" if is_anatomical and prosthetic_sides else side
    prosthetic = prosthetic_sides[0]
    sound = other_side(prosthetic)
    names = {
        "prosthetic": f"prosthetic ({prosthetic})",
        prosthetic: f"prosthetic ({prosthetic})",
        "sound": f"sound ({sound})",
        sound: f"sound ({sound})",
    }
    return names.get(side, side)


def anatomical_side(side: str, prosthetic_sides: Sequence[Side]) -> Side | None:
    """The anatomical side that a name means; None where it means no single one."""
    if side == "left" or side == "right":
        return "left" if side == "left" else "right"
    if len(prosthetic_sides) != 1 or side not in ("prosthetic", "sound"):
        return None
    return prosthetic_sides[0] if side == "prosthetic" else other_side(prosthetic_sides[0])


def sides_in_order(prosthetic_sides: Sequence[Side]) -> tuple[Side, Side]:
    """Both sides, the prosthetic one first where there is exactly one."""
    first: Side = prosthetic_sides[0] if len(prosthetic_sides) == 1 else "left"
    return first, other_side(first)


def prosthetic_words(prosthetic_sides: Sequence[Side]) -> str:
    """The prosthetic side of a person, in words."""
    if not prosthetic_sides:
        return "none"
    return "both" if len(prosthetic_sides) == 2 else prosthetic_sides[0]


def plain_name(identifier: str) -> str:
    """An identifier as words: `hip_vault_height` becomes `Hip vault height`."""
    words = identifier.replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def metric_title(metric: str) -> str:
    """Title of a metric from the catalogue, or its id as words."""
    return CATALOGUE[metric].title if metric in CATALOGUE else plain_name(metric)


def sign_words(metric: str) -> str:
    """Which way a metric is positive, from the catalogue; empty where a size has no sign."""
    spec = CATALOGUE.get(metric)
    if spec is None or not spec.positive:
        return ""
    return f"above 1: {spec.positive}" if spec.unit == "1" else f"positive: {spec.positive}"


def count_words(count: int, singular: str, plural: str = "") -> str:
    """A count with its noun."""
    return f"{count} {singular}" if count == 1 else f"{count} {plural or singular + 's'}"


def severity_words(severity: str, clear: float | None, severe: float | None, unit: str) -> str:
    """A severity with the numbers behind it: `clear (clear from 10.0, severe from 16.0 deg)`; empty for none."""
    steps = [(name, step) for name, step in (("clear", clear), ("severe", severe)) if step is not None]
    if not severity or not steps:
        return severity
    numbers = ", ".join(f"{name} from {number_words(step, unit)}" for name, step in steps)
    return f"{severity} ({numbers}{'' if unit == '1' else ' ' + unit})"


def view_words(metric: MetricValue | None) -> str:
    """The value of each view, where several gave one: `anterior 3.1 (2.0 to 4.2), posterior ...`."""
    if metric is None:
        return ""
    return ", ".join(
        f"{one.view} {number_words(one.value, metric.unit)} ({interval_words(one.low, one.high, metric.unit)}), "
        f"{count_words(one.n_strides, 'stride')}"
        for one in metric.by_view
    )


def leading_finding(fault: Fault) -> Finding | None:
    """The finding that decided the verdict: the severest with the fault's own verdict, else the first."""
    order = ("severe", "clear", "slight", "")
    own = [finding for finding in fault.findings if finding.verdict == fault.verdict and finding.applies]
    return min(own or fault.findings, key=lambda finding: order.index(finding.severity), default=None)


def in_reading_order(faults: Sequence[Fault]) -> list[Fault]:
    """What needs action first: urgent and seen, present, borderline, cannot say, not seen."""

    def rank(fault: Fault) -> tuple[int, int]:
        is_danger = fault.urgent and fault.verdict in ("present", "borderline")
        return (0 if is_danger else 1, VERDICTS.index(fault.verdict))

    return sorted(faults, key=rank)


def counts_sentence(faults: Sequence[Fault]) -> str:
    """How many faults have each verdict, as one sentence."""
    if not faults:
        return "No fault was looked for."
    counts = [(sum(fault.verdict == verdict for fault in faults), verdict) for verdict in VERDICTS]
    parts = [f"{count} {verdict}" for count, verdict in counts if count]
    return f"Of {count_words(len(faults), 'fault')} looked for: {', '.join(parts)}."
