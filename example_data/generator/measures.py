"""Realised measures of each stride, read from the exported joints on a fine time grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .angles import (
    Positions,
    arm_angle_deg,
    foot_direction_deg,
    knee_flexion_deg,
    pelvic_obliquity_deg,
    trunk_lean_deg,
)
from .plan import Plan, Plant
from .skeleton import FloatArray

_LOADING_SHARE = 0.30
_STRAIGHT_WITHIN_DEG = 2.0
# The knee flexes for swing from this much above its straightest on, well clear of noise (own choice). [deg]
_FLEXED_DEG = 10.0
# Single support before this share is early: the natural peak of the hips lies just behind it. Own choice. [1]
_EARLY_SHARE = 0.40
# Late single support, where the heel of a natural walk rises.
_LATE_SHARE = 2.0 / 3.0


@dataclass(frozen=True, slots=True)
class StrideTruth:
    """What one stride really shows, from one contact of a foot to its next.

    Parameters
    ----------
    side : "left" or "right"
        Anatomical side.
    prosthetic : bool
        True on the prosthetic side.
    contact_s, foot_flat_s, other_contact_s, toe_off_s, next_contact_s : float
        Exact times. [s]
    stance_s, stride_s : float
        Durations. [s]
    step_time_s, step_length_m, step_width_m : float or None
        Of the step that ends with this contact, heel to heel; None without a contact before. [s], [m], [m]
    hip_peak_m : float
        Highest stance-side hip in single support. [m]
    foot_rotation_deg : float
        Foot direction at contact minus that at foot flat, external positive. [deg]
    foot_direction_deg : float
        Foot direction at foot flat, external positive. [deg]
    arm_range_deg : float
        Range of the same side's arm angle over the stride. [deg]
    knee_contact_deg, knee_loading_rise_deg, knee_swing_peak_deg : float
        Flexion at contact, its rise within the first 30 % of the stride, and its peak in swing. [deg]
    knee_peak_extension_velocity_deg_s : float
        Fastest extension in swing. [deg/s]
    knee_straight_dwell_s : float
        Time before the next contact with the knee within 2 deg of its flexion there. [s]
    heel_rise_m : float
        Highest heel in swing. [m]
    heel_whip_m : float
        Largest sideways departure of the heel, in the first half of swing, from the straight line between its
        places at toe-off and at mid-swing, outward positive. [m]
    ankle_arc_m : float
        Largest sideways departure of the ankle in swing from the line between its places at toe-off and
        contact, outward positive. [m]
    trunk_lean_deg, trunk_bend_deg : float
        Largest lean of the trunk in stance over the same side and forward. [deg]
    swing_hike_deg : float
        Largest lift of the swing side of the pelvis in swing. [deg]
    hips_late_rise_m : float
        Middle of the hips at two thirds of single support above its highest place in the first 40 %; negative in a
        natural walk. [m]
    hips_late_peak_m : float
        Highest middle of the hips in the last 60 % of single support above the highest in its first 40 %. [m]
    hips_drop_m : float
        Lowest middle of the hips in the double support after this contact above the lowest one in the double support
        that ends with toe-off. [m]
    knee_flexion_start_pct : float
        When the knee passes, for the last time before its swing peak, 10 deg above its straightest in stance.
        [% of the stride]
    trunk_back_lean_deg : float
        Largest lean of the trunk backward of vertical from two thirds of single support to toe-off. [deg]
    """

    side: str
    prosthetic: bool
    contact_s: float
    foot_flat_s: float
    other_contact_s: float
    toe_off_s: float
    next_contact_s: float
    stance_s: float
    stride_s: float
    step_time_s: float | None
    step_length_m: float | None
    step_width_m: float | None
    hip_peak_m: float
    foot_rotation_deg: float
    foot_direction_deg: float
    arm_range_deg: float
    knee_contact_deg: float
    knee_loading_rise_deg: float
    knee_swing_peak_deg: float
    knee_peak_extension_velocity_deg_s: float
    knee_straight_dwell_s: float
    heel_rise_m: float
    heel_whip_m: float
    ankle_arc_m: float
    trunk_lean_deg: float
    trunk_bend_deg: float
    swing_hike_deg: float
    hips_late_rise_m: float
    hips_late_peak_m: float
    hips_drop_m: float
    knee_flexion_start_pct: float
    trunk_back_lean_deg: float

    @property
    def flat_time_s(self) -> float:
        """Time from contact to foot flat. [s]"""
        return self.foot_flat_s - self.contact_s


@dataclass(frozen=True, slots=True)
class _Grid:
    """Joint positions on a fine time grid."""

    time_s: FloatArray
    positions: Positions

    def part(self, start_s: float, end_s: float) -> slice:
        """Samples from start to end."""
        return slice(int(np.searchsorted(self.time_s, start_s)), int(np.searchsorted(self.time_s, end_s, "right")))

    def at(self, values: FloatArray, time_s: float) -> float:
        """Value at one time."""
        return float(np.interp(time_s, self.time_s, values))


def stride_truths(
    plan: Plan, *, time_s: FloatArray, positions: Positions, wanted_s: tuple[float, float]
) -> tuple[StrideTruth, ...]:
    """Measures of all strides that begin within a span.

    Parameters
    ----------
    plan : Plan
        Footsteps.
    time_s : array, (n,)
        Fine time grid that covers these strides. [s]
    positions : mapping of name to array, (n, 3) x, y, z
        Joints on that grid. [m]
    wanted_s : tuple of two floats
        First and last time of contact. [s]

    Returns
    -------
    tuple of StrideTruth
        In the order of contact, both sides.
    """
    grid = _Grid(time_s, positions)
    return tuple(
        _stride_truth(grid, plant, plan.plants[index - 1] if index else None)
        for index, plant in enumerate(plan.plants)
        if wanted_s[0] <= plant.contact_s <= wanted_s[1]
    )


def _stride_truth(grid: _Grid, plant: Plant, before: Plant | None) -> StrideTruth:
    """Measures of one stride."""
    side, positions = plant.side, grid.positions
    knee = knee_flexion_deg(positions, side, sagittal=False)
    direction = foot_direction_deg(positions, side)
    stance = grid.part(plant.contact_s, plant.toe_off_s)
    swing = grid.part(plant.toe_off_s, plant.next_contact_s)
    single = grid.part(plant.other_toe_off_s, plant.other_contact_s)
    loading = grid.part(plant.contact_s, plant.contact_s + _LOADING_SHARE * (plant.next_contact_s - plant.contact_s))
    whole = grid.part(plant.contact_s, plant.next_contact_s)
    knee_contact = grid.at(knee, plant.contact_s)
    flat_direction = grid.at(direction, plant.flat_s)
    lean, bend = trunk_lean_deg(positions)
    early_s, late_s = (
        plant.other_toe_off_s + share * (plant.other_contact_s - plant.other_toe_off_s)
        for share in (_EARLY_SHARE, _LATE_SHARE)
    )
    hips = 0.5 * (positions["left_hip"] + positions["right_hip"])[:, 2]
    early_peak_m = float(np.max(hips[grid.part(plant.other_toe_off_s, early_s)]))
    mid_swing_s = 0.5 * (plant.toe_off_s + plant.next_contact_s)
    return StrideTruth(
        side=side,
        prosthetic=plant.prosthetic,
        contact_s=plant.contact_s,
        foot_flat_s=plant.flat_s,
        other_contact_s=plant.other_contact_s,
        toe_off_s=plant.toe_off_s,
        next_contact_s=plant.next_contact_s,
        stance_s=plant.toe_off_s - plant.contact_s,
        stride_s=plant.next_contact_s - plant.contact_s,
        step_time_s=None if before is None else plant.contact_s - before.contact_s,
        step_length_m=None if before is None else float(plant.heel_m[0] - before.heel_m[0]),
        step_width_m=None if before is None else float(plant.sign * (plant.heel_m[1] - before.heel_m[1])),
        hip_peak_m=float(np.max(positions[f"{side}_hip"][single, 2])),
        foot_rotation_deg=grid.at(direction, plant.contact_s) - flat_direction,
        foot_direction_deg=flat_direction,
        arm_range_deg=float(np.ptp(arm_angle_deg(positions, side)[whole])),
        knee_contact_deg=knee_contact,
        knee_loading_rise_deg=float(np.max(knee[loading])) - knee_contact,
        knee_swing_peak_deg=float(np.max(knee[swing])),
        knee_peak_extension_velocity_deg_s=float(np.max(-np.gradient(knee, grid.time_s)[swing][1:-1])),
        knee_straight_dwell_s=_dwell_s(grid.time_s[swing], knee[swing]),
        heel_rise_m=float(np.max(positions[f"{side}_heel"][swing, 2])),
        heel_whip_m=_departure_m(grid, f"{side}_heel", plant, mid_swing_s),
        ankle_arc_m=_departure_m(grid, f"{side}_ankle", plant, plant.next_contact_s),
        trunk_lean_deg=float(np.max(plant.sign * lean[stance])),
        trunk_bend_deg=float(np.max(bend[stance])),
        swing_hike_deg=float(np.max(plant.sign * pelvic_obliquity_deg(positions)[swing])),
        hips_late_rise_m=grid.at(hips, late_s) - early_peak_m,
        hips_late_peak_m=float(np.max(hips[grid.part(early_s, plant.other_contact_s)])) - early_peak_m,
        hips_drop_m=float(np.min(hips[grid.part(plant.contact_s, plant.other_toe_off_s)]))
        - float(np.min(hips[grid.part(plant.other_contact_s, plant.toe_off_s)])),
        knee_flexion_start_pct=_flexion_start_pct(grid, plant, knee),
        trunk_back_lean_deg=float(np.max(-bend[grid.part(late_s, plant.toe_off_s)])),
    )


def _dwell_s(time_s: FloatArray, knee_deg: FloatArray) -> float:
    """Time at the end of a swing with the knee near its last flexion. [s]"""
    away = np.flatnonzero(np.abs(knee_deg - knee_deg[-1]) > _STRAIGHT_WITHIN_DEG)
    return float(time_s[-1] - time_s[away[-1]]) if len(away) else float(time_s[-1] - time_s[0])


def _departure_m(grid: _Grid, point: str, plant: Plant, end_s: float) -> float:
    """Largest sideways departure from the line between two places, outward positive. [m]"""
    part = grid.part(plant.toe_off_s, end_s)
    times, beside = grid.time_s[part], plant.sign * grid.positions[point][part, 1]
    line = beside[0] + (beside[-1] - beside[0]) * (times - times[0]) / (times[-1] - times[0])
    return float((beside - line)[np.argmax(np.abs(beside - line))])


def _flexion_start_pct(grid: _Grid, plant: Plant, knee_deg: FloatArray) -> float:
    """Share of the stride at which the knee begins to flex for swing. [%]"""
    part = grid.part(plant.contact_s, plant.next_contact_s)
    stance = grid.part(plant.contact_s, plant.toe_off_s)
    knee, time_s = knee_deg[part], grid.time_s[part]
    level_deg = float(np.min(knee_deg[stance])) + _FLEXED_DEG
    peak = int(np.argmax(np.where(time_s >= plant.toe_off_s, knee, -np.inf)))
    below = np.flatnonzero(knee[:peak] < level_deg)
    if len(below) == 0:
        return 0.0
    last = int(below[-1])
    share = (level_deg - knee[last]) / (knee[last + 1] - knee[last])
    start_s = time_s[last] + share * (time_s[last + 1] - time_s[last])
    return float(100.0 * (start_s - plant.contact_s) / (plant.next_contact_s - plant.contact_s))
