"""Knees that yield late in prosthetic stance: in a stance cut short, and in drop-off, onto a bent sound knee."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.optimize import brentq

from .curves import add_curves
from .height import carried_height, late_lift
from .pelvis import PelvisPath
from .plan import Plant
from .skeleton import FloatArray, Skeleton

# All own choices that look like a person. The sinking begins at this share of prosthetic single support.
START_SHARE = 0.45
# It is made up at this share of the sound single support that follows; the end of double support would be a jump.
_RECOVERY_SHARE = 0.30
# The sound knee bends for the landing in this last share of its swing.
_LANDING_SHARE = 0.50
# The sound foot lands flatter by this much for each metre, and never toes down. [rad/m], [rad]
_FLATTER_RAD_PER_M = np.radians(10.0) / 0.05
_LEAST_PITCH_RAD = np.radians(3.0)
# Share of the heel's natural rise before the sound contact that is left out: the foot dorsiflexes instead.
_HEEL_DOWN_SHARE = 0.6
_MOST_EXTRA_KNEE_DEG = 60.0
# Share of the way down from a late rise that the knee gives, so that the heel hardly sinks back.
_HEEL_UP_SHARE = 0.7
# Height that the heel keeps to rise by where the knee yields for a short stance; own choice. [m]
_SPARE_M = 0.002


def with_yielding_knees(skeleton: Skeleton, path: PelvisPath) -> PelvisPath:
    """Return the path with knees that let the body come down onto the sound foot.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    path : PelvisPath
        Pelvis over the floor, with plan and settings.

    Raises
    ------
    ValueError
        If the knees cannot bend so far.

    Notes
    -----
    Without drop-off the prosthetic knee yields only where a short stance leaves the body above the reach of the sound
    leg.
    """
    plants = list(path.plan.plants)
    for index in range(1, len(plants) - 1):
        plant, lead = plants[index], plants[index + 1]
        if not plant.prosthetic:
            continue
        sink_m = path.settings.faults.drop_off_m * plant.fault_factor
        moment = np.array([lead.contact_s])
        rise_m = _height(skeleton, path, lead, moment) - _height(skeleton, path, plant, moment)
        if sink_m > 0.0:
            natural_deg = float(lead.knee_deg(lead.contact_s))
            plants[index + 1] = lead = _landing(skeleton, path, lead, sink_m)
            plants[index - 1] = _bent_before_contact(
                plants[index - 1], float(lead.knee_deg(lead.contact_s)) - natural_deg
            )
            plants[index] = _yielding(skeleton, path, plant, sink_m - _HEEL_DOWN_SHARE * max(rise_m, 0.0))
        elif (lift_rad := late_lift(skeleton, path, plant)) > 0.0:
            lifted_m = _height(skeleton, path, plant, moment, lift_rad) - _height(skeleton, path, plant, moment)
            plants[index] = _yielding(skeleton, path, plant, _HEEL_UP_SHARE * (lifted_m - rise_m), lift_rad)
        elif rise_m < 0.0:
            plants[index] = _yielding(skeleton, path, plant, _SPARE_M - rise_m)
    return replace(path, plan=replace(path.plan, plants=tuple(plants)))


def _height(skeleton: Skeleton, path: PelvisPath, plant: Plant, moment: FloatArray, lift_rad: float = 0.0) -> float:
    """Pelvis height that one foot demands at one moment, flat or risen on its ball. [m]"""
    return float(carried_height(skeleton, path, plant, lift_rad=lift_rad, time_s=moment)[0])


def _landing(skeleton: Skeleton, path: PelvisPath, lead: Plant, sink_m: float) -> Plant:
    """Sound plant that begins lower, on a flatter foot and a bent knee."""
    moment = np.array([lead.contact_s])
    goal_m = _height(skeleton, path, lead, moment) - sink_m
    flatter_rad = min(_FLATTER_RAD_PER_M * sink_m, max(lead.contact_pitch_rad - _LEAST_PITCH_RAD, 0.0))
    lead = replace(lead, contact_pitch_rad=lead.contact_pitch_rad - flatter_rad)
    recovered_s = lead.other_toe_off_s + _RECOVERY_SHARE * (lead.other_contact_s - lead.other_toe_off_s)
    times_s = [lead.contact_s, recovered_s, lead.next_contact_s]
    return _bent_to(skeleton, path, lead, goal_m, moment, times_s, at=0)


def _yielding(skeleton: Skeleton, path: PelvisPath, plant: Plant, sink_m: float, lift_rad: float = 0.0) -> Plant:
    """Prosthetic plant whose knee yields before the sound contact and is back on its curve at toe-off.

    It begins to yield in mid single support, or where a late rise ends.
    """
    if sink_m <= 0.0:
        return plant
    moment = np.array([plant.other_contact_s])
    goal_m = _height(skeleton, path, plant, moment) - sink_m
    start_s = (
        plant.heel_off_s
        if lift_rad > 0.0
        else plant.other_toe_off_s + START_SHARE * (plant.other_contact_s - plant.other_toe_off_s)
    )
    times_s = [plant.contact_s, start_s, plant.other_contact_s, plant.toe_off_s, plant.next_contact_s]
    return _bent_to(skeleton, path, plant, goal_m, moment, times_s, at=2)


def _bent_to(
    skeleton: Skeleton,
    path: PelvisPath,
    plant: Plant,
    goal_m: float,
    moment: FloatArray,
    times_s: list[float],
    *,
    at: int,
) -> Plant:
    """Plant with a knee bent further, most at one of the times, so that its flat foot demands a height there."""

    def bent(extra_deg: float) -> Plant:
        values = np.zeros(len(times_s))
        values[at] = extra_deg
        extra = CubicHermiteSpline(times_s, values, np.zeros(len(times_s)))
        return replace(plant, knee_deg=add_curves(plant.knee_deg, extra))

    def above(extra_deg: float) -> float:
        return _height(skeleton, path, bent(extra_deg), moment) - goal_m

    if above(0.0) <= 0.0:
        return plant
    if above(_MOST_EXTRA_KNEE_DEG) > 0.0:
        raise ValueError(
            f"walk: {plant.side} knee at {moment[0]:.2f} s: more than {_MOST_EXTRA_KNEE_DEG:.0f} deg of extra flexion "
            "would be needed; less is expected. Lower drop_off_m, late_rise_m or speed_m_s."
        )
    return bent(brentq(above, 0.0, _MOST_EXTRA_KNEE_DEG, xtol=1e-3))


def _bent_before_contact(plant: Plant, extra_deg: float) -> Plant:
    """Sound plant whose swing ends with the bent knee of the landing."""
    start_s = plant.next_contact_s - _LANDING_SHARE * (plant.next_contact_s - plant.toe_off_s)
    times_s = [plant.contact_s, start_s, plant.next_contact_s]
    extra = CubicHermiteSpline(times_s, [0.0, 0.0, extra_deg], np.zeros(3))
    return replace(plant, knee_deg=add_curves(plant.knee_deg, extra))
