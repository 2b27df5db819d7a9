"""A walking adult with known joints and events: the kinematic half of the clip generator."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .angles import Positions, knee_flexion_deg
from .faults import Faults
from .height import BodyHeight, make_body_height
from .inverse import leg_rotations
from .legs import leg_motion
from .pelvis import PelvisPath, make_pelvis_path
from .plan import Plan, make_plan
from .settings import WalkerSettings
from .skeleton import BONE_INDEX, BONES, SIDES, FloatArray, Pose, Skeleton, joint_positions
from .truth import GaitTruth, make_truth
from .upper_body import arm_rotations, trunk_rotations
from .yielding import with_yielding_knees

__all__ = ["Faults", "GaitTruth", "WalkerSettings", "walk"]

# Rate of the inner grid on which peaks and velocities of the truth are read. [1/s]
_FINE_HZ = 500.0
_FLOOR_TOLERANCE_M = 0.002
_KNEE_TOLERANCE_DEG = 3.0


@dataclass(frozen=True, slots=True)
class _Walk:
    """Everything that fixes the pose at any time."""

    skeleton: Skeleton
    path: PelvisPath
    height: BodyHeight
    shift_m: float

    def pose(self, time_s: FloatArray) -> Pose:
        """Pose at any times within the plan."""
        rotation = np.empty((len(time_s), len(BONES), 3, 3))
        rotation[:, BONE_INDEX["pelvis"]] = self.path.rotation(time_s)
        turn = self.path.turn_rad(time_s)
        parts = trunk_rotations(self.skeleton, self.path, time_s) | arm_rotations(self.path, time_s)
        for side in SIDES:
            motion = leg_motion(self.height, side, time_s)
            parts |= leg_rotations(self.skeleton, side, motion, turn)
        for name, values in parts.items():
            rotation[:, BONE_INDEX[name]] = values
        place = self.path.horizontal_m(time_s)
        root = np.column_stack([place[:, 0] + self.shift_m, place[:, 1], self.height(time_s)])
        return Pose(time_s=time_s, root_m=root, rotation=rotation)


def walk(
    skeleton: Skeleton,
    settings: WalkerSettings,
    *,
    duration_s: float,
    fps: float,
    start_x_m: float = 0.0,
) -> tuple[Pose, GaitTruth]:
    """Motion of a person who walks straight along +x, and the truth about it.

    Parameters
    ----------
    skeleton : Skeleton
        Body in its rest pose.
    settings : WalkerSettings
        How the person walks, with the faults.
    duration_s : float
        Length of the clip, up to 120. [s]
    fps : float
        Frames per second. [1/s]
    start_x_m : float
        Forward position of the pelvis in the first frame. [m]

    Returns
    -------
    tuple of Pose and GaitTruth
        One pose a frame; the walk is already under way in the first frame. The same seed gives the same walk.

    Raises
    ------
    ValueError
        If the duration or frame rate is out of range, or the legs cannot walk as the settings ask.

    Notes
    -----
    Knee flexion is prescribed over the whole stride. The stance leg carries the pelvis at the height that its
    knee angle gives; from heel-off on, the heel rises as far as hip and knee ask for; in swing, knee and
    thigh angles move the foot. So no foot slips and no leg is ever out of reach.
    """
    problems = []
    if not 0.2 <= duration_s <= 120.0:
        problems.append(f"walk.duration_s: found {duration_s}; 0.2 to 120 s is expected")
    if not 5.0 <= fps <= 1000.0:
        problems.append(f"walk.fps: found {fps}; 5 to 1000 frames a second is expected")
    if problems:
        raise ValueError("; ".join(problems) + ". Correct the arguments.")
    time_s = np.arange(max(1, round(duration_s * fps))) / fps
    plan = make_plan(settings, duration_s)
    path = with_yielding_knees(skeleton, make_pelvis_path(plan, settings))
    plan = path.plan
    shift_m = start_x_m - float(path.horizontal_m(np.zeros(1))[0, 0])
    person = _Walk(skeleton, path, make_body_height(skeleton, path), shift_m)
    plants = [p for p in plan.plants if p.next_contact_s > 0.0 and p.contact_s <= time_s[-1]]
    start_s, end_s = plants[0].contact_s, max(plant.next_contact_s for plant in plants)
    fine_s = np.arange(np.ceil(start_s * _FINE_HZ) - 5, np.floor(end_s * _FINE_HZ) + 6) / _FINE_HZ
    every_s, place = np.unique(np.concatenate([time_s, fine_s]), return_inverse=True)
    every = person.pose(every_s)
    pose, fine_pose = (_part(every, index) for index in np.split(place, [len(time_s)]))
    _check_natural(skeleton, plan, fine_pose)
    return pose, make_truth(skeleton, settings, plan=plan, pose=pose, fine_pose=fine_pose)


def _part(pose: Pose, index: npt.NDArray[np.intp]) -> Pose:
    """Some frames of a pose."""
    return Pose(pose.time_s[index], pose.root_m[index], pose.rotation[index])


def _check_natural(skeleton: Skeleton, plan: Plan, pose: Pose) -> None:
    """Refuse a walk whose feet break through the floor or whose knees leave their prescribed curve."""
    positions = joint_positions(skeleton, pose)
    problems = []
    for side in SIDES:
        problems += _floor_problems(positions, side, pose.time_s)
        problems += _knee_problems(positions, side, pose.time_s, plan)
    if problems:
        raise ValueError(
            f"walk: {'; '.join(problems[:4])}. Lower speed_m_s or the fault sizes, or raise cadence_steps_min."
        )


def _floor_problems(positions: Positions, side: str, time_s: FloatArray) -> list[str]:
    """Points of one foot that come below the floor."""
    problems = []
    for point in ("heel", "heel_back", "ball_sole", "toe", "toe_sole"):
        height = positions[f"{side}_{point}"][:, 2]
        lowest = int(np.argmin(height))
        if height[lowest] < -_FLOOR_TOLERANCE_M:
            problems.append(
                f"{side} {point} at {time_s[lowest]:.2f} s: found {1000 * height[lowest]:.0f} mm above the "
                "floor; 0 is expected"
            )
    return problems


def _knee_problems(positions: Positions, side: str, time_s: FloatArray, plan: Plan) -> list[str]:
    """Strides of one leg whose knee could not follow its curve."""
    knee = knee_flexion_deg(positions, side, sagittal=False)
    problems = []
    for plant in plan.plants:
        inside = (time_s >= plant.contact_s) & (time_s < plant.next_contact_s)
        if plant.side == side and inside.any():
            away_deg = float(np.max(np.abs(knee[inside] - plant.knee_deg(time_s[inside]))))
            if away_deg > _KNEE_TOLERANCE_DEG:
                problems.append(
                    f"{side} knee after {plant.contact_s:.2f} s: found {away_deg:.1f} deg off its curve; "
                    f"at most {_KNEE_TOLERANCE_DEG:.0f} is expected"
                )
    return problems
