"""A clip that holds more than one walk: stand, walk, turn, walk back, stand."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from .curves import rotation_z
from .scene import Placement, place_pose
from .settings import WalkerSettings
from .skeleton import FloatArray, Pose, Skeleton, joint_positions
from .stance import Stand
from .steps import turn_round
from .truth import GaitTruth, Phase, frame_truth, realised_sizes
from .walker import walk
from .ways import Way, cut_way

# Half a turn in little steps, at an easy pace. Own choice. [s]
TURN_S = 1.6
# Standing lasts at least some frames at any rate, and no longer than a clip should. Own choice. [s]
STAND_RANGE_S = (0.2, 30.0)
# The walk back is made longer than its way by the steps that are cut off at its begin and those that end it.
_SPARE_STEPS = 6
_OUT = Placement(0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """What a person does in a clip besides walking across once.

    Parameters
    ----------
    stand_s : float
        Quiet standing before the first step, 0.2 to 30; 0: the walk is under way in the first frame. [s]
    turn : bool
        Turn round at the far end and walk back.
    stand_end_s : float
        Quiet standing after the last step, 0.2 to 30; 0: the walk is under way in the last frame. [s]

    Raises
    ------
    ValueError
        If a time is outside its range.
    """

    stand_s: float = 0.0
    turn: bool = False
    stand_end_s: float = 0.0

    def __post_init__(self) -> None:
        low_s, high_s = STAND_RANGE_S
        problems = [
            f"sequence.{name}: found {value}; 0, or {low_s} to {high_s:.0f} s is expected"
            for name, value in (("stand_s", self.stand_s), ("stand_end_s", self.stand_end_s))
            if value != 0.0 and not low_s <= value <= high_s
        ]
        if problems:
            raise ValueError("; ".join(problems) + ". Correct the times.")


@dataclass(frozen=True, slots=True)
class _Part:
    """Some frames of a clip, in the frame of the way out; `heading_rad` is where the person faces, (n_frames,)."""

    kind: str
    direction: str | None
    pose: Pose
    heading_rad: FloatArray
    way: Way | None = None


def perform(
    skeleton: Skeleton,
    settings: WalkerSettings,
    sequence: Sequence,
    *,
    start_x_m: float,
    distance_m: float,
    fps: float,
    directions: tuple[str, str],
) -> tuple[Pose, GaitTruth]:
    """Motion of a person through a sequence, and the truth about it.

    Parameters
    ----------
    skeleton : Skeleton
        Body in its rest pose.
    settings : WalkerSettings
        How the person walks; the way back is walked with the next seed.
    sequence : Sequence
        What the person does.
    start_x_m : float
        Pelvis at the begin of the way out. [m]
    distance_m : float
        Length of the way that the picture holds. [m]
    fps : float
        Frames per second. [1/s]
    directions : tuple of two texts
        Where the person faces on the way out and on the way back, as in `Phase`.

    Returns
    -------
    tuple of Pose and GaitTruth
        As `walk` returns them, in the frame of the way out, the truth with its phases.

    Raises
    ------
    ValueError
        If the body cannot walk as the settings ask, or the way is too short.
    """
    duration_s = math.floor(distance_m / settings.speed_m_s * fps) / fps
    pose, gait = walk(skeleton, settings, duration_s=duration_s, fps=fps, start_x_m=start_x_m)
    starts, ends = sequence.stand_s > 0.0, sequence.stand_end_s > 0.0
    way = cut_way(skeleton, pose, gait, end=len(pose.time_s) - 1, starts_standing=starts, halts=ends or sequence.turn)
    place, direction, parts = _OUT, directions[0], []
    if starts:
        times = np.arange(-round(sequence.stand_s * fps), 0) / fps
        parts += [_placed("stand", way.stand_before().pose(times), place, direction)]
    parts += _walked(way, place, direction, starts=starts, halts=ends or sequence.turn)
    if sequence.turn:
        spot, direction = way.stand_after(), directions[1]
        parts += [_turn(spot, fps)]
        way = _way_back(skeleton, settings, fps=fps, way_m=float(spot.centre_m[0]) - start_x_m, halts=ends)
        # Turned round, the stand before the way back is the stand in which the turn ends.
        offset = spot.centre_m + way.stand_before().centre_m
        place = Placement(180.0, (float(offset[0]), float(offset[1])))
        parts += _walked(way, place, direction, starts=True, halts=ends)
    if ends:
        times = np.arange(round(sequence.stand_end_s * fps)) / fps
        parts += [_placed("stand", way.stand_after().pose(times), place, direction)]
    return _joined(skeleton, settings, parts, fps)


def _placed(kind: str, pose: Pose, place: Placement, direction: str, way: Way | None = None) -> _Part:
    """A part with one heading, from a pose in its own frame."""
    heading = np.full(len(pose.time_s), np.radians(place.yaw_deg))
    return _Part(kind, direction, place_pose(pose, place), heading, way)


def _walked(way: Way, place: Placement, direction: str, *, starts: bool, halts: bool) -> list[_Part]:
    """A walk, with the steps that lead in and out."""
    parts = [_placed("blend", way.first_step(), place, direction)] if starts else []
    parts += [_placed("walk", way.shown(), place, direction, way)]
    return [*parts, _placed("blend", way.last_step(), place, direction)] if halts else parts


def _turn(spot: Stand, fps: float) -> _Part:
    """Half a turn on the spot."""
    n_frames = round(TURN_S * fps)
    pose, heading = turn_round(spot, time_s=np.arange(n_frames) / fps, span_s=n_frames / fps)
    return _Part("turn", None, pose, heading)


def _way_back(skeleton: Skeleton, settings: WalkerSettings, *, fps: float, way_m: float, halts: bool) -> Way:
    """The walk back, in its own frame, over a way that is measured from the stand before it. [m]"""
    again = replace(settings, seed=settings.seed + 1)
    duration_s = way_m / settings.speed_m_s + _SPARE_STEPS * settings.step_time_s
    pose, gait = walk(skeleton, again, duration_s=duration_s, fps=fps)
    whole = cut_way(skeleton, pose, gait, end=len(pose.time_s) - 1, starts_standing=True, halts=False)
    inside = pose.root_m[:, 0] - whole.stand_before().centre_m[0] <= way_m
    return cut_way(skeleton, pose, gait, end=int(np.flatnonzero(inside)[-1]), starts_standing=True, halts=halts)


def _joined(skeleton: Skeleton, settings: WalkerSettings, parts: list[_Part], fps: float) -> tuple[Pose, GaitTruth]:
    """The parts one after the other, with their truth."""
    starts_s = np.cumsum([0, *(len(part.pose.time_s) for part in parts)]) / fps
    pose = Pose(
        time_s=np.arange(sum(len(part.pose.time_s) for part in parts)) / fps,
        root_m=np.concatenate([part.pose.root_m for part in parts]),
        rotation=np.concatenate([part.pose.rotation for part in parts]),
    )
    phases, events, strides = [], [], []
    for part, start_s, end_s in zip(parts, starts_s[:-1], starts_s[1:], strict=True):
        phases.append(Phase(part.kind, float(start_s), float(end_s), part.direction))
        if part.way is not None:
            events += part.way.events(float(start_s))
            strides += part.way.strides(float(start_s))
    back = rotation_z(-np.concatenate([part.heading_rad for part in parts]))
    own = Pose(pose.time_s, (back @ pose.root_m[..., None])[..., 0], back[:, None] @ pose.rotation)
    return pose, GaitTruth(
        settings=settings,
        events=tuple(events),
        strides=tuple(strides),
        realised=realised_sizes(tuple(strides)),
        time_s=pose.time_s,
        phases=tuple(phases),
        **frame_truth(joint_positions(skeleton, own)),
    )
