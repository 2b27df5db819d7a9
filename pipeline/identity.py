"""Left and right legs kept apart: frames in which the estimator swapped them are found and swapped back.

Seen from the side, the legs cross twice a stride and the estimator may name them the wrong way round for some
frames, most often with a pylon in place of a shank. Which of the two namings holds in each frame is decided for the
whole clip at once: the sequence whose landmarks move most evenly wins.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.geometry import INDEX
from pipeline.model import BoolArray, FloatArray, LandmarkTrack

LEG_PARTS = ("hip", "knee", "ankle", "heel", "foot_index")
LEFT = [INDEX[f"left_{part}"] for part in LEG_PARTS]
RIGHT = [INDEX[f"right_{part}"] for part in LEG_PARTS]
# The evenness of a landmark's path is its departure from the place that the two frames before predict, squared, in
# leg lengths. One landmark that jumps counts no more than this. Own choice: a fifth of a leg.
LARGEST_DEPARTURE = 0.2**2
# A small charge for each frame against the estimator's naming: its word counts after both legs were lost on one, and
# where legs that cross are no further apart than noise. Own choice: what 1 % of a leg of noise gives by chance.
CHARGE_OF_A_SWAP = 0.01
# After a longer gap the paths before say nothing about the naming. Own choice: a sixth of a stride.
LONGEST_GAP_S = 0.2


def undo_swaps(track: LandmarkTrack) -> tuple[LandmarkTrack, BoolArray]:
    """Return the track with swapped legs put right, and which frames were changed.

    Returns
    -------
    track : LandmarkTrack
        Positions, visibility and metric guess of hip, knee, ankle, heel and foot tip exchanged in those frames.
    swapped : (n_frames,)

    Notes
    -----
    The cheapest of all 2^n namings, by dynamic programming over pairs of neighbouring frames. A swap that lasts
    longer than about a stride is taken for the truth, and a frame in which both legs sit on one cannot be put
    right by a swap: it is left as it is.
    """
    legs = np.stack([track.xy_px[:, LEFT], track.xy_px[:, RIGHT]], axis=1)
    seen = np.flatnonzero(np.isfinite(legs).all(axis=(1, 2, 3)))
    swapped = np.zeros(len(track.time_s), dtype=bool)
    if len(seen) < 3:
        return track, swapped
    thigh_and_shank = np.linalg.norm(np.diff(legs[seen, :, :3], axis=2), axis=3).sum(axis=2)
    leg_px = float(np.median(thigh_and_shank))
    swapped[seen] = _cheapest_naming(legs[seen] / leg_px, track.time_s[seen])
    order = np.arange(track.xy_px.shape[1])
    order[LEFT + RIGHT] = RIGHT + LEFT
    righted = replace(
        track,
        xy_px=np.where(swapped[:, None, None], track.xy_px[:, order], track.xy_px),
        visibility=np.where(swapped[:, None], track.visibility[:, order], track.visibility),
        world_m=np.where(swapped[:, None, None], track.world_m[:, order], track.world_m),
    )
    return righted, swapped


def _cheapest_naming(legs: FloatArray, time_s: FloatArray) -> BoolArray:
    """Which frames to swap, for legs (n_seen, 2, n_parts, 2) in leg lengths."""
    # named[n, s] holds the legs of frame n as given (s = 0) or swapped (s = 1).
    named = np.stack([legs, legs[:, ::-1]], axis=1)
    n_seen = len(legs)
    # total[b, a]: cheapest cost of a sequence that ends with naming b in the last frame but one and a in the last.
    total = np.array([[0.0, CHARGE_OF_A_SWAP], [CHARGE_OF_A_SWAP, 2 * CHARGE_OF_A_SWAP]])
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
        cost[:, :, 1] += CHARGE_OF_A_SWAP
        with_this = total[:, :, None] + cost
        came_from[n] = np.argmin(with_this, axis=0)
        total = np.min(with_this, axis=0)
    naming = np.zeros(n_seen, dtype=int)
    naming[-2:] = np.unravel_index(np.argmin(total), (2, 2))
    for n in range(n_seen - 1, 1, -1):
        naming[n - 2] = came_from[n, naming[n - 1], naming[n]]
    return naming.astype(bool)
