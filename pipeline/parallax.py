"""Sideways places in a walk seen from the front or behind, without what perspective adds to them.

Few walks lead straight into the lens. Where the walk passes beside the camera, a foot that swings ahead comes nearer
and so moves across the picture: by its way ahead, times how far the camera stands aside, over the distance. On rendered
walks 0.4 to 0.7 m beside the camera this was 1 to 2 % of the leg length, as much as a small whip, and outward for one
foot, inward for the other. Place and direction of the walk are read from the hips: all points of a straight line run
from one point of the picture, where it vanishes. How far a foot is ahead of the hips comes from contacts and speed.

The lens need not be known. Distances to the camera are 1 / leg_px here, leg lengths over focal length; how fast that
changes is the speed, in the same unit.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from pipeline.geometry import middle, robust_line
from pipeline.model import FloatArray, Pass, Side, View, other_side
from pipeline.motion import Motion

# A foot leaves the floor about 10 % of the stride after the other one's contact (perry_2010, from memory).
DOUBLE_SUPPORT_OF_STRIDE = 0.10
# Two contacts of one foot give a stride; a pass with fewer has none to measure.
FEWEST_CONTACTS = 2


@dataclass(frozen=True, slots=True)
class Course:
    """The straight line of a walk toward or away from the camera.

    Attributes
    ----------
    vanishing_px : float
        Where the line vanishes, across the picture. [px]
    beside_legs : float
        How far it passes the camera on the right. [leg lengths]
    leg_px : (n_frames,)
        Leg length at the hips' distance. [px]
    nearer : int
        +1 when the walker comes closer, -1 when he or she goes away.
    """

    vanishing_px: float
    beside_legs: float
    leg_px: FloatArray
    nearer: int

    def place_pct(self, x_px: FloatArray, ahead: FloatArray | float = 0.0) -> FloatArray:
        """Return places to the right of the line, (n_frames,). [% leg length]

        Parameters
        ----------
        x_px : (n_frames,)
            Across the picture. [px]
        ahead : (n_frames,) or float
            How far the point is ahead of the hips. [1/px]
        """
        distance = 1.0 - self.nearer * ahead * self.leg_px
        return np.asarray(100.0 * ((x_px - self.vanishing_px) / self.leg_px * distance - self.beside_legs))

    def speed(self, time_s: FloatArray, fps: float) -> float:
        """Return how fast the walker comes closer or goes away; 0 where it is not seen. [1/px/s]"""
        slope = abs(robust_line(time_s, 1.0 / self.leg_px, fps).slope)
        return slope if np.isfinite(slope) else 0.0


def straight_course(motion: Motion, stretch: Pass, leg_px: FloatArray, view: View) -> Course:
    """Return the line of one pass, from the hips' path.

    Notes
    -----
    A pinhole camera shows a point that moves on a straight line at x = vanishing point + place beside the camera times
    its size, so that x over size is a straight line in 1 / size.
    """
    hips = middle(motion.xy_px[stretch.start : stretch.stop], "hip")[:, 0] / leg_px
    line = robust_line(1.0 / leg_px, hips, motion.fps)
    return Course(line.slope, line.at_zero, leg_px, 1 if view == "anterior" else -1)


def ahead_of_hips(events: pd.DataFrame | None, side: Side, time_s: FloatArray, speed: float) -> FloatArray | float:
    """Return how far a foot is ahead of the hips, (n_frames,); 0 where its contacts are not known. [unit of the speed]

    Parameters
    ----------
    events : DataFrame, optional
        side, kind, time_s.
    side : "left" or "right"
    time_s : (n_frames,)
        Frames of one pass. [s]
    speed : float
        Walking speed, in any unit of length a second.

    Notes
    -----
    It lands half a step ahead, stays behind on the floor at walking speed, and swings forward by half a cosine.
    """
    own_s, other_s = (_contacts_s(events, one, time_s) for one in (side, other_side(side)))
    if len(own_s) < FEWEST_CONTACTS:
        return 0.0
    stride_s = float(np.median(np.diff(own_s)))
    landing = speed * stride_s / 4
    ahead = np.zeros(len(time_s))
    for start_s, end_s in pairwise([own_s[0] - stride_s, *own_s, own_s[-1] + stride_s]):
        between = other_s[(other_s > start_s) & (other_s < end_s)]
        other_contact_s = between[0] if len(between) else (start_s + end_s) / 2
        toe_off_s = other_contact_s + DOUBLE_SUPPORT_OF_STRIDE * (end_s - start_s)
        leaving = landing - speed * (toe_off_s - start_s)
        stands, swings = (time_s >= start_s) & (time_s < toe_off_s), (time_s >= toe_off_s) & (time_s <= end_s)
        share = (time_s[swings] - toe_off_s) / (end_s - toe_off_s)
        ahead[stands] = landing - speed * (time_s[stands] - start_s)
        ahead[swings] = leaving + (landing - leaving) * (1 - np.cos(np.pi * share)) / 2
    return ahead


def _contacts_s(events: pd.DataFrame | None, side: Side, time_s: FloatArray) -> FloatArray:
    """Contacts of one foot within the frames of a pass, in order. [s]"""
    if events is None or not len(time_s):
        return np.zeros(0)
    chosen = events[(events["side"] == side) & (events["kind"] == "contact")]["time_s"].to_numpy(dtype=float)
    return np.sort(chosen[(chosen >= time_s[0]) & (chosen <= time_s[-1])])
