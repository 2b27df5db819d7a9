"""One walk of a sequence: the frames that are shown, and the steps that lead in and out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .measures import StrideTruth
from .skeleton import SIDES, Pose, Skeleton, joint_positions
from .stance import Stand, stand_beside
from .steps import FIRST_STEP, LAST_STEP, StepShape, step_between
from .truth import GaitEvent, GaitTruth

# Steps from the last contact to a halt; the way ends there. Own choice, a little more than the walker needs.
HALT_STEPS = 0.6
# A way shows at least one stride of each side.
_FEWEST_STEPS = 3
_MATCH_S = 1e-6
_TIMES = ("contact_s", "foot_flat_s", "other_contact_s", "toe_off_s", "next_contact_s")


@dataclass(frozen=True, slots=True)
class Way:
    """One walk in its own frame, of which some frames are shown.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    pose : Pose
        All frames of the walk.
    gait : GaitTruth
        Its truth.
    first, last : int
        Frames that are shown, both included.
    """

    skeleton: Skeleton
    pose: Pose
    gait: GaitTruth
    first: int
    last: int

    @property
    def fps(self) -> float:
        """Frames a second. [1/s]"""
        return 1.0 / float(self.pose.time_s[1])

    def shown(self) -> Pose:
        """The frames that are shown."""
        return part_of_pose(self.pose, self.first, self.last + 1)

    def stand_before(self) -> Stand:
        """The stand out of which the walk comes: beside the foot that is behind in the first frame."""
        return self._stand(self.first, _other(self._side_at(self.first)), FIRST_STEP)

    def stand_after(self) -> Stand:
        """The stand into which the walk goes: beside the foot that has just landed in the last frame."""
        return self._stand(self.last, self._side_at(self.last), LAST_STEP)

    def first_step(self) -> Pose:
        """The step from the stand to the first frame; begins standing."""
        stand, after = self.stand_before(), part_of_pose(self.pose, self.first, self.first + 2)
        n_frames = self._n_frames(self.first, stand)
        return step_between(
            self.skeleton, _still(stand), after, time_s=np.arange(n_frames) / self.fps,
            span_s=n_frames / self.fps, planted=_other(self._side_at(self.first)), shape=FIRST_STEP,
        )  # fmt: skip

    def last_step(self) -> Pose:
        """The step from the last frame to the stand; ends one frame before standing."""
        stand, before = self.stand_after(), part_of_pose(self.pose, self.last - 1, self.last + 1)
        n_frames = self._n_frames(self.last, stand)
        return step_between(
            self.skeleton, before, _still(stand), time_s=np.arange(1, n_frames) / self.fps,
            span_s=n_frames / self.fps, planted=self._side_at(self.last), shape=LAST_STEP,
        )  # fmt: skip

    def events(self, start_s: float) -> list[GaitEvent]:
        """Events within the shown frames; the first of these is at `start_s` of the clip. [s]"""
        low_s, high_s = self._span_s()
        return [
            replace(event, time_s=event.time_s - low_s + start_s)
            for event in self.gait.events
            if low_s <= event.time_s <= high_s
        ]

    def strides(self, start_s: float) -> list[StrideTruth]:
        """Strides that lie whole within the shown frames; the first of these is at `start_s` of the clip. [s]

        A stride whose step began before the shown frames has no step time, length and width.
        """
        low_s, high_s = self._span_s()
        found = []
        for stride in self.gait.strides:
            if not (low_s <= stride.contact_s and stride.next_contact_s <= high_s):
                continue
            if stride.step_time_s is None or stride.contact_s - stride.step_time_s < low_s - _MATCH_S:
                stride = replace(stride, step_time_s=None, step_length_m=None, step_width_m=None)
            moved = {name: getattr(stride, name) - low_s + start_s for name in _TIMES}
            found.append(replace(stride, **moved))
        return found

    def _span_s(self) -> tuple[float, float]:
        """Times of the first and the last shown frame. [s]"""
        return float(self.pose.time_s[self.first]), float(self.pose.time_s[self.last])

    def _side_at(self, frame: int) -> str:
        """Side of the contact next to a frame."""
        time_s = self.pose.time_s[frame]
        return min(contacts(self.gait), key=lambda event: abs(event.time_s - time_s)).side

    def _stand(self, frame: int, side: str, shape: StepShape) -> Stand:
        """Stand beside the foot of one side in a frame."""
        here = joint_positions(self.skeleton, part_of_pose(self.pose, frame, frame + 1))
        return stand_beside(self.skeleton, self.gait.settings, side, shape.pivot, here[f"{side}_{shape.pivot}"][0])

    def _n_frames(self, frame: int, stand: Stand) -> int:
        """Frames in which an even change of speed between 0 and that of the walk covers the way to the stand."""
        way_m = abs(float(self.pose.root_m[frame, 0] - stand.pose(np.zeros(1)).root_m[0, 0]))
        return max(4, round(2.0 * way_m / self.gait.settings.speed_m_s * self.fps))


def cut_way(skeleton: Skeleton, pose: Pose, gait: GaitTruth, *, end: int, starts_standing: bool, halts: bool) -> Way:
    """Choose the frames of a walk that are shown.

    Parameters
    ----------
    skeleton : Skeleton
        Rest pose.
    pose, gait : Pose and GaitTruth
        The whole walk.
    end : int
        Last frame that the picture holds.
    starts_standing, halts : bool
        The walk then begins with its first contact, or ends with the last one that leaves room to halt.

    Raises
    ------
    ValueError
        If fewer than three steps are left.
    """
    fps = 1.0 / float(pose.time_s[1])
    latest_s = float(pose.time_s[end]) - HALT_STEPS * gait.settings.step_time_s
    begun = [event.time_s for event in contacts(gait) if event.time_s * fps >= 1.0]
    ended = [event.time_s for event in contacts(gait) if event.time_s <= latest_s]
    first = int(begun[0] * fps) if starts_standing and begun else 0
    last = (int(np.ceil(ended[-1] * fps)) if ended else 0) if halts else end
    n_steps = (last - first) / fps / gait.settings.step_time_s
    if n_steps < _FEWEST_STEPS:
        raise ValueError(
            f"sequence: the way holds {max(n_steps, 0.0):.1f} steps between standing; at least {_FEWEST_STEPS} are "
            "expected. Show a longer way or lower speed_m_s."
        )
    return Way(skeleton, pose, gait, first, last)


def contacts(gait: GaitTruth) -> list[GaitEvent]:
    """Contacts in the order of time."""
    return [event for event in gait.events if event.kind == "contact"]


def part_of_pose(pose: Pose, start: int, stop: int) -> Pose:
    """Frames from `start` to before `stop`."""
    return Pose(pose.time_s[start:stop], pose.root_m[start:stop], pose.rotation[start:stop])


def _still(stand: Stand) -> Pose:
    """Two frames that stand perfectly still."""
    one = stand.pose(np.zeros(1))
    return Pose(np.array([0.0, 1.0]), np.repeat(one.root_m, 2, axis=0), np.repeat(one.rotation, 2, axis=0))


def _other(side: str) -> str:
    """The opposite side."""
    return next(name for name in SIDES if name != side)
