"""Human raters' verdicts and sizes against the pipeline's and against each other's, as one table for statistics."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd

from pipeline.agreement import (
    Estimate,
    cohen_kappa,
    gwet_ac1,
    pair_verdicts,
    percent_agreement,
    sensitivity_and_specificity,
)
from pipeline.agreement_sizes import BlandAltman, bland_altman, intraclass_correlation
from pipeline.errors import ManyProblems
from pipeline.judgement import Fault, Verdict, VisitReport
from pipeline.model import SIDES, FloatArray
from pipeline.ratings import TOOL, Rating, twice
from pipeline.tables import Column, check_table, empty_table

ALL_FAULTS = "all faults"
AGREEMENT: tuple[Column, ...] = (
    Column("fault", "text", "", f"the fault's name, or {ALL_FAULTS}"),
    Column("first", "text", "", f"a rater, or {TOOL}: what the pipeline said"),
    Column("second", "text", "", "the rater that the first is compared with"),
    Column("statistic", "text", "", "what was computed; pipeline/docs/agreement.md explains each"),
    Column("unit", "text", "", "unit of value, low and high"),
    Column("value", "number", "", "empty where it cannot be computed"),
    Column("low", "number", "", "lower end of the 95 % interval; empty where there is none"),
    Column("high", "number", "", "upper end of the 95 % interval; empty where there is none"),
    Column("n", "whole", "1", "pairs that it rests on"),
    Column("left_out", "whole", "1", "judged by both and not counted: cannot say, or a size that is missing"),
    Column("unpaired", "whole", "1", "judged by only one of the two, or each of them another limb"),
    Column("note", "text", "", "why a number is missing, or what weakens it"),
)
REPEATED = "several items of one person, which are alike: the interval is too narrow"
# (subject, visit, fault).
Item = tuple[str, str, str]
# Of the verdicts of two limbs the first in this order is that of both together.
WORST_FIRST: tuple[Verdict, ...] = ("present", "borderline", "cannot say", "not seen")
# Name, unit, estimate, and how many items that both judged are left out.
Statistic = tuple[str, str, Estimate, int]


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict, and sizes by their unit."""

    verdict: Verdict
    sizes: Mapping[str, float] = field(default_factory=dict)


# What was said of each item: by limb, or under the empty text where no single limb was named.
Said = Mapping[Item, Mapping[str, Judged]]
# One item as both judged it.
Pair = tuple[Item, Judged, Judged]


def agreement_table(ratings: Sequence[Rating], reports: Sequence[VisitReport]) -> pd.DataFrame:
    """Return every statistic for each fault and overall, tool against rater and rater against rater.

    Parameters
    ----------
    ratings : sequence of Rating
    reports : sequence of VisitReport
        What the pipeline said; may be empty, then raters are compared with each other only.

    Returns
    -------
    DataFrame, columns of `AGREEMENT`
        First tool against each rater, then the raters in pairs. Sizes are compared for single faults, in one unit;
        differences are first less second.

    Raises
    ------
    ManyProblems
        A visit is named as a spreadsheet names it that takes leading zeros away, or a rater judged the same twice.

    Notes
    -----
    A size is compared with the pipeline's when just one of the fault's measures has that unit: which of two was meant
    would be a guess. Verdicts of one fault at one visit are a pair, whether the limb was named or not, unless each
    names a single limb and the two differ: these are unpaired. Who judged both limbs is compared limb by limb with who
    named limbs too, and else with the worse of the two verdicts.
    """
    _refuse_lost_zeros(ratings, reports)
    judged = _by_rater(ratings, reports)
    raters = [name for name in judged if name != TOOL]
    pairs = ([(TOOL, rater) for rater in raters] if reports else []) + list(combinations(raters, 2))
    rated = {item[2] for rater in raters for item in judged[rater]}
    rows: list[dict[str, object]] = []
    for fault in [*sorted(rated), ALL_FAULTS]:
        for first, second in pairs:
            one, other = (
                {item: what for item, what in judged[name].items() if fault in (item[2], ALL_FAULTS)}
                for name in (first, second)
            )
            rows += _rows(fault, first, second, one, other)
    if not rows:
        return empty_table(AGREEMENT)
    table = pd.DataFrame(rows).astype({"value": "float64", "low": "float64", "high": "float64"})
    return check_table(table, AGREEMENT, "agreement")


