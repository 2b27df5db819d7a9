"""Plan of a walk: when and where each foot meets and leaves the floor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from .knee import KneeTimes, knee_curve
from .settings import WalkerSettings
from .skeleton import FloatArray

# Shares of the stride; 0.11 of double support twice makes stance 61 % (Perry & Burnfield 2010, from memory:
# 60-62 %); it falls with speed.
_DOUBLE_SUPPORT_SHARE = 0.121
_DOUBLE_SUPPORT_PER_M_S = -0.010
FOOT_FLAT_SHARE = 0.10
# Heel-off before the other foot's contact, as a share of the step between the two contacts.
HEEL_OFF_LEAD_SHARE = 0.26
# Pelvis behind the leading heel at contact, as a share of the step.
PELVIS_BEHIND_SHARE = 0.392
LEAD_IN_STEPS = 5

# Stride-to-stride standard deviations at variability 1 (own choice, of the size seen in healthy adults).
_SD = {
    "step_time": 0.015,
    "step_length": 0.018,
    "heel_y_m": 0.006,
    "yaw_deg": 1.5,
    "stance_knee_deg": 1.0,
    "swing_knee_deg": 1.2,
    "contact_pitch_deg": 1.0,
    "left_arm": 0.05,
    "right_arm": 0.05,
    "fault": 0.05,
}
_CONTACT_PITCH_DEG = 18.0
# The toes tip further when the leg reaches further back.
_TOE_ROCKER_DEG = 24.0
_TOE_ROCKER_STEP_M = 0.62
_TOE_ROCKER_DEG_PER_M = 180.0
_LEAST_TOE_ROCKER_DEG = 15.0
_SIGN = {"left": 1.0, "right": -1.0}


@dataclass(frozen=True, slots=True)
class Plant:
    """One stay of one foot on the floor and the swing after it.

    Parameters
    ----------
    side : "left" or "right"
        Anatomical side.
    prosthetic : bool
        True on the prosthetic side.
    sign : float
        +1 left, -1 right: external yaw and outward y are `sign` times positive. [1]
    contact_s, flat_s, other_toe_off_s, heel_off_s, other_contact_s, toe_off_s, next_contact_s : float
        Increasing times: heel meets the floor, foot flat, other foot leaves, heel may rise, other foot's
        contact, toe leaves, next contact of the same foot. [s]
    heel_m : array, (2,) x, y
        Place of the heel point. [m]
    yaw_rad : float
        Steady foot direction, positive to the left. [rad]
    extra_yaw_rad : float
        Added to it at contact, gone by foot flat. [rad]
    contact_pitch_rad : float
        Toes above heel at contact, positive. [rad]
    toe_rocker_rad : float
        Pitch of the toes at toe-off, heel side up. [rad]
    knee_deg : CubicHermiteSpline
        Knee flexion from contact to next contact. [deg]
    fault_factor : float
        Multiplier of fault sizes in this stride. [1]
    arm_factor : dict of side to float
        Multiplier of the arm's amplitude at this contact. [1]
    """

    side: str
    prosthetic: bool
    sign: float
    contact_s: float
    flat_s: float
    other_toe_off_s: float
    heel_off_s: float
    other_contact_s: float
    toe_off_s: float
    next_contact_s: float
    heel_m: FloatArray
    yaw_rad: float
    extra_yaw_rad: float
    contact_pitch_rad: float
    toe_rocker_rad: float
    knee_deg: CubicHermiteSpline
    fault_factor: float
    arm_factor: dict[str, float]


@dataclass(frozen=True, slots=True)
class Plan:
    """All plants of a walk, contacts in order, sides alternating.

    Parameters
    ----------
    plants : tuple of Plant
        Cover the clip and some steps on both sides of it.
    pelvis_x_m : array, (n_plants,)
        Forward position of the pelvis at each contact. [m]
    """

    plants: tuple[Plant, ...]
    pelvis_x_m: FloatArray

    @property
    def contact_s(self) -> FloatArray:
        """Contact times of all plants, (n_plants,). [s]"""
        return np.array([plant.contact_s for plant in self.plants])


def step_times_s(settings: WalkerSettings) -> tuple[float, float, float]:
    """Mean prosthetic step time, sound step time and one double support, from the stance ratio.

    Returns
    -------
    tuple of three floats
        Time that ends with the prosthetic contact, time that ends with the sound contact, double support. [s]

    Notes
    -----
    Stance of both sides adds to the stride time and both double supports, whatever the ratio (definition).
    The double supports stay equal, so a short prosthetic stance makes a short sound step time.
    """
    stride_s = 2.0 * settings.step_time_s
    double_s = (_DOUBLE_SUPPORT_SHARE + _DOUBLE_SUPPORT_PER_M_S * settings.speed_m_s) * stride_s
    sound_stance_s = (stride_s + 2.0 * double_s) / (1.0 + settings.faults.stance_ratio)
    prosthetic_stance_s = stride_s + 2.0 * double_s - sound_stance_s
    return sound_stance_s - double_s, prosthetic_stance_s - double_s, double_s


def make_plan(settings: WalkerSettings, duration_s: float) -> Plan:
    """Footsteps of a walk with their stride-to-stride variation.

    Parameters
    ----------
    settings : WalkerSettings
        The person.
    duration_s : float
        Length of the clip; the plan reaches beyond both of its ends. [s]

    Returns
    -------
    Plan
    """
    first_s = -(LEAD_IN_STEPS + 0.3) * settings.step_time_s
    n_steps = int(np.ceil((duration_s - first_s) / (0.9 * settings.step_time_s))) + 6
    draws = np.random.default_rng(settings.seed).standard_normal((n_steps, len(_SD)))
    noise = np.clip(draws, -2.0, 2.0) * np.array(list(_SD.values())) * settings.variability
    vary = dict(zip(_SD, noise.T, strict=True))
    leading = settings.prosthetic_side or "left"
    sides = [leading if number % 2 == 0 else _other(leading) for number in range(n_steps)]

    prosthetic_s, sound_s, double_s = step_times_s(settings)
    mean_s = np.where(np.arange(n_steps) % 2 == 0, prosthetic_s, sound_s)
    step_s = mean_s * (1.0 + vary["step_time"])
    contact_s = first_s + np.concatenate([[0.0], np.cumsum(step_s[1:])])
    # A longer step time carries half of its share into the step length, the rest into an uneven forward
    # speed.
    length_m = settings.step_length_m * (0.5 + 0.5 * mean_s / settings.step_time_s)
    half_m = 0.5 * settings.faults.step_length_difference_m
    length_m = (length_m + np.where(np.arange(n_steps) % 2 == 0, half_m, -half_m)) * (1.0 + vary["step_length"])
    heel_x_m = np.concatenate([[0.0], np.cumsum(length_m[1:])])

    plants = []
    for index in range(1, n_steps - 2):
        side = sides[index]
        plants.append(
            _make_plant(
                settings,
                side=side,
                contacts_s=contact_s[index : index + 3],
                double_s=double_s * step_s[index] / mean_s[index],
                heel_x_m=float(heel_x_m[index]),
                vary={name: float(values[index]) for name, values in vary.items()},
            )
        )
    pelvis_m = _pelvis_at_contacts(contact_s, heel_x_m)
    return Plan(plants=tuple(plants), pelvis_x_m=pelvis_m[1 : n_steps - 2])


def _other(side: str) -> str:
    """The opposite side."""
    return "right" if side == "left" else "left"


def _pelvis_at_contacts(contact_s: FloatArray, heel_x_m: FloatArray) -> FloatArray:
    """Pelvis x at contacts: mostly tied to the feet, for the rest to an even speed over two steps."""
    tied = heel_x_m - PELVIS_BEHIND_SHARE * np.gradient(heel_x_m)
    tied[1:] = heel_x_m[1:] - PELVIS_BEHIND_SHARE * np.diff(heel_x_m)
    even = tied.copy()
    share = (contact_s[1:-1] - contact_s[:-2]) / (contact_s[2:] - contact_s[:-2])
    even[1:-1] = tied[:-2] + share * (tied[2:] - tied[:-2])
    return np.asarray(0.8 * tied + 0.2 * even)


def _make_plant(
    settings: WalkerSettings,
    *,
    side: str,
    contacts_s: FloatArray,
    double_s: float,
    heel_x_m: float,
    vary: dict[str, float],
) -> Plant:
    """One plant from its own contact, the other foot's next and its own next."""
    contact_s, other_contact_s, next_contact_s = (float(value) for value in contacts_s)
    faults = settings.faults
    prosthetic = side == settings.prosthetic_side
    sign = _SIGN[side]
    stride_s = next_contact_s - contact_s
    slap = faults.foot_slap_share if prosthetic else 0.0
    factor = 1.0 + vary["fault"]
    outward_m = 0.5 * settings.step_width_m + (faults.abduction_m * factor if prosthetic else 0.0)
    extra_deg = faults.foot_rotation_deg * factor if prosthetic else 0.0
    times = KneeTimes(
        contact_s=contact_s,
        other_contact_s=other_contact_s,
        toe_off_s=other_contact_s + double_s,
        next_contact_s=next_contact_s,
    )
    knee = knee_curve(
        times,
        faults if prosthetic else None,
        stance_change_deg=vary["stance_knee_deg"],
        swing_change_deg=vary["swing_knee_deg"],
        fault_factor=factor,
    )
    longer_deg = _TOE_ROCKER_DEG_PER_M * (settings.step_length_m - _TOE_ROCKER_STEP_M)
    return Plant(
        side=side,
        prosthetic=prosthetic,
        sign=sign,
        contact_s=contact_s,
        flat_s=contact_s + FOOT_FLAT_SHARE * stride_s * (1.0 - slap),
        other_toe_off_s=contact_s + double_s,
        heel_off_s=other_contact_s - HEEL_OFF_LEAD_SHARE * (other_contact_s - contact_s),
        other_contact_s=other_contact_s,
        toe_off_s=times.toe_off_s,
        next_contact_s=next_contact_s,
        heel_m=np.array([heel_x_m, sign * outward_m + vary["heel_y_m"]]),
        yaw_rad=sign * np.radians(settings.toe_out_of(side) + vary["yaw_deg"]),
        extra_yaw_rad=sign * np.radians(extra_deg),
        contact_pitch_rad=np.radians(_CONTACT_PITCH_DEG + vary["contact_pitch_deg"]),
        toe_rocker_rad=np.radians(max(_TOE_ROCKER_DEG + longer_deg, _LEAST_TOE_ROCKER_DEG)),
        knee_deg=knee,
        fault_factor=factor,
        arm_factor={arm: 1.0 + vary[f"{arm}_arm"] for arm in ("left", "right")},
    )
