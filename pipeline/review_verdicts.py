"""Verdicts of a visit with what people corrected: their own verdicts in force, and which faults rest on corrections."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from pipeline.judgement import Fault, Limits
from pipeline.review import Correction, PersonVerdict, Reviewed, in_force

SEEN = ("present", "borderline")


def person_verdicts(counting: Sequence[Correction], limits: Limits) -> dict[str, str]:
    """Return for each fault of the limits the id of the record that overrules its verdict, "" where there is none."""
    by_fault = {record.fault: record.id for record in counting if record.action == "overrule verdict"}
    return {definition.name: by_fault.get(definition.name, "") for definition in limits.faults}


def with_corrections(faults: Sequence[Fault], reviewed: Sequence[Reviewed], limits: Limits) -> tuple[Fault, ...]:
    """Return the faults with people's verdicts, and with the records that their findings rest on.

    An urgent fault stays urgent when either the pipeline or the person saw it: a danger is not put aside by one word.
    """
    urgent = {definition.name for definition in limits.faults if definition.urgent}
    touched = strides_touched(reviewed)
    overruled = {
        one.correction.fault: one.correction
        for one in reviewed
        if one.state == "applied" and one.correction.action == "overrule verdict"
    }
    found = []
    for fault in faults:
        records = records_behind((stride for one in fault.findings for stride in one.stride_ids), touched)
        record = overruled.get(fault.name)
        person = None
        if record is not None and record.verdict is not None:
            person = PersonVerdict(record.verdict, record.by, record.made, record.reason, record.id, record.old_verdict)
        verdicts = (fault.verdict, in_force(fault.verdict, person))
        danger = fault.name in urgent and any(verdict in SEEN for verdict in verdicts)
        found.append(replace(fault, person=person, corrections=records, urgent=fault.urgent or danger))
    return tuple(found)


def as_in_force(faults: Sequence[Fault]) -> tuple[Fault, ...]:
    """Return the faults with the verdicts in force in place of the pipeline's own, for what is to be considered."""
    return tuple(fault if fault.person is None else replace(fault, verdict=fault.person.verdict) for fault in faults)


def strides_touched(reviewed: Sequence[Reviewed]) -> Mapping[str, tuple[str, ...]]:
    """Return the ids of the applied records about each stride that they touched."""
    found: dict[str, tuple[str, ...]] = {}
    for one in reviewed:
        if one.state == "applied":
            for stride in one.stride_ids:
                found[stride] = (*found.get(stride, ()), one.correction.id)
    return found


def records_behind(strides: Iterable[str], touched: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    """Return the ids of the records that touched some of the strides, each once, in the order of time."""
    return tuple(sorted({record for stride in strides for record in touched.get(stride, ())}))


def correction_notes(reviewed: Sequence[Reviewed], damaged: Mapping[str, str]) -> tuple[str, ...]:
    """Return what a visit's notes say of records that are kept but not applied, and of files that cannot be read."""
    notes = []
    for state, text in (
        ("for other landmarks", "Corrections by a person for other landmarks, kept and not applied: {n}."),
        ("not applicable", "Corrections by a person that fit nothing here, kept and not applied: {n}."),
    ):
        if count := sum(one.state == state for one in reviewed):
            notes.append(text.format(n=count))
    if damaged:
        notes.append(f"Files of corrections that cannot be read: {', '.join(damaged)}.")
    return tuple(notes)
