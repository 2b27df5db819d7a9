"""Where feet stand along the walk, and the lengths of steps and strides between these places."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.geometry import Lens, scale_of
from pipeline.model import Clip, FloatArray, Pass, Side, other_side
from pipeline.motion import Motion, body_leg_px
from pipeline.walkline import heels_along_legs, walk_line

# The heel lies on the floor from just after contact to heel-off, 31 % of the stride (perry_2010, from memory).
HEEL_DOWN_OF_STRIDE = (0.05, 0.30)
# Share of that stretch which must be seen: a pass may end, or a gap begin, inside it. Own choice.
LEAST_SEEN_SHARE = 0.5
# A heel that moves more, from the tenth to the ninetieth of a hundred of its places, does not stand: the legs are
# confused or the contact is none. Own choice: 5 cm of a leg of 0.85 m. [leg lengths]
STANDS_WITHIN_LEGS = 0.06
BOUNDS = ("side", "start_s", "opposite_contact_s", "end_s")


def heel_place(along_legs: FloatArray, time_s: FloatArray, contact_s: float, stride_s: float) -> float:
    """Return where a heel stands along the walk after a contact: the median while it lies on the floor.

    Parameters
    ----------
    along_legs : (n_frames,)
        Place of the heel along the walk, NaN where not seen. [leg lengths]
    time_s : (n_frames,)
        [s]
    contact_s, stride_s : float
        When the heel met the floor, and how long a stride of it lasts. [s]

    Returns
    -------
    float
        [leg lengths] NaN when it is seen too little there, or does not stand still.

    Notes
    -----
    A median over a quarter of a stride is surer than the place at one instant, and the error of a contact's time does
    not enter.
    """
    first, last = (contact_s + share * stride_s for share in HEEL_DOWN_OF_STRIDE)
    down = along_legs[(time_s >= first) & (time_s <= last)]
    seen = down[np.isfinite(down)]
    frame_s = float(time_s[-1] - time_s[0]) / max(1, len(time_s) - 1)
    if len(seen) < max(1.0, LEAST_SEEN_SHARE * (last - first) / frame_s):
        return float("nan")
    low, place, high = np.percentile(seen, [10, 50, 90])
    return float(place) if high - low <= STANDS_WITHIN_LEGS else float("nan")


def step_lengths_pct(
    along_legs: dict[Side, FloatArray],
    time_s: FloatArray,
    side: Side,
    *,
    start_s: float,
    opposite_contact_s: float,
    end_s: float,
) -> tuple[float, float]:
    """Return the lengths of the step and of the stride that end with a foot's next contact.

    Parameters
    ----------
    along_legs : dict of side to (n_frames,)
        Place of each heel along the walk. [leg lengths]
    time_s : (n_frames,)
        [s]
    side : Side
        The foot whose contacts `start_s` and `end_s` bound the stride; the other one lands between them.

    Returns
    -------
    step, stride : float
        From the other heel's place to this one's next, and from this heel's place to its next. [% leg length] NaN
        where a place is not known.
    """
    stride_s = end_s - start_s
    after = heel_place(along_legs[side], time_s, end_s, stride_s)
    before = heel_place(along_legs[side], time_s, start_s, stride_s)
    other = heel_place(along_legs[other_side(side)], time_s, opposite_contact_s, stride_s)
    return 100.0 * (after - other), 100.0 * (after - before)


def with_lengths(table: pd.DataFrame, clip: Clip, motion: Motion, passes: list[Pass], lens: Lens) -> pd.DataFrame:
    """Return the stride table with the size and scale of each pass and, from the side, lengths of steps and strides.

    Parameters
    ----------
    table : DataFrame, columns of `tables.STRIDES`
        Strides of these passes.
    """
    table = table.copy()
    for number, stretch in enumerate(passes, start=1):
        rows = table.index[table["pass_number"] == number]
        if clip.view == "sagittal":
            line = walk_line(motion, stretch)
            leg_px = float(line.leg_px.at(lens.centre_px[0]))
            scale = scale_of(
                clip, leg_px, leg_sd=line.leg_px.mean_sd / leg_px, off_square_deg=line.off_square_deg(lens)
            )
            along = heels_along_legs(motion, line, lens)
            lengths = [
                step_lengths_pct(along, motion.time_s, side, start_s=start_s, opposite_contact_s=other_s, end_s=end_s)
                for side, start_s, other_s, end_s in zip(*(table.loc[rows, name] for name in BOUNDS), strict=True)
            ]
            table.loc[rows, ["step_length_pct", "stride_length_pct"]] = np.reshape(lengths, (-1, 2))
        else:
            leg_px = body_leg_px(motion)
            scale = scale_of(clip, leg_px)
        found = (scale.m_per_px, scale.relative_sd) if scale else (np.nan, np.nan)
        table.loc[rows, ["leg_length_px", "m_per_px", "scale_relative_sd"]] = (leg_px, *found)
    return table
