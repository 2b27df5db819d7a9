"""What the viewer for corrections draws, as SVG text: the walker in one moment, and a curve over the clip."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from html import escape
from itertools import pairwise

import numpy as np
import pandas as pd

from pipeline.model import LANDMARK_NAMES, SIDES, FloatArray, LandmarkTrack, Side
from pipeline.report.drawings import line_of
from pipeline.report.viewer_files import PARTS, POINTS, SIZE_PX, ViewerClip
from pipeline.review_saved import Row
from pipeline.skeleton import LIMB_CHAINS

# A picture is shown for a moment when it is no further away: the pictures of a clip may be every second frame. [s]
NEAR_PICTURE_S = 0.04
# Size of the curve, its margin, and the range that a knee angle is drawn in unless it leaves it. Own choices.
CURVE_PX = (760, 240)
MARGIN_PX = 34
USUAL_RANGE = (0.0, 80.0)
DASHES = {"solid": "", "dashed": ' stroke-dasharray="7 5"'}
# Share of the picture's height that a skeleton without a picture takes.
BODY_SHARE = 0.8


def letters(prosthetic_sides: Sequence[Side]) -> dict[Side, str]:
    """Return the letter of each limb: P and S where one is prosthetic, else L and R."""
    if len(prosthetic_sides) == 1:
        return {side: "P" if side in prosthetic_sides else "S" for side in SIDES}
    return {"left": "L", "right": "R"}


def nearest_picture(clip: ViewerClip | None, time_s: float) -> int | None:
    """Return the number of the picture at a moment; None where there is none."""
    if clip is None or not len(clip.time_s):
        return None
    number = int(np.argmin(np.abs(clip.time_s - time_s)))
    return number if abs(float(clip.time_s[number]) - time_s) <= NEAR_PICTURE_S else None


def moment_svg(
    track: LandmarkTrack, frame: int, prosthetic_sides: Sequence[Side], clip: ViewerClip | None = None
) -> str:
    """Return the walker at one frame: the made-safe picture where one is kept, and the skeleton.

    Parameters
    ----------
    track : LandmarkTrack
        The clip's landmarks, from which the skeleton is drawn where no picture is kept.
    frame : int
        Number of the frame.
    prosthetic_sides : sequence of Side
    clip : ViewerClip, optional
    """
    width, height = SIZE_PX
    number = nearest_picture(clip, float(track.time_s[frame]))
    parts = [f'<rect width="{width}" height="{height}" fill="#f5f4f0"/>']
    if clip is not None and number is not None:
        picture = base64.b64encode(clip.pictures[number]).decode("ascii")
        parts.append(f'<image width="{width}" height="{height}" href="data:image/webp;base64,{picture}"/>')
        points = np.asarray(clip.xy_px[number], dtype=float)
    else:
        points = _in_box(track, frame)
    names = letters(prosthetic_sides)
    for place, side in enumerate(SIDES):
        own = points[place * len(PARTS) : (place + 1) * len(PARTS)]
        for start, end in (pair for chain in LIMB_CHAINS for pair in pairwise(chain)):
            parts += _line(own[PARTS.index(start)], own[PARTS.index(end)], DASHES[line_of(side, prosthetic_sides)])
        for part in ("knee", "ankle"):
            x, y = own[PARTS.index(part)]
            if np.isfinite([x, y]).all():
                style = 'font-size="15" font-weight="bold" fill="#ffeb78" stroke="#141414" paint-order="stroke"'
                parts.append(f'<text x="{x + 6:.1f}" y="{y - 4:.1f}" {style}>{names[side]}</text>')
    title = f"the walker at {track.time_s[frame]:.2f} s"
    return _svg((width, height), title, parts)


def curve_svg(
    strides: pd.DataFrame,
    curve: FloatArray,
    events: Iterable[Row],
    *,
    time_s: float,
    last_s: float,
    prosthetic_sides: Sequence[Side],
) -> str:
    """Return a curve of both limbs over the time of the clip, with the events in force and the moment that is shown.

    Parameters
    ----------
    strides : DataFrame, columns of `tables.STRIDES`
    curve : (n_strides, 101)
        Of the same strides.
    events : iterable of rows
        Of `review_apply.events_in_force`. Contacts are strokes up, toe-offs strokes down; those by hand have a dot.
    time_s, last_s : float
        The moment that is shown, and the end of the clip. [s]
    prosthetic_sides : sequence of Side
    """
    width, height = CURVE_PX
    seen = curve[np.isfinite(curve)]
    low = min(USUAL_RANGE[0], float(seen.min())) if len(seen) else USUAL_RANGE[0]
    high = max(USUAL_RANGE[1], float(seen.max())) if len(seen) else USUAL_RANGE[1]

    def x(moment_s: float) -> float:
        return MARGIN_PX + (width - 2 * MARGIN_PX) * moment_s / max(last_s, 1e-9)

    def y(value: float) -> float:
        return height - MARGIN_PX - (height - 2 * MARGIN_PX) * (value - low) / (high - low)

    parts = [f'<rect width="{width}" height="{height}" fill="white"/>']
    for value in (low, high):
        parts.append(_text(2, y(value) + 4, f"{value:.0f}"))
    for second in range(int(last_s) + 1):
        parts.append(_text(x(second) - 3, height - 4, f"{second} s"))
    for row, values in zip(strides.to_dict("records"), curve, strict=True):
        moments = np.linspace(float(row["start_s"]), float(row["end_s"]), curve.shape[1])
        known = np.isfinite(values)
        if not row["use"] or not known.any():
            continue
        line = " ".join(
            f"{x(moment):.1f},{y(value):.1f}" for moment, value in zip(moments[known], values[known], strict=True)
        )
        dashes = DASHES[line_of(row["side"], prosthetic_sides)]
        parts.append(f'<polyline points="{line}" fill="none" stroke="#12395b" stroke-width="1.6"{dashes}/>')
    names = letters(prosthetic_sides)
    for event in events:
        place = x(float(event["time_s"]))
        is_contact, floor = event["kind"] == "contact", height - MARGIN_PX
        top, end = (MARGIN_PX - 20, MARGIN_PX) if is_contact else (floor, floor + 12)
        stroke = f'x1="{place:.1f}" x2="{place:.1f}" y1="{top}" y2="{end}" stroke="#1d2329" stroke-width="2"'
        parts.append(f"<line {stroke}/>")
        parts.append(_text(place + 3, MARGIN_PX - 8 if is_contact else end, names[event["side"]]))
        if event["changed_by"]:
            parts.append(f'<circle cx="{place:.1f}" cy="{top}" r="4" fill="#8c1d18"/>')
    now = x(time_s)
    parts.append(f'<line x1="{now:.1f}" x2="{now:.1f}" y1="0" y2="{height}" stroke="#8c1d18" stroke-width="1.5"/>')
    return _svg(CURVE_PX, f"knee flexion in degrees over the clip, with events; the line is at {time_s:.2f} s", parts)


def _in_box(track: LandmarkTrack, frame: int) -> FloatArray:
    """The joints of `POINTS` at one frame as a skeleton in the middle of the picture, (16, 2)."""
    points = track.xy_px[:, [LANDMARK_NAMES.index(name) for name in POINTS]]
    body = np.ptp(points[..., 1], axis=1)
    body_px = float(np.nanmedian(body)) if np.isfinite(body).any() else 1.0
    own = points[frame]
    hips = own[[POINTS.index("left_hip"), POINTS.index("right_hip")]].mean(axis=0)
    return np.asarray((own - hips) * (BODY_SHARE * SIZE_PX[1] / body_px) + np.array(SIZE_PX) / 2)


def _line(start: FloatArray, end: FloatArray, dashes: str) -> list[str]:
    """A bone with a dark edge; nothing where an end is not seen."""
    if not np.isfinite([*start, *end]).all():
        return []
    place = f'x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}"'
    return [
        f'<line {place} stroke="#141414" stroke-width="5"{dashes}/>',
        f'<line {place} stroke="#ffeb78" stroke-width="2.5"{dashes}/>',
    ]


def _text(x: float, y: float, text: str) -> str:
    """Small text."""
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="12" fill="#1d2329">{escape(text)}</text>'


def _svg(size: tuple[int, int], title: str, parts: Sequence[str]) -> str:
    """A drawing with a title for readers who do not see it."""
    width, height = size
    head = f'<svg xmlns="http://www.w3.org/2000/svg" role="img" width="{width}" height="{height}"'
    return f'{head} viewBox="0 0 {width} {height}"><title>{escape(title)}</title>{"".join(parts)}</svg>'
