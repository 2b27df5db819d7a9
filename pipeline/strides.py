"""Strides: which stretches of a clip are whole strides, and each quantity over 0-100 % of them."""

from __future__ import annotations

import io
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.config import StrideSettings
from pipeline.errors import StageError
from pipeline.geometry import INDEX, LEG_PARTS
from pipeline.model import SIDES, BoolArray, Clip, FloatArray, Pass, Side, StrideSet, other_side
from pipeline.motion import Motion
from pipeline.outside import DAMAGED, LARGEST_SAVED, outside_arrays, read_outside
from pipeline.plain_text import visible
from pipeline.store import write_arrays, write_table
from pipeline.tables import STRIDES, check_table, empty_table
from pipeline.track_file import numbers

PERCENT = np.arange(101)
# How the reason begins where a stride is left out for lost landmarks alone.
LIMB_SEEN = "limb seen in"
# The stance after a pass's last contact is no whole stride, but what happens up to foot flat is there.
LAST_STANCE = "after the last contact"
LAST_STANCE_PCT = 30
LENGTHS = ("leg_length_px", "m_per_px", "scale_relative_sd", "step_length_pct", "stride_length_pct")


def find_strides(
    clip: Clip,
    motion: Motion,
    passes: list[Pass],
    events: pd.DataFrame,
    *,
    settings: StrideSettings,
    rebuilt: BoolArray | None = None,
    feet_lost: BoolArray | None = None,
) -> pd.DataFrame:
    """Return one row per stretch between contacts of one foot, whole strides and excluded ones.

    A stride runs from one contact to the next of the same foot. Excluded, each with its reason: what lies
    before the first and after the last contact of a pass, strides that are too short or too long, strides
    without exactly one toe-off of this foot and one contact and toe-off of the other in the right order (in
    frontal views, without one contact of the other), and strides in which the limb was seen too little.
    Frames in which a leg was `rebuilt` (n_frames, 2) count as seen, but not as followed without doubt; so do, for the
    foot, those in which the estimator lost it (`feet_lost`, (n_frames, 2)).

    Returns
    -------
    DataFrame, columns of `tables.STRIDES`
    """
    rows = []
    toe_offs_timed = clip.view == "sagittal"
    for number, stretch in enumerate(passes, start=1):
        first_s, last_s = motion.time_s[stretch.start], motion.time_s[stretch.stop - 1]
        inside = events[(events["time_s"] >= first_s) & (events["time_s"] <= last_s)]
        for side in SIDES:
            contacts = _times(inside, side, "contact")
            bounds = [first_s, *contacts, last_s]
            for i, (start_s, end_s) in enumerate(pairwise(bounds)):
                inner = inner_events(inside, side, start_s, end_s)
                seen_share, sure_share, foot_share = _shares(motion, side, start_s, end_s, rebuilt, feet_lost)
                partial = "before the first contact" if i == 0 else ""
                partial = LAST_STANCE if i == len(bounds) - 2 else partial
                early_s = end_s if partial else start_s + LAST_STANCE_PCT / 100.0 * (end_s - start_s)
                _, early_share = _shares(motion, side, start_s, early_s, rebuilt)
                why_not = partial or _why_not(start_s, inner, end_s, seen_share, toe_offs_timed, settings)
                row = {
                    "stride_id": f"{clip.clip_id}:{side}:{number}.{i}",
                    "clip_id": clip.clip_id,
                    "view": clip.view,
                    "side": side,
                    "near": stretch.near_side == side,
                    "pass_number": number,
                    "start_s": start_s,
                    "end_s": end_s,
                    "fps": motion.fps,
                    # Filled by `steps.with_lengths`.
                    **dict.fromkeys(LENGTHS, np.nan),
                    "seen_share": seen_share,
                    "sure_share": sure_share,
                    "leg_sure": sure_share >= settings.min_seen_share,
                    "early_sure": early_share >= settings.min_seen_share,
                    "foot_sure": min(sure_share, foot_share) >= settings.min_seen_share,
                    "use": why_not == "",
                    "why_not": why_not,
                }
                rows.append(row | inner)
    if not rows:
        return empty_table(STRIDES)
    return check_table(pd.DataFrame(rows), STRIDES, "strides")


