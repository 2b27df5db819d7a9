"""Pelvis: forward and sideways path, and its turns; its height follows from the legs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from .curves import bump, rotation_x, rotation_y, rotation_z
from .plan import Plan
from .settings import WalkerSettings
from .skeleton import FloatArray

# Amplitudes to each side of the middle; turn, obliquity and sway from memory of Perry & Burnfield 2010 (about
# 4-5 deg, 4 deg, 4 cm in all), the phases are shares of a step after contact.
_TURN_DEG = 4.5
_OBLIQUITY_DEG = 3.0
_TILT_DEG = 1.0
_SWAY_M = 0.0175
_SURGE_M = 0.007
_OBLIQUITY_PHASE = 0.35
_SWAY_PHASE = 0.60
_SURGE_PHASE = 0.10
# Hollow back: it begins at this share of prosthetic single support, and the pelvis tilts forward by this share of the
# trunk's backward lean. Own choice.
_HOLLOW_START_SHARE = 0.10
_HOLLOW_TILT_SHARE = 0.6


@dataclass(frozen=True, slots=True)
class PelvisPath:
    """Path of the pelvis over the floor as a function of time.

    Parameters
    ----------
    plan : Plan
        Footsteps.
    settings : WalkerSettings
        The person.
    phase : CubicSpline
        Steps since the first plant: a whole number at each contact. [1]
    forward_m : CubicSpline
        Forward position. [m]
    middle_m : float
        Sideways middle between both feet. [m]
    """

    plan: Plan
    settings: WalkerSettings
    phase: CubicSpline
    forward_m: CubicSpline
    middle_m: float

    def horizontal_m(self, time_s: FloatArray) -> FloatArray:
        """Forward and sideways position, (n, 2) x, y. [m]"""
        phase = self.phase(time_s)
        surge = _SURGE_M * np.sin(2.0 * np.pi * (phase - _SURGE_PHASE))
        sway = _SWAY_M * self._lead_sign * np.cos(np.pi * (phase - _SWAY_PHASE))
        return np.stack([self.forward_m(time_s) + surge, self.middle_m + sway], axis=-1)

    def hollow_tilt_rad(self, time_s: FloatArray) -> FloatArray:
        """Forward tilt of the pelvis in exaggerated lordosis, (n,). [rad]"""
        return _HOLLOW_TILT_SHARE * self.hollow_rad(time_s)

    def turn_rad(self, time_s: FloatArray) -> FloatArray:
        """Turn about the vertical, left positive, (n,): the leading side is ahead at contact. [rad]"""
        return np.asarray(-np.radians(_TURN_DEG) * self._lead_sign * np.cos(np.pi * self.phase(time_s)))

    def rotation(self, time_s: FloatArray) -> FloatArray:
        """Global rotation, (n, 3, 3): turn, forward tilt and obliquity with the stance side up. [1]"""
        phase = self.phase(time_s)
        obliquity = _OBLIQUITY_DEG * self._lead_sign * np.cos(np.pi * (phase - _OBLIQUITY_PHASE))
        obliquity = np.radians(obliquity + self._hike_deg(time_s))
        tilt = np.radians(_TILT_DEG) * np.cos(2.0 * np.pi * phase) + self.hollow_tilt_rad(time_s)
        return np.asarray(rotation_z(self.turn_rad(time_s)) @ rotation_y(tilt) @ rotation_x(obliquity))

    def hollow_rad(self, time_s: FloatArray) -> FloatArray:
        """Backward lean of the trunk in exaggerated lordosis, most at the sound contact, (n,). [rad]"""
        total = np.zeros_like(time_s)
        size_rad = np.radians(self.settings.faults.lordosis_deg)
        if size_rad == 0.0:
            return total
        for plant in self.plan.plants:
            if plant.prosthetic and plant.contact_s < time_s[-1] and plant.next_contact_s > time_s[0]:
                single_s = plant.other_contact_s - plant.other_toe_off_s
                start_s = plant.other_toe_off_s + _HOLLOW_START_SHARE * single_s
                end_s = 0.5 * (plant.toe_off_s + plant.next_contact_s)
                total += size_rad * plant.fault_factor * bump(time_s, start_s, plant.other_contact_s, end_s)
        return total

    def _hike_deg(self, time_s: FloatArray) -> FloatArray:
        """Extra obliquity of hip hiking, left side up positive. [deg]"""
        total = np.zeros_like(time_s)
        size_deg = self.settings.faults.hip_hike_deg
        if size_deg == 0.0:
            return total
        for plant in self.plan.plants:
            if plant.prosthetic and plant.toe_off_s < time_s[-1] and plant.next_contact_s > time_s[0]:
                middle_s = 0.5 * (plant.toe_off_s + plant.next_contact_s)
                hump = bump(time_s, plant.toe_off_s, middle_s, plant.next_contact_s)
                total += plant.sign * size_deg * plant.fault_factor * hump
        return total

    @property
    def _lead_sign(self) -> float:
        """Sign of the side of the first plant."""
        return self.plan.plants[0].sign


def make_pelvis_path(plan: Plan, settings: WalkerSettings) -> PelvisPath:
    """Pelvis path through the plan's contacts."""
    contact_s = plan.contact_s
    beside_m = [[p.heel_m[1] for p in plan.plants if p.sign == sign] for sign in (-1.0, 1.0)]
    return PelvisPath(
        plan=plan,
        settings=settings,
        phase=CubicSpline(contact_s, np.arange(len(contact_s), dtype=float)),
        forward_m=CubicSpline(contact_s, plan.pelvis_x_m),
        middle_m=0.5 * sum(float(np.mean(places)) for places in beside_m),
    )