def size_agreement(
    ratings: Sequence[Rating], reports: Sequence[VisitReport], *, fault: str, first: str, second: str
) -> dict[str, BlandAltman]:
    """Return bias and limits of agreement of two raters' sizes of one fault.

    Parameters
    ----------
    ratings : sequence of Rating
    reports : sequence of VisitReport
        What the pipeline said; may be empty.
    fault : str
        Name of the fault, such as `vaulting`.
    first, second : str
        Raters, or `tool` for what the pipeline said; differences are first less second.

    Returns
    -------
    dict of unit to BlandAltman
        Units in which both gave a size.

    Raises
    ------
    ManyProblems
        A rater judged the same twice.

    References
    ----------
    bland_altman_1986
    """
    judged = {name.lower(): said for name, said in _by_rater(ratings, reports).items()}
    one, other = (
        {item: what for item, what in judged.get(name.lower(), {}).items() if item[2] == fault}
        for name in (first, second)
    )
    pairs, _ = _pairs(one, other)
    return {unit: bland_altman(*sizes) for unit, sizes in _sizes(pairs).items()}


def _by_rater(ratings: Sequence[Rating], reports: Sequence[VisitReport]) -> dict[str, dict[Item, dict[str, Judged]]]:
    """What each rater said of each item, and the tool, by name."""
    faults = {
        (report.subject.lower(), report.visit.lower(), fault.name): fault
        for report in reports
        for fault in report.faults
    }
    judged: dict[str, dict[Item, dict[str, Judged]]] = {TOOL: {}}
    units: dict[Item, set[str]] = {}
    problems: dict[str, None] = {}
    spelled: dict[str, str] = {}
    for rating in sorted(ratings, key=lambda one: one.rater):
        item = (rating.subject.lower(), rating.visit.lower(), rating.fault)
        sizes = {} if rating.size is None else {rating.unit: rating.size}
        # AB and ab are one person, as in the sheets.
        rater = spelled.setdefault(rating.rater.lower(), rating.rater)
        limbs = judged.setdefault(rater, {}).setdefault(item, {})
        problem = twice(rating, dict.fromkeys(limbs, ""))
        if problem:
            problems[f"{problem}."] = None
        limbs[rating.side or ""] = Judged(rating.verdict, sizes)
        units.setdefault(item, set()).update(sizes)
    if problems:
        raise ManyProblems("ratings", list(problems))
    for item, fault in faults.items():
        limb = fault.side if fault.side in SIDES else ""
        judged[TOOL][item] = {limb: Judged(fault.verdict, _tool_sizes(fault, units.get(item, set())))}
    return judged


def _tool_sizes(fault: Fault, units: set[str]) -> dict[str, float]:
    """The pipeline's size of a fault in each unit that just one of its measures has."""
    sizes = {}
    for unit in sorted(units):
        # Two limits of one measure hold the same value.
        values = {
            (one.metric, one.side): one.value for one in fault.findings if one.unit == unit and one.value is not None
        }
        if len(values) == 1:
            sizes[unit] = next(iter(values.values()))
    return sizes


def _pairs(one: Said, other: Said) -> tuple[list[Pair], int]:
    """The items that both judged, and how many verdicts found no partner."""
    pairs: list[Pair] = []
    unpaired = 0
    for item in dict.fromkeys((*one, *other)):
        limbs, answers = one.get(item, {}), other.get(item, {})
        # To name the limb goes with the verdict: who sees a fault names it, who sees none leaves it empty.
        if limbs and answers and "" in (*limbs, *answers):
            pairs.append((item, _together(limbs), _together(answers)))
            continue
        common = [limb for limb in limbs if limb in answers]
        pairs += [(item, limbs[limb], answers[limb]) for limb in common]
        unpaired += len(limbs) + len(answers) - 2 * len(common)
    return pairs, unpaired


def _together(limbs: Mapping[str, Judged]) -> Judged:
    """What was said of both limbs as one: the worse verdict, with its sizes where just one limb has it."""
    verdict = min((one.verdict for one in limbs.values()), key=WORST_FIRST.index)
    worst = [one for one in limbs.values() if one.verdict == verdict]
    return worst[0] if len(worst) == 1 else Judged(verdict)


