"""Corrections by a person: the records, and which of them count.

A record is never changed: who wants it otherwise makes another one. So nothing is lost when two people correct at once,
and what was corrected can be told apart from what was measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from pipeline.model import Side, Verdict

Action = Literal[
    "move event",
    "add event",
    "delete event",
    "swap legs",
    "exclude stride",
    "overrule verdict",
    "undo",
    "confirm",
]
EventKind = Literal["contact", "toe_off"]
State = Literal["applied", "waiting", "replaced", "undone", "for other landmarks", "not applicable"]
ACTIONS: tuple[Action, ...] = get_args(Action)
EVENT_KINDS: tuple[EventKind, ...] = get_args(EventKind)
# About another record, not about a recording.
ABOUT_RECORDS: tuple[Action, ...] = ("undo", "confirm")
# An event is the one that a record names when it lies so near the named time; two of one kind and foot are further
# apart. Own choice: three frames at 30 frames a second. [s]
EVENT_WINDOW_S = 0.1
# Letters at the end of a record's id by which people name it.
SHORT_ID = 6


@dataclass(frozen=True, slots=True)
class Correction:
    """One record: who corrected what, when, why, and for which landmarks.

    Attributes
    ----------
    id : str
        Time, initials and random letters; the name of its file.
    made : str
        When, in UTC.
    by : str
        Initials of the person.
    clip_id : str
        Empty for a verdict.
    side, kind : optional
        Limb and kind of an event; the limb of a stride.
    time_s : float or None
        As the person named it: when the event is, where the stride or the span begins. [s]
    to_s : float or None
        Where an event was moved to, or the end of a span. [s]
    old_s : float or None
        When the event was before this record. [s]
    found_s : float or None
        When the pipeline itself found the event; None for one that a person added. It names the event. [s]
    verdict, old_verdict : optional
        The person's verdict of `fault`, and the one that held before.
    about : str
        Id of the record that is undone or confirmed, or that added the event.
    landmarks_sha256 : str
        Hash of the clip's `landmarks.npz`; for a verdict one over those of all measured clips of the visit.
    """

    id: str
    made: str
    by: str
    reason: str
    action: Action
    subject: str
    visit: str
    clip_id: str = ""
    side: Side | None = None
    kind: EventKind | None = None
    time_s: float | None = None
    to_s: float | None = None
    old_s: float | None = None
    found_s: float | None = None
    fault: str = ""
    verdict: Verdict | None = None
    old_verdict: Verdict | None = None
    about: str = ""
    landmarks_sha256: str = ""

    @property
    def new_time_s(self) -> float | None:
        """When the event is by this record; None where it leaves none. [s]"""
        return self.to_s if self.action == "move event" else self.time_s if self.action == "add event" else None

    @property
    def method(self) -> str:
        """What the table of events says of an event that was corrected."""
        return f"by hand: {self.by}"


@dataclass(frozen=True, slots=True)
class Applied:
    """What became of one record when a clip was measured: whether it is applied, why not, and the strides touched."""

    record: str
    ok: bool
    note: str = ""
    stride_ids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reviewed:
    """A record with its state, the reason where it is not applied, and the strides that it touched."""

    correction: Correction
    state: State
    note: str = ""
    stride_ids: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PersonVerdict:
    """A person's verdict of a fault, which holds in place of the pipeline's own; `instead_of` was that one then."""

    verdict: Verdict
    by: str
    made: str
    reason: str
    record: str
    instead_of: Verdict | None = None


def in_force(own: Verdict, person: PersonVerdict | None) -> Verdict:
    """Return the verdict that holds: a person's where there is one, else the pipeline's own."""
    return own if person is None else person.verdict


def undone(records: Iterable[Correction]) -> dict[str, str]:
    """Return which records are undone, each with the id of the record that undid it; undoing can be undone."""
    undoing: dict[str, list[str]] = {}
    for record in records:
        if record.action == "undo":
            undoing.setdefault(record.about, []).append(record.id)
    found: dict[str, str] = {}

    def by(name: str, seen: frozenset[str]) -> str:
        # A circle can only be written by hand: then nothing in it is undone.
        if name in seen:
            return ""
        return next((one for one in undoing.get(name, ()) if not by(one, seen | {name})), "")

    for name in undoing:
        if one := by(name, frozenset()):
            found[name] = one
    return found


def standings(
    records: Sequence[Correction], landmarks: Mapping[str, str]
) -> tuple[tuple[Correction, ...], dict[str, tuple[State, str]]]:
    """Return the records that count, and the state of all others with its reason.

    Parameters
    ----------
    records : sequence of Correction
        All records of a visit, in any order.
    landmarks : mapping of clip id to SHA-256
        Of the landmarks in use; under "" the hash over all clips of the visit, for verdicts.

    Returns
    -------
    counting : tuple of Correction
        In the order of time; of those about the same event, stride or fault the latest alone. Undoing and confirming
        is done already and not among them.
    others : dict of id to state and reason
    """
    gone = undone(records)
    others: dict[str, tuple[State, str]] = {
        name: ("undone", f"by record {one[-SHORT_ID:]}") for name, one in gone.items()
    }
    confirmed: dict[str, list[Correction]] = {}
    for record in records:
        if record.action == "confirm" and record.id not in gone:
            confirmed.setdefault(record.about, []).append(record)
    rank: dict[str, tuple[str, str]] = {}
    fitting: list[Correction] = []
    for record in records:
        if record.id in gone or record.action in ABOUT_RECORDS:
            continue
        wanted = landmarks.get(record.clip_id, "")
        fits = [one for one in (record, *confirmed.get(record.id, ())) if one.landmarks_sha256 == wanted]
        if not wanted or not fits:
            why = "the clip is not measured" if not wanted else "the landmarks are not those that it was made for"
            others[record.id] = ("for other landmarks", why)
            continue
        rank[record.id] = max((one.made, one.id) for one in fits)
        fitting.append(record)
    fitting.sort(key=lambda record: rank[record.id])
    counting = []
    for place, record in enumerate(fitting):
        later = next((one for one in reversed(fitting[place + 1 :]) if _same(record, one)), None)
        if later is None:
            counting.append(record)
        else:
            others[record.id] = ("replaced", f"by record {later.id[-SHORT_ID:]}")
    return tuple(counting), others


def _same(one: Correction, other: Correction) -> bool:
    """Whether two records are about the same event, stride or fault."""
    if (one.clip_id, one.side, one.kind, one.fault) != (other.clip_id, other.side, other.kind, other.fault):
        return False
    if {one.action, other.action} <= {"move event", "delete event"} or one.action == other.action == "exclude stride":
        return one.about == other.about and (bool(one.about) or near(one.found_s, other.found_s))
    if one.action == other.action == "add event":
        return near(one.time_s, other.time_s)
    return one.action == other.action == "overrule verdict"


def near(one_s: float | None, other_s: float | None) -> bool:
    """Whether two times of one kind of event of one foot mean the same event. [s]"""
    return one_s is not None and other_s is not None and abs(one_s - other_s) <= EVENT_WINDOW_S
