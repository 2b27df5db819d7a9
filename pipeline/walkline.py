"""The walking line of a side view: how large a walker is at each place of the picture, and what that makes of it.

A straight walk seen by a pinhole camera has one size for each column of the picture, and it changes evenly from column
to column; so does the row of the hips. Both lines are fitted to a pass. Heights are read against them, and places along
the walk, so that a camera that is not square to the walkway neither stretches steps nor lifts feet.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, replace

import numpy as np

from pipeline.geometry import CLEAR_SDS, HIP_TO_ANKLE_OF_HEIGHT, Lens, Line, middle, point, robust_line
from pipeline.model import SIDES, FloatArray, Pass, Side
from pipeline.motion import Motion, body_leg_px
from pipeline.walkway import body_size_px

# From the walking line to each foot, in leg lengths: 6 cm of 0.85 m. Feet are about 9 cm apart in healthy walking and
# 15 cm with a prosthesis above the knee (from memory). 3 cm off is 3 mm of a step at 5 deg off square. Own choice.
FOOT_BESIDE_LEGS = 0.07


@dataclass(frozen=True, slots=True)
class WalkLine:
    """The walking line of one pass of a side view.

    Attributes
    ----------
    stretch : Pass
    leg_px : Line
        Leg length against the column of the picture. [px]
    hip_row_px : Line
        Mean row of the hips against the column. [px]
    """

    stretch: Pass
    leg_px: Line
    hip_row_px: Line

    def off_square_deg(self, lens: Lens) -> float:
        """Return the angle of the walking line to the picture's plane, positive with its right end further away. [deg]

        A longer lens than the one assumed makes it look smaller.
        """
        return float(np.degrees(np.arctan(-self.leg_px.slope * lens.focal_px / self.leg_px.at(lens.centre_px[0]))))

    def height_legs(self, xy_px: FloatArray) -> FloatArray:
        """Return how high image points (n, 2) on the walking line are above the mean height of the hips. [leg lengths]

        The near foot looks larger than the far one, by 4 % at 3 m; that share of a height is not taken out.
        """
        x_px = xy_px[:, 0]
        return np.asarray((self.hip_row_px.at(x_px) - xy_px[:, 1]) / self.leg_px.at(x_px))

    def along_legs(self, x_px: FloatArray, lens: Lens, *, nearer_legs: float) -> FloatArray:
        """Return the place along the walk of points seen in given columns, growing as the walk goes on. [leg lengths]

        Parameters
        ----------
        x_px : (n,)
            [px]
        lens : Lens
        nearer_legs : float
            How far the points are from the walking line towards the camera. [leg lengths]

        Notes
        -----
        With the walking line turned by q from the picture's plane, at distance D in the middle column, a point at place
        p along it and n nearer is seen f (p cos q + n sin q) / (D + p sin q - n cos q) from the middle, and D is f over
        the leg length there. Solved for p.
        """
        turn = np.radians(self.off_square_deg(lens))
        distance = lens.focal_px / self.leg_px.at(lens.centre_px[0]) - nearer_legs * np.cos(turn)
        ray = (x_px - lens.centre_px[0]) / lens.focal_px
        place = (ray * distance - nearer_legs * np.sin(turn)) / (np.cos(turn) - ray * np.sin(turn))
        return np.asarray(self.stretch.direction * place)


def walk_line(motion: Motion, stretch: Pass) -> WalkLine:
    """Return the walking line of a pass seen from the side.

    Notes
    -----
    How the size changes is read from the upright distance between shoulders and ankles: what lies along the walk looks
    longer at the near end of a line that is off square. How large it is comes from the lengths of trunk and both legs
    together, turned into a leg length by body-segment proportions, since the hip landmark sits low: what it takes from
    the leg it gives to the trunk. A change of size that is not clear of its error counts as none.

    References
    ----------
    drillis_contini_1966
    """
    xy = motion.xy_px[stretch.start : stretch.stop]
    hip = middle(xy, "hip")
    upright_px = middle(xy, "ankle")[:, 1] - middle(xy, "shoulder")[:, 1]
    flat = Line(_median(upright_px), 0.0, 0.0, 0.0)
    known = hip[np.isfinite(hip[:, 0]), 0]
    if len(known) and np.ptp(known) >= body_leg_px(motion):
        upright = robust_line(hip[:, 0], upright_px, motion.fps)
        if not abs(upright.slope) > CLEAR_SDS * upright.slope_sd:
            upright = replace(flat, mean_sd=upright.mean_sd)
        row = robust_line(hip[:, 0], hip[:, 1], motion.fps)
    else:
        # Who walks on the spot, on a treadmill, has one size and no line to follow.
        upright, row = flat, Line(_median(hip[:, 1]), 0.0, 0.0, float("inf"))
    leg_of_upright = HIP_TO_ANKLE_OF_HEIGHT * _median(body_size_px(xy) / upright.at(hip[:, 0]))
    leg_px = Line(*(leg_of_upright * value for value in astuple(upright)))
    return WalkLine(stretch, leg_px, row)


def heels_along_legs(motion: Motion, line: WalkLine, lens: Lens) -> dict[Side, FloatArray]:
    """Return the place of each heel along the walk, (n_frames,); NaN outside the pass. [leg lengths]"""
    along = {}
    part = slice(line.stretch.start, line.stretch.stop)
    for side in SIDES:
        nearer = FOOT_BESIDE_LEGS if side == line.stretch.near_side else -FOOT_BESIDE_LEGS
        x_px = point(motion.xy_px[part], side, "heel")[:, 0]
        along[side] = np.full(len(motion.time_s), np.nan)
        along[side][part] = line.along_legs(x_px, lens, nearer_legs=nearer)
    return along


def _median(values: FloatArray) -> float:
    """Median of what is there, NaN when nothing is."""
    return float(np.nanmedian(values)) if np.isfinite(values).any() else float("nan")
