"""Contacts and toe-offs of both feet.

One rule serves every view: at contact the heel is as far in front of the hips as it gets, at toe-off the
foot tip as far behind. *In front* is read along the picture in a sagittal view, and along the line of sight,
from the estimator's metric guess, in a frontal one.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.signal import find_peaks

from pipeline.geometry import INDEX, body_axes, middle, point
from pipeline.model import SIDES, BoolArray, FloatArray, Pass, Side, View
from pipeline.motion import Motion, body_leg_px
from pipeline.signals import parabola_peak, runs
from pipeline.tables import EVENTS, check_table, empty_table

METHOD = {
    "sagittal": "heel and foot tip against the hips (Zeni 2008)",
    "anterior": "heel and foot tip against the hips, along the line of sight (after Zeni 2008)",
    "posterior": "heel and foot tip against the hips, along the line of sight (after Zeni 2008)",
}
# A swing of the foot about the hips is over 0.8 leg lengths in a walk; ripples stay below this. Own choice.
SMALLEST_SWING_LEGS = 0.25
CONFIDENCE_WINDOW_S = 0.1


def find_events(motion: Motion, passes: list[Pass], view: View, *, min_stride_s: float) -> pd.DataFrame:
    """Return the contacts and toe-offs of both feet in all passes.

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
        Sorted by time. Times are between frames, by a parabola through the extremum.

    Notes
    -----
    Toe-off on a prosthetic foot is the less certain event: published methods put it 35-81 ms early.

    References
    ----------
    zeni_2008; aftab_2022
    """
    rows = []
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        for side in SIDES:
            heel, toe = forward_of_hips(motion, stretch, view, side)
            for kind, ahead, tip in (("contact", heel, "heel"), ("toe_off", -toe, "foot_index")):
                seen = motion.seen[part, INDEX[f"{side}_{tip}"]]
                for index in _peaks(ahead, distance=0.8 * min_stride_s * motion.fps):
                    frame = stretch.start + parabola_peak(ahead, index)
                    time_s = float(np.interp(frame, np.arange(len(motion.time_s)), motion.time_s))
                    confidence = _seen_around(seen, index, CONFIDENCE_WINDOW_S * motion.fps)
                    rows.append((side, kind, time_s, frame, confidence, METHOD[view]))
    if not rows:
        return empty_table(EVENTS)
    table = pd.DataFrame(rows, columns=[column.name for column in EVENTS])
    return check_table(table.sort_values("time_s", ignore_index=True), EVENTS, "events")


def forward_of_hips(motion: Motion, stretch: Pass, view: View, side: Side) -> tuple[FloatArray, FloatArray]:
    """Return how far heel and foot tip are in front of the mid-hip during a pass.

    Returns
    -------
    heel, toe : (n_frames of the pass,)
        Forward positive: leg lengths in a sagittal view, metres of the estimator's guess in a frontal one.
    """
    part = slice(stretch.start, stretch.stop)
    if view == "sagittal":
        axes = body_axes(motion.fast_xy_px[part], stretch.direction) / body_leg_px(motion)
        hip = middle(axes, "hip")[:, 0]
        return point(axes, side, "heel")[:, 0] - hip, point(axes, side, "foot_index")[:, 0] - hip
    towards = -1.0 if view == "anterior" else 1.0
    depth = towards * motion.fast_world_m[part, :, 2]
    hip = (depth[:, INDEX["left_hip"]] + depth[:, INDEX["right_hip"]]) / 2
    return depth[:, INDEX[f"{side}_heel"]] - hip, depth[:, INDEX[f"{side}_foot_index"]] - hip


def _peaks(signal: FloatArray, *, distance: float) -> list[int]:
    """Indices of the clear maxima of each unbroken run of a signal."""
    found: list[int] = []
    for start, stop in runs(np.isfinite(signal)):
        peaks, _ = find_peaks(
            signal[start:stop], distance=max(1.0, distance), prominence=SMALLEST_SWING_LEGS, wlen=None
        )
        found += [start + int(peak) for peak in peaks]
    return found


def _seen_around(seen: BoolArray, index: int, half_width: float) -> float:
    """Share of frames around an index in which a landmark was really seen."""
    near = seen[max(0, index - round(half_width)) : index + round(half_width) + 1]
    return float(near.mean())
