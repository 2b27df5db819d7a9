"""Ground truth of a walk: exact events, angles of each frame and realised fault sizes."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from .angles import Positions, arm_angle_deg, foot_direction_deg, knee_flexion_deg
from .measures import StrideTruth, stride_truths
from .plan import Plan
from .settings import WalkerSettings
from .skeleton import SIDES, FloatArray, Pose, Skeleton, joint_positions


@dataclass(frozen=True, slots=True)
class GaitEvent:
    """One event of one foot.

    Parameters
    ----------
    side : "left" or "right"
        Anatomical side.
    kind : "contact" or "toe_off"
        Heel meets the floor, or toes leave it.
    time_s : float
        Exact time, between frames as well. [s]
    """

    side: str
    kind: str
    time_s: float


@dataclass(frozen=True, slots=True)
class Phase:
    """One part of a clip that holds more than a walk.

    Parameters
    ----------
    kind : "stand", "walk", "turn" or "blend"
        A blend is the step between standing and walking; only walks have events and strides.
    start_s, end_s : float
        From the first frame on; the end belongs to the next phase. [s]
    direction : "rightward", "leftward", "toward", "away" or None
        Where the person faces in the picture; None while turning.
    """

    kind: str
    start_s: float
    end_s: float
    direction: str | None


@dataclass(frozen=True, slots=True)
class GaitTruth:
    """What is known about a walk.

    Parameters
    ----------
    settings : WalkerSettings
        As asked for, with the injected faults.
    events : tuple of GaitEvent
        All within the clip, in the order of time.
    strides : tuple of StrideTruth
        Strides that begin within the clip; the last ones may end after it.
    realised : dict of fault name to float or None
        Size of each fault as the joints show it, median over the strides, in the unit of the fault's name;
        None without a prosthetic side or without strides of both sides.
    time_s : array, (n_frames,)
        Frame times. [s]
    knee_flexion_deg : dict of side to array, (n_frames,)
        Knee flexion in the sagittal (x-z) plane. [deg]
    knee_flexion_3d_deg : dict of side to array, (n_frames,)
        Knee flexion between the joints in space. [deg]
    arm_angle_deg : dict of side to array, (n_frames,)
        Shoulder-wrist line against the vertical in the x-z plane, forward positive. [deg]
    foot_direction_deg : dict of side to array, (n_frames,)
        Heel-toe line in the floor plane, external positive. [deg]
    hip_height_m : dict of side to array, (n_frames,)
        Height of the hip joint. [m]
    phases : tuple of Phase
        Standing, walking, turning, in the order of time; empty: the clip is one walk.

    Notes
    -----
    Every angle and height comes from the exported joints, so it holds for what the pictures show. Planes and
    directions are those of the walker's own frame, which turns with the person.
    """

    settings: WalkerSettings
    events: tuple[GaitEvent, ...]
    strides: tuple[StrideTruth, ...]
    realised: dict[str, float | None]
    time_s: FloatArray
    knee_flexion_deg: dict[str, FloatArray]
    knee_flexion_3d_deg: dict[str, FloatArray]
    arm_angle_deg: dict[str, FloatArray]
    foot_direction_deg: dict[str, FloatArray]
    hip_height_m: dict[str, FloatArray]
    phases: tuple[Phase, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """All of it as plain lists, dicts, numbers and texts for JSON; angles to 0.001 deg, times to 1 us."""
        plain: dict[str, Any] = _plain(
            {
                "settings": asdict(self.settings),
                "events": [asdict(event) for event in self.events],
                "strides": [asdict(stride) for stride in self.strides],
                "realised": self.realised,
                "time_s": self.time_s,
            },
            digits=6,
        )
        for name in ("knee_flexion_deg", "knee_flexion_3d_deg", "arm_angle_deg", "foot_direction_deg"):
            plain[name] = _plain(getattr(self, name), digits=3)
        plain["hip_height_m"] = _plain(self.hip_height_m, digits=5)
        if self.phases:
            plain["phases"] = _plain([asdict(phase) for phase in self.phases], digits=6)
        return plain


def _plain(value: Any, *, digits: int) -> Any:
    """Nested containers with rounded plain floats."""
    if isinstance(value, dict):
        return {key: _plain(item, digits=digits) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(item, digits=digits) for item in value]
    if isinstance(value, float | np.floating):
        return round(float(value), digits)
    return value


def make_truth(skeleton: Skeleton, settings: WalkerSettings, *, plan: Plan, pose: Pose, fine_pose: Pose) -> GaitTruth:
    """Truth of a walk from its exported poses.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    settings : WalkerSettings
        As asked for.
    plan : Plan
        Footsteps with their exact times.
    pose : Pose
        Poses of the frames.
    fine_pose : Pose
        Poses on a fine time grid that covers all strides of the clip.

    Returns
    -------
    GaitTruth
    """
    positions = joint_positions(skeleton, pose)
    first_s, last_s = float(pose.time_s[0]), float(pose.time_s[-1])
    events = [
        GaitEvent(plant.side, kind, time_s)
        for plant in plan.plants
        for kind, time_s in (("contact", plant.contact_s), ("toe_off", plant.toe_off_s))
        if first_s <= time_s <= last_s
    ]
    strides = stride_truths(
        plan,
        time_s=fine_pose.time_s,
        positions=joint_positions(skeleton, fine_pose),
        wanted_s=(first_s, last_s),
    )
    return GaitTruth(
        settings=settings,
        events=tuple(sorted(events, key=lambda event: event.time_s)),
        strides=strides,
        realised=realised_sizes(strides),
        time_s=pose.time_s,
        phases=(),
        **frame_truth(positions),
    )


def frame_truth(positions: Positions) -> dict[str, dict[str, FloatArray]]:
    """Angles and heights of each frame, by their name in `GaitTruth`, from joints in the walker's own frame."""
    return {
        "knee_flexion_deg": {side: knee_flexion_deg(positions, side, sagittal=True) for side in SIDES},
        "knee_flexion_3d_deg": {side: knee_flexion_deg(positions, side, sagittal=False) for side in SIDES},
        "arm_angle_deg": {side: arm_angle_deg(positions, side) for side in SIDES},
        "foot_direction_deg": {side: foot_direction_deg(positions, side) for side in SIDES},
        "hip_height_m": {side: positions[f"{side}_hip"][:, 2] for side in SIDES},
    }


