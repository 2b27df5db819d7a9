"""What the viewer of a visit's page shows: clips, strides and curves as data, its script, and what is missing."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from pipeline.judgement import VisitReport
from pipeline.kept import FRAMES_FOLDER
from pipeline.language import localised, say, say_saved
from pipeline.model import FloatArray, StrideSet
from pipeline.report.drawings import NEAR_CURVES, curve_title, curve_unit, line_of
from pipeline.report.layout import Layout
from pipeline.report.layout_records import ViewerTexts
from pipeline.report.scripts import page_script
from pipeline.report.viewer_files import PARTS, SIZE_PX, ViewerClip, load_viewer_clip, load_viewer_index
from pipeline.report.words import limb_words, sides_in_order
from pipeline.skeleton import LIMB_CHAINS

# Pictures of all clips together inside a page, so that it stays below 6 MB; written as text they take a third more.
LARGEST_PAGE = 1_900_000
# A curve is drawn through every second per cent of the stride: a tenth of a second holds four of its points.
EVERY_PCT = 2


@dataclass(frozen=True, slots=True)
class ViewerView:
    """The viewer of a page.

    Attributes
    ----------
    data : dict
        What the script reads, as JSON; no clips where there is nothing to show.
    notes : tuple of str
        What is not shown, and why.
    script, policy : str
        The script, and what the page's content security policy has to allow for it; empty without clips.
    """

    data: dict[str, Any]
    notes: tuple[str, ...]
    script: str
    policy: str


def viewer_view(
    folder: Path, report: VisitReport, strides: StrideSet, curves: Iterable[str], layout: Layout
) -> ViewerView:
    """Return the viewer of a visit's page.

    Parameters
    ----------
    folder : Path
        The visit's, with the clips in `frames`.
    report : VisitReport
    strides : StrideSet
        All strides of the visit.
    curves : iterable of str
        Names of the quantities that the page draws; the viewer shows the same ones.
    layout : Layout

    Raises
    ------
    StageError
        A saved clip is missing or damaged.
    """
    texts, index = layout.viewer, load_viewer_index(folder)
    sides = report.prosthetic_sides
    notes = [texts.not_stored.format(clip=clip, reason=say_saved(reason)) for clip, reason in index.left_out.items()]
    clips: list[dict[str, Any]] = []
    left = LARGEST_PAGE
    wanted = list(dict.fromkeys(name for name in curves if name in strides.curves))
    for result in report.clips:
        # Only the name counts: an index must not reach outside its folder.
        file = Path(index.files.get(result.clip_id, "")).name
        if not file:
            continue
        clip = load_viewer_clip(folder / FRAMES_FOLDER / file)
        size = sum(map(len, clip.pictures))
        if size > left:
            notes.append(texts.too_large.format(clip=result.clip_id, file=f"{FRAMES_FOLDER}/{file}"))
            continue
        left -= size
        notes += _clip_notes(result.clip_id, clip, texts)
        rows = strides.table[(strides.table["clip_id"] == result.clip_id) & strides.table["use"].astype(bool)]
        view = say(str(rows["view"].iloc[0]).capitalize()) if len(rows) else ""
        clips.append(
            {
                "name": texts.clip_name.format(number=len(clips) + 1, view=view, clip=result.clip_id),
                "times": [round(float(time_s), 3) for time_s in clip.time_s],
                "pictures": [base64.b64encode(picture).decode("ascii") for picture in clip.pictures],
                "points": [_numbers(points.ravel()) for points in clip.xy_px],
                "grey": np.flatnonzero(clip.is_grey).tolist(),
                "strides": _strides(rows, strides, wanted, report),
            }
        )
    if not clips:
        return ViewerView({"clips": []}, (*notes,) or (texts.none,), "", "")
    order = sides_in_order(sides)
    letters = ("P", "S") if len(sides) == 1 else ("L", "R")
    data = {
        "words": texts.model_dump(),
        "size": SIZE_PX,
        "every_pct": EVERY_PCT,
        "limbs": [
            {
                "side": side,
                "name": limb_words(side, sides),
                "letter": letter,
                "line": line_of(side, sides),
                "first": len(PARTS) * ("left", "right").index(side),
            }
            for side, letter in zip(order, letters, strict=True)
        ],
        "lines": [[PARTS.index(start), PARTS.index(end)] for chain in LIMB_CHAINS for start, end in pairwise(chain)],
        "across": [PARTS.index("shoulder"), PARTS.index("hip")],
        "lettered": [PARTS.index("knee"), PARTS.index("ankle")],
        "curves": [
            {
                "id": name,
                "name": texts.curve_name.format(title=curve_title(name), unit=curve_unit(name)),
                "near_only": name in NEAR_CURVES,
            }
            for name in wanted
        ],
        "clips": clips,
    }
    return ViewerView(data, tuple(notes), *page_script("viewer.js"))


def _clip_notes(clip_id: str, clip: ViewerClip, texts: ViewerTexts) -> list[str]:
    """What of a clip is not shown."""
    notes = []
    if clip.is_grey.all():
        notes.append(texts.all_grey.format(clip=clip_id))
    elif clip.is_grey.any():
        notes.append(texts.grey.format(clip=clip_id, count=int(clip.is_grey.sum()), all=len(clip.is_grey)))
    if clip.cut_s > 0:
        notes.append(texts.cut.format(clip=clip_id, seconds=localised(f"{clip.cut_s:.1f}")))
    return notes


def _strides(rows: pd.DataFrame, strides: StrideSet, wanted: list[str], report: VisitReport) -> list[dict[str, Any]]:
    """The used strides of a clip: limb, times [s], and each curve that has a value."""
    order = sides_in_order(report.prosthetic_sides)
    found = []
    for place, row in zip(rows.index, rows.to_dict("records"), strict=True):
        curves = {name: strides.curves[name][place, ::EVERY_PCT] for name in wanted}
        found.append(
            {
                "limb": order.index("left" if row["side"] == "left" else "right"),
                "start": round(float(row["start_s"]), 4),
                "end": round(float(row["end_s"]), 4),
                "toe_off": _number(float(row["toe_off_s"]), 4),
                "far": row["view"] == "sagittal" and not row["near"],
                "curves": {name: _numbers(values) for name, values in curves.items() if np.isfinite(values).any()},
            }
        )
    return found


def _numbers(values: FloatArray) -> list[float | None]:
    """Numbers with a tenth as the last digit; None where there is none."""
    return [_number(value, 1) for value in values.tolist()]


def _number(value: float, digits: int) -> float | None:
    """A rounded number; None where it is none."""
    return round(value, digits) if np.isfinite(value) else None
