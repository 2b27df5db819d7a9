"""The pieces that tables of a notebook are made of: HTML with all text escaped, and rows in the words of the pages."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from html import escape

from pipeline.agreement import Estimate
from pipeline.judgement import Fault, FaultDefinition, Finding, VisitReport, severity_in_force, verdict_in_force
from pipeline.model import MetricValue, Side
from pipeline.precheck import ClipCheck
from pipeline.report.corrections import NO_MARKS, Marks, overruled_words
from pipeline.report.layout import load_layout
from pipeline.report.summary import SummaryRow, fault_rows, urgent_part
from pipeline.report.words import (
    counts_sentence,
    interval_words,
    limb_words,
    limit_words,
    metric_title,
    plain_name,
    sign_words,
    with_unit,
)
from pipeline.store import openable_path
from pipeline.study_result import VisitResult
from pipeline.thresholds import load_limits

# As notebooks would put numbers and words to the right.
LEFT = 'style="text-align:left;vertical-align:top;padding:0.2em 0.7em"'
FAULT_HEADS = ("Fault", "Verdict", "Limb", "Size (95 % interval)", "Outside when", "Strides", "Reason")
FINDING_HEADS = ("Measure and limb", "Verdict", "Size (95 % interval)", "Outside when", "Strides", "Reason")
VALUE_HEADS = ("Measure", "Limb", "Value (95 % interval)", "Spread over strides", "Strides", "Reason")
# Longer lists of what to consider are cut here; the page has them all. Own choice.
CANDIDATES_SHOWN = 5


def fault_table(faults: Sequence[Fault], sides: Sequence[Side], marked: Marks = NO_MARKS) -> str:
    """One row a fault, in the order in which they ask for action; `marked` says what rests on corrections."""
    rows = fault_rows(faults, sides, _definitions(), load_layout(), marked)
    return table(FAULT_HEADS, (_fault_row(row) for row in rows))


def verdict_line(fault: Fault) -> str:
    """A fault's verdict that holds, with who overruled the pipeline's own, and why."""
    severity = severity_in_force(fault)
    head = f"{fault.title}: {verdict_in_force(fault)}" + (f", {severity}" if severity else "")
    overruled = overruled_words(fault)
    return f"{head}. {overruled}" if overruled else head


def _fault_row(row: SummaryRow) -> tuple[str, ...]:
    """A line of a visit's summary."""
    size = f"{row.metric} {row.size}" + (f" ({row.interval})" if row.interval else "") if row.size else ""
    verdict = f"{row.verdict}, {row.severity}" if row.severity else row.verdict
    limit = f"{row.limit} ({row.standing})" if row.limit else ""
    remarks = ". ".join(part for part in (row.reason, row.mark, row.overruled) if part)
    return (row.title, verdict, row.limb, size, limit, str(row.strides), remarks)


def finding_table(findings: Sequence[Finding]) -> str:
    """One row a finding."""
    rows = []
    for finding in findings:
        sign = sign_words(finding.metric)
        limb = limb_words(finding.side, ())
        interval = interval_words(finding.low, finding.high, finding.unit)
        verdict = f"{finding.verdict}, {finding.severity}" if finding.severity else finding.verdict
        rows.append(
            (
                f"{metric_title(finding.metric)}, {limb}" + (f"; {sign}" if sign else ""),
                verdict if finding.applies else "does not apply",
                f"{with_unit(finding.value, finding.unit)} ({interval})" if interval else "",
                f"{limit_words(finding)} ({finding.standing})",
                str(finding.n_strides),
                finding.reason,
            )
        )
    return table(FINDING_HEADS, rows)


def value_row(value: MetricValue) -> tuple[str, ...]:
    """A metric value, or why there is none."""
    interval = interval_words(value.low, value.high, value.unit)
    number = with_unit(value.value, value.unit)
    reason = "" if value.status == "ok" else f"could not be measured, because {value.reason}"
    limb, spread = limb_words(value.side, ()), with_unit(value.spread, value.unit)
    return (
        metric_title(value.metric),
        limb,
        f"{number} ({interval})" if interval else number,
        spread,
        str(value.n_strides),
        reason,
    )


def visit_row(visit: VisitResult) -> tuple[str, ...]:
    """How a visit ended."""
    counts = counts_sentence(visit.report.faults) if visit.report else ""
    since = f"unchanged since {visit.unchanged_since}" if visit.unchanged_since else ""
    page = openable_path(visit.page) if visit.page else ""
    return (f"{visit.subject}, {visit.visit}", counts, page, visit.message or since)


def check_table(checks: Sequence[ClipCheck]) -> str:
    """One row a clip: how far it can be used, and how to film better."""
    rows = []
    for check in checks:
        advice = "; ".join(f"{plain_name(note.item)}: {note.advice}" for note in check.notes if not note.ok)
        rows.append((check.clip.clip_id, check.usable, check.message or advice))
    return table(("Clip", "Usable", "What to do better"), rows)


def estimate_row(estimate: Estimate) -> tuple[str, ...]:
    """A number with its interval, or why there is none."""
    value, low, high = (
        None if number is None else f"{number:.3g}".replace("-", "\N{MINUS SIGN}")
        for number in (estimate.value, estimate.low, estimate.high)
    )
    return (value or "", f"{low} to {high}" if low and high else "", str(estimate.n), estimate.note)


def urgent_lines(faults: Sequence[Fault]) -> list[str]:
    """What to do before anything else, and which dangers could not be judged."""
    layout = load_layout()
    part = urgent_part(fault_rows(faults, (), _definitions(), layout, NO_MARKS), layout)
    if part is None:
        return []
    steps = f"{part.heading}. {' '.join(layout.cautions.urgent_steps)}"
    unknown = ", ".join(row.title for row in part.unknown)
    lines = [line(steps, strong=True)] if part.seen else []
    return [*lines, line(f"Urgent, but not judged: {unknown}.")] if unknown else lines


def consider_lines(report: VisitReport) -> list[str]:
    """What to consider first; never a diagnosis."""
    section = load_layout().section["consider"]
    shown = [f"{one.rank}. {one.title} ({one.score} points)" for one in report.candidates[:CANDIDATES_SHOWN]]
    if not shown:
        return []
    more = len(report.candidates) - len(shown)
    shown += [f"and {more} more on the page of the visit"] if more > 0 else []
    return [line(section.title, strong=True), line(section.intro), bullets(shown)]


@cache
def _definitions() -> dict[str, FaultDefinition]:
    """The shipped faults by name: they tell which are urgent."""
    return {definition.name: definition for definition in load_limits().faults}


def caution() -> str:
    """The first caution of every page."""
    return f"<p><small>{escape(load_layout().cautions.points[0])}</small></p>"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """An HTML table; the first cell of a row is its head."""
    head = "".join(f'<th scope="col" {LEFT}>{escape(cell)}</th>' for cell in heads)
    body = "".join(
        f'<tr><th scope="row" {LEFT}>{escape(str(first))}</th>'
        + "".join(f"<td {LEFT}>{escape(str(cell))}</td>" for cell in rest)
        + "</tr>"
        for first, *rest in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def bullets(lines: Iterable[str]) -> str:
    """A list; nothing where there are no lines."""
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f"<ul>{items}</ul>" if items else ""


def line(text: str, *, strong: bool = False) -> str:
    """A paragraph."""
    return f"<p><strong>{escape(text)}</strong></p>" if strong else f"<p>{escape(text)}</p>"


def block(*parts: str) -> str:
    """All parts in one block."""
    return f"<div>{''.join(parts)}</div>"
