"""How records look in a notebook: small HTML tables in the words of the pages, all text escaped.

Where verdicts are shown, the caution of the pages stands below. A verdict is a word, never a colour alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import singledispatch
from typing import Any

from pipeline.agreement import Estimate, VerdictPairs
from pipeline.agreement_sizes import BlandAltman
from pipeline.errors import ConfigError
from pipeline.judgement import Fault, Finding, VisitReport
from pipeline.model import MetricValue, StrideSet
from pipeline.notebook_tables import (
    VALUE_HEADS,
    block,
    bullets,
    caution,
    check_table,
    consider_lines,
    estimate_row,
    fault_table,
    finding_table,
    line,
    table,
    urgent_lines,
    value_row,
    verdict_line,
    visit_row,
)
from pipeline.precheck import ClipCheck
from pipeline.report.corrections import marks
from pipeline.report.drawings import curve_title, curve_unit
from pipeline.report.track import SubjectTrack, fault_rows, open_reasons, time_line
from pipeline.report.words import counts_sentence, prosthetic_words
from pipeline.shown import Shown
from pipeline.store import openable_path
from pipeline.study_result import StudyResult
from pipeline.tracking import Track


@dataclass(frozen=True, slots=True)
class Group(Shown):
    """Several records of one kind, to be shown in one table."""

    records: tuple[Any, ...]


def show(records: Iterable[Any]) -> Group:
    """Return several records of one kind as something that a notebook shows in one table.

    Parameters
    ----------
    records : iterable of Fault, Finding, MetricValue or ClipCheck
        Such as `report.metrics`, the faults that `judge_visit` gives, or what `check_study` yields.

    Returns
    -------
    Group

    Raises
    ------
    ConfigError
        There is another kind of record among them.
    """
    group = Group(tuple(records))
    for record in group.records:
        if not isinstance(record, (Fault, Finding, MetricValue, ClipCheck)):
            expected = "expected faults, findings, metric values or clip checks"
            raise ConfigError("show", f"found a {type(record).__name__}", expected)
    if len({type(record) for record in group.records}) > 1:
        raise ConfigError("show", "found records of several kinds", "expected one kind", "Show each kind by itself.")
    return group


@singledispatch
def html_of(record: Any) -> str:
    """Return a record as HTML; every kind of `Shown` has its own."""
    raise TypeError(f"{type(record).__name__} has no table")


@html_of.register
def _(group: Group) -> str:
    first = group.records[0] if group.records else None
    if isinstance(first, Fault):
        return block(fault_table(group.records, ()), caution())
    if isinstance(first, Finding):
        return block(finding_table(group.records), caution())
    if isinstance(first, ClipCheck):
        return block(check_table(group.records))
    return block(table(VALUE_HEADS, (value_row(value) for value in group.records)))


@html_of.register
def _(report: VisitReport) -> str:
    facts = [f"prosthetic side: {prosthetic_words(report.prosthetic_sides)}"]
    facts += [f"level: {' / '.join(report.levels)}"] if report.levels else []
    facts += [f"aid: {report.aid}"] if report.aid else []
    facts += [f"changed before this visit: {report.changes or 'nothing was noted'}"]
    failed = [clip for clip in report.clips if clip.state == "failed"]
    return block(
        line(f"{report.subject}, visit {report.visit}, {report.visit_date.isoformat()}", strong=True),
        line("; ".join(facts)),
        *urgent_lines(report.faults),
        line(counts_sentence(report.faults)),
        fault_table(report.faults, report.prosthetic_sides, marks(report)),
        *(line(f"Clip {clip.clip_id} failed: {clip.message}") for clip in failed),
        *(line(note) for note in report.notes),
        *consider_lines(report),
        caution(),
    )


@html_of.register
def _(fault: Fault) -> str:
    return block(
        line(verdict_line(fault), strong=True),
        *urgent_lines((fault,)),
        line(f"Reason: {fault.reason}") if fault.reason else "",
        finding_table(fault.findings),
        caution(),
    )


@html_of.register
def _(finding: Finding) -> str:
    return block(finding_table((finding,)), caution())


@html_of.register
def _(value: MetricValue) -> str:
    return block(table(VALUE_HEADS, [value_row(value)]))


@html_of.register
def _(strides: StrideSet) -> str:
    found, rows = strides.table, []
    for view, side in dict.fromkeys(zip(found["view"], found["side"], strict=True)):
        part = found[(found["view"] == view) & (found["side"] == side)]
        counts = part["why_not"].loc[~part["use"].astype(bool)].value_counts()
        reasons = "; ".join(f"{reason}: {count}" for reason, count in counts.items())
        rows.append((view, side, str(int(part["use"].sum())), str(len(part)), reasons))
    curves = ", ".join(f"{name} ({curve_title(name)} [{curve_unit(name)}])" for name in strides.curves)
    return block(
        table(("View", "Limb", "Strides used", "Strides found", "Why the others are not used"), rows),
        line(f"Curves, {len(found)} strides by 101 points each: {curves or 'none'}"),
    )


@html_of.register
def _(study: StudyResult) -> str:
    clips = [(clip.clip_id, clip.state, clip.message or "; ".join(clip.reused)) for clip in study.clips]
    pages = f"The page of the whole study: {openable_path(study.page)}" if study.page else study.page_message
    return block(
        line(f"Run {study.run.run_id}, pose model {study.run.model}", strong=True),
        table(("Clip", "State", "What to know"), clips),
        table(("Visit", "Verdicts", "Page", "What to know"), (visit_row(visit) for visit in study.visits)),
        *(line(note) for note in study.notes),
        line(pages),
        caution(),
    )


@html_of.register
def _(found: SubjectTrack) -> str:
    losses = (line(f"Left out: {place}: {message}") for place, message in found.losses.items())
    return block(html_of(found.track), *losses)


@html_of.register
def _(track: Track) -> str:
    latest = track.visits[-1].visit
    chance = f"about {track.by_chance:.1f} would be called by chance alone if nothing had changed"
    heads = ("Fault", "Verdicts", "Measure", "Before", "Latest", "Change", "Verdict of the change")
    return block(
        line(f"{track.subject}: visit {latest} against visit {track.baseline}", strong=True),
        bullets(time_line(track.visits)),
        table(heads, fault_rows(track)),
        bullets(f"cannot say, {reason}" for reason in open_reasons(track.changes)),
        line(f"A change is called when it exceeds the smallest detectable one. Of {track.n_judged} measures {chance}."),
        caution(),
    )


@html_of.register
def _(estimate: Estimate) -> str:
    return block(table(("Value", "95 % interval", "Pairs", "Note"), [estimate_row(estimate)]))


@html_of.register
def _(agreement: BlandAltman) -> str:
    named = (
        ("Bias", agreement.bias),
        ("Lower limit of agreement", agreement.lower),
        ("Upper limit of agreement", agreement.upper),
    )
    rows = [(name, *estimate_row(estimate)) for name, estimate in named]
    spread = "not known" if agreement.sd is None else f"{agreement.sd:.3g}"
    return block(
        table(("First less second, in the unit of the sizes", "Value", "95 % interval", "Pairs", "Note"), rows),
        line(f"Standard deviation of the differences: {spread}. Pairs with a missing size: {agreement.n_left_out}."),
    )


@html_of.register
def _(pairs: VerdictPairs) -> str:
    rows = [
        (name, *(f"{count:.0f}" for count in counts))
        for name, counts in zip(pairs.categories, pairs.counts, strict=True)
    ]
    return block(
        table(("First rater / second rater", *pairs.categories), rows),
        line(f"Counted: {pairs.n}; left out: {pairs.n_left_out}."),
    )


@html_of.register
def _(check: ClipCheck) -> str:
    return block(check_table((check,)))