def stride_curve(signal: FloatArray, time_s: FloatArray, start_s: float, end_s: float) -> FloatArray:
    """Return a signal at 0, 1, ... 100 % of one stride.

    Parameters
    ----------
    signal : (n_frames,)
        NaN where not seen.
    time_s : (n_frames,)
        [s]
    start_s, end_s : float
        [s]

    Returns
    -------
    (101,)
        By straight lines between frames; NaN beside a missing one.
    """
    at_s = start_s + PERCENT / 100.0 * (end_s - start_s)
    return np.interp(at_s, time_s, signal)


def sample_curves(
    table: pd.DataFrame, time_s: FloatArray, signals: dict[str, dict[Side, FloatArray]]
) -> dict[str, FloatArray]:
    """Return each quantity over every stride of the table, taken from the stride's own side.

    Parameters
    ----------
    table : DataFrame, columns of `tables.STRIDES`
    time_s : (n_frames,)
        [s]
    signals : dict of quantity to dict of side to (n_frames,)

    Returns
    -------
    dict of quantity to (n_strides, 101)

    Notes
    -----
    The stance after a pass's last contact is laid out as if its stride took the median time of this foot's used ones in
    the pass, NaN from the end of the pass on, and NaN throughout when that comes before 30 % of it.
    """
    end_s = _end_times(table)
    rows = list(zip(table["side"], table["start_s"], end_s, strict=True))
    curves = {
        name: np.array([stride_curve(by_side[side], time_s, start_s, end_s) for side, start_s, end_s in rows]).reshape(
            -1, 101
        )
        for name, by_side in signals.items()
    }
    seen_pct = 100.0 * ((table["end_s"] - table["start_s"]) / (end_s - table["start_s"])).to_numpy()
    last = (table["why_not"] == LAST_STANCE).to_numpy()
    beyond = last[:, None] & ((PERCENT[None, :] > seen_pct[:, None]) | (seen_pct[:, None] < LAST_STANCE_PCT))
    return {name: np.where(beyond, np.nan, curve) for name, curve in curves.items()}


def _end_times(table: pd.DataFrame) -> pd.Series:
    """Ends of the strides; of a last stance the time at which its stride would end. [s]"""
    duration_s = (table["end_s"] - table["start_s"]).where(table["use"].astype(bool))
    usual_s = duration_s.groupby([table["pass_number"], table["side"]]).transform("median")
    last = (table["why_not"] == LAST_STANCE) & usual_s.notna()
    return table["end_s"].where(~last, table["start_s"] + usual_s)


def join(parts: list[StrideSet]) -> StrideSet:
    """Return the strides of several clips as one; a quantity that a clip lacks is NaN there."""
    parts = [part for part in parts if len(part.table)]
    if not parts:
        return StrideSet(empty_table(STRIDES), {})
    names = list(dict.fromkeys(name for part in parts for name in part.curves))
    curves = {
        name: np.concatenate([part.curves.get(name, np.full((len(part.table), 101), np.nan)) for part in parts])
        for name in names
    }
    return StrideSet(pd.concat([part.table for part in parts], ignore_index=True), curves)


def select(strides: StrideSet, mask: pd.Series) -> StrideSet:
    """Return the strides where the mask is True."""
    rows = mask.to_numpy(dtype=bool)
    return StrideSet(
        strides.table[rows].reset_index(drop=True),
        {name: curve[rows] for name, curve in strides.curves.items()},
    )


def save(strides: StrideSet, folder: Path) -> None:
    """Write the strides as `strides.csv` and `curves.npz` into a folder."""
    write_table(folder / "strides.csv", strides.table)
    write_arrays(folder / "curves.npz", strides.curves)


