"""Which leg is which: frames in which the estimator exchanged left and right are found from how legs move.

Seen from the side, the legs cross twice a stride and the estimator may name them the wrong way round for some frames,
or for every other step, most often with a pylon in place of a shank. The hips then mostly keep their names: they are
named on their own. Two things hold for every walk: between two
crossings one leg stays in front, and the legs take turns. So the crossings are found first, as an even sequence over
the whole pass; they name the legs wherever these are apart. In between, and in views without turns, the sequence of
namings wins in which the landmarks move most evenly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import find_peaks

from pipeline.geometry import INDEX, LEG_PARTS
from pipeline.leg_shape import HIP, KNEE
from pipeline.model import BoolArray, FloatArray
from pipeline.signals import lowpass, sample_rate

LEFT = [INDEX[f"left_{part}"] for part in LEG_PARTS]
RIGHT = [INDEX[f"right_{part}"] for part in LEG_PARTS]
# The evenness of a landmark's path is its departure from the place that the two frames before predict, squared, in
# leg lengths. One landmark that jumps counts no more than this. Own choice: a fifth of a leg.
LARGEST_DEPARTURE = 0.2**2
# A small charge for each frame against the estimator's naming: its word counts after both legs were lost on one, and
# where legs that cross are no further apart than noise. Own choice: what 1 % of a leg of noise gives by chance.
CHARGE_OF_A_SWAP = 0.01
# Feet further apart than this along the walk say which leg is in front [legs]. Own choice: half a foot.
APART_LEGS = 0.12
# A step takes this long [s]: from a run to a walk at 0.3 m/s.
STEP_S = (0.35, 1.3)
# Crossings are looked for without quick jitter. [Hz]
CROSSING_CUTOFF_HZ = 5.0
# A crossing is found to about this time. [s] Own choice.
CROSSING_S = 0.07
# What a sequence of crossings costs: uneven steps in units of this share of the usual step; a step without a crossing;
# feet that are not together at a crossing count against the one that it gains. Own choices.
UNEVEN_SHARE = 0.2
MOST_STEPS = 4
MISSED_STEP = 0.8
# After a longer gap the paths before say nothing about the naming. Own choice: a sixth of a stride.
LONGEST_GAP_S = 0.2
# Legs that are exchanged in this share of the frames or more are those of a body that was taken the wrong way round.
WHOLE_BODY_SHARE = 0.9
# What is exchanged beside a change of naming may lie anywhere between the legs.
NOT_INDEX_HIPS = [*LEFT[1:], *RIGHT[1:]]


@dataclass(frozen=True, slots=True)
class Naming:
    """Which frames to exchange so that each leg keeps its name over a pass.

    Attributes
    ----------
    swapped : (n_frames,)
        Against the estimator.
    unsure : (n_frames,)
        Legs too close to each other to tell by turns.
    front : (n_frames,)
        +1 where it is the first leg's turn to be in front, -1 the second's; 0 near a crossing and where unknown.
    agreement : float
        How far the estimator agrees, -1 to 1; near 0 it does not know the legs at all. The two names may still be
        exchanged over the whole pass. [1]
    """

    swapped: BoolArray
    unsure: BoolArray
    front: FloatArray
    agreement: float


def name_in_turn(legs: FloatArray, time_s: FloatArray, feet_spread: FloatArray | None = None) -> Naming:
    """Return the naming of the legs over one pass seen from the side.

    Parameters
    ----------
    legs : (n_frames, 2, 5, 2)
        Hip, knee, ankle, heel and foot tip as the estimator names them, x along the walk; NaN where not seen. The hips
        have no part in it. [legs]
    time_s : (n_frames,)
        [s]
    feet_spread : (n_frames,), optional
        Width of the outline at the feet, NaN where unknown: used when the landmarks show no rhythm. [legs]

    Notes
    -----
    The crossings are the minima of the distance of the feet that make the most even sequence (dynamic programming; the
    usual step from the autocorrelation). Legs nearer than 12 % of a leg are named by how evenly their landmarks move,
    between neighbours that are known. Without two crossings that is all there is. Own method.
    """
    lead = (legs[:, 0, 2:, 0] - legs[:, 1, 2:, 0]).mean(axis=1)
    known = np.isfinite(legs).all(axis=(1, 2, 3))
    front = _front(np.where(known, np.abs(lead), np.nan), time_s)
    if feet_spread is not None and not front.any():
        front = _front(feet_spread, time_s)
    apart = np.asarray(known & (np.abs(np.where(known, lead, 0.0)) > APART_LEGS))
    swapped = np.zeros(len(lead), dtype=bool)
    seen = np.flatnonzero(known)
    if len(seen) < 3:
        return Naming(swapped, np.logical_not(known), np.zeros(len(lead)), 0.0)
    weight = np.clip(np.abs(np.where(known, lead, 0.0)), 0, 0.3)
    in_turn = np.sign(np.where(known, lead, 0.0)) * front
    agreement = float((weight * in_turn).sum() / max(weight.sum(), 1e-9))
    if agreement < 0:
        in_turn, front, agreement = -in_turn, -front, -agreement
    charge = np.zeros((len(lead), 2))
    charge[:, 1] = CHARGE_OF_A_SWAP
    charge[apart & (in_turn < 0), 0] = np.inf
    charge[apart & (in_turn > 0), 1] = np.inf
    swapped[seen] = cheapest_naming(legs[seen, :, KNEE:], time_s[seen], charge[seen])
    return Naming(swapped, np.logical_not(apart), front * _away_from_crossings(front, time_s), agreement)


def exchanged(legs: FloatArray, time_s: FloatArray, swapped: BoolArray) -> FloatArray:
    """Return legs (n_frames, 2, 5, 2) [legs] with knee, ankle, heel and foot tip exchanged in some frames.

    A hip goes with its leg only where it then moves more evenly, or where a whole body was taken the wrong way round.
    On rendered pylons a third of the frames have the legs exchanged and the hips right: their distance along the walk
    follows the true one with r = 0.9, exchanged 0.5.
    """
    seen = np.flatnonzero(np.isfinite(legs).all(axis=(1, 2, 3)))
    hips_too = swapped.copy()
    if len(seen) >= 3 and swapped[seen].mean() < WHOLE_BODY_SHARE:
        charge = np.zeros((len(seen), 2))
        charge[:, 1] = np.where(swapped[seen], CHARGE_OF_A_SWAP, np.inf)
        hips_too[seen] = cheapest_naming(legs[seen, :, :KNEE], time_s[seen], charge)
    result = np.where(swapped[:, None, None, None], legs[:, ::-1], legs)
    result[:, :, HIP] = np.where(hips_too[:, None, None], legs[:, ::-1, HIP], legs[:, :, HIP])
    return result


def name_by_evenness(legs: FloatArray, time_s: FloatArray) -> BoolArray:
    """Return which frames to exchange in a view without turns, (n_frames,), legs (n_frames, 2, n_parts, 2) [legs]."""
    seen = np.flatnonzero(np.isfinite(legs).all(axis=(1, 2, 3)))
    swapped = np.zeros(len(legs), dtype=bool)
    if len(seen) >= 3:
        charge = np.tile([0.0, CHARGE_OF_A_SWAP], (len(seen), 1))
        swapped[seen] = cheapest_naming(legs[seen], time_s[seen], charge)
    return swapped


def wavering(swapped: BoolArray) -> BoolArray:
    """Return the landmarks that are in doubt because the estimator changes its mind about the legs, (n_frames, 33).

    Knee, ankle, heel and foot tip of both legs, in the last frame before and the first after each change of naming:
    there they may lie anywhere between the legs. The hips are so near to each other that it does no harm.
    """
    change = swapped[1:] != swapped[:-1]
    beside = np.concatenate([change, [False]]) | np.concatenate([[False], change])
    doubtful = np.zeros((len(swapped), len(INDEX)), dtype=bool)
    doubtful[np.ix_(beside, np.array(NOT_INDEX_HIPS))] = True
    return doubtful


def _front(distance: FloatArray, time_s: FloatArray) -> FloatArray:
    """Which of two legs is in front, +1 or -1 in turn, (n_frames,), from the feet's distance; 0 without a rhythm."""
    nothing = np.zeros(len(distance))
    known = np.isfinite(distance)
    if known.sum() < 10:
        return nothing
    frames = np.arange(len(distance))
    fps = sample_rate(time_s)
    apart = np.interp(frames, frames[known], distance[known])
    apart = lowpass(apart[:, None], fps=fps, cutoff_hz=CROSSING_CUTOFF_HZ)[:, 0]
    step = _usual_step(apart, fps)
    if step is None:
        return nothing
    crossings = _even_sequence(apart, step)
    if len(crossings) < 2:
        return nothing
    after = np.searchsorted(crossings, frames, side="right")
    return np.asarray((-1.0) ** after)


