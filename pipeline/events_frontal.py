"""Contacts seen from the front or behind.

A foot hardly moves in the picture there. The body is lowest once in each double support, which gives the steps and
their rhythm; the foot that moved before it, while the other stood, has just landed. How long after contact the body is
lowest differs between people and speeds by a tenth of a second, but hardly from step to step. It is read from the
feet: at contact the tip, so far held up, drops to the floor. The speed of that drop is averaged over all steps.
On rendered clips contacts are then 17 ms off from the front and 27 ms from behind, where heels hide the tips; without
the drop 39 and 33 ms. The height is that of the shoulders, less what an unusual lean to the side takes from it: of 60
walkers with a fault seen from behind, one in five with a lean, 34 of 537 contacts were missed, extra or the wrong
foot's before, 3 with it (tuning half). All steps of a pass are moved alike, so that times between them do not change.

Toe-off is not timed: where the middle of the trailing foot rises fastest (oconnor_2007) was 29 ms off on average over
rendered clips and up to 115 ms from the front, where its swing towards the camera hides the rise.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import find_peaks

from pipeline.event_timing import Event, confidence, peaks_in_runs, seen_around, smooth_for_events
from pipeline.geometry import INDEX, middle, point
from pipeline.model import SIDES, FloatArray, Pass, Side
from pipeline.motion import Motion
from pipeline.passes import size_in_pass_px
from pipeline.signals import crossing, derivative, parabola_peak, step_numbers

TIP_METHOD = "lowest body height, moved to where the foot tips of all steps begin to drop"
DIP_METHOD = "half a double support before the lowest body height"
# Shallowest dip of the body between two steps that counts, in trunk lengths: 7 mm of 0.5 m, a fifth of the usual
# rise at slow speed. Own choice.
SHALLOWEST_DIP = 0.015
# People without a prosthesis lean 2-4 deg to each side (from memory): that much is left, and costs 0.2 % of the trunk.
USUAL_LEAN_DEG = 4.0
# One double support lasts about 10 % of the stride (hollman_2011, read second hand), so contact comes 5 % before its
# middle.
HALF_DOUBLE_SUPPORT_OF_STRIDE = 0.05
# The foot that lands swings from this share of a step before the lowest height to that one, and the other stands. Own
# choice: the middle of single support, at any speed.
SWING_STEP_SHARES = (0.65, 0.2)
# The peak of the drop is looked for from this long before to this long after half a double support before the dip:
# where the two were on rendered clips, and half as much again. The rise of speed before it lasts no longer than the
# third. Own choice.
DROP_FROM_S, DROP_TO_S, LONGEST_RISE_S = 0.12, 0.15, 0.15
# Share of the rise of speed that marks contact: as for a foot from the side. Own choice.
RISE_SHARE = 2 / 3
# Peaks of the drop below this share of the largest speed are ripples. Own choice.
SMALLEST_PEAK_SHARE = 0.05
# The drop is not trusted when two halves of the steps differ by more than this. Own choice: twice the wanted error.
LARGEST_HALVES_S = 0.08
# Half a double support before the dip is nearer to contact than this at any speed (80 ms on rendered clips).
LARGEST_OFFSET_S = 0.1
FEWEST_STEPS = 4
# Error of the two rules on rendered clips, standard deviation. [s]
TIP_SD_S, DIP_SD_S = 0.025, 0.04

GRID_S = np.arange(-0.30, 0.301, 0.005)


def frontal_contacts(motion: Motion, stretch: Pass, apart_s: float) -> list[Event]:
    """Return the contacts of one pass seen from the front or behind.

    The feet alternate: of the two ways to do so, the one that agrees with more steps is taken.

    Parameters
    ----------
    motion : Motion
    stretch : Pass
    apart_s : float
        Shortest time between two steps. [s]
    """
    xy = smooth_for_events(motion, stretch)
    size = size_in_pass_px(motion, stretch)
    height = _body_height(_upright_shoulder_px(xy), size)
    lowest = peaks_in_runs(-height, apart_s * motion.fps, SHALLOWEST_DIP)
    if len(lowest) < 2:
        return []
    half_double_support = HALF_DOUBLE_SUPPORT_OF_STRIDE * 2 * float(np.median(np.diff(lowest)))
    frames = np.array([parabola_peak(-height, index) for index in lowest]) - half_double_support
    sides = _sides(xy, size, lowest, motion.fps)
    offset_s, halves_s = _drop_offset(xy, size, frames, sides, motion.fps)
    method, own_sd_s = (TIP_METHOD, TIP_SD_S) if np.isfinite(offset_s) else (DIP_METHOD, DIP_SD_S)
    frames = frames + np.nan_to_num(offset_s) * motion.fps
    found = []
    for side, frame in zip(sides, frames, strict=True):
        if frame >= 0:
            seen = motion.seen[stretch.start : stretch.stop, [INDEX[f"{side}_foot_index"]]]
            sure = confidence(own_sd_s, np.nan_to_num(halves_s), seen_around(seen, frame, motion.fps))
            found.append(Event(side, "contact", stretch.start + float(frame), sure, method))
    return found


def _upright_shoulder_px(xy: FloatArray) -> FloatArray:
    """Place down the picture of mid-shoulder if no lean to the side went beyond the usual, (n_frames,). [px]

    A trunk that leans by 15 deg lowers the shoulders by more than the body's own dip, and at a rhythm of its own.
    """
    shoulder = middle(xy, "shoulder")
    aside, up = np.abs(shoulder - middle(xy, "hip")).T
    trunk = np.hypot(aside, up)
    return np.asarray(shoulder[:, 1] - np.maximum(0.0, trunk * np.cos(np.radians(USUAL_LEAN_DEG)) - up))


def _body_height(shoulder_px: FloatArray, size_px: FloatArray) -> FloatArray:
    """Shoulder height without the rise or fall that perspective gives it over a pass, in trunk lengths."""
    use = np.isfinite(shoulder_px) & np.isfinite(size_px)
    if use.sum() < 10:
        return np.full(len(shoulder_px), np.nan)
    trend = np.polynomial.Polynomial.fit(size_px[use], shoulder_px[use], 2)
    return np.asarray((trend(size_px) - shoulder_px) / size_px)


def _sides(xy: FloatArray, size: FloatArray, lowest: list[int], fps: float) -> list[Side]:
    """Which foot has landed at each dip: that of the leg whose knee and foot moved more in the picture before.

    The foot of a pylon is often lost from behind, and seems to move all the time; its knee is followed.
    """
    order = step_numbers(np.array(lowest))
    first, last = (round(share * float(np.median(np.diff(lowest)))) for share in SWING_STEP_SHARES)
    evidence = 0.0
    for place in (partial(point, part="knee"), _foot):
        left, right = (np.hypot(*derivative(place(xy, side), fps=fps).T) for side in SIDES)
        more = (left - right) / size
        steps = [pd.Series(more[max(0, i - first) : max(0, i - last) + 1]).mean() for i in lowest]
        evidence += _alternation(np.array(steps), order)
    return ["left" if (number % 2 == 0) == (evidence > 0) else "right" for number in order]


def _alternation(steps: FloatArray, order: NDArray[np.int64]) -> float:
    """How far a value alternates with the steps: 1 where it is larger at every even one alike, -1 at every odd one.

    It counts against its own mean, so that a constant difference between the feet says nothing.
    """
    more = steps - np.nanmean(steps) if np.isfinite(steps).any() else steps
    size = float(np.sqrt(np.nansum(more**2) * np.isfinite(more).sum()))
    return float(np.nansum(more * (-1.0) ** order)) / size if size > 0 else 0.0


def _foot(xy: FloatArray, side: Side) -> FloatArray:
    """Mean of a foot's three landmarks, (n_frames, 2). [px]"""
    return np.asarray(np.mean([point(xy, side, part) for part in ("ankle", "heel", "foot_index")], axis=0))


