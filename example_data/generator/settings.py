"""Settings of one walk."""

from __future__ import annotations

from dataclasses import dataclass, field

from .faults import Faults
from .skeleton import SIDES

_RANGES: dict[str, tuple[float, float]] = {
    "speed_m_s": (0.6, 1.6),
    "cadence_steps_min": (70.0, 130.0),
    "variability": (0.0, 3.0),
    "step_width_m": (0.04, 0.30),
    "toe_out_deg": (-10.0, 30.0),
    "arm_swing_deg": (0.0, 40.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WalkerSettings:
    """How a person walks.

    Parameters
    ----------
    speed_m_s : float
        Mean forward speed. [m/s]
    cadence_steps_min : float
        Mean steps per minute. [1/min]
    prosthetic_side : "left", "right" or None
        Side of the above-knee prosthesis, whose knee stays straight in stance; None is a sound person.
    seed : int
        Seed of the stride-to-stride variation.
    variability : float
        Multiplier of all stride-to-stride variation; 0 repeats one stride exactly, 1 is usual. [1]
    step_width_m : float
        Sideways distance of the heels. [m]
    toe_out_deg : float
        Steady foot direction of both feet, external positive. [deg]
    arm_swing_deg : float
        Shoulder amplitude to each side of the middle. [deg]
    faults : Faults
        Injected faults.

    Raises
    ------
    ValueError
        Listing every setting outside its range, a speed and cadence that make an unusual step length, and
        faults without a prosthetic side.
    """

    speed_m_s: float = 1.1
    cadence_steps_min: float = 104.0
    prosthetic_side: str | None = None
    seed: int = 0
    variability: float = 1.0
    step_width_m: float = 0.11
    toe_out_deg: float = 7.0
    arm_swing_deg: float = 20.0
    faults: Faults = field(default_factory=Faults)

    def __post_init__(self) -> None:
        problems = []
        for name, (low, high) in _RANGES.items():
            value = getattr(self, name)
            if not low <= value <= high:
                problems.append(f"settings.{name}: found {value}; {low} to {high} is expected")
        if not 0.35 <= self.step_length_m <= 0.80:
            problems.append(
                f"settings: speed and cadence give steps of {self.step_length_m:.2f} m; 0.35 to 0.80 m is expected"
            )
        if self.prosthetic_side not in (None, *SIDES):
            problems.append(
                f"settings.prosthetic_side: found {self.prosthetic_side!r}; 'left', 'right' or None is expected"
            )
        if self.prosthetic_side is None and self.faults.any_on_one_side():
            problems.append(
                "settings.prosthetic_side: found None with faults set; the side that shows them is expected"
            )
        if problems:
            raise ValueError("; ".join(problems) + ". Correct the settings.")

    @property
    def step_time_s(self) -> float:
        """Mean time of one step. [s]"""
        return 60.0 / self.cadence_steps_min

    @property
    def step_length_m(self) -> float:
        """Mean length of one step. [m]"""
        return self.speed_m_s * self.step_time_s

    def toe_out_of(self, side: str) -> float:
        """Steady direction of one foot, external positive. [deg]"""
        extra_deg = self.faults.steady_toe_out_deg if side == self.prosthetic_side else 0.0
        return self.toe_out_deg + extra_deg
