"""The report of a visit as plain text, to be pasted into a record: at most 72 columns, no markup."""

from __future__ import annotations

import textwrap
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.judgement import VisitReport
from pipeline.language import in_sentence, say, say_count
from pipeline.report.consider import ConsiderView
from pipeline.report.corrections import CorrectionRow
from pipeline.report.layout import Layout
from pipeline.report.recorded import RecordedRow
from pipeline.report.sections import ClipView
from pipeline.report.summary import SummaryRow, UrgentPart

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
            say("Gait report of one fitting visit").upper(),
            f"{report.subject}, {say('visit {visit}', visit=report.visit)}, {report.visit_date.isoformat()}",
            _named(say("Prosthetic side"), context["prosthetic"]),
        ],
        _urgent(context["urgent"], layout),
        _facts(report, context),
        [context["counts"]],
        _group(say("Present or borderline"), map(_seen_line, _of(rows, "present", "borderline"))),
        _group(say("Cannot say"), map(_open_line, _of(rows, "cannot say"))),
        _group(say("Not seen"), _unseen(_of(rows, "not seen"))),
        _consider(context["consider"], layout),
        _group(layout.section["recorded"].title, map(_recorded_line, context["recorded"])),
        _group(say("Recording"), _recording(context["clips"])),
        _group(say("Corrections by a person"), map(_correction, context["corrections"])),
        _group(say("Clips that failed"), (f"{clip.clip_id}: {clip.message}" for clip in context["failed"])),
        _group(say("Cautions"), (f"- {point}" for point in layout.cautions.points)),
        [
            say(
                "Run {run}, code {code}, settings {settings}, limits {limits}.",
                run=report.run.run_id,
                code=report.run.code_version,
                settings=report.run.settings_sha256[:12],
                limits=report.run.limits_sha256[:12],
            )
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
    return [title.upper(), *kept] if kept else []


def _named(name: str, value: object) -> str:
    """A fact after its name; nothing for none."""
    return f"{name}: {value}" if value else ""


def _facts(report: VisitReport, context: Mapping[str, Any]) -> list[str]:
    """Which limits judged, what was changed, and what else the head of the page says."""
    facts = dict(context["facts"])
    n_failed = len(context["failed"])
    lines = [
        _named(say("Level"), context["levels"]),
        _named(say("Walking aid"), context["aid"]),
        _named(say("Footwear"), context["footwear"]),
        _named(
            say("Clips"),
            say("{measured} measured, {failed} failed", measured=len(report.clips) - n_failed, failed=n_failed),
        ),
        _named(say("Limits"), facts[say("Limits")]),
        _named(say("Limits of this page"), facts.get(say("Limits of this page"))),
        _named(say("Changed on the prosthesis since the last visit"), report.changes or say("nothing was noted")),
        *(_named(say("Note"), note) for note in context["notes"]),
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
        " ".join(
            (
                say("{fault} could not be judged, because {reason}.", fault=row.title, reason=row.reason),
                say("That is not the same as safe: judge it by hand and eye before walking on."),
            )
        )
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
        *([say_count("{n} more entry on the page.", "{n} more entries on the page.", more)] if more else []),
    ]


def _seen_line(row: SummaryRow) -> str:
    """A fault that is present or borderline, with what it rests on."""
    verdict = f"{say(row.verdict)}, {row.severity}" if row.severity else say(row.verdict)
    interval = f" ({say('95 % interval {interval}', interval=row.interval)})" if row.interval else ""
    more = f", {row.more}" if row.more else ""
    limit = say("outside when {limit} ({standing})", limit=row.limit, standing=row.standing)
    strides = say("strides: {n}", n=row.strides)
    size = f" {row.metric} {row.size}{interval}{more}; {limit}; {strides}." if row.size else ""
    return f"{row.title}, {row.limb}: {verdict}.{size}{_by_hand(row)}"


def _open_line(row: SummaryRow) -> str:
    """A fault that cannot be said, with the reason."""
    reason = f" {row.reason}." if row.own_verdict == "cannot say" else ""
    return f"{row.title}, {row.limb}:{reason}{_by_hand(row)}"


def _unseen(rows: Sequence[SummaryRow]) -> list[str]:
    """Faults that were not seen: in one line, and each that a person had to do with in its own."""
    plain = ", ".join(row.title for row in rows if not _by_hand(row))
    return [plain, *(f"{row.title}:{_by_hand(row)}" for row in rows if _by_hand(row))]


def _by_hand(row: SummaryRow) -> str:
    """Who overruled the verdict, and what it rests on that was corrected."""
    mark = f"{row.mark[:1].upper()}{row.mark[1:]}." if row.mark else ""
    return "".join(f" {part}" for part in (row.overruled, mark) if part)


def _correction(row: CorrectionRow) -> str:
    """One record of a correction."""
    clip = f", {row.clip}" if row.clip else ""
    return f"- {row.made}, {row.by}: {row.what}{clip}. {row.reason.rstrip('.')}. ({row.state})"


def _recorded_line(row: RecordedRow) -> str:
    """A recorded measure with its note."""
    return f"{row.title}: {row.value or row.why_none}{f' ({row.note})' if row.note else ''}."


def _recording(clips: Sequence[ClipView]) -> list[str]:
    """What the clips gave, and what was not good enough in them."""
    measured = [clip for clip in clips if clip.clip.state == "done"]
    if not measured:
        return [say("No clip of this visit was measured.")]
    strides = "; ".join(
        f"{clip.view or clip.clip.clip_id} {clip.strides or say('no stride was found')}" for clip in measured
    )
    counts = Counter(in_sentence(note.item) for clip in measured for note in clip.quality if not note.ok)
    poor = "; ".join(
        say_count("{item} in {k} of {n} clip", "{item} in {k} of {n} clips", len(measured), item=item, k=count)
        for item, count in counts.items()
    )
    good = say("Everything looked at was good enough") + "."
    return [
        say("Strides used: {strides}.", strides=strides),
        say("Not good enough: {items}.", items=poor) if poor else good,
    ]
