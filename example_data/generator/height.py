"""Height of the body: the stance leg carries the pelvis at the length that its knee angle gives it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.optimize import brentq

from .curves import smoothstep
from .feet import landed_foot
from .pelvis import PelvisPath
from .plan import Plant
from .skeleton import FloatArray, Skeleton

_STEP_S = 0.002
_MAX_LIFT_RAD = np.radians(50.0)
# Below this size of vault the natural difference of the two peaks is not yet fully made up.
_FULL_VAULT_M = 0.01
# A late rise begins at this share of prosthetic single support and is full at heel-off; own choice, so late that it is
# no vault, so early that the body comes down before the sound contact no faster than it could fall.
_LATE_RISE_SHARE = 0.35


def leg_reach(skeleton: Skeleton, side: str, knee_deg: FloatArray) -> FloatArray:
    """Distance from hip to ankle at a knee flexion, (n,). [m]

    Notes
    -----
    Law of cosines on thigh and shank.
    """
    thigh = skeleton.length_m(f"{side}_hip", f"{side}_knee")
    shank = skeleton.length_m(f"{side}_knee", f"{side}_ankle")
    return np.asarray(np.sqrt(thigh**2 + shank**2 + 2.0 * thigh * shank * np.cos(np.radians(knee_deg))))


def hip_offset(skeleton: Skeleton, path: PelvisPath, side: str, time_s: FloatArray) -> FloatArray:
    """Vector from pelvis to hip, (n, 3) x, y, z. [m]"""
    return np.asarray(path.rotation(time_s) @ skeleton.offset_m(f"{side}_hip"))


def heel_lift(plant: Plant, amplitude_rad: float, time_s: FloatArray) -> FloatArray:
    """Heel rise about the ball, which grows and stays, (n,). [rad]

    A sound heel vaults early in single support; a prosthetic one rises late, as if walking uphill over the foot.
    """
    if plant.prosthetic:
        start_s = plant.other_toe_off_s + _LATE_RISE_SHARE * (plant.other_contact_s - plant.other_toe_off_s)
        return np.asarray(amplitude_rad * smoothstep((time_s - start_s) / (plant.heel_off_s - start_s)))
    half_s = 0.6 * (plant.heel_off_s - plant.other_toe_off_s)
    return np.asarray(amplitude_rad * smoothstep((time_s - plant.other_toe_off_s) / half_s))


def carried_height(
    skeleton: Skeleton, path: PelvisPath, plant: Plant, *, lift_rad: float, time_s: FloatArray
) -> FloatArray:
    """Pelvis height that the leg of one plant demands between contact and heel-off.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    path : PelvisPath
        Pelvis over the floor.
    plant : Plant
        Stance that carries the body.
    lift_rad : float
        Full heel rise of a vault or a late rise. [rad]
    time_s : array, (n,)
        Times. [s]

    Returns
    -------
    array, (n,)
        Height of the pelvis joint. [m]

    Raises
    ------
    ValueError
        If the foot is out of the leg's reach.
    """
    foot = landed_foot(skeleton, plant, time_s, heel_lift(plant, lift_rad, time_s))
    offset = hip_offset(skeleton, path, plant.side, time_s)
    away = path.horizontal_m(time_s) + offset[:, :2] - foot.ankle_m[:, :2]
    reach = leg_reach(skeleton, plant.side, plant.knee_deg(time_s))
    left = reach**2 - np.sum(away**2, axis=1)
    if np.any(left < (0.6 * reach) ** 2):
        raise ValueError(
            f"walk: the {plant.side} foot at {plant.contact_s:.2f} s is {np.max(np.hypot(*away.T)):.2f} m "
            f"from the hip; at most {0.8 * np.min(reach):.2f} m is expected for these legs. Lower speed_m_s "
            "or raise cadence_steps_min."
        )
    return np.asarray(foot.ankle_m[:, 2] + np.sqrt(left) - offset[:, 2])


@dataclass(frozen=True, slots=True)
class BodyHeight:
    """Pelvis height as a function of time.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    path : PelvisPath
        Pelvis over the floor.
    lift_rad : array, (n_plants,)
        Full heel rise of each stance, by vault or late rise. [rad]
    bridges : tuple of CubicHermiteSpline
        Height above that of a flat foot, from each plant's heel-off to the other foot's contact: the rising
        heel takes the body over to the next leg. [m]
    """

    skeleton: Skeleton
    path: PelvisPath
    lift_rad: FloatArray
    bridges: tuple[CubicHermiteSpline, ...]

    def __call__(self, time_s: FloatArray) -> FloatArray:
        """Height of the pelvis joint, (n,). [m]"""
        height = np.full(len(time_s), np.nan)
        for plant, lift, bridge in zip(self.path.plan.plants, self.lift_rad, self.bridges, strict=False):
            inside = (time_s >= plant.contact_s) & (time_s < plant.other_contact_s)
            if inside.any():
                times = time_s[inside]
                carried = carried_height(self.skeleton, self.path, plant, lift_rad=float(lift), time_s=times)
                height[inside] = carried + bridge(np.maximum(times, plant.heel_off_s))
        return height

    def hip_m(self, side: str, time_s: FloatArray) -> FloatArray:
        """Hip joint, (n, 3) x, y, z. [m]"""
        pelvis = np.column_stack([self.path.horizontal_m(time_s), self(time_s)])
        return np.asarray(pelvis + hip_offset(self.skeleton, self.path, side, time_s))


def make_body_height(skeleton: Skeleton, path: PelvisPath) -> BodyHeight:
    """Pelvis height over the whole plan, with the heel lifts that the faults ask for."""
    plants = path.plan.plants
    lifts = _vault_lifts(skeleton, path) + np.array([late_lift(skeleton, path, plant) for plant in plants])
    bridges = []
    for index in range(len(plants) - 1):
        plant, lead = plants[index], plants[index + 1]
        times = lead.contact_s + _STEP_S * np.arange(3.0)
        after = carried_height(skeleton, path, lead, lift_rad=float(lifts[index + 1]), time_s=times)
        before = carried_height(skeleton, path, plant, lift_rad=float(lifts[index]), time_s=times)
        gap = after - before
        rate = (-1.5 * gap[0] + 2.0 * gap[1] - 0.5 * gap[2]) / _STEP_S
        ends_s = [plant.heel_off_s, plant.other_contact_s]
        if lifts[index] == 0.0 and gap[0] > 0.0:
            # A steeper end would first press the flat foot down; a slight kink at the contact is the lesser
            # evil.
            rate = min(rate, 3.0 * gap[0] / (plant.other_contact_s - plant.heel_off_s))
        bridges.append(CubicHermiteSpline(ends_s, [0.0, float(gap[0])], [0.0, float(rate)]))
    return BodyHeight(skeleton=skeleton, path=path, lift_rad=lifts, bridges=tuple(bridges))


def _peak_hip_m(skeleton: Skeleton, path: PelvisPath, plant: Plant, lift_rad: float) -> float:
    """Highest stance-side hip between the other foot's toe-off and heel-off."""
    times = np.linspace(plant.other_toe_off_s, plant.heel_off_s, 81)
    height = carried_height(skeleton, path, plant, lift_rad=lift_rad, time_s=times)
    return float(np.max(height + hip_offset(skeleton, path, plant.side, times)[:, 2]))