def realised_sizes(strides: tuple[StrideTruth, ...]) -> dict[str, float | None]:
    """Fault sizes as the joints show them."""
    prosthetic = [stride for stride in strides if stride.prosthetic]
    sound = [stride for stride in strides if not stride.prosthetic]
    known = bool(prosthetic) and bool(sound)

    def middle(group: list[StrideTruth], name: str) -> float:
        return float(np.median([getattr(stride, name) for stride in group if getattr(stride, name) is not None]))

    def size(name: str, *, ratio: bool = False) -> float:
        here, there = middle(prosthetic, name), middle(sound, name)
        return here / there if ratio else here - there

    if not known:
        return dict.fromkeys(_REALISED)
    whip_m = middle(prosthetic, "heel_whip_m")
    values = (
        -size("hip_peak_m"),
        middle(prosthetic, "foot_rotation_deg"),
        size("arm_range_deg", ratio=True),
        size("stance_s", ratio=True),
        size("step_time_s", ratio=True),
        middle(prosthetic, "knee_peak_extension_velocity_deg_s"),
        middle(prosthetic, "knee_straight_dwell_s"),
        middle(prosthetic, "knee_loading_rise_deg"),
        whip_m,
        middle(prosthetic, "ankle_arc_m"),
        middle(prosthetic, "trunk_lean_deg"),
        middle(prosthetic, "swing_hike_deg"),
        size("knee_swing_peak_deg"),
        size("step_length_m"),
        middle(prosthetic, "trunk_bend_deg"),
        middle(prosthetic, "hips_drop_m"),
        size("hips_late_rise_m"),
        middle(prosthetic, "hips_late_peak_m"),
        middle(prosthetic, "knee_flexion_start_pct"),
        middle(prosthetic, "trunk_back_lean_deg"),
        middle(prosthetic, "foot_direction_deg"),
        size("foot_direction_deg"),
        middle(prosthetic + sound, "step_width_m"),
        size("heel_rise_m"),
        size("flat_time_s", ratio=True),
        size("step_length_m", ratio=True),
    )
    return dict(zip(_REALISED, values, strict=True))


_REALISED = (
    "vault_height_m",
    "foot_rotation_deg",
    "arm_swing_ratio",
    "stance_ratio",
    "step_time_ratio",
    "knee_extension_velocity_deg_s",
    "knee_straight_dwell_s",
    "knee_instability_deg",
    "heel_whip_m",
    "circumduction_m",
    "trunk_lean_deg",
    "swing_hike_deg",
    "swing_peak_difference_deg",
    "step_length_difference_m",
    "trunk_bend_deg",
    "drop_off_m",
    "late_rise_m",
    "hips_late_peak_m",
    "knee_flexion_start_pct",
    "trunk_back_lean_deg",
    "foot_direction_deg",
    "steady_toe_out_deg",
    "step_width_m",
    "heel_rise_difference_m",
    "foot_flat_time_ratio",
    "step_length_ratio",
)
