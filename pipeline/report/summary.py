"""The faults of a visit as one line each, and its dangers, as rows of words for the templates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.judgement import (
    Fault,
    FaultDefinition,
    VisitReport,
    leading_finding,
    severity_in_force,
    verdict_in_force,
)
from pipeline.language import in_sentence, say, say_count
from pipeline.model import Side
from pipeline.report.corrections import Marks, marks, overruled_words
from pipeline.report.faults import page_name
from pipeline.report.layout import Layout
from pipeline.report.words import (
    deciding_findings,
    fault_limb_words,
    fault_reason_words,
    in_reading_order,
    interval_words,
    limit_words,
    metric_title,
    with_unit,
)


@dataclass(frozen=True, slots=True)
class SummaryRow:
    """One fault in one line; `reason` stands in place of size and limit where it cannot be said.

    `verdict` is the one in force; the size is that of the pipeline, whose own verdict differs where `overruled` says by
    whom and why. `mark` says what a person corrected of what it rests on.
    """

    name: str
    file: str
    title: str
    verdict: str
    urgent: bool
    limb: str
    metric: str
    size: str
    interval: str
    limit: str
    standing: str
    strides: int
    reason: str
    more: str
    severity: str
    own_verdict: str
    overruled: str
    mark: str


@dataclass(frozen=True, slots=True)
class UrgentPart:
    """What to do before anything else: dangers seen, and dangers that could not be judged."""

    heading: str
    seen: tuple[SummaryRow, ...]
    unknown: tuple[SummaryRow, ...]


def summary_rows(
    report: VisitReport, definitions: dict[str, FaultDefinition], layout: Layout
) -> tuple[SummaryRow, ...]:
    """Return one row a fault of a visit, in the order in which they ask for action."""
    return fault_rows(report.faults, report.prosthetic_sides, definitions, layout, marks(report))


def fault_rows(
    faults: Sequence[Fault],
    sides: Sequence[Side],
    definitions: dict[str, FaultDefinition],
    layout: Layout,
    marked: Marks,
) -> tuple[SummaryRow, ...]:
    """Return one row a fault, in the order in which they ask for action."""
    return tuple(_summary_row(one, definitions, sides, layout, marked) for one in in_reading_order(faults))


def _summary_row(
    fault: Fault, definitions: dict[str, FaultDefinition], sides: Sequence[Side], layout: Layout, marked: Marks
) -> SummaryRow:
    """One fault's line: the finding that decided it, or why it cannot be said."""
    definition = definitions.get(fault.name)
    deciding = deciding_findings(fault, definition, sides)
    finding = leading_finding(replace(fault, findings=deciding) if deciding else fault)
    others = sum(finding.applies for finding in fault.findings) - 1
    return SummaryRow(
        name=fault.name,
        file=page_name(fault.name),
        title=say(fault.title),
        verdict=verdict_in_force(fault),
        urgent=fault.urgent or (definition is not None and definition.urgent),
        limb=fault_limb_words(fault, definition, sides),
        metric=metric_title(finding.metric) if finding else "",
        size=with_unit(finding.value, finding.unit) if finding else "",
        interval=interval_words(finding.low, finding.high, finding.unit) if finding else "",
        limit=limit_words(finding) if finding else "",
        standing=layout.standing.get(finding.standing, finding.standing) if finding else "",
        strides=finding.n_strides if finding else 0,
        reason=fault_reason_words(fault, definition, sides)
        or (say("no finding was made") if fault.verdict == "cannot say" else ""),
        more=say_count("and {n} other finding", "and {n} other findings", others) if others > 0 else "",
        severity=say(severity_in_force(fault)),
        own_verdict=fault.verdict,
        overruled=overruled_words(fault),
        mark=marked.words(fault.corrections),
    )


def urgent_part(rows: Sequence[SummaryRow], layout: Layout) -> UrgentPart | None:
    """Return the dangers among the rows; None when every urgent fault was judged and not seen."""
    urgent = [row for row in rows if row.urgent]
    # A danger that the pipeline or the person saw stays one.
    seen = tuple(row for row in urgent if {row.verdict, row.own_verdict} & {"present", "borderline"})
    unknown = tuple(row for row in urgent if row not in seen and row.verdict == "cannot say")
    if not seen and not unknown:
        return None
    titles = say(" and ").join(in_sentence(row.title) for row in seen)
    return UrgentPart(layout.cautions.urgent_heading.format(faults=titles), seen, unknown)
