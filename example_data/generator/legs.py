"""Motion of one leg over the whole clip, put together from stances and swings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .feet import FootPose, landed_foot
from .height import BodyHeight, heel_lift
from .rolling import rolling_foot
from .skeleton import FloatArray
from .swing import make_swing


@dataclass(frozen=True, slots=True)
class LegMotion:
    """Motion of one leg at some times.

    Parameters
    ----------
    hip_m : array, (n, 3) x, y, z
        Hip joint. [m]
    foot : FootPose
        Ankle and foot before a whip.
    whip_rad : array, (n,)
        Turn of shank and foot about the thigh's long axis. [rad]
    """

    hip_m: FloatArray
    foot: FootPose
    whip_rad: FloatArray


def leg_motion(height: BodyHeight, side: str, time_s: FloatArray) -> LegMotion:
    """Hip, foot and whip of one leg.

    Parameters
    ----------
    height : BodyHeight
        The body's path, with plan and settings.
    side : "left" or "right"
        Anatomical side.
    time_s : array, (n,)
        Times within the plan. [s]

    Returns
    -------
    LegMotion
    """
    columns = np.full((len(time_s), 6), np.nan)
    whip = np.zeros(len(time_s))
    plants = height.path.plan.plants
    for index, plant in enumerate(plants[:-2]):
        if plant.side != side:
            continue
        lift = float(height.lift_rad[index])
        landed = (time_s >= plant.contact_s) & (time_s < plant.heel_off_s)
        rolling = (time_s >= plant.heel_off_s) & (time_s < plant.toe_off_s)
        swinging = (time_s >= plant.toe_off_s) & (time_s < plant.next_contact_s)
        if landed.any():
            times = time_s[landed]
            foot = landed_foot(height.skeleton, plant, times, heel_lift(plant, lift, times))
            columns[landed] = _pack(foot)
        if rolling.any():
            columns[rolling] = _pack(rolling_foot(height, plant, time_s[rolling]))
        if swinging.any():
            swing = make_swing(height, plant, plants[index + 2])
            columns[swinging] = _pack(swing.foot(time_s[swinging]))
            whip[swinging] = swing.whip_rad(time_s[swinging])
    foot = FootPose(columns[:, :3], columns[:, 3], columns[:, 4], columns[:, 5])
    return LegMotion(hip_m=height.hip_m(side, time_s), foot=foot, whip_rad=whip)


def _pack(foot: FootPose) -> FloatArray:
    """Columns of a foot pose, (n, 6)."""
    return np.column_stack([foot.ankle_m, foot.yaw_rad, foot.pitch_rad, foot.toe_pitch_rad])
