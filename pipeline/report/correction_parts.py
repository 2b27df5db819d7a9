"""The table of a visit's corrections, as its part `corrections.csv`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

import pandas as pd

from pipeline.review import Reviewed
from pipeline.tables import Column

CORRECTIONS: tuple[Column, ...] = (
    Column("record", "text", "", "the record of the correction: time, initials and random letters"),
    Column("made", "text", "", "when it was recorded, in UTC"),
    Column("by", "text", "", "initials of the person"),
    Column("action", "text", "", "such as move event, exclude stride, overrule verdict, undo"),
    Column("clip_id", "text", "", "the clip; empty for a verdict"),
    Column("side", "text", "", "left or right: the foot of the event or stride"),
    Column("kind", "text", "", "contact or toe_off"),
    Column("time_s", "number", "s", "as the person named the event, the stride, or the start of the span"),
    Column("to_s", "number", "s", "where the event was moved to, or the end of the span"),
    Column("old_s", "number", "s", "when the event was before this record"),
    Column("found_s", "number", "s", "when the pipeline itself found the event"),
    Column("fault", "text", "", "the fault whose verdict was overruled"),
    Column("verdict", "text", "", "the person's verdict"),
    Column("old_verdict", "text", "", "the verdict that held before this record"),
    Column("about", "text", "", "the record that is undone or confirmed, or that added the event"),
    Column("reason", "text", "", "why, in the person's words"),
    Column("state", "text", "", "applied, waiting, replaced, undone, for other landmarks or not applicable"),
    Column("note", "text", "", "why it is not applied; empty when it is"),
    Column("stride_ids", "text", "", "the strides that it touched, separated by a space"),
    Column("landmarks_sha256", "text", "", "hash of the landmarks that it was made for"),
)


def corrections_table(reviewed: Sequence[Reviewed]) -> pd.DataFrame:
    """Return one row a record of a correction, columns of `CORRECTIONS`."""
    return pd.DataFrame([correction_cells(one) for one in reviewed], columns=[column.name for column in CORRECTIONS])


def correction_cells(one: Reviewed) -> dict[str, object]:
    """Return the cells of one record by column."""
    record = asdict(one.correction) | {"record": one.correction.id, "state": one.state, "note": one.note}
    cells = record | {"stride_ids": " ".join(one.stride_ids)}
    empty = {column.name: "" if column.kind == "text" else None for column in CORRECTIONS}
    return {name: empty[name] if cells[name] is None else cells[name] for name in empty}
