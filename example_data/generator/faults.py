"""Gait faults that the walker can show, each with its size in its own unit.

Neutral defaults show nothing. "Prosthetic" faults act on `WalkerSettings.prosthetic_side`. Step width and arm
amplitude are plain settings. A range ends where the walk no longer looks human: own choice, by eye.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

_RANGES: dict[str, tuple[float, float]] = {
    "vault_height_m": (0.0, 0.08),
    "foot_rotation_deg": (-25.0, 40.0),
    "arm_swing_ratio": (0.0, 1.5),
    "stance_ratio": (0.5, 1.25),
    "terminal_impact_deg_s": (0.0, 900.0),
    "terminal_dwell_s": (0.0, 0.12),
    "knee_instability_deg": (0.0, 30.0),
    "medial_whip_deg": (0.0, 18.0),
    "lateral_whip_deg": (0.0, 18.0),
    "circumduction_m": (0.0, 0.20),
    "abduction_m": (0.0, 0.28),
    "lateral_bend_deg": (0.0, 25.0),
    "hip_hike_deg": (0.0, 15.0),
    "swing_flexion_change_deg": (-40.0, 32.0),
    "foot_slap_share": (0.0, 0.8),
    "step_length_difference_m": (-0.35, 0.35),
    "forward_bend_deg": (0.0, 25.0),
    "drop_off_m": (0.0, 0.08),
    "late_rise_m": (0.0, 0.08),
    "knee_delay_pct": (0.0, 12.0),
    "lordosis_deg": (0.0, 30.0),
    "steady_toe_out_deg": (-10.0, 35.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Faults:
    """Sizes of the injected faults.

    Parameters
    ----------
    vault_height_m : float
        Hip-height peak of the sound stance above that of the prosthetic stance, by rising on the sound toes
        while the prosthesis swings. 0 keeps the natural difference of a few millimetres. [m]
    foot_rotation_deg : float
        Extra external rotation of the prosthetic foot at contact; it returns to the steady direction by
        foot flat. [deg]
    arm_swing_ratio : float
        Prosthetic-side arm amplitude over the other side's. [1]
    stance_ratio : float
        Prosthetic stance time over sound stance time. [1]
    terminal_impact_deg_s : float
        Knee extension velocity of the prosthesis just before an abrupt stop at full extension; 0 is a normal,
        braked extension. At least about 400 to differ from normal. [deg/s]
    terminal_dwell_s : float
        Time at full extension between the stop and contact, with terminal impact only. [s]
    knee_instability_deg : float
        Sudden flexion of the prosthetic knee in loading and mid-stance. [deg]
    medial_whip_deg, lateral_whip_deg : float
        Peak turn of the prosthetic shank and foot about the thigh's long axis just after toe-off, heel toward
        or away from the midline; 8 deg move the heel about 6 cm. [deg]
    circumduction_m : float
        Sideways arc of the prosthetic ankle in swing. [m]
    abduction_m : float
        Prosthetic foot set down that much further out at every step. [m]
    lateral_bend_deg : float
        Lean of the trunk over the prosthetic limb in its stance. [deg]
    hip_hike_deg : float
        Lift of the prosthetic side of the pelvis in prosthetic swing, on top of the natural obliquity. [deg]
    swing_flexion_change_deg : float
        Change of the prosthetic knee's swing peak: negative is reduced flexion, positive a heel that rises
        too high. [deg]
    foot_slap_share : float
        Share of the normal time from contact to foot flat that is taken away on the prosthetic side. [1]
    step_length_difference_m : float
        Prosthetic minus sound step length. [m]
    forward_bend_deg : float
        Lean of the trunk forward of vertical in prosthetic stance. [deg]
    drop_off_m : float
        Sinking of the body below its natural course from the middle of prosthetic single support to the sound
        contact: prosthetic heel late, both knees bent, sound foot set down flatter. Made up in early sound
        stance. [m]
    late_rise_m : float
        Rise of the hips above their natural course late in prosthetic single support, over the ball of the
        prosthetic foot. [m]
    knee_delay_pct : float
        Delay of the prosthetic knee's flexion for swing. [% of the stride]
    lordosis_deg : float
        Backward lean of the line from hips to shoulders late in prosthetic stance, over a pelvis that tilts
        forward; gone by mid-swing. [deg]
    steady_toe_out_deg : float
        Turn of the prosthetic foot outward of `WalkerSettings.toe_out_deg` at all times. [deg]

    Raises
    ------
    ValueError
        Listing every size outside the range within which the walk still looks human, and both whips at once.
    """

    vault_height_m: float = 0.0
    foot_rotation_deg: float = 0.0
    arm_swing_ratio: float = 1.0
    stance_ratio: float = 1.0
    terminal_impact_deg_s: float = 0.0
    terminal_dwell_s: float = 0.05
    knee_instability_deg: float = 0.0
    medial_whip_deg: float = 0.0
    lateral_whip_deg: float = 0.0
    circumduction_m: float = 0.0
    abduction_m: float = 0.0
    lateral_bend_deg: float = 0.0
    hip_hike_deg: float = 0.0
    swing_flexion_change_deg: float = 0.0
    foot_slap_share: float = 0.0
    step_length_difference_m: float = 0.0
    forward_bend_deg: float = 0.0
    drop_off_m: float = 0.0
    late_rise_m: float = 0.0
    knee_delay_pct: float = 0.0
    lordosis_deg: float = 0.0
    steady_toe_out_deg: float = 0.0

    def __post_init__(self) -> None:
        problems = []
        for field in fields(self):
            low, high = _RANGES[field.name]
            size = getattr(self, field.name)
            if not low <= size <= high:
                problems.append(f"faults.{field.name}: found {size}; {low} to {high} is expected")
        if self.medial_whip_deg and self.lateral_whip_deg:
            problems.append("faults: medial and lateral whip are both set; one of the two is expected")
        if problems:
            raise ValueError("; ".join(problems) + ". Correct the sizes.")

    def any_on_one_side(self) -> bool:
        """True if some fault needs a prosthetic side."""
        return self != Faults(terminal_dwell_s=self.terminal_dwell_s)


def fault_range(name: str) -> tuple[float, float]:
    """Least and largest size of a fault, in the unit of its name."""
    return _RANGES[name]
