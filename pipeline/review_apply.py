"""Corrections by a person put into effect: legs exchanged, events replaced, strides left out. No files here."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from pipeline.legs import RightedLegs, with_exchanged
from pipeline.model import BoolArray, FloatArray, View
from pipeline.review import EVENT_WINDOW_S, Applied, Correction, near
from pipeline.shoes import Shoes
from pipeline.tables import EVENTS, check_table, empty_table

Row = dict[Hashable, Any]
# Names of an event that is in force: when the pipeline found it, the record that added it, and the one that changed it.
NAMES = ("found_s", "added_by", "changed_by")
NOT_THERE = "no such event is there any more"
OUTSIDE = "it lies in no straight walk of the clip"
DOUBLE = "the pipeline found one itself at this time"
NO_STRIDE = "no stride begins with this contact"
NO_FRAMES = "the clip has no picture in this span"


def swapped_frames(time_s: FloatArray, records: Sequence[Correction]) -> BoolArray:
    """Return the frames in which a person exchanged the legs, (n_frames,); spans that overlap count once."""
    frames = np.zeros(len(time_s), dtype=bool)
    for record in records:
        if record.action == "swap legs" and record.time_s is not None and record.to_s is not None:
            frames |= (time_s >= record.time_s) & (time_s <= record.to_s)
    return frames


def with_swapped_legs(legs: RightedLegs, records: Sequence[Correction], view: View) -> RightedLegs:
    """Return the legs with left and right exchanged where a person said so."""
    frames = swapped_frames(legs.track.time_s, records)
    return with_exchanged(legs, frames, hips_too=view != "sagittal") if frames.any() else legs


def with_swapped_shoes(shoes: Shoes, records: Sequence[Correction]) -> Shoes:
    """Return the shoes with left and right exchanged where a person exchanged the legs."""
    frames = swapped_frames(shoes.time_s, records)
    return replace(shoes, reach=np.where(frames[:, None], shoes.reach[:, ::-1], shoes.reach)) if frames.any() else shoes


def events_in_force(
    found: pd.DataFrame, records: Sequence[Correction], walks: Sequence[tuple[float, float]]
) -> tuple[pd.DataFrame, tuple[Applied, ...]]:
    """Return the events with a person's corrections, and what became of each record about an event.

    Parameters
    ----------
    found : DataFrame, columns of `tables.EVENTS`
        As the pipeline found them.
    records : sequence of Correction
        Those that count; of those about one event there is one alone.
    walks : sequence of (start, end)
        First and last moment of each pass. [s]

    Returns
    -------
    events : DataFrame, columns of `tables.EVENTS` and `NAMES`
        By time. An event by hand has no confidence and, until `placed`, no frame.
    applied : tuple of Applied
        Without strides.
    """
    rows = [row | {"found_s": row["time_s"], "added_by": "", "changed_by": ""} for row in found.to_dict("records")]
    notes: dict[str, str] = {}
    for record in records:
        if record.action == "add event":
            notes[record.id] = "" if _inside(record.time_s, walks) else OUTSIDE
            if not notes[record.id]:
                named: Row = {"side": record.side, "kind": record.kind, "found_s": np.nan, "added_by": record.id}
                rows.append(_by_hand(named, record))
    gone: set[int] = set()
    for record in records:
        if record.action not in ("move event", "delete event"):
            continue
        place = _named(rows, record, record.kind)
        notes[record.id] = NOT_THERE if place is None else ""
        if place is None:
            continue
        if record.action == "delete event":
            gone.add(place)
        elif _inside(record.to_s, walks):
            rows[place] = _by_hand(rows[place], record)
        else:
            notes[record.id] = OUTSIDE
    kept = [row for place, row in enumerate(rows) if place not in gone]
    own = [row for row in kept if not row["added_by"]]
    for row in [row for row in kept if row["added_by"]]:
        if any(
            (one["side"], one["kind"]) == (row["side"], row["kind"]) and near(one["time_s"], row["time_s"])
            for one in own
        ):
            kept.remove(row)
            notes[row["added_by"]] = DOUBLE
    columns = [*(column.name for column in EVENTS), *NAMES]
    table = pd.DataFrame(kept, columns=columns) if kept else empty_table(EVENTS).reindex(columns=columns)
    applied = tuple(Applied(name, ok=not note, note=note) for name, note in notes.items())
    return table.sort_values("time_s", ignore_index=True, kind="stable"), applied


def placed(events: pd.DataFrame, time_s: FloatArray) -> pd.DataFrame:
    """Return events in force as a table of `tables.EVENTS`, those by hand with their frame."""
    frame = np.interp(events["time_s"], time_s, np.arange(len(time_s)))
    table = events.drop(columns=list(NAMES)).assign(frame=events["frame"].astype(float).fillna(pd.Series(frame)))
    return check_table(table, EVENTS, "events")


def without_excluded(
    strides: pd.DataFrame, events: pd.DataFrame, records: Sequence[Correction]
) -> tuple[pd.DataFrame, tuple[Applied, ...]]:
    """Return the stride table with the strides left out that a person excluded.

    Parameters
    ----------
    strides : DataFrame, columns of `tables.STRIDES`
    events : DataFrame
        From `events_in_force`.
    records : sequence of Correction
    """
    table, applied = strides.copy(), []
    rows = events.to_dict("records")
    for record in (one for one in records if one.action == "exclude stride"):
        place = _named(rows, record, "contact")
        starts = pd.Series(False, index=table.index)
        if place is not None:
            starts = (table["side"] == record.side) & np.isclose(table["start_s"], rows[place]["time_s"], atol=1e-6)
        if starts.any():
            table.loc[starts, "use"] = False
            table.loc[starts, "why_not"] = f"left out {record.method}"
        note = "" if starts.any() else NO_STRIDE if place is not None else NOT_THERE
        applied.append(Applied(record.id, not note, note, tuple(table.loc[starts, "stride_id"])))
    return table, tuple(applied)


def with_strides(
    applied: Sequence[Applied], records: Sequence[Correction], strides: pd.DataFrame, time_s: FloatArray
) -> tuple[Applied, ...]:
    """Return what became of each record, in their order, with the strides that it touched.

    An event touches the strides of both feet that hold the time at which it is or was; a span those that overlap it.
    """
    by_id = {one.record: one for one in applied}
    found = []
    for record in records:
        one = by_id.get(record.id, Applied(record.id, ok=True))
        if record.action == "swap legs":
            seen = swapped_frames(time_s, [record]).any()
            one = Applied(record.id, bool(seen), "" if seen else NO_FRAMES)
            touched = (strides["start_s"] <= record.to_s) & (strides["end_s"] >= record.time_s)
        elif record.action == "exclude stride":
            touched = strides["stride_id"].isin(one.stride_ids)
        else:
            touched = pd.Series(False, index=strides.index)
            for moment_s in (record.new_time_s, record.found_s):
                if moment_s is not None:
                    touched |= (strides["start_s"] <= moment_s) & (strides["end_s"] >= moment_s)
        found.append(replace(one, stride_ids=tuple(strides.loc[touched, "stride_id"]) if one.ok else ()))
    return tuple(found)


def _inside(moment_s: float | None, walks: Sequence[tuple[float, float]]) -> bool:
    """Whether a time lies in a walk."""
    return moment_s is not None and any(start_s <= moment_s <= end_s for start_s, end_s in walks)


def _by_hand(row: Row, record: Correction) -> Row:
    """A row of the events at the time that a person gave it."""
    return row | {
        "time_s": record.new_time_s,
        "frame": np.nan,
        "confidence": np.nan,
        "method": record.method,
        "changed_by": record.id,
    }


def _named(rows: Sequence[Row], record: Correction, kind: str | None) -> int | None:
    """Place of the event that a record is about; None where it is not there."""
    if record.about:
        return next((place for place, row in enumerate(rows) if row["added_by"] == record.about), None)
    if record.found_s is None:
        return None
    distances = {
        place: abs(row["found_s"] - record.found_s)
        for place, row in enumerate(rows)
        if (row["side"], row["kind"], row["added_by"]) == (record.side, kind, "")
    }
    nearest = min(distances, key=lambda place: distances[place], default=None)
    return nearest if nearest is not None and distances[nearest] <= EVENT_WINDOW_S else None
