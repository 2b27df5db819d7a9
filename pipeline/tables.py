"""Column contracts of the tables that the pipeline writes, and the check that a table keeps them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import pandas as pd


class TableFormat(StrEnum):
    """Forms in which the tables of a study are written."""

    csv = "csv"
    parquet = "parquet"


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, kind (`text`, `number`, `whole`, `flag`, `date`), unit and meaning."""

    name: str
    kind: str
    unit: str
    meaning: str


EVENTS: tuple[Column, ...] = (
    Column("side", "text", "", "anatomical side of the foot: left or right"),
    Column("kind", "text", "", "contact (the foot meets the floor) or toe_off (it leaves it)"),
    Column("time_s", "number", "s", "from the clip's first frame, between frames by interpolation"),
    Column("frame", "number", "1", "the same instant as a fractional frame index"),
    Column("confidence", "number", "1", "0 to 1: estimated chance of an error below 33 ms"),
    Column("method", "text", "", "the rule that found it"),
)

STRIDES: tuple[Column, ...] = (
    Column("stride_id", "text", "", "clip, side and number of the stride"),
    Column("clip_id", "text", "", "the clip it comes from"),
    Column("view", "text", "", "sagittal, anterior or posterior"),
    Column("side", "text", "", "anatomical side of the foot whose contacts bound the stride"),
    Column("near", "flag", "", "sagittal view: this limb was the one towards the camera"),
    Column("pass_number", "whole", "1", "which straight stretch of the clip"),
    Column("start_s", "number", "s", "first contact"),
    Column("opposite_toe_off_s", "number", "s", "the other foot leaves the floor"),
    Column("opposite_contact_s", "number", "s", "the other foot meets the floor"),
    Column("toe_off_s", "number", "s", "this foot leaves the floor"),
    Column("end_s", "number", "s", "next contact of the same foot"),
    Column("fps", "number", "1/s", "frames a second of the clip, as measured"),
    Column("leg_length_px", "number", "px", "leg length as a share of the body's size, at the pass's own scale"),
    Column("m_per_px", "number", "m/px", "scale of upright lengths at the walking line; empty without one"),
    Column("scale_relative_sd", "number", "1", "one standard deviation of the scale over itself; empty without one"),
    Column("step_length_pct", "number", "% leg length", "from the other heel's place to this one's next; side view"),
    Column("stride_length_pct", "number", "% leg length", "from this heel's place to its next; side view"),
    Column("seen_share", "number", "1", "share of its frames with this limb's landmarks seen, or bridged over a gap"),
    Column("sure_share", "number", "1", "share of its frames with this leg's landmarks seen and not in doubt"),
    Column("leg_sure", "flag", "", "sure in enough frames for angles and heights of this leg"),
    Column("early_sure", "flag", "", "the same for what needs nothing after 30 % of the stride"),
    Column("foot_sure", "flag", "", "the same for its foot, which a pylon's line does not bring back"),
    Column("use", "flag", "", "used for metrics"),
    Column("why_not", "text", "", "why it is not used; empty when it is"),
)


def empty_table(columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return a table without rows that keeps the contract."""
    kinds = {"text": "object", "number": "float64", "whole": "int64", "flag": "bool"}
    return pd.DataFrame({column.name: pd.Series(dtype=kinds[column.kind]) for column in columns})


def check_table(table: pd.DataFrame, columns: tuple[Column, ...], name: str) -> pd.DataFrame:
    """Return the table with its columns in the contract's order.

    Raises
    ------
    ValueError
        A column of the contract is missing or there is one more: a bug of the caller.
    """
    wanted = [column.name for column in columns]
    missing = [column for column in wanted if column not in table.columns]
    extra = [column for column in table.columns if column not in wanted]
    if missing or extra:
        raise ValueError(f"table {name!r}: missing columns {missing}, unknown columns {extra}")
    return table[wanted]