def _rows(fault: str, first: str, second: str, one: Said, other: Said) -> Iterator[dict[str, object]]:
    """All statistics of two raters in one fault, or in all."""
    pairs, unpaired = _pairs(one, other)
    facts = {"fault": fault, "first": first, "second": second}
    repeated = len({item[0] for item, _, _ in pairs}) < len(pairs)
    found = _verdict_statistics(first, [said for _, said, _ in pairs], [answer for _, _, answer in pairs])
    if fault != ALL_FAULTS:
        found += _size_statistics(pairs)
    for statistic, unit, estimate, left_out in found:
        words = [estimate.note, REPEATED if repeated and estimate.low is not None else ""]
        yield facts | {
            "statistic": statistic,
            "unit": unit,
            "value": estimate.value,
            "low": estimate.low,
            "high": estimate.high,
            "n": estimate.n,
            "left_out": left_out,
            "unpaired": unpaired,
            "note": "; ".join(word for word in words if word),
        }


def _verdict_statistics(first: str, one: Sequence[Judged], other: Sequence[Judged]) -> list[Statistic]:
    """Agreement of verdicts; against the tool also what it found of what the rater saw."""
    said, answered = [what.verdict for what in one], [what.verdict for what in other]
    pairs = pair_verdicts(said, answered)
    found = [
        ("percent_agreement", "%", percent_agreement(pairs)),
        ("kappa", "1", cohen_kappa(pairs)),
        ("kappa_linear", "1", cohen_kappa(pairs, "linear")),
        ("kappa_quadratic", "1", cohen_kappa(pairs, "quadratic")),
        ("ac1", "1", gwet_ac1(pairs)),
    ]
    if first == TOOL:
        sensitivity, specificity = sensitivity_and_specificity(answered, said)
        found += [("sensitivity", "%", sensitivity), ("specificity", "%", specificity)]
    return [(*entry, pairs.n_left_out) for entry in found]


def _size_statistics(pairs: Sequence[Pair]) -> list[Statistic]:
    """Agreement of sizes, for each unit in which both gave one."""
    found: list[Statistic] = []
    for unit, (sizes, answers) in _sizes(pairs).items():
        limits, both = bland_altman(sizes, answers), np.column_stack([sizes, answers])
        whole = both[np.isfinite(both).all(axis=1)]
        found += [
            ("icc_2_1", "1", intraclass_correlation(whole, "2,1"), limits.n_left_out),
            ("icc_3_1", "1", intraclass_correlation(whole, "3,1"), limits.n_left_out),
            ("bias", unit, limits.bias, limits.n_left_out),
            ("lower_limit_of_agreement", unit, limits.lower, limits.n_left_out),
            ("upper_limit_of_agreement", unit, limits.upper, limits.n_left_out),
        ]
    return found


def _sizes(pairs: Sequence[Pair]) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Sizes of the items that both judged, by unit, (n_items,) each; NaN where one of them gave none."""
    units = sorted({unit for _, said, answer in pairs for unit in said.sizes if unit in answer.sizes})
    return {
        unit: (
            np.array([said.sizes.get(unit, np.nan) for _, said, _ in pairs]),
            np.array([answer.sizes.get(unit, np.nan) for _, _, answer in pairs]),
        )
        for unit in units
    }


def _refuse_lost_zeros(ratings: Sequence[Rating], reports: Sequence[VisitReport]) -> None:
    """Spreadsheets make 1 of 01; such a rating would silently find no partner."""
    known = {(report.subject.lower(), report.visit.lower()): report for report in reports}
    problems: dict[str, None] = {}
    for rating in ratings:
        subject, visit = rating.subject.lower(), rating.visit.lower()
        close = [
            f"{report.subject}-{report.visit}"
            for (one, other), report in known.items()
            if (one.lstrip("0"), other.lstrip("0")) == (subject.lstrip("0"), visit.lstrip("0"))
        ]
        if (subject, visit) not in known and close:
            problems[
                f"rater {rating.rater}: found {rating.subject}-{rating.visit}; the results have "
                f"{close[0]}. A spreadsheet may have taken the zeros away: read the columns "
                "subject and visit as text."
            ] = None
    if problems:
        raise ManyProblems("ratings", list(problems))