def _vault_lifts(skeleton: Skeleton, path: PelvisPath) -> FloatArray:
    """Heel rise of each sound stance that lifts the hip by the wanted height over the prosthetic peak."""
    plants = path.plan.plants
    lifts = np.zeros(len(plants))
    size_m = path.settings.faults.vault_height_m
    if size_m == 0.0:
        return lifts
    natural = [_peak_hip_m(skeleton, path, plant, 0.0) for plant in plants]
    sound = [height for height, plant in zip(natural, plants, strict=True) if not plant.prosthetic]
    prosthetic = [height for height, plant in zip(natural, plants, strict=True) if plant.prosthetic]
    gap_m = float(np.mean(prosthetic) - np.mean(sound)) * min(1.0, size_m / _FULL_VAULT_M)
    for index, plant in enumerate(plants):
        if plant.prosthetic:
            continue
        goal = natural[index] + gap_m + size_m * plant.fault_factor

        def missing(lift: float, plant: Plant = plant, goal: float = goal) -> float:
            return _peak_hip_m(skeleton, path, plant, lift) - goal

        lifts[index] = brentq(missing, 0.0, _MAX_LIFT_RAD, xtol=1e-5) if goal > natural[index] else 0.0
    return lifts


def late_lift(skeleton: Skeleton, path: PelvisPath, plant: Plant) -> float:
    """Heel rise of a prosthetic stance that lifts the body by the wanted height at heel-off; else 0. [rad]"""
    size_m = path.settings.faults.late_rise_m
    if size_m == 0.0 or not plant.prosthetic:
        return 0.0
    moment = np.array([plant.heel_off_s])
    goal = float(carried_height(skeleton, path, plant, lift_rad=0.0, time_s=moment)[0]) + size_m * plant.fault_factor

    def missing(lift: float) -> float:
        return float(carried_height(skeleton, path, plant, lift_rad=lift, time_s=moment)[0]) - goal

    return float(brentq(missing, 0.0, _MAX_LIFT_RAD, xtol=1e-5))
