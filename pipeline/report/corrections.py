"""Corrections by a person in the words of the pages: what was corrected, by whom and why, and what rests on it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from pipeline.judgement import Fault, VisitReport
from pipeline.language import say, say_count, say_saved
from pipeline.report.words import number_words, plain_name
from pipeline.review import SHORT_ID, Correction, Reviewed
from pipeline.review_verdicts import records_behind, strides_touched

# Sentences of records, for translators.
SENTENCES = (
    "Corrections by a person for other landmarks, kept and not applied: {n}.",
    "Corrections by a person that fit nothing here, kept and not applied: {n}.",
    "Files of corrections that cannot be read: {files}.",
    "by record {record}",
)
TEXTS = (
    "the landmarks are not those that it was made for",
    "the clip is not measured",
    "run the study again to apply it",
    "the fault is not looked for",
    "no such event is there any more",
    "it lies in no straight walk of the clip",
    "the pipeline found one itself at this time",
    "no stride begins with this contact",
    "the clip has no picture in this span",
)


@dataclass(frozen=True, slots=True)
class CorrectionRow:
    """One record in words."""

    record: str
    made: str
    by: str
    what: str
    clip: str
    reason: str
    state: str
    is_applied: bool


@dataclass(frozen=True, slots=True)
class Marks:
    """Says what rests on corrections: records by id, and the records that touched each stride."""

    records: Mapping[str, Correction]
    touched: Mapping[str, tuple[str, ...]]

    def of_strides(self, stride_ids: Iterable[str]) -> str:
        """Return what was corrected of the strides behind a value; empty for nothing."""
        return self.words(records_behind(stride_ids, self.touched))

    def words(self, ids: Sequence[str]) -> str:
        """Return in words what was corrected by some records; empty for none."""
        records = [self.records[name] for name in ids if name in self.records]
        spans = [one for one in records if one.action == "swap legs"]
        events = [one for one in records if one.action.endswith("event")]
        parts = []
        if events:
            by = _initials(events)
            parts.append(
                say_count("uses {n} corrected event ({by})", "uses {n} corrected events ({by})", len(events), by=by)
            )
        if spans:
            by = _initials(spans)
            parts.append(
                say_count(
                    "legs exchanged by hand in {n} span ({by})",
                    "legs exchanged by hand in {n} spans ({by})",
                    len(spans),
                    by=by,
                )
            )
        return "; ".join(parts)


NO_MARKS = Marks({}, {})


def marks(report: VisitReport) -> Marks:
    """Return the marks of a visit."""
    return Marks({one.correction.id: one.correction for one in report.corrections}, strides_touched(report.corrections))


def overruled_words(fault: Fault) -> str:
    """Return who overruled a verdict, when and why, and the pipeline's own; empty where nobody did."""
    if fault.person is None:
        return ""
    own = f"{say(fault.verdict)}, {say(fault.severity)}" if fault.severity else say(fault.verdict)
    return say(
        "Verdict by {by}, {date}: {reason}. The pipeline's own verdict: {own}.",
        by=fault.person.by,
        date=fault.person.made[:10],
        reason=fault.person.reason.rstrip("."),
        own=own,
    )


def record_words(record: Correction) -> str:
    """Return what a record corrects, and who made it."""
    return f"{what_words(record)} ({record.by})"


def what_words(record: Correction, titles: Mapping[str, str] | None = None) -> str:
    """Return what a record corrects, with old and new value; `titles` are those of the faults by name."""
    side = say(record.side or "")
    foot = say("Contact of the {side} foot", side=side)
    if record.kind == "toe_off":
        foot = say("Toe-off of the {side} foot", side=side)
    old, first, last = (_seconds(one) for one in (record.old_s, record.time_s, record.to_s))
    match record.action:
        case "move event":
            return say("{event} moved from {old} to {new}", event=foot, old=old, new=last)
        case "add event":
            return say("{event} added at {time}", event=foot, time=first)
        case "delete event":
            return say("{event} at {time} deleted", event=foot, time=old)
        case "swap legs":
            return say("Left and right leg exchanged from {first} to {last}", first=first, last=last)
        case "exclude stride":
            return say("Stride of the {side} foot from {time} left out", side=side, time=old)
        case "overrule verdict":
            fault = say((titles or {}).get(record.fault, "")) or plain_name(record.fault)
            verdict, own = say(record.verdict or ""), say(record.old_verdict or "")
            return say("{fault}: {verdict} in place of {old}", fault=fault, verdict=verdict, old=own)
        case "undo":
            return say("Record {record} undone", record=record.about[-SHORT_ID:])
        case "confirm":
            return say("Record {record} confirmed for the landmarks now in use", record=record.about[-SHORT_ID:])


def correction_rows(report: VisitReport) -> tuple[CorrectionRow, ...]:
    """Return all records of a visit in the order of time."""
    titles = {fault.name: fault.title for fault in report.faults}
    return tuple(_row(one, titles) for one in report.corrections)


def _row(one: Reviewed, titles: Mapping[str, str]) -> CorrectionRow:
    """One record in words."""
    record = one.correction
    return CorrectionRow(
        record=record.id[-SHORT_ID:],
        made=record.made[:16].replace("T", " "),
        by=record.by,
        what=what_words(record, titles),
        clip=record.clip_id,
        reason=record.reason,
        state=say(one.state) + (f": {say_saved(one.note)}" if one.note else ""),
        is_applied=one.state == "applied",
    )


def _seconds(time_s: float | None) -> str:
    """A time in a clip."""
    return "" if time_s is None else f"{number_words(time_s, 's')} s"


def _initials(records: Sequence[Correction]) -> str:
    """Who made some records."""
    return ", ".join(dict.fromkeys(record.by for record in records))
