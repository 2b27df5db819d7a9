"""Contacts and toe-offs of both feet.

From the side: the foremost place of the heel and the rearmost of the foot tip against the hips (Zeni 2008).
There the foot is still, or already, as fast as the hips, so each event is then moved to where the foot's own
speed over the floor passes half of theirs: halfway between rest and walking pace, where a symmetric low-pass
does not shift a step in speed.

From the front or behind a foot hardly moves in the picture. There the body is lowest in the middle of double
support, and the foot tip that is further ahead on the floor has landed half a double support before. Toe-off is not
timed in these views.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.signal import find_peaks

from pipeline.geometry import INDEX, body_axes, middle, point
from pipeline.model import SIDES, BoolArray, FloatArray, Pass, Side, View
from pipeline.motion import Motion, body_leg_px, size_in_pass_px
from pipeline.signals import crossing, derivative, parabola_peak, runs, step_numbers
from pipeline.tables import EVENTS, check_table, empty_table

SIDE_METHOD = "foremost heel, rearmost foot tip (zeni_2008), moved to half walking pace"
FRONTAL_METHOD = "half a double support before the lowest body height, foot tip ahead"
# A swing that is smaller than this share of the usual one is a ripple. Own choice.
SMALLEST_SWING_SHARE = 0.4
# Furthest that the second step may move an event. Own choice: about the length of double support.
LONGEST_MOVE_S = 0.15
# Shallowest dip of the body between two steps that counts, in trunk lengths: 7 mm of 0.5 m, a fifth of the usual
# rise at slow speed. Own choice.
SHALLOWEST_DIP = 0.015
# One double support lasts about 10 % of the stride (hollman_2011, read second hand), so contact comes 5 % before its
# middle.
HALF_DOUBLE_SUPPORT_OF_STRIDE = 0.05
CONFIDENCE_WINDOW_S = 0.1

EventRow = tuple[Side, str, float, float, str]


def find_events(motion: Motion, passes: list[Pass], view: View, *, min_stride_s: float) -> pd.DataFrame:
    """Return the contacts of both feet in all passes, and from the side their toe-offs.

    Parameters
    ----------
    motion : Motion
    passes : list of Pass
        Events are looked for inside passes only.
    view : View
    min_stride_s : float
        Two events of one kind and foot are at least 0.8 of this apart. [s]

    Returns
    -------
    DataFrame, columns of `tables.EVENTS`
        Sorted by time; times lie between frames.

    Notes
    -----
    Holds for a fixed camera and a walk over ground. Toe-off on a prosthetic foot is the less certain event:
    published methods are 35-81 ms early.

    References
    ----------
    zeni_2008; aftab_shad_2022; hollman_2011
    """
    rows: list[EventRow] = []
    for stretch in passes:
        if view == "sagittal":
            rows += _side_events(motion, stretch, 0.8 * min_stride_s)
        else:
            rows += _frontal_contacts(motion, stretch, view, 0.4 * min_stride_s)
    if not rows:
        return empty_table(EVENTS)
    table = pd.DataFrame(rows, columns=["side", "kind", "frame", "confidence", "method"])
    table["time_s"] = np.interp(table["frame"], np.arange(len(motion.time_s)), motion.time_s)
    return check_table(table.sort_values("time_s", ignore_index=True), EVENTS, "events")


def _side_events(motion: Motion, stretch: Pass, apart_s: float) -> list[EventRow]:
    """Contacts and toe-offs of one pass seen from the side."""
    part = slice(stretch.start, stretch.stop)
    axes = body_axes(motion.fast_xy_px[part], stretch.direction) / body_leg_px(motion)
    hips = middle(axes, "hip")[:, 0]
    pace = derivative(hips, fps=motion.fps)
    rows: list[EventRow] = []
    for side in SIDES:
        for kind, tip, towards in (("contact", "heel", 1), ("toe_off", "foot_index", -1)):
            foot = point(axes, side, tip)[:, 0]
            excess = derivative(foot, fps=motion.fps) - 0.5 * pace
            seen = motion.seen[part, INDEX[f"{side}_{tip}"]]
            for index in _peaks(towards * (foot - hips), apart_s * motion.fps):
                inside = _to_half_pace(excess, index, towards, round(LONGEST_MOVE_S * motion.fps))
                confidence = _seen_around(seen, round(inside), CONFIDENCE_WINDOW_S * motion.fps)
                rows.append((side, kind, stretch.start + inside, confidence, SIDE_METHOD))
    return rows


def _frontal_contacts(motion: Motion, stretch: Pass, view: View, apart_s: float) -> list[EventRow]:
    """Contacts of one pass seen from the front or behind.

    The feet alternate: of the two ways to do so, the one that agrees better with which foot tip is ahead is taken.
    """
    part = slice(stretch.start, stretch.stop)
    xy = motion.xy_px[part]
    size = size_in_pass_px(motion, stretch)
    height = _body_height(middle(xy, "shoulder")[:, 1], size)
    # A foot tip further ahead is nearer to the camera, lower in the picture, when the walk comes closer.
    nearer = 1.0 if view == "anterior" else -1.0
    ahead = nearer * (point(xy, "left", "foot_index") - point(xy, "right", "foot_index"))[:, 1] / size
    lowest: list[int] = []
    for start, stop in runs(np.isfinite(height)):
        dips, _ = find_peaks(-height[start:stop], distance=max(1.0, apart_s * motion.fps), prominence=SHALLOWEST_DIP)
        lowest += [start + int(dip) for dip in dips]
    if len(lowest) < 2:
        return []
    order = step_numbers(np.array(lowest))
    half_double_support = HALF_DOUBLE_SUPPORT_OF_STRIDE * 2 * float(np.median(np.diff(lowest)))
    half = round(CONFIDENCE_WINDOW_S * motion.fps)
    evidence = np.array([np.nanmean(ahead[max(0, i - half) : i + half + 1]) for i in lowest])
    left_first = np.nansum(evidence * (-1.0) ** order) > 0
    rows: list[EventRow] = []
    for index, number in zip(lowest, order, strict=True):
        side: Side = "left" if (number % 2 == 0) == left_first else "right"
        seen = motion.seen[part, INDEX[f"{side}_foot_index"]]
        frame = max(0.0, stretch.start + parabola_peak(-height, index) - half_double_support)
        rows.append((side, "contact", frame, _seen_around(seen, index, half), FRONTAL_METHOD))
    return rows


def _body_height(shoulder_px: FloatArray, size_px: FloatArray) -> FloatArray:
    """Shoulder height without the rise or fall that perspective gives it over a pass, in trunk lengths."""
    use = np.isfinite(shoulder_px) & np.isfinite(size_px)
    if use.sum() < 10:
        return np.full(len(shoulder_px), np.nan)
    trend = np.polynomial.Polynomial.fit(size_px[use], shoulder_px[use], 2)
    return np.asarray((trend(size_px) - shoulder_px) / size_px)


def _peaks(signal: FloatArray, distance: float) -> list[int]:
    """Indices of the clear maxima of each unbroken run of a signal."""
    if not np.isfinite(signal).any():
        return []
    usual = float(np.subtract(*np.nanpercentile(signal, [95, 5])))
    found: list[int] = []
    for start, stop in runs(np.isfinite(signal)):
        peaks, _ = find_peaks(signal[start:stop], distance=max(1.0, distance), prominence=SMALLEST_SWING_SHARE * usual)
        found += [start + int(peak) for peak in peaks]
    return found


def _to_half_pace(excess: FloatArray, index: int, towards: int, furthest: int) -> float:
    """Move from a peak, later for a contact and earlier for a toe-off, to where the foot has half the pace."""
    for i in range(index, index + towards * furthest, towards):
        if not 0 <= i + towards < len(excess) or not np.isfinite(excess[i + towards]):
            break
        if excess[i] > 0 >= excess[i + towards]:
            return crossing(excess, 0.0, min(i, i + towards))
    return float(index)


def _seen_around(seen: BoolArray, index: int, half_width: float) -> float:
    """Share of frames around an index in which a landmark was really seen."""
    near = seen[max(0, index - round(half_width)) : index + round(half_width) + 1]
    return float(near.mean())
