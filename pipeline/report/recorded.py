"""What the clinic itself recorded at a visit, as rows of words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.judgement import Recorded, VisitReport
from pipeline.language import localised, say
from pipeline.report.layout import Source

# What is better, in words.
BETTER_WORDS = {"less": "less is better", "more": "more is better", "neither": "neither direction is better"}


@dataclass(frozen=True, slots=True)
class RecordedRow:
    """One recorded measure; `detectable` says what is known of chance, `why_none` why there is no value."""

    title: str
    about: str
    better: str
    value: str
    why_none: str
    note: str
    detectable: str
    source: str


def recorded_rows(report: VisitReport, sources: Mapping[str, Source]) -> tuple[RecordedRow, ...]:
    """Return one row a measure that was recorded at a visit, in the order of the clinic's list."""
    return tuple(
        RecordedRow(
            title=say(one.title),
            about=say(one.about),
            better=say(BETTER_WORDS[one.better]),
            value="" if one.value is None else recorded_words(one.value, one.unit),
            why_none=say("not done, because {reason}", reason=one.note) if one.value is None else "",
            note="" if one.value is None else one.note,
            detectable=say("not known") if one.detectable is None else recorded_words(one.detectable, one.unit),
            source=source_of(one, sources),
        )
        for one in report.recorded
    )


def recorded_facts(report: VisitReport) -> tuple[tuple[str, str], ...]:
    """Return the file of the clinic's list with its hash, name and value, where something was recorded."""
    run = report.run
    return (
        ((say("Recorded measures"), f"{run.recorded_file}, SHA-256 {run.recorded_sha256}"),) if report.recorded else ()
    )


def recorded_number(value: float) -> str:
    """A recorded number as it was written, with a true minus sign and the decimal sign of the language."""
    return localised(f"{value:.10g}").replace("-", "\N{MINUS SIGN}")


def recorded_words(value: float, unit: str) -> str:
    """A recorded number with its unit."""
    return f"{recorded_number(value)} {say(unit)}"


def source_of(one: Recorded, sources: Mapping[str, Source]) -> str:
    """Return where a detectable change comes from, in words; empty where there is none."""
    source = sources.get(one.source)
    if source is None:
        return say(one.source)
    return f"{source.short}, {say(source.known)}" if source.short else source.words()