def _away_from_crossings(front: FloatArray, time_s: FloatArray) -> BoolArray:
    """Frames that lie longer than CROSSING_S from the nearest change of turns, (n_frames,)."""
    changes_s = time_s[1:][np.diff(front) != 0]
    if not len(changes_s):
        return np.ones(len(front), dtype=bool)
    return np.asarray(np.abs(time_s[:, None] - changes_s).min(axis=1) > CROSSING_S)


def _usual_step(apart: FloatArray, fps: float) -> int | None:
    """Frames from one crossing to the next, by the autocorrelation of the feet's distance; None without a rhythm."""
    centred = apart - apart.mean()
    overlap = np.arange(len(apart), 0, -1)
    likeness = np.correlate(centred, centred, "full")[len(apart) - 1 :] / overlap
    shortest, longest = round(STEP_S[0] * fps), min(round(STEP_S[1] * fps), 2 * len(apart) // 3)
    peaks, _ = find_peaks(likeness[:longest])
    peaks = peaks[(peaks >= shortest) & (likeness[peaks] > 0)]
    if not len(peaks):
        return None
    step = int(peaks[likeness[peaks] > 0.7 * likeness[peaks].max()][0])
    # A leg that is seen badly makes every other step smaller: the stride then shows more than the step. Half way
    # between two crossings, feet are apart and the likeness is negative.
    half = step // 2
    return half if half >= shortest and likeness[half - 1 : half + 2].max() > 0 else step


def _even_sequence(apart: FloatArray, step: int) -> FloatArray:
    """The crossings [frames]: the minima that make the cheapest sequence of steps, and those missed between them."""
    minima, _ = find_peaks(-apart)
    if not len(minima):
        return np.zeros(0)
    gain = 1 - 2 * np.clip(apart[minima] / max(float(np.percentile(apart, 90)), 1e-9), 0, 1)
    # Time at either end that holds no crossing is a missed step too.
    total = gain - MISSED_STEP * np.maximum(0, minima / step - 1)
    before = np.full(len(minima), -1)
    steps = np.zeros(len(minima), dtype=int)
    for i in range(len(minima)):
        for j in range(i):
            gap = (minima[i] - minima[j]) / step
            for count in range(1, MOST_STEPS + 1):
                uneven = 0.5 * ((gap - count) / UNEVEN_SHARE) ** 2
                value = total[j] + gain[i] - uneven - MISSED_STEP * (count - 1)
                if value > total[i]:
                    total[i], before[i], steps[i] = value, j, count
    last = int(np.argmax(total - MISSED_STEP * np.maximum(0, (len(apart) - minima) / step - 1)))
    chain = [last]
    while before[chain[-1]] >= 0:
        chain.append(int(before[chain[-1]]))
    chain.reverse()
    numbers = np.concatenate([[0], np.cumsum(steps[chain[1:]])])
    return np.interp(np.arange(numbers[-1] + 1), numbers, minima[chain])


def cheapest_naming(legs: FloatArray, time_s: FloatArray, charge: FloatArray) -> BoolArray:
    """Return which frames to swap, for legs (n_seen, 2, n_parts, 2) [legs] and the charge (n_seen, 2) of each naming.

    The cheapest of all 2^n namings, by dynamic programming over pairs of neighbouring frames.
    """
    # named[n, s] holds the legs of frame n as given (s = 0) or swapped (s = 1).
    named = np.stack([legs, legs[:, ::-1]], axis=1)
    n_seen = len(legs)
    # total[b, a]: cheapest cost of a sequence that ends with naming b in the last frame but one and a in the last.
    total = charge[0][:, None] + charge[1][None, :]
    came_from = np.zeros((n_seen, 2, 2), dtype=int)
    for n in range(2, n_seen):
        step_s, before_s = time_s[n] - time_s[n - 1], time_s[n - 1] - time_s[n - 2]
        # cost[c, b, a] for namings c, b, a of three frames in a row.
        cost = np.zeros((2, 2, 2))
        if step_s <= LONGEST_GAP_S and before_s <= LONGEST_GAP_S:
            ratio = step_s / before_s
            for c in (0, 1):
                for b in (0, 1):
                    predicted = named[n - 1, b] + ratio * (named[n - 1, b] - named[n - 2, c])
                    departure = ((named[n] - predicted) ** 2).sum(axis=3)
                    cost[c, b] = np.minimum(departure, LARGEST_DEPARTURE).sum(axis=(1, 2))
        with_this = total[:, :, None] + cost + charge[n]
        came_from[n] = np.argmin(with_this, axis=0)
        total = np.min(with_this, axis=0)
    naming = np.zeros(n_seen, dtype=int)
    naming[-2:] = np.unravel_index(np.argmin(total), (2, 2))
    for n in range(n_seen - 1, 1, -1):
        naming[n - 2] = came_from[n, naming[n - 1], naming[n]]
    return naming.astype(bool)
