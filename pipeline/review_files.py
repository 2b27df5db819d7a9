"""Corrections on disk: a small file for each record in the folder of its visit, never changed and never deleted."""

from __future__ import annotations

import errno
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from pipeline.errors import StageError
from pipeline.outside import LARGEST_SAVED, read_outside
from pipeline.review import ABOUT_RECORDS, Applied, Correction, Reviewed, State, standings
from pipeline.stage_record import read_record
from pipeline.store import OutputTree, fingerprint, json_bytes, read_json, write_json

CORRECTIONS_FOLDER = "corrections"
# What a clip's measuring did with the records about it; there only where there are some.
APPLIED_NAME = "corrections.json"
# The pipeline's own events of a clip whose events a person corrected; without it `events.csv` holds them.
FOUND_EVENTS_NAME = "events_found.csv"
STAMP = "%Y%m%dT%H%M%S%fZ"


@dataclass(frozen=True, slots=True)
class SavedCorrections:
    """The records of a visit in the order of time, and the files that cannot be read, each with the reason."""

    records: tuple[Correction, ...]
    damaged: dict[str, str]


def read_corrections(visit_folder: Path) -> SavedCorrections:
    """Return all records of a visit; a file that is damaged, or lies in a wrong place, is named and stops nothing."""
    records: list[Correction] = []
    damaged: dict[str, str] = {}
    for path in sorted((visit_folder / CORRECTIONS_FOLDER).glob("*.json")):
        try:
            record = read_json(path, Correction)
        except StageError as error:
            damaged[path.name] = error.found
            continue
        place = (f"sub-{record.subject}", f"ses-{record.visit}", path.stem)
        if place == (visit_folder.parent.name, visit_folder.name, record.id):
            records.append(record)
        else:
            damaged[path.name] = f"it is the record {record.id} of sub-{record.subject}/ses-{record.visit}"
    return SavedCorrections(tuple(sorted(records, key=lambda one: (one.made, one.id))), damaged)


def stamped(records: Sequence[Correction], now: datetime | None = None) -> tuple[Correction, ...]:
    """Return new records with their id and time, in their order a microsecond apart."""
    now = now or datetime.now(UTC)
    found = []
    for number, record in enumerate(records):
        moment = now + timedelta(microseconds=number)
        name = f"{moment.strftime(STAMP)}-{record.by}-{secrets.token_hex(3)}"
        found.append(replace(record, id=name, made=moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")))
    return tuple(found)


def save_corrections(results: Path, records: Sequence[Correction]) -> list[Path]:
    """Write records, each into a new file; return the files.

    Raises
    ------
    StageError
        One cannot be written, or its name is that of another record; those before it are on the disk, and may be given
        once more with the others.
    """
    written: list[Path] = []
    for record in records:
        folder = OutputTree(results).inside(f"sub-{record.subject}", f"ses-{record.visit}", CORRECTIONS_FOLDER)
        path = folder / f"{record.id}.json"
        try:
            # The same record may be there from an attempt that failed; it is written again, as it may not have lasted.
            if path.exists() and read_outside(path, LARGEST_SAVED) != json_bytes(record):
                raise FileExistsError(errno.EEXIST, "another record has this name", str(path))
            write_json(path, record, lasting=True)
        except OSError as error:
            found = f"{len(written)} of {len(records)} were recorded, then one could not be written ({error.strerror})"
            do = "Check free space and the right to write into the results, then do the same again; nothing is doubled."
            raise StageError("corrections", found, "", do) from error
        written.append(path)
    return written


def landmarks_of(visit_folder: Path, clip_ids: Sequence[str]) -> dict[str, str]:
    """Return the hash of each clip's landmarks by its record, and under "" one over all clips that have some."""
    hashes: dict[str, str] = {}
    for clip_id in clip_ids:
        stage = read_record(visit_folder / clip_id).stages.get("landmarks")
        if stage is not None:
            hashes[clip_id] = stage.outputs.get("landmarks.npz", "")
    return {"": fingerprint(landmarks=hashes), **hashes} if hashes else {}


def clip_corrections(clip_folder: Path) -> tuple[Correction, ...]:
    """Return the records that count for a clip, in the order of time."""
    records = [one for one in read_corrections(clip_folder.parent).records if not _is_of_others(one, clip_folder.name)]
    return standings(records, landmarks_of(clip_folder.parent, [clip_folder.name]))[0] if records else ()


def _is_of_others(record: Correction, clip_id: str) -> bool:
    """Whether a record is about another clip or a verdict; records about records may be about any."""
    return record.action not in ABOUT_RECORDS and record.clip_id != clip_id


def read_applied(clip_folder: Path) -> dict[str, Applied]:
    """Return what a clip's measuring did with the records about it, by their id."""
    path = clip_folder / APPLIED_NAME
    return {one.record: one for one in read_json(path, tuple[Applied, ...])} if path.is_file() else {}


def reviewed(
    visit_folder: Path,
    clip_ids: Sequence[str],
    overruled_by: Callable[[Sequence[Correction]], Mapping[str, str] | None],
) -> tuple[tuple[Reviewed, ...], dict[str, str]]:
    """Return all records of a visit with their states, and its damaged files.

    Parameters
    ----------
    visit_folder : Path
    clip_ids : sequence of str
        The clips that were measured.
    overruled_by : callable
        Gives, from the records that count, the id of the record that overrules each fault in the visit's report, ""
        where none does; a fault that was not looked for is missing. None where there is no report: verdicts wait.
    """
    saved = read_corrections(visit_folder)
    if not saved.records:
        return (), saved.damaged
    counting, others = standings(saved.records, landmarks_of(visit_folder, clip_ids))
    counts, verdicts = {record.id for record in counting}, overruled_by(counting)
    applied = {name: one for clip_id in clip_ids for name, one in read_applied(visit_folder / clip_id).items()}
    found = []
    for record in saved.records:
        state, note, strides = _state(record, record.id in counts, others, applied, verdicts)
        found.append(Reviewed(record, state, note, strides))
    return tuple(found), saved.damaged


def _state(
    record: Correction,
    counts: bool,
    others: Mapping[str, tuple[State, str]],
    applied: Mapping[str, Applied],
    verdicts: Mapping[str, str] | None,
) -> tuple[State, str, tuple[str, ...]]:
    """State of a record, its reason, and the strides that it touched."""
    if record.id in others:
        return (*others[record.id], ())
    if record.action in ABOUT_RECORDS:
        return "applied", "", ()
    waiting: tuple[State, str, tuple[str, ...]] = ("waiting", "run the study again to apply it", ())
    if not counts:
        return waiting
    if record.action == "overrule verdict":
        if verdicts is not None and record.fault not in verdicts:
            return "not applicable", "the fault is not looked for", ()
        return ("applied", "", ()) if verdicts and verdicts[record.fault] == record.id else waiting
    done = applied.get(record.id)
    if done is None:
        return waiting
    return ("applied" if done.ok else "not applicable", done.note, done.stride_ids)
