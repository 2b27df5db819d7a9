"""Foot in swing: knee and thigh angles prescribed, joined smoothly to both stances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BPoly, CubicHermiteSpline, CubicSpline

from .curves import bump, clamped, quintic, rotation_y, smoothstep
from .faults import Faults
from .feet import FootPose, landed_foot, rotation_of
from .height import BodyHeight, leg_reach
from .plan import Plant
from .rolling import hip_corner, leg_angles, rolling_foot
from .skeleton import FloatArray

_STEP_S = 0.002
# Thigh at contact: the ankle falls back under the hip this fast. Knee extension goes on until then, so that
# the foremost instant of the heel lies only just before contact.
_LANDING_SPEED_M_S = -0.20
# The heel comes down at this speed, whatever the body does.
_HEEL_DROP_M_S = -0.20
_THIGH_PEAK_SHARE = 0.60
# Thigh in mid-swing beyond its angle at contact, for each m/s of walking speed.
_THIGH_OVERSHOOT_RAD = np.radians(6.5)
# The hip is thrown forward to snap the knee straight (common practice).
_SNAP_OVERSHOOT_RAD = np.radians(6.0)
# The thigh is lifted that much more if the foot needs the room, as with a long swing or a stiff knee.
_EXTRA_OVERSHOOTS_RAD = np.radians(np.arange(0.0, 10.1, 0.5))
_ROOM_SHARES = np.linspace(0.4, 0.92, 40)
# Least height of ball and toes, and of the heel, from `_CLEARANCE_SHARE` of the swing on; the rule is faded in and out
# over `_CLEARANCE_FADE_SHARE` at both ends, where the foot meets the floor, and its corner is rounded.
_CLEARANCE_M = 0.016
_HEEL_CLEARANCE_M = 0.004
_CLEARANCE_SHARE = 0.45
_CLEARANCE_FADE_SHARE = 0.08
_CLEARANCE_SOFTNESS_RAD = np.radians(1.5)
# Ankle angle: neutral at the second share of the swing, at the third that much below its value at contact.
_FLEXION_SHARES = np.array([0.0, 0.42, 0.75, 1.0])
_LATE_RELAX_RAD = np.radians(2.0)
_TOE_STRAIGHT_SHARE = 0.35
_WHIP_PEAK_SHARE = 0.22
_WHIP_END_SHARE = 0.50


@dataclass(frozen=True, slots=True)
class Swing:
    """One swing as functions of time.

    Parameters
    ----------
    height : BodyHeight
        The body's path.
    plant, following : Plant
        Stance before and after.
    thigh_rad : CubicSpline
        Thigh angle, forward positive. [rad]
    beside_m : BPoly
        Sideways position of the ankle. [m]
    plantarflexion_rad : CubicHermiteSpline
        Foot against shank before extra dorsiflexion. [rad]
    toe_bend_rad : BPoly
        Toes against foot until they are straight. [rad]
    """

    height: BodyHeight
    plant: Plant
    following: Plant
    thigh_rad: CubicSpline
    beside_m: BPoly
    plantarflexion_rad: CubicHermiteSpline
    toe_bend_rad: BPoly

    def foot(self, time_s: FloatArray) -> FootPose:
        """Foot at times between toe-off and contact, (n,)."""
        plant, following = self.plant, self.following
        share = (time_s - plant.toe_off_s) / (following.contact_s - plant.toe_off_s)
        ankle, shank = self.leg(time_s)
        pitch = self.plantarflexion_rad(time_s) - shank
        straight_s = float(self.toe_bend_rad.x[-1])
        bend = self.toe_bend_rad(np.minimum(time_s, straight_s))
        pitch = self._clear_of_floor(share, ankle[:, 2], pitch, bend)
        yaw = plant.yaw_rad + (following.yaw_rad - plant.yaw_rad) * smoothstep(share)
        yaw = yaw + following.extra_yaw_rad * smoothstep((share - 0.55) / 0.45)
        return FootPose(ankle, yaw, pitch, pitch - bend)

    def leg(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ankle, (n, 3) x, y, z [m], and shank angle, forward positive, (n,) [rad]."""
        side = self.plant.side
        hip = self.height.hip_m(side, time_s)
        faults = self.height.path.settings.faults
        beside = self.beside_m(time_s) + _circumduction(faults, self.plant, time_s)
        knee = self.plant.knee_deg(time_s)
        reach = leg_reach(self.height.skeleton, side, knee)
        line = self.thigh_rad(time_s) - hip_corner(self.height.skeleton, side, knee)
        reach = np.sqrt(reach**2 - (beside - hip[:, 1]) ** 2)
        ankle = np.stack([hip[:, 0] + reach * np.sin(line), beside, hip[:, 2] - reach * np.cos(line)], axis=-1)
        _, shank = leg_angles(self.height.skeleton, side, ankle - hip)
        return ankle, shank

    def _clear_of_floor(
        self, share: FloatArray, ankle_height_m: FloatArray, pitch: FloatArray, bend: FloatArray
    ) -> FloatArray:
        """Pitch turned as little as lets first the heel, then ball and toes clear the floor, (n,). [rad]"""
        skeleton, side = self.height.skeleton, self.plant.side
        ball = skeleton.offset_m(f"{side}_ball")
        tip = ball + rotation_y(-bend) @ skeleton.offset_m(f"{side}_toe_sole")
        rise = smoothstep(share / _CLEARANCE_SHARE)
        fade = smoothstep(share / _CLEARANCE_FADE_SHARE) * smoothstep((1.0 - share) / _CLEARANCE_FADE_SHARE)
        # Mirrored front to back, the heel is a toe whose pitch counts the other way.
        heel = skeleton.offset_m(f"{side}_heel") * np.array([-1.0, 1.0, 1.0])
        lowest = -_highest_pitch(ankle_height_m, heel, _HEEL_CLEARANCE_M * rise)
        pitch = pitch + fade * _soft_excess(lowest - pitch)
        for point in (tip, skeleton.offset_m(f"{side}_ball_sole")):
            highest = _highest_pitch(ankle_height_m, point, _CLEARANCE_M * rise)
            pitch = pitch - fade * _soft_excess(pitch - highest)
        return np.asarray(pitch)

    def whip_rad(self, time_s: FloatArray) -> FloatArray:
        """Turn of shank and foot just after toe-off, left (heel to the right) positive. [rad]"""
        faults = self.height.path.settings.faults
        size_deg = faults.medial_whip_deg - faults.lateral_whip_deg
        if not self.plant.prosthetic or size_deg == 0.0:
            return np.zeros_like(time_s)
        start_s = self.plant.toe_off_s
        swing_s = self.plant.next_contact_s - start_s
        hump = bump(time_s, start_s, start_s + _WHIP_PEAK_SHARE * swing_s, start_s + _WHIP_END_SHARE * swing_s)
        return np.asarray(self.plant.sign * np.radians(size_deg * self.plant.fault_factor) * hump)