def load(folder: Path) -> StrideSet:
    """Read back the strides saved as `strides.csv` and `curves.npz` in a folder.

    Raises
    ------
    StageError
        A file is missing or damaged.
    """
    try:
        text = io.BytesIO(read_outside(folder / "strides.csv", LARGEST_SAVED))
        table = pd.read_csv(text, keep_default_na=False, na_values=["nan", "NaN", ""])
        for name in ("why_not", "clip_id", "stride_id"):
            table[name] = table[name].fillna("").astype(str).map(visible)
        shape = (len(table), len(PERCENT))
        with outside_arrays(folder / "curves.npz") as stored:
            curves = {name: numbers(stored, name, shape) for name in stored.files}
        return StrideSet(check_table(table, STRIDES, "strides"), curves)
    except FileNotFoundError:
        found = "no such file"
    except DAMAGED as error:
        found = f"cannot be read ({error})"
    do = "Run the study again into the same folder; what is missing is made anew."
    raise StageError("strides.csv, curves.npz", found, "expected a saved result", do)


def _times(events: pd.DataFrame, side: str, kind: str) -> list[float]:
    """Times of one kind of event of one foot, in order."""
    chosen = events[(events["side"] == side) & (events["kind"] == kind)]
    return [float(time_s) for time_s in chosen["time_s"]]


def inner_events(events: pd.DataFrame, side: Side, start_s: float, end_s: float) -> dict[str, float]:
    """Return the three events inside a stride by column name; NaN where there is not exactly one. [s]

    The other foot's contact parts the stride: before it the other foot leaves the floor, after it this one does. A
    toe-off on the wrong side of it is no toe-off of a walk.
    """
    other = other_side(side)
    contact_s = _only(_times(events, other, "contact"), start_s, end_s)
    return {
        "opposite_toe_off_s": _only(_times(events, other, "toe_off"), start_s, contact_s),
        "opposite_contact_s": contact_s,
        "toe_off_s": _only(_times(events, side, "toe_off"), contact_s, end_s),
    }


def _only(times_s: list[float], after_s: float, before_s: float) -> float:
    """The one time inside a stretch; NaN when there is none, or more than one."""
    inside = [time_s for time_s in times_s if after_s < time_s < before_s]
    return inside[0] if len(inside) == 1 else float("nan")


def _shares(motion: Motion, side: Side, start_s: float, end_s: float, *lost: BoolArray | None) -> tuple[float, ...]:
    """Share of a stretch with all landmarks of a limb seen or bridged, and for each of `lost` (n_frames, 2) the share
    with them seen and the limb not lost."""
    frames = (motion.time_s >= start_s) & (motion.time_s <= end_s)
    if not frames.any():
        return (0.0,) * (1 + len(lost))
    limb = [INDEX[f"{side}_{part}"] for part in LEG_PARTS]
    there = np.isfinite(motion.xy_px[frames][:, limb, 0]).all(axis=1)
    seen = motion.seen[frames][:, limb].all(axis=1)
    kept = [seen if one is None else seen & ~one[frames, SIDES.index(side)] for one in lost]
    return tuple(float(flags.mean()) for flags in (there, *kept))


def _why_not(
    start_s: float,
    inner: dict[str, float],
    end_s: float,
    seen_share: float,
    toe_offs_timed: bool,
    settings: StrideSettings,
) -> str:
    """Reason to leave a stride out; empty when it is used."""
    duration_s = end_s - start_s
    if duration_s < settings.min_stride_s:
        return f"{duration_s:.2f} s between contacts; at least {settings.min_stride_s:.2f} s expected"
    if duration_s > settings.max_stride_s:
        return f"{duration_s:.2f} s between contacts; at most {settings.max_stride_s:.2f} s expected"
    if not np.isfinite(inner["opposite_contact_s"]):
        return "not one contact of the other foot inside"
    if toe_offs_timed and not np.isfinite([inner["opposite_toe_off_s"], inner["toe_off_s"]]).all():
        return "not one toe-off of the other foot before its contact and one of this foot after it"
    if seen_share < settings.min_seen_share:
        return f"{LIMB_SEEN} {seen_share:.0%} of the frames; at least {settings.min_seen_share:.0%} expected"
    return ""
