"""Left and right legs kept apart: frames in which the estimator swapped them are found and swapped back.

Seen from the side, the legs cross twice a stride and the estimator may name them the wrong way round for some
frames, most often with a pylon in place of a shank. Which of the two namings holds in each frame is decided for the
whole clip at once: the sequence wins whose landmarks move most evenly and in which the legs take turns in front.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.signal import find_peaks

from pipeline.geometry import INDEX, LEG_PARTS, median_leg_px
from pipeline.model import BoolArray, FloatArray, LandmarkTrack, Pass
from pipeline.signals import fill_gaps, lowpass, sample_rate, step_numbers

LEFT = [INDEX[f"left_{part}"] for part in LEG_PARTS]
RIGHT = [INDEX[f"right_{part}"] for part in LEG_PARTS]
# The evenness of a landmark's path is its departure from the place that the two frames before predict, squared, in
# leg lengths. One landmark that jumps counts no more than this. Own choice: a fifth of a leg.
LARGEST_DEPARTURE = 0.2**2
# A small charge for each frame against the estimator's naming: its word counts after both legs were lost on one, and
# where legs that cross are no further apart than noise. Own choice: what 1 % of a leg of noise gives by chance.
CHARGE_OF_A_SWAP = 0.01
# Charge for a frame that names the leg behind as the one whose turn it is in front, once the feet are clearly apart.
# Own choice: as much as two landmarks that jump; a foot's length apart is clear.
CHARGE_OUT_OF_TURN = 2 * LARGEST_DEPARTURE
CLEARLY_APART_LEGS = 0.2
# Legs cross twice a stride; crossings nearer than this are one. Own choice: half of a very short stride.
SHORTEST_STEP_S = 0.3
# Turns are used only when the estimator's own names agree with them in most frames. Own choice.
LEAST_AGREEMENT = 0.6
# After a longer gap the paths before say nothing about the naming. Own choice: a sixth of a stride.
LONGEST_GAP_S = 0.2


def undo_swaps(track: LandmarkTrack, side_passes: list[Pass]) -> tuple[LandmarkTrack, BoolArray]:
    """Return the track with swapped legs put right, and which frames were changed.

    Parameters
    ----------
    track : LandmarkTrack
    side_passes : list of Pass
        Straight stretches seen from the side, where the legs take turns in front; empty for other views.

    Returns
    -------
    track : LandmarkTrack
        Positions, visibility and metric guess of hip, knee, ankle, heel and foot tip exchanged in those frames.
    swapped : (n_frames,)

    Notes
    -----
    The cheapest of all 2^n namings, by dynamic programming over pairs of neighbouring frames. Which leg is which
    over a whole pass is the estimator's own majority. A frame in which both legs sit on one cannot be put right by
    a swap: it is left as it is.
    """
    legs = np.stack([track.xy_px[:, LEFT], track.xy_px[:, RIGHT]], axis=1)
    seen = np.flatnonzero(np.isfinite(legs).all(axis=(1, 2, 3)))
    swapped = np.zeros(len(track.time_s), dtype=bool)
    if len(seen) < 3:
        return track, swapped
    legs = legs / median_leg_px(track.xy_px[seen])
    in_turn = np.zeros(len(track.time_s))
    for stretch in side_passes:
        part = slice(stretch.start, stretch.stop)
        in_turn[part] = _in_turn(legs[part], track.time_s[part])
    charge = np.zeros((len(track.time_s), 2))
    charge[:, 0] = CHARGE_OUT_OF_TURN * (in_turn < 0)
    charge[:, 1] = CHARGE_OUT_OF_TURN * (in_turn > 0) + CHARGE_OF_A_SWAP
    swapped[seen] = _cheapest_naming(legs[seen], track.time_s[seen], charge[seen])
    order = np.arange(track.xy_px.shape[1])
    order[LEFT + RIGHT] = RIGHT + LEFT
    righted = replace(
        track,
        xy_px=np.where(swapped[:, None, None], track.xy_px[:, order], track.xy_px),
        visibility=np.where(swapped[:, None], track.visibility[:, order], track.visibility),
        world_m=np.where(swapped[:, None, None], track.world_m[:, order], track.world_m),
    )
    return righted, swapped


def wavering(swapped: BoolArray) -> BoolArray:
    """Return the landmarks that are in doubt because the estimator changes its mind about the legs, (n_frames, 33).

    Knee, ankle, heel and foot tip of both legs, in the last frame before and the first after each change of naming:
    there they may lie anywhere between the legs. The hips are so near to each other that it does no harm.
    """
    change = swapped[1:] != swapped[:-1]
    beside = np.concatenate([change, [False]]) | np.concatenate([[False], change])
    doubtful = np.zeros((len(swapped), len(INDEX)), dtype=bool)
    doubtful[np.ix_(beside, np.array(LEFT[1:] + RIGHT[1:]))] = True
    return doubtful


def _in_turn(legs: FloatArray, time_s: FloatArray) -> FloatArray:
    """Whether the estimator names the leg in front whose turn it is: +1 yes, -1 no, 0 where that is not clear.

    Legs (n_frames, 2, n_parts, 2) of one side pass in leg lengths. The feet are nearest to each other when the legs
    cross, whatever their names; between two crossings one leg stays in front, and the legs alternate.
    """
    lead = (legs[:, 0, 2:, 0] - legs[:, 1, 2:, 0]).mean(axis=1)
    filled, _ = fill_gaps(lead[:, None], time_s, max_gap_s=LONGEST_GAP_S)
    if len(lead) < 10 or not np.isfinite(filled).all():
        return np.zeros(len(lead))
    fps = sample_rate(time_s)
    apart = lowpass(np.abs(filled), fps=fps, cutoff_hz=4.0)[:, 0]
    crossings, _ = find_peaks(-apart, distance=SHORTEST_STEP_S * fps, prominence=CLEARLY_APART_LEGS)
    if len(crossings) < 2:
        return np.zeros(len(lead))
    after = np.searchsorted(crossings, np.arange(len(lead)), side="right")
    sign = (-1.0) ** np.concatenate([[-1], step_numbers(crossings)])[after]
    clear = np.abs(filled[:, 0]) > CLEARLY_APART_LEGS
    in_turn = np.where(clear, np.sign(filled[:, 0]) * sign, 0.0)
    in_turn *= np.sign(in_turn.sum()) or 1.0
    return in_turn if (in_turn[clear] > 0).mean() >= LEAST_AGREEMENT else np.zeros(len(lead))


def _cheapest_naming(legs: FloatArray, time_s: FloatArray, charge: FloatArray) -> BoolArray:
    """Which frames to swap, for legs (n_seen, 2, n_parts, 2) in leg lengths and the charge (n_seen, 2) of a naming."""
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
