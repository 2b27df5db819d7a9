"""What to consider at a visit and in which order, as words for the templates."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.judgement import Candidate, Fault, VisitReport, verdict_in_force
from pipeline.language import say, say_count, say_saved
from pipeline.report.layout import Layout, Source
from pipeline.report.words import plain_name

# The first ranks are shown open, but none that more candidates share: their sums tell them no further apart. The very
# first is open always. Own choices.
LAST_OPEN_RANK = 5
MOST_OPEN_OF_A_RANK = 5
# How sources are known, from the surest to the least sure.
STANDINGS = ("read", "read second hand", "from memory", "common practice", "own choice")
# Levels of amputation whose prosthesis has no knee joint.
NO_KNEE = ("partial foot", "ankle disarticulation", "transtibial")


@dataclass(frozen=True, slots=True)
class CandidateView:
    """One candidate: its rank, its sum line by line, and how to examine it."""

    anchor: str
    rank: int
    tie: str
    title: str
    group: str
    lines: tuple[tuple[str, str], ...]
    total: str
    sum: str
    open: tuple[str, ...]
    examine: tuple[str, ...]
    cautions: tuple[str, ...]
    sources: str
    is_open: bool


@dataclass(frozen=True, slots=True)
class FaultConsidered:
    """What explains one fault, in the order of the visit; `none` says why there is nothing where that needs a word."""

    candidates: tuple[CandidateView, ...]
    none: str


@dataclass(frozen=True, slots=True)
class ConsiderView:
    """The list of a visit, what has to be said about it, and the part of each fault by its name.

    `none` says why nothing is listed; `linked` whether the page has the section at all.
    """

    candidates: tuple[CandidateView, ...]
    none: str
    notes: tuple[str, ...]
    sources: tuple[tuple[str, str], ...]
    by_fault: dict[str, FaultConsidered]
    linked: bool


def consider_view(report: VisitReport, layout: Layout, sources: dict[str, Source]) -> ConsiderView:
    """Return what a visit's pages say about what to consider."""
    texts = layout.consider
    shared = Counter(candidate.rank for candidate in report.candidates)
    views = {one.cause: _candidate(one, shared[one.rank], sources) for one in report.candidates}
    keys = dict.fromkeys(key for candidate in report.candidates for key, _ in candidate.sources)
    without_knee = any(level in NO_KNEE for level in report.levels)
    notes = (
        texts.arithmetic + ("" if all(view.is_open for view in views.values()) else f" {texts.folded}"),
        texts.known.format(file=report.run.causes_file, standings=_standings(report.candidates)),
        texts.no_knee.format(levels=" / ".join(say(level) for level in report.levels)) if without_knee else "",
    )
    return ConsiderView(
        candidates=tuple(views.values()),
        none="" if views else _why_none(report, layout),
        notes=tuple(note for note in notes if note and views),
        sources=tuple((_source_name(key, sources), _source_words(key, sources)) for key in keys),
        by_fault={fault.name: _of_fault(fault, report, views, layout) for fault in report.faults},
        linked="consider" in layout.visit_sections,
    )


def _candidate(candidate: Candidate, sharing: int, sources: dict[str, Source]) -> CandidateView:
    """One candidate in words."""
    named = dict.fromkeys(_with_standing(key, standing, sources) for key, standing in candidate.sources)
    return CandidateView(
        anchor=f"consider-{candidate.cause}",
        rank=candidate.rank,
        tie=say("shared by {n}", n=sharing) if sharing > 1 else "",
        title=say(candidate.title),
        group=say(candidate.group),
        lines=tuple((say_saved(line.text), _signed(line.amount)) for line in candidate.lines),
        total=_points(candidate.score),
        sum=_number(candidate.score),
        open=tuple(say_saved(one) for one in candidate.open),
        examine=tuple(say(one) for one in candidate.examine),
        cautions=tuple(say(one) for one in candidate.cautions),
        sources=" · ".join(named),
        is_open=candidate.rank == 1 or (candidate.rank <= LAST_OPEN_RANK and sharing <= MOST_OPEN_OF_A_RANK),
    )


def _why_none(report: VisitReport, layout: Layout) -> str:
    """Why nothing is listed."""
    texts = layout.consider
    if not report.run.causes_sha256:
        return texts.earlier
    if not report.prosthetic_sides:
        return texts.no_prosthesis
    if any(verdict_in_force(fault) == "present" for fault in report.faults):
        return texts.not_in_file.format(file=report.run.causes_file)
    return texts.nothing_present


def _of_fault(fault: Fault, report: VisitReport, views: dict[str, CandidateView], layout: Layout) -> FaultConsidered:
    """The candidates that explain a fault."""
    explaining = [
        one
        for one in report.candidates
        if any(line.fault == fault.name and line.kind == "explained" for line in one.lines)
    ]
    alone = verdict_in_force(fault) == "borderline" and report.prosthetic_sides and report.run.causes_sha256
    return FaultConsidered(
        tuple(views[one.cause] for one in explaining),
        layout.consider.fault_alone if alone and not explaining else "",
    )


def _standings(candidates: Sequence[Candidate]) -> str:
    """How the sources of a list are known, each counted once: `2 read second hand, 1 from memory`."""
    standing_of = {key: standing for candidate in candidates for key, standing in candidate.sources}
    counts = Counter(standing_of.values())
    return ", ".join(f"{counts[standing]} {say(standing)}" for standing in STANDINGS if counts[standing])


def _source_name(key: str, sources: dict[str, Source]) -> str:
    """A source's short name: authors and year, or its key as words."""
    source = sources.get(key)
    return source.short if source and source.short else plain_name(key)


def _source_words(key: str, sources: dict[str, Source]) -> str:
    """A source as a line for a reader."""
    return sources[key].words() if key in sources else say("The source {key} is not in configs/sources.toml.", key=key)


def _with_standing(key: str, standing: str, sources: dict[str, Source]) -> str:
    """A source's short name and how well it is known; a kind that says both stands alone."""
    name = _source_name(key, sources)
    return say(standing) if name.lower().startswith(standing) else f"{name}, {say(standing)}"


def _number(value: int) -> str:
    """A whole number with a true minus sign."""
    return str(value).replace("-", "\N{MINUS SIGN}")


def _signed(amount: int) -> str:
    """Points that are added or taken off, with their sign."""
    return f"+{amount}" if amount > 0 else _number(amount)


def _points(score: int) -> str:
    """A sum with its unit."""
    return say_count("{n} point", "{n} points", score).replace("-", "\N{MINUS SIGN}")
