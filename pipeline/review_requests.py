"""What a person asks to correct, checked against saved results and recorded.

    request = Request("P01", "01", "overrule verdict", by="AB", reason="seen", fault="vaulting", verdict="present")
    record(results, [request])

`strideledger run` then applies what was recorded, and measures nothing else.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.errors import ConfigError, ManyProblems, StageError
from pipeline.model import Side, Verdict
from pipeline.review import ABOUT_RECORDS, EVENT_WINDOW_S, Action, Correction, EventKind, Reviewed, in_force, near
from pipeline.review_files import save_corrections, stamped
from pipeline.review_saved import Row, SavedClip, SavedVisit
from pipeline.store import nothing_saved
from pipeline.strides import LAST_STANCE

INITIALS = re.compile(r"[A-Za-z0-9]{1,8}")
LONGEST_REASON = 500


@dataclass(frozen=True, slots=True)
class Request:
    """One correction as a person asks for it.

    Attributes
    ----------
    subject, visit, clip_id : str
        As the results name them; `clip_id` stays empty for a verdict.
    action : str
        One of `review.ACTIONS`.
    by, reason : str
        Initials and reason; both are needed.
    side, kind : optional
        Limb and kind of an event; the limb of a stride.
    time_s : float, optional
        When the event is now, where a new one is, where the stride or the span begins. [s]
    to_s : float, optional
        Where the event is moved to, or the end of the span. [s]
    fault, verdict : optional
        The fault and the person's verdict of it.
    about : str
        The record that is undone or confirmed: its id, or the last six letters of it.
    where : str
        Place of the request, as messages name it.
    """

    subject: str
    visit: str
    action: Action
    by: str
    reason: str
    clip_id: str = ""
    side: Side | None = None
    kind: EventKind | None = None
    time_s: float | None = None
    to_s: float | None = None
    fault: str = ""
    verdict: Verdict | None = None
    about: str = ""
    where: str = ""


@dataclass(frozen=True, slots=True)
class Recorded:
    """What became of requests: the new records, and those that had been recorded before, each with its state."""

    new: tuple[Correction, ...]
    known: tuple[tuple[Request, Reviewed], ...]


def record(results: Path | str, requests: Sequence[Request], *, problems: Sequence[str] = ()) -> Recorded:
    """Check requests and record them; nothing is written when one of them is wrong.

    What has been recorded before, word for word, is not recorded again, also when it was undone since.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `strideledger run --out`.
    requests : sequence of Request
        What is to be corrected, undone or confirmed; the next run applies it.
    problems : sequence of str, optional
        What was wrong already when the requests were read; told with the rest.

    Returns
    -------
    Recorded
        The new records, and the requests that had been recorded before.

    Raises
    ------
    ConfigError
        The folder holds no results.
    ManyProblems
        Requests are wrong: all problems at once.
    StageError
        One cannot be written; those before it are recorded, and the same call records the others.
    """
    results = Path(results)
    if not results.is_dir():
        raise nothing_saved(results, "no such folder")
    wrong = list(problems)
    new: dict[tuple[object, ...], Correction] = {}
    known: list[tuple[Request, Reviewed]] = []
    visits: dict[tuple[str, str], SavedVisit] = {}
    for number, request in enumerate(requests, start=1):
        key = (request.subject, request.visit)
        try:
            visit = visits[key] = visits[key] if key in visits else SavedVisit(results, *key)
            asked = _asked(_plain(request, visit))
            same = next((one for one in visit.reviewed if _asked(one.correction) == asked), None)
            if same is not None:
                known.append((request, same))
            else:
                new.setdefault(asked, checked(request, visit))
        except (ConfigError, StageError) as error:
            wrong.append(f"{request.where or f'correction {number}'}, {error}")
    if wrong:
        raise ManyProblems("corrections", wrong, "Nothing was recorded.")
    made = stamped(tuple(new.values()))
    save_corrections(results, made)
    return Recorded(made, tuple(known))


def checked(request: Request, visit: SavedVisit) -> Correction:
    """Return a request as a record, without id and time, that names what it is about and the old value.

    Raises
    ------
    ConfigError
        Something about it is wrong.
    """
    if not INITIALS.fullmatch(request.by):
        raise ConfigError("column initials", f'found "{request.by}"', "expected 1 to 8 letters and digits, as AB")
    plain = _plain(request, visit)
    if not plain.reason:
        raise ConfigError("column reason", "it is empty", "expected why this is corrected, in a few words")
    if len(plain.reason) > LONGEST_REASON:
        raise ConfigError("column reason", f"it has {len(plain.reason)} letters", f"at most {LONGEST_REASON} are kept")
    if request.action in ABOUT_RECORDS:
        return _about_record(plain, request, visit)
    if request.action == "overrule verdict":
        return _verdict(plain, visit)
    clip = visit.clip(request.clip_id)
    plain = replace(plain, landmarks_sha256=visit.landmarks.get(clip.clip_id, ""))
    if plain.time_s is None:
        raise ConfigError("column time_s", "it is empty", "expected a time in the clip [s]")
    if request.action == "swap legs":
        return _span(plain, plain.time_s, clip)
    if plain.side is None:
        raise ConfigError("column limb", "it is empty", "expected left or right")
    return _stride(plain, clip) if request.action == "exclude stride" else _event(plain, plain.time_s, clip)


def _plain(request: Request, visit: SavedVisit) -> Correction:
    """A request as a record, with nothing looked up but the record that it is about."""
    target = visit.named(request.about) if request.action in ABOUT_RECORDS else None
    confirmed = target if request.action == "confirm" else None
    return Correction(
        id="",
        made="",
        by=request.by,
        reason=" ".join(request.reason.split()),
        action=request.action,
        subject=request.subject,
        visit=request.visit,
        clip_id=confirmed.clip_id if confirmed else request.clip_id,
        side=request.side,
        kind=request.kind,
        time_s=request.time_s,
        to_s=request.to_s,
        fault=request.fault,
        verdict=request.verdict,
        about=target.id if target else "",
        landmarks_sha256=visit.landmarks.get(confirmed.clip_id, "") if confirmed else "",
    )


def _asked(record: Correction) -> tuple[object, ...]:
    """What a person asked for, to tell whether it was asked for before."""
    words = (record.by, record.reason, record.action, record.subject, record.visit)
    if record.action in ABOUT_RECORDS:
        return (*words, record.about, record.landmarks_sha256)
    place = (record.clip_id, record.side, record.kind, record.time_s, record.to_s)
    return (*words, *place, record.fault, record.verdict)


def _about_record(plain: Correction, request: Request, visit: SavedVisit) -> Correction:
    """Undoing or confirming."""
    target = visit.named(request.about)
    if target is None:
        raise ConfigError(
            "column record",
            f'found "{request.about}"',
            "expected the id of a record of this visit, or its last six letters",
            "`strideledger corrections` lists them.",
        )
    if request.action == "undo":
        return plain
    state, why = visit.others.get(target.id, ("", "it was made for the landmarks in use"))
    if state != "for other landmarks" or not plain.landmarks_sha256:
        found = f"{target.id} cannot be confirmed: {f'{state} ' if state else ''}{why}"
        raise ConfigError("column record", found, "expected a record that was made for other landmarks")
    if target.found_s is not None:
        visit.clip(target.clip_id).nearest(target.side, target.kind or "contact", target.found_s)
    return plain


def _verdict(plain: Correction, visit: SavedVisit) -> Correction:
    """A verdict overruled."""
    if visit.report is None:
        raise ConfigError(f"visit {visit.subject}-{visit.visit}", "it has no report", "", "Run the study first.")
    names = [fault.name for fault in visit.report.faults]
    fault = next((one for one in visit.report.faults if one.name == plain.fault), None)
    if fault is None:
        close = difflib.get_close_matches(plain.fault, names, n=1)
        do = f"Did you mean {close[0]}?" if close else ""
        raise ConfigError("column fault", f'found "{plain.fault}"', f"allowed: {', '.join(names)}", do)
    if plain.verdict is None:
        raise ConfigError("column verdict", "it is empty", "expected present, borderline, not seen or cannot say")
    held = in_force(fault.verdict, fault.person)
    return replace(plain, clip_id="", old_verdict=held, landmarks_sha256=visit.landmarks.get("", ""))


def _span(plain: Correction, start_s: float, clip: SavedClip) -> Correction:
    """Legs exchanged over a span."""
    if plain.to_s is None or plain.to_s <= start_s:
        raise ConfigError("column to_s", "it is no end of a span", f"expected a time after {start_s:.2f} s")
    if outside := clip.outside(start_s, plain.to_s):
        raise ConfigError("columns time_s and to_s", outside)
    return plain


def _stride(plain: Correction, clip: SavedClip) -> Correction:
    """A stride left out."""
    row = clip.nearest(plain.side, "contact", plain.time_s)
    table = clip.strides
    for stride in table[(table["side"] == plain.side) & np.isclose(table["start_s"], row["time_s"])].itertuples():
        if not stride.use and stride.why_not != LAST_STANCE:
            found = f"the stride from {row['time_s']:.2f} s is not used as it is ({stride.why_not})"
            raise ConfigError("column time_s", found, "expected the first contact of a stride that is used")
    return _naming(plain, row)


def _event(plain: Correction, time_s: float, clip: SavedClip) -> Correction:
    """An event moved, added or deleted."""
    kind = plain.kind
    if kind is None:
        raise ConfigError("column event", "it is empty", "expected contact or toe_off")
    if kind == "toe_off" and clip.frontal:
        found = "toe-offs are not timed from the front or behind"
        raise ConfigError("column event", found, "expected contact, or a clip from the side")
    row = None if plain.action == "add event" else clip.nearest(plain.side, kind, time_s)
    if row is not None:
        plain = _naming(plain, row)
    if plain.action == "delete event":
        return plain
    column, new_s = ("time_s", time_s) if row is None else ("to_s", plain.to_s)
    if new_s is None:
        raise ConfigError("column to_s", "it is empty", "expected the event's new time [s]")
    if outside := clip.outside(new_s):
        raise ConfigError(f"column {column}", outside)
    for other in clip.like(plain.side, kind):
        if near(other["time_s"], new_s) and (row is None or other["time_s"] != row["time_s"]):
            found = f"the {plain.side} foot has a {kind} at {other['time_s']:.2f} s already"
            raise ConfigError(f"column {column}", found, f"expected none within {EVENT_WINDOW_S} s of {new_s:.2f} s")
    return plain


def _naming(plain: Correction, row: Row) -> Correction:
    """A record that names the event of a row: by the record that added it, else by when the pipeline found it."""
    added_by = str(row["added_by"])
    return replace(
        plain,
        old_s=float(row["time_s"]),
        found_s=None if added_by else float(row["found_s"]),
        about=added_by,
    )