def _end_values(values: FloatArray) -> tuple[float, float]:
    """Value and rate at the last of three samples `_STEP_S` apart."""
    slope = (1.5 * values[-1] - 2.0 * values[-2] + 0.5 * values[-3]) / _STEP_S
    return float(values[-1]), float(slope)


def make_swing(height: BodyHeight, plant: Plant, following: Plant) -> Swing:
    """Swing from one plant's toe-off to the following contact of the same foot.

    Parameters
    ----------
    height : BodyHeight
        The body's path.
    plant, following : Plant
        Consecutive stances of one foot.

    Returns
    -------
    Swing
        Position and velocity of ankle, foot and toes continue those of push-off; at contact the foot lies
        where the next stance holds it. The ankle dorsiflexes as far as the toes need to clear the floor.
    """
    skeleton, side = height.skeleton, plant.side
    start_s, end_s = plant.toe_off_s, following.contact_s
    before_s = start_s + _STEP_S * np.arange(-2.0, 1.0)
    leaving = rolling_foot(height, plant, before_s)
    landing = landed_foot(skeleton, following, np.array([end_s]), np.zeros(1))
    hip_end = height.hip_m(side, end_s + _STEP_S * np.arange(-2.0, 1.0))

    thigh0, shank0 = leg_angles(skeleton, side, leaving.ankle_m - height.hip_m(side, before_s))
    away1 = landing.ankle_m - hip_end[-1:]
    thigh1, shank1 = leg_angles(skeleton, side, away1)
    thigh_rate1 = _LANDING_SPEED_M_S / -away1[0, 2]
    thigh_start, thigh_rate = _end_values(thigh0)
    y_start, y_rate = _end_values(leaving.ankle_m[:, 1])
    bend_start, bend_rate = _end_values(leaving.pitch_rad - leaving.toe_pitch_rad)
    straight_s = start_s + _TOE_STRAIGHT_SHARE * (end_s - start_s)

    # Heel height falls at the wanted speed: what hip and leg do not give is given by the foot's turn.
    ankle_fall = _end_values(hip_end[:, 2])[1] + away1[0, 0] * thigh_rate1
    turned = rotation_of(np.zeros(1), landing.pitch_rad)[0] @ skeleton.offset_m(f"{side}_heel")
    pitch_rate1 = (_HEEL_DROP_M_S - ankle_fall) / -turned[0]
    flex_start, flex_rate = _end_values(leaving.pitch_rad + shank0)
    ends = (flex_start, flex_rate, float(landing.pitch_rad[0] + shank1[0]), float(pitch_rate1 + thigh_rate1))

    def with_overshoot(overshoot_rad: float) -> Swing:
        knots = start_s + (end_s - start_s) * np.array([0.0, _THIGH_PEAK_SHARE, 1.0])
        angles = np.array([thigh_start, thigh1[0] + overshoot_rad, thigh1[0]])
        return Swing(
            height=height,
            plant=plant,
            following=following,
            thigh_rad=clamped(knots, angles, (thigh_rate, thigh_rate1)),
            beside_m=quintic((start_s, end_s), (y_start, y_rate, 0.0), (float(landing.ankle_m[0, 1]), 0.0, 0.0)),
            plantarflexion_rad=_plantarflexion(start_s, end_s, ends),
            toe_bend_rad=quintic((start_s, straight_s), (bend_start, bend_rate, 0.0), (0.0, 0.0, 0.0)),
        )

    overshoot = _THIGH_OVERSHOOT_RAD * height.path.settings.speed_m_s
    if plant.prosthetic and height.path.settings.faults.terminal_impact_deg_s > 0.0:
        overshoot += _SNAP_OVERSHOOT_RAD
    for extra in _EXTRA_OVERSHOOTS_RAD:
        swing = with_overshoot(overshoot + extra)
        if _leaves_room(swing):
            break
    return swing