def _drop_offset(
    xy: FloatArray, size: FloatArray, frames: FloatArray, sides: list[Side], fps: float
) -> tuple[float, float]:
    """How much later than `frames` the foot tips begin to drop, and how far two halves of the steps differ. [s]

    NaN where there is no drop, or the halves contradict each other.
    """
    index = np.arange(len(xy))
    drop = {side: derivative(point(xy, side, "foot_index")[:, 1], fps=fps) / size for side in SIDES}
    at = frames[:, None] + GRID_S * fps
    steps = np.array(
        [np.interp(one, index, drop[side], left=np.nan, right=np.nan) for one, side in zip(at, sides, strict=True)]
    )
    if len(steps) < FEWEST_STEPS:
        return np.nan, np.nan
    # Halves by pairs of steps, so that each holds both feet.
    first = (np.arange(len(steps)) // 2) % 2 == 0
    halves_s = abs(_start_of_drop(steps[first]) - _start_of_drop(steps[~first]))
    offset_s = _start_of_drop(steps)
    if np.isnan(halves_s):
        halves_s = LARGEST_HALVES_S  # One half shows no drop, and cannot speak against the other.
    trusted = halves_s <= LARGEST_HALVES_S and abs(offset_s) <= LARGEST_OFFSET_S
    return (offset_s, halves_s) if trusted else (np.nan, np.nan)


def _start_of_drop(steps: FloatArray) -> float:
    """Where the tip's mean downward speed has risen by two thirds to its peak, on `GRID_S`; NaN without one."""
    known = np.isfinite(steps).any(axis=0)
    if not known.any():
        return float("nan")
    speed = np.interp(GRID_S, GRID_S[known], np.nanmedian(steps[:, known], axis=0))
    peaks, _ = find_peaks(speed, prominence=SMALLEST_PEAK_SHARE * np.max(np.abs(speed)))
    back = round(LONGEST_RISE_S / (GRID_S[1] - GRID_S[0]))
    best_rise, best_s = 0.0, float("nan")
    for peak in peaks[(GRID_S[peaks] >= -DROP_FROM_S) & (GRID_S[peaks] <= DROP_TO_S)]:
        low = max(0, peak - back)
        trough = low + int(np.argmin(speed[low : peak + 1]))
        rise = speed[peak] - speed[trough]
        if rise > best_rise:
            level = speed[trough] + RISE_SHARE * rise
            below = trough + int(np.flatnonzero(speed[trough:peak] < level)[-1])
            place = crossing(speed, float(level), below)
            best_rise, best_s = float(rise), float(np.interp(place, np.arange(len(GRID_S)), GRID_S))
    return best_s
