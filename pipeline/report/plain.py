"""The report of a visit as plain text, to be pasted into a record: at most 72 columns, no markup."""

from __future__ import annotations

import textwrap
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.judgement import VisitReport
from pipeline.report.consider import ConsiderView
from pipeline.report.layout import Layout
from pipeline.report.sections import ClipView, SummaryRow, UrgentPart
from pipeline.report.words import count_words

VISIT_TEXT = "visit.txt"
# Fits a window of a record system and a mail. Own choice. [characters]
COLUMNS = 72
# Signs that a record system may not take, in letters that every one does.
PLAIN = {
    "\N{MINUS SIGN}": "-",
    "\N{HYPHEN}": "-",
    "\N{NON-BREAKING HYPHEN}": "-",
    "\N{EN DASH}": "-",
    "\N{EM DASH}": "-",
    "\N{DEGREE SIGN}": " deg",
    "\N{PLUS-MINUS SIGN}": "+-",
    "\N{MIDDLE DOT}": ";",
    "\N{LEFT SINGLE QUOTATION MARK}": "'",
    "\N{RIGHT SINGLE QUOTATION MARK}": "'",
    "\N{LEFT DOUBLE QUOTATION MARK}": '"',
    "\N{RIGHT DOUBLE QUOTATION MARK}": '"',
    "\N{HORIZONTAL ELLIPSIS}": "...",
}
# Control characters, and marks that do not show but turn the direction of reading.
UNSEEN = {"Cc": " ", "Cf": ""}


def visit_text(context: Mapping[str, Any]) -> str:
    """Return a visit's report as plain text.

    Parameters
    ----------
    context : mapping
        What the templates of the page are filled with, so that words and numbers are those of the page.
    """
    report: VisitReport = context["report"]
    layout: Layout = context["layout"]
    rows: Sequence[SummaryRow] = context["rows"]
    blocks = [
        [
            "GAIT REPORT OF ONE FITTING VISIT",
            f"{report.subject}, visit {report.visit}, {report.visit_date.isoformat()}",
            f"Prosthetic side: {context['prosthetic']}",
        ],
        _urgent(context["urgent"], layout),
        _facts(report, context),
        [context["counts"]],
        _group("PRESENT OR BORDERLINE", map(_seen_line, _of(rows, "present", "borderline"))),
        _group("CANNOT SAY", (f"{row.title}, {row.limb}: {row.reason}." for row in _of(rows, "cannot say"))),
        _group("NOT SEEN", [", ".join(row.title for row in _of(rows, "not seen"))]),
        _consider(context["consider"], layout),
        _group("RECORDING", _recording(context["clips"])),
        _group("CLIPS THAT FAILED", (f"{clip.clip_id}: {clip.message}" for clip in context["failed"])),
        _group("CAUTIONS", (f"- {point}" for point in layout.cautions.points)),
        [
            f"Run {report.run.run_id}, code {report.run.code_version}, settings {report.run.settings_sha256[:12]}, "
            f"limits {report.run.limits_sha256[:12]}."
        ],
    ]
    return "\n\n".join("\n".join(_wrapped(line) for line in block) for block in blocks if block) + "\n"


def plain_words(text: str) -> str:
    """Text in one line: dashes and signs as letters that any system takes, nothing that does not show."""
    for sign, letters in PLAIN.items():
        text = text.replace(sign, letters)
    return " ".join("".join(UNSEEN.get(unicodedata.category(sign), sign) for sign in text).split())


def _wrapped(line: str) -> str:
    """One entry in as many lines as it takes, all but the first moved in."""
    return textwrap.fill(plain_words(line), COLUMNS, subsequent_indent="  ", break_on_hyphens=False)


def _of(rows: Sequence[SummaryRow], *verdicts: str) -> list[SummaryRow]:
    """The rows with one of these verdicts."""
    return [row for row in rows if row.verdict in verdicts]


def _group(title: str, lines: Iterable[str]) -> list[str]:
    """Lines under their title; nothing for none."""
    kept = [line for line in lines if line]
    return [title, *kept] if kept else []


def _facts(report: VisitReport, context: Mapping[str, Any]) -> list[str]:
    """Which limits judged, what was changed, and what else the head of the page says."""
    facts = dict(context["facts"])
    n_failed = len(context["failed"])
    lines = [
        f"Level: {context['levels']}" if context["levels"] else "",
        f"Walking aid: {report.aid}" if report.aid else "",
        f"Clips: {len(report.clips) - n_failed} measured, {n_failed} failed",
        f"Limits: {facts['Limits']}",
        f"Limits of this page: {facts['Limits of this page']}" if "Limits of this page" in facts else "",
        f"Changed on the prosthesis since the last visit: {report.changes or 'nothing was noted'}",
        *(f"Note: {note}" for note in report.notes),
    ]
    return [line for line in lines if line]


def _urgent(urgent: UrgentPart | None, layout: Layout) -> list[str]:
    """What to do before anything else."""
    if urgent is None:
        return []
    lines = [layout.section["urgent"].title.upper()]
    if urgent.seen:
        lines = [urgent.heading.upper()]
        lines += [f"{number}. {step}" for number, step in enumerate(layout.cautions.urgent_steps, start=1)]
    lines += [
        f"{row.title} could not be judged, because {row.reason}. That is not the same as safe: judge it by hand and "
        "eye before walking on."
        for row in urgent.unknown
    ]
    return lines


def _consider(found: ConsiderView, layout: Layout) -> list[str]:
    """What to examine first; the sums and all other ranks stand on the page."""
    first = [one for one in found.candidates if one.is_open]
    if not first:
        return []
    more = len(found.candidates) - len(first)
    return [
        layout.section["consider"].title.upper(),
        layout.section["consider"].intro,
        *(f"{one.rank}. {one.title} ({one.group}, {one.total}). {' '.join(one.examine)}" for one in first),
        *([f"{count_words(more, 'more entry', 'more entries')} on the page."] if more else []),
    ]


def _seen_line(row: SummaryRow) -> str:
    """A fault that is present or borderline, with what it rests on."""
    verdict = f"{row.verdict}, {row.severity}" if row.severity else row.verdict
    interval = f" (95 % interval {row.interval})" if row.interval else ""
    more = f", {row.more}" if row.more else ""
    return (
        f"{row.title}, {row.limb}: {verdict}. {row.metric} {row.size}{interval}{more}; outside when {row.limit} "
        f"({row.standing}); strides: {row.strides}."
    )


def _recording(clips: Sequence[ClipView]) -> list[str]:
    """What the clips gave, and what was not good enough in them."""
    measured = [clip for clip in clips if clip.clip.state == "done"]
    if not measured:
        return ["No clip of this visit was measured."]
    strides = "; ".join(f"{clip.view or clip.clip.clip_id} {_used(clip)}" for clip in measured)
    counts = Counter(note.item.lower() for clip in measured for note in clip.quality if not note.ok)
    poor = [f"{item} in {count} of {count_words(len(measured), 'clip')}" for item, count in counts.items()]
    return [
        f"Strides used: {strides}.",
        f"Not good enough: {'; '.join(poor)}." if poor else "Everything looked at was good enough.",
    ]


def _used(clip: ClipView) -> str:
    """The strides of a clip, without the words that stand before them."""
    return clip.strides.removeprefix("strides used: ") or "no stride was found"
