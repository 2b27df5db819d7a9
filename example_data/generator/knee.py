"""Knee flexion over one stride, sound or prosthetic, with the faults that are made in the knee."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.interpolate import CubicHermiteSpline

from .curves import through_extremes
from .faults import Faults

# Degrees. Sound: contact 0-5, stance peak 15-20, late minimum 3-8, toe-off 35-40, swing peak about 60
# (Perry & Burnfield 2010, from memory). Prosthetic: straight in stance (common practice).
_SOUND = {"contact": 4.0, "loading": 16.0, "late": 6.0, "other_contact": 10.5, "toe_off": 38.5, "swing": 61.0}
_PROSTHETIC = {
    "contact": 1.5,
    "loading": 1.5,
    "late": 1.5,
    "other_contact": 6.0,
    "toe_off": 36.5,
    "swing": 60.0,
}
_LOADING_SHARE = 0.14
_SOUND_LOADING_RATE_DEG_S = 100.0
_LATE_SHARE_OF_STEP = 0.80
_SWING_PEAK_SHARE = 0.29
# Extension from swing peak to contact: share of the time and of the angle that is left, from the shape of
# measured curves (39 boys, Olshen et al. 1989), which carries over to adults after scaling.
_EXTENSION = ((0.37, 0.76), (0.73, 0.20))
# A knee that begins to flex later reaches its swing peak later by half of that; own choice, so that the foot still
# clears the floor and the extension keeps enough time.
_PEAK_DELAY_SHARE = 0.5
# Share of a raised and of a reduced swing peak that is there at toe-off already; own choice: a stiff knee hardly bends
# in double support.
_TOE_OFF_SHARE = (0.35, 0.55)
_STOP_S = 0.012
_EARLIEST_PEAK_SHARE = 0.2
_BUCKLE_SHARES = (0.03, 0.13, 0.34)


@dataclass(frozen=True, slots=True)
class KneeTimes:
    """Times that shape one stride's knee curve.

    Parameters
    ----------
    contact_s, other_contact_s, toe_off_s, next_contact_s : float
        Increasing. [s]
    """

    contact_s: float
    other_contact_s: float
    toe_off_s: float
    next_contact_s: float


def knee_curve(
    times: KneeTimes,
    faults: Faults | None,
    *,
    stance_change_deg: float,
    swing_change_deg: float,
    fault_factor: float,
) -> CubicHermiteSpline:
    """Knee flexion from one contact to the next of the same foot.

    Parameters
    ----------
    times : KneeTimes
        Events of the stride. [s]
    faults : Faults or None
        Faults of a prosthetic knee; None is a sound knee.
    stance_change_deg, swing_change_deg : float
        This stride's departure of both peaks. [deg]
    fault_factor : float
        Multiplier of fault sizes in this stride. [1]

    Returns
    -------
    CubicHermiteSpline
        Flexion, full extension 0, positive. [deg]
    """
    level = _SOUND if faults is None else _PROSTHETIC
    stance = _stance_segments(times, faults, stance_change_deg, fault_factor)
    swing_s = times.next_contact_s - times.toe_off_s
    late_s = stance[-1][-1][0]
    delay_s = 0.0 if faults is None else _delay_s(times, faults, fault_factor)
    peak_deg = level["swing"] + swing_change_deg
    peak_s = times.toe_off_s + _SWING_PEAK_SHARE * swing_s + _PEAK_DELAY_SHARE * delay_s
    toe_off_deg = level["toe_off"]
    if faults is not None:
        change_deg = faults.swing_flexion_change_deg * fault_factor
        peak_deg += change_deg
        toe_off_deg += _TOE_OFF_SHARE[change_deg < 0.0] * change_deg
    fall: list[tuple[float, ...]]
    if faults is not None and faults.terminal_impact_deg_s > 0.0:
        peak_s, fall = _snapped_extension(times, faults, peak_deg, fault_factor)
    else:
        left_s = times.next_contact_s - peak_s
        end_deg = level["contact"]
        fall = [(peak_s, peak_deg)]
        fall += [(peak_s + at * left_s, end_deg + share * (peak_deg - end_deg)) for at, share in _EXTENSION]
        fall += [(times.next_contact_s, end_deg)]
    rise = [
        (late_s, level["late"]),
        (times.other_contact_s + delay_s, level["other_contact"]),
        (times.toe_off_s + delay_s, toe_off_deg),
        (peak_s, peak_deg),
    ]
    rate = _SOUND_LOADING_RATE_DEG_S if faults is None else 0.0
    return through_extremes([*stance, rise, fall], first_slope=rate)


def _delay_s(times: KneeTimes, faults: Faults, fault_factor: float) -> float:
    """Delay of the flexion for swing. [s]"""
    return faults.knee_delay_pct / 100.0 * (times.next_contact_s - times.contact_s) * fault_factor


def _stance_segments(
    times: KneeTimes, faults: Faults | None, change_deg: float, fault_factor: float
) -> list[list[tuple[float, ...]]]:
    """Knots from contact to the late-stance minimum."""
    stride_s = times.next_contact_s - times.contact_s
    late_s = times.contact_s + _LATE_SHARE_OF_STEP * (times.other_contact_s - times.contact_s)
    if faults is None:
        peak = (times.contact_s + _LOADING_SHARE * stride_s, _SOUND["loading"] + change_deg)
        return [[(times.contact_s, _SOUND["contact"]), peak], [peak, (late_s, _SOUND["late"])]]
    late_s += _delay_s(times, faults, fault_factor)
    start = (times.contact_s, _PROSTHETIC["contact"])
    late = (late_s, _PROSTHETIC["late"])
    if faults.knee_instability_deg <= 0.0:
        return [[start, late]]
    low, high, end = (times.contact_s + share * stride_s for share in _BUCKLE_SHARES)
    begin = (low, _PROSTHETIC["loading"])
    top = (high, _PROSTHETIC["loading"] + faults.knee_instability_deg * fault_factor)
    back = (min(end, late_s - 0.02), _PROSTHETIC["late"])
    return [[start, begin], [begin, top], [top, back], [back, late]]


def _snapped_extension(
    times: KneeTimes, faults: Faults, peak_deg: float, fault_factor: float
) -> tuple[float, list[tuple[float, ...]]]:
    """Swing peak time and knots of an extension that speeds up evenly, stops abruptly and dwells straight."""
    stop_s = times.next_contact_s - faults.terminal_dwell_s
    velocity = faults.terminal_impact_deg_s * fault_factor
    brake_s = stop_s - _STOP_S
    earliest_s = times.toe_off_s + _EARLIEST_PEAK_SHARE * (times.next_contact_s - times.toe_off_s)
    earliest_s += _delay_s(times, faults, fault_factor)
    # Even acceleration reaches `velocity` over twice the time that `velocity` alone would take; a size below
    # the normal one does not fit into the swing and comes out larger.
    brake_deg = _PROSTHETIC["contact"] + 0.5 * velocity * _STOP_S
    peak_s = max(brake_s - 2.0 * (peak_deg - brake_deg) / velocity, earliest_s)
    velocity = 2.0 * (peak_deg - _PROSTHETIC["contact"]) / (brake_s - peak_s + _STOP_S)
    brake_deg = _PROSTHETIC["contact"] + 0.5 * velocity * _STOP_S
    return peak_s, [
        (peak_s, peak_deg, 0.0),
        (brake_s, brake_deg, -velocity),
        (stop_s, _PROSTHETIC["contact"], 0.0),
        (times.next_contact_s, _PROSTHETIC["contact"], 0.0),
    ]
