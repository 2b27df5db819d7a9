"""Truth of rendered clips, as events and strides of the same form as the pipeline's."""

from __future__ import annotations

import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.bench.true_signals import true_signals
from pipeline.errors import StageError
from pipeline.model import SIDES, FloatArray, Side, StrideSet, View
from pipeline.steps import BOUNDS, step_lengths_pct
from pipeline.strides import inner_events, sample_curves
from pipeline.tables import STRIDES, check_table

HIP_TO_ANKLE = ("hip", "knee", "ankle")


@dataclass(frozen=True, slots=True)
class ClipTruth:
    """What is known about one clip.

    Attributes
    ----------
    events : DataFrame
        side, kind, time_s.
    strides : StrideSet
        Whole strides inside the clip, with the pipeline's curves made from 3D joints.
    signals : dict of quantity to dict of side to (n_frames,)
    time_s : (n_frames,)
        [s]
    look : str
        Look of the prosthetic limb.
    """

    events: pd.DataFrame
    strides: StrideSet
    signals: dict[str, dict[Side, FloatArray]]
    time_s: FloatArray
    look: str


def load_truth(path: Path) -> ClipTruth:
    """Return the truth of one rendered clip.

    Raises
    ------
    StageError
        The truth file is missing.
    """
    if not path.is_file():
        raise StageError(
            path.name, "no truth file", "one is written beside each rendered clip", "Render the clips again."
        )
    record = json.loads(path.read_text(encoding="utf-8"))
    gait = record["gait"]
    events = pd.DataFrame(gait["events"])[["side", "kind", "time_s"]]
    time_s = np.array(gait["time_s"], dtype=float)
    joints = {name: np.array(points, dtype=float) for name, points in record["joints_m"].items()}
    rest = {name: np.array(point) for name, point in record["rest_m"].items()}
    bones = [np.linalg.norm(rest[f"left_{a}"] - rest[f"left_{b}"]) for a, b in pairwise(HIP_TO_ANKLE)]
    leg_m = float(sum(bones))
    walks = _walks(record, time_s)
    signals: dict[str, dict[Side, FloatArray]] = {}
    tables, inside = [], []
    for number, walk in enumerate(walks, start=1):
        own_s = time_s[walk.part]
        own = {name: points[walk.part] for name, points in joints.items()}
        for name, by_side in true_signals(gait, own, own_s, view=record["view"], leg_m=leg_m, part=walk.part).items():
            for side, values in by_side.items():
                signals.setdefault(name, {}).setdefault(side, np.full(len(time_s), np.nan))[walk.part] = values
        inside.append(events[(events["time_s"] >= own_s[0]) & (events["time_s"] <= own_s[-1])])
        table = _stride_table(inside[-1], record["view"], walk.near, path.name, number)
        if record["view"] == "sagittal":
            table = _with_lengths(table, _heels_along_legs(own, leg_m), own_s)
        tables.append(table)
    events, table = pd.concat(inside, ignore_index=True), pd.concat(tables, ignore_index=True)
    # One pixel of this camera is a metre, so that the true leg length is `leg_length_px` times `m_per_px`.
    table = table.assign(leg_length_px=leg_m, m_per_px=1.0, scale_relative_sd=0.0)
    return ClipTruth(
        events=events,
        strides=StrideSet(table, sample_curves(table, time_s, signals)),
        signals=signals,
        time_s=time_s,
        look=str(record["look"]["limb"]),
    )


@dataclass(frozen=True, slots=True)
class _Walk:
    """The frames of one walk, and the side that is near in it."""

    part: slice
    near: Side | None


def _walks(record: dict[str, Any], time_s: FloatArray) -> list[_Walk]:
    """The walks of a clip that its view shows: all frames, unless the truth tells standing and turning apart."""
    view = record["view"]
    shown = {"anterior": ("toward",), "posterior": ("away",), "sagittal": ("leftward", "rightward")}[view]
    near: dict[str, Side] = {"leftward": "left", "rightward": "right"}
    phases = record["gait"].get("phases", [])
    if not phases:
        whole = near["leftward" if record["leftward"] else "rightward"] if view == "sagittal" else None
        return [_Walk(slice(0, len(time_s)), whole)]
    found = []
    for phase in phases:
        if phase["kind"] == "walk" and phase["direction"] in shown:
            start, stop = np.searchsorted(time_s, [phase["start_s"] - 1e-6, phase["end_s"] - 1e-6])
            found.append(_Walk(slice(int(start), int(stop)), near.get(phase["direction"])))
    return found


def _heels_along_legs(joints: dict[str, FloatArray], leg_m: float) -> dict[Side, FloatArray]:
    """Place of each heel along the walk from 3D joints. [leg lengths]"""
    way = (joints["pelvis"][-1] - joints["pelvis"][0])[:2]
    way /= np.linalg.norm(way)
    return {side: joints[f"{side}_heel_back"][:, :2] @ way / leg_m for side in SIDES}


def _with_lengths(table: pd.DataFrame, along_legs: dict[Side, FloatArray], time_s: FloatArray) -> pd.DataFrame:
    """The strides with the true lengths of steps and strides, by the pipeline's own definition."""
    bounds = zip(*(table[name] for name in BOUNDS), strict=True)
    lengths = [
        step_lengths_pct(along_legs, time_s, side, start_s=start_s, opposite_contact_s=other_s, end_s=end_s)
        for side, start_s, other_s, end_s in bounds
    ]
    steps, strides = np.reshape(lengths, (-1, 2)).T
    return table.assign(step_length_pct=steps, stride_length_pct=strides)


def _stride_table(events: pd.DataFrame, view: View, near: Side | None, clip_id: str, number: int) -> pd.DataFrame:
    """Whole strides between true contacts of one walk."""
    rows = []
    for side in SIDES:
        contacts = events[(events["side"] == side) & (events["kind"] == "contact")]["time_s"]
        for i, (start_s, end_s) in enumerate(pairwise(float(time_s) for time_s in contacts)):
            inner = inner_events(events, side, start_s, end_s)
            row = {
                "stride_id": f"{clip_id}:{side}:{number}.{i}",
                "clip_id": clip_id,
                "view": view,
                "side": side,
                "near": side == near,
                "pass_number": number,
                "start_s": start_s,
                "end_s": end_s,
                "fps": 1000.0,
                "leg_length_px": np.nan,
                "m_per_px": np.nan,
                "scale_relative_sd": np.nan,
                "step_length_pct": np.nan,
                "stride_length_pct": np.nan,
                "seen_share": 1.0,
                "sure_share": 1.0,
                "leg_sure": True,
                "early_sure": True,
                "foot_sure": True,
                "use": all(np.isfinite(time_s) for time_s in inner.values()),
                "why_not": "",
            }
            rows.append(row | inner)
    return check_table(pd.DataFrame(rows), STRIDES, "true strides")
