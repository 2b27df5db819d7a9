"""The straight, steady stretches of a clip, and the size of a walker in them.

One clip may hold standing, several walks and the turns between them. Two rules leave what can be measured. A pass is
where the walker goes one way, at a fair share of the clip's usual pace: turns, halts, and most of the first step out of
standing and of the last one into it fall out. Of its strides those count that keep up the pass's pace.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.signal import savgol_filter

from pipeline.geometry import middle, point, smooth_size_px
from pipeline.model import SIDES, FloatArray, Pass, QualityNote, Side, View
from pipeline.motion import Motion, body_leg_px, trunk_px
from pipeline.recording import at_most
from pipeline.signals import runs
from pipeline.treadmill import treadmill_passes
from pipeline.walkway import WIDE_SHOULDERS

# Slower than this is standing or turning, not a pass. Own choice: a third of a slow walk, about
# 0.2 m/s for a leg of 0.85 m; and the shortest stretch worth calling a pass.
STANDING_LEGS_PER_S = 0.25
SHORTEST_PASS_S = 1.0
# Share of the usual pace that belongs to a pass, smoothed as below. Own choice: even walks never fall below 0.78 from
# the side and 0.61 from the front and behind (30 rendered clips). From the side 0.4 and more lose the first contact
# after standing; in the other views no stride is looked at for its pace, and size still changes in a turn.
PASS_SHARE: dict[View, float] = {"sagittal": 0.3, "anterior": 0.5, "posterior": 0.5}
# Below this share the walker turns if the shoulders are wide as well: a body seen from one edge of the picture has wide
# shoulders and an even pace, and one that halts has narrow ones. Own choice.
TURN_SHARE = 0.8
# Share of the pass's usual pace that a stride keeps up. About three steps are needed to get up to pace, at the third
# nine tenths are reached (two abstracts on gait initiation, second hand); strides of even rendered walks keep 0.94 to
# 1.06. Own choice.
STEADY_SHARE = 0.85
# Pace is the slope of a straight line through this much of the path; size jitters more than place, and toward and away
# from the camera nothing else tells the pace. Own choice: about one stride. [s]
PACE_SPAN_S: dict[View, float] = {"sagittal": 1.0, "anterior": 1.4, "posterior": 1.4}
# Size at the near end over that at the far end, below which a walk toward or away from the camera is none. Own choice.
SMALLEST_GROWTH = 1.1
OPPOSITE: dict[View, View] = {"anterior": "posterior", "posterior": "anterior"}
# Advice only: a clip with this note is no worse.
OTHER_WALKS = "walks the other way"


def find_passes(motion: Motion, view: View) -> list[Pass]:
    """Return the straight stretches of a clip in the order of time.

    Sagittal: the mid-hip moves along the picture, to the right or to the left, and the walker is not seen turning: the
    hips slow down and the shoulders widen. Anterior: the body comes closer; posterior: it goes away. The opposite way
    is no pass of that view.

    Notes
    -----
    A body's distance is inverse to its size, so that the inverse of the size falls evenly in a walk toward the camera.
    The usual pace is the mean pace of all frames, each with its pace as weight: standing does not count, however long.
    """
    pace = _pace(motion, view)
    # Absolute only from the side: toward and away from the camera pace has no unit without a lens.
    least = max(PASS_SHARE[view] * _usual(pace), STANDING_LEGS_PER_S if view == "sagittal" else 0.0)
    found: list[Pass] = []
    turning = np.zeros(len(pace), dtype=bool)
    if view == "sagittal":
        turning = (np.abs(pace) < TURN_SHARE * _usual(pace)) & (_shoulders(motion) > WIDE_SHOULDERS)
    for direction in (1, -1) if view == "sagittal" else (1,):
        near: Side | None = None
        if view == "sagittal":
            near = "right" if direction > 0 else "left"
        for start, stop in runs((direction * pace > least) & ~turning):
            if (stop - start) / motion.fps >= SHORTEST_PASS_S:
                found.append(Pass(start, stop, direction, near))
    found.sort(key=lambda item: item.start)
    if view == "sagittal":
        return found or treadmill_passes(motion)
    return [item for item in found if _grows(motion, item)]


def size_in_pass_px(motion: Motion, stretch: Pass) -> FloatArray:
    """Return the trunk length along a frontal pass, free of jitter, (n_frames of the pass,). [px]"""
    part = slice(stretch.start, stretch.stop)
    return smooth_size_px(trunk_px(motion)[part], motion.time_s[part])


def steady_strides(table: pd.DataFrame) -> pd.DataFrame:
    """Return the strides with those left out in which the walker was still starting, or already stopping or turning.

    Parameters
    ----------
    table : DataFrame, columns of `tables.STRIDES`

    Notes
    -----
    A stride's pace is its length over its time, against the median of the strides of its pass that can be used. Side
    view over ground only: without lengths, and where the walker stays at one place on a treadmill, all strides stay.
    """
    pace = (table["stride_length_pct"] / (table["end_s"] - table["start_s"])).where(table["use"])
    usual = pace.groupby(table["pass_number"]).transform("median")
    share = pace / usual
    slow = (share < STEADY_SHARE) & (usual > 100.0 * STANDING_LEGS_PER_S)
    reasons = [f"{one:.0%} of the usual pace; at least {STEADY_SHARE:.0%} expected" for one in share[slow]]
    table = table.assign(use=table["use"] & ~slow)
    table.loc[slow, "why_not"] = reasons
    return table


def pass_notes(motion: Motion, view: View) -> tuple[QualityNote, ...]:
    """Return the note on walks that a clip of a front or back view holds besides those of its own view."""
    if view == "sagittal":
        return ()
    others = len(find_passes(motion, OPPOSITE[view]))
    way = "away from" if view == "anterior" else "toward"
    advice = (
        f"The clip also shows the walk {way} the camera, which is not measured here: "
        f"add a copy of the file, with the view {OPPOSITE[view]} in its own row."
    )
    return (at_most(OTHER_WALKS, others, "1", 0, advice),)


def _pace(motion: Motion, view: View) -> FloatArray:
    """Pace in each frame, (n_frames,): to the right [legs/s], or toward (anterior) or away (posterior) [any unit]."""
    if view == "sagittal":
        place = middle(motion.xy_px, "hip")[:, 0] / body_leg_px(motion)
    else:
        place = (-1.0 if view == "anterior" else 1.0) / trunk_px(motion)
    return _fitted(place, motion.fps, PACE_SPAN_S[view], slope=True)


def _shoulders(motion: Motion) -> FloatArray:
    """Width of the shoulders over the trunk's length without the swing of a step, (n_frames,). [1]"""
    left_px, right_px = (point(motion.xy_px, side, "shoulder")[:, 0] for side in SIDES)
    return _fitted(np.abs(left_px - right_px) / trunk_px(motion), motion.fps, PACE_SPAN_S["sagittal"], slope=False)


def _fitted(values: FloatArray, fps: float, span_s: float, *, slope: bool) -> FloatArray:
    """Slope a second, or height, of the straight line through a stretch about each frame; NaN in shorter ones."""
    n_frames = 2 * round(span_s * fps / 2) + 1
    fitted = np.full(len(values), np.nan)
    for start, stop in runs(np.isfinite(values)):
        if stop - start >= n_frames:
            fitted[start:stop] = savgol_filter(values[start:stop], n_frames, 1, deriv=int(slope), delta=1.0 / fps)
    return fitted


def _usual(pace: FloatArray) -> float:
    """Mean of the pace whichever way, weighted by itself; 0 where there is none."""
    size = np.abs(pace[np.isfinite(pace)])
    return float(np.sum(size**2) / np.sum(size)) if size.any() else 0.0


def _grows(motion: Motion, stretch: Pass) -> bool:
    """Tell whether the size changes clearly over a pass toward or away from the camera."""
    size = size_in_pass_px(motion, stretch)
    return bool(np.isfinite(size).any() and np.nanmax(size) >= SMALLEST_GROWTH * np.nanmin(size))