def _leaves_room(swing: Swing) -> bool:
    """True if the ankle stays so high in late swing that the foot fits under it."""
    times = swing.plant.toe_off_s + _ROOM_SHARES * (swing.following.contact_s - swing.plant.toe_off_s)
    side = swing.plant.side
    room_m = swing.height.skeleton.rest_m[f"{side}_ankle"][2] - swing.height.skeleton.rest_m[f"{side}_heel"][2]
    return bool(np.min(swing.leg(times)[0][:, 2]) >= room_m + _HEEL_CLEARANCE_M)


def _plantarflexion(start_s: float, end_s: float, ends: tuple[float, float, float, float]) -> CubicHermiteSpline:
    """Ankle angle of a swing without extra dorsiflexion, from start value and rate to end value and rate."""
    start, rate, end, end_rate = ends
    values = [start, 0.0, end + _LATE_RELAX_RAD, end]
    return CubicHermiteSpline(start_s + (end_s - start_s) * _FLEXION_SHARES, values, [rate, 0.0, 0.0, end_rate])


def _highest_pitch(ankle_height_m: FloatArray, point: FloatArray, clearance_m: FloatArray) -> FloatArray:
    """Greatest pitch that keeps a point ahead of the ankle above a height, (n,). [rad]

    `point` is (..., 3) x, y, z from the ankle at pitch 0; turned by p, its height is -x sin p + z cos p.
    """
    radius = np.hypot(point[..., 0], point[..., 2])
    cosine = np.clip((clearance_m - ankle_height_m) / radius, -1.0, 1.0)
    return np.asarray(np.arccos(cosine) - np.arctan2(point[..., 0], point[..., 2]))


def _soft_excess(excess_rad: FloatArray) -> FloatArray:
    """Positive part of an angle with a rounded corner. [rad]"""
    return np.asarray(0.5 * (excess_rad + np.sqrt(excess_rad**2 + _CLEARANCE_SOFTNESS_RAD**2)))


def _circumduction(faults: Faults, plant: Plant, time_s: FloatArray) -> FloatArray:
    """Outward arc of the prosthetic ankle in swing, left positive. [m]"""
    if not plant.prosthetic or faults.circumduction_m == 0.0:
        return np.zeros_like(time_s)
    middle_s = plant.toe_off_s + 0.45 * (plant.next_contact_s - plant.toe_off_s)
    size_m = plant.sign * faults.circumduction_m * plant.fault_factor
    return np.asarray(size_m * bump(time_s, plant.toe_off_s, middle_s, plant.next_contact_s))
