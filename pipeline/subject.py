"""Which of the people in a clip is the one who walks: the subject, followed from frame to frame.

The estimator gives at most a few poses a frame, in no fixed order, and sometimes two of one person. A
helper may stand by or walk along. The subject is the one who covers ground for long and is large.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.model import LANDMARK_NAMES, FloatArray

HIPS = [LANDMARK_NAMES.index("left_hip"), LANDMARK_NAMES.index("right_hip")]

# All lengths are over the person's height in the picture, so that they hold at any distance. Own choices:
# two poses closer than this, averaged over the landmarks, are one person (legs may be swapped in one of
# them); people beside each other differ by more even where they overlap.
SAME_PERSON = 0.12
# How far the hips may get between two sightings: a start for jitter, and a speed above any walk. [1], [1/s]
JITTER = 0.15
FASTEST_PER_S = 1.5
# Longest time without a sighting inside one thread. [s]
LONGEST_GAP_S = 0.5
# Largest change of height between two sightings of one thread. [1]
SIZE_RATIO = 1.6
# Weight of someone who stays put: without it a clip of a standing person would have no subject.
STANDING_WEIGHT = 0.1


@dataclass(frozen=True, slots=True)
class Detection:
    """One pose in one frame.

    Attributes
    ----------
    xy_px : (33, 2)
        x right, y down. [px]
    visibility : (33,)
        0 to 1. [1]
    world_m : (33, 3)
        About the mid-hip: x right, y down, z away from the camera. [m]
    """

    xy_px: FloatArray
    visibility: FloatArray
    world_m: FloatArray

    @property
    def hip_px(self) -> FloatArray:
        """(2,) middle of the hips. [px]"""
        return np.asarray(self.xy_px[HIPS].mean(axis=0))

    @property
    def height_px(self) -> float:
        """From the highest to the lowest landmark. [px]"""
        return max(1.0, float(np.ptp(self.xy_px[:, 1])))


@dataclass(slots=True)
class _Thread:
    """Sightings of one person without a long break: frame numbers, times and detections."""

    frames: list[int] = field(default_factory=list)
    times_s: list[float] = field(default_factory=list)
    detections: list[Detection] = field(default_factory=list)

    def add(self, frame: int, time_s: float, detection: Detection) -> None:
        self.frames.append(frame)
        self.times_s.append(time_s)
        self.detections.append(detection)

    def weight(self) -> float:
        """How much this looks like the person the clip was made of."""
        heights = np.array([detection.height_px for detection in self.detections])
        hips = np.array([detection.hip_px for detection in self.detections])
        height = float(np.median(heights))
        # Seen from the side a walker crosses the picture; seen from the front he grows or shrinks.
        across = np.ptp(np.percentile(hips[:, 0], [5, 95])) / height
        along = np.log(np.divide(*np.percentile(heights, [95, 5])))
        return float((STANDING_WEIGHT + across + along) * height * len(self.frames))


def drop_duplicates(detections: Sequence[Detection]) -> list[Detection]:
    """The detections without second poses of the same person; the earlier one stays.

    Two poses are one person when their landmarks lie less than 12 % of the person's height apart on
    average (own choice). Empty input gives an empty list.
    """
    people: list[Detection] = []
    for detection in detections:
        apart = [float(np.hypot(*(detection.xy_px - person.xy_px).T).mean()) / person.height_px for person in people]
        if min(apart, default=np.inf) >= SAME_PERSON:
            people.append(detection)
    return people


def follow_subject(detections: Sequence[Sequence[Detection]], time_s: FloatArray) -> list[Detection | None]:
    """The subject's detection in each frame, None where the subject was not seen.

    Parameters
    ----------
    detections : sequence of n_frames sequences
        The people of each frame, duplicates dropped, in any order.
    time_s : (n_frames,)
        Increasing. [s]

    Returns
    -------
    list of n_frames

    Notes
    -----
    Detections are joined to threads: nearest hips first, if the distance could be walked and the height
    fits. The thread with the largest product of height, sightings and ground covered (sideways in heights,
    towards or away as the logarithm of the growth) is the subject's. Further threads are taken in, largest
    first, if no frame is taken yet and the way from and to their neighbours could be walked: a patient
    who left the picture and came back. Own method.
    """
    threads = sorted(_link(detections, time_s), key=lambda thread: -thread.weight())
    chosen: list[Detection | None] = [None] * len(detections)
    for thread in threads:
        if all(chosen[frame] is None for frame in thread.frames) and _fits(thread, chosen, time_s):
            for frame, detection in zip(thread.frames, thread.detections, strict=True):
                chosen[frame] = detection
    return chosen


def _link(detections: Sequence[Sequence[Detection]], time_s: FloatArray) -> list[_Thread]:
    """Join each frame's detections to the threads of earlier frames, nearest first."""
    threads: list[_Thread] = []
    for frame, people in enumerate(detections):
        now_s = float(time_s[frame])
        active = [thread for thread in threads if now_s - thread.times_s[-1] <= LONGEST_GAP_S]
        pairs = sorted(
            (_distance(thread.detections[-1], person), i, j)
            for i, thread in enumerate(active)
            for j, person in enumerate(people)
            if _reachable(thread.detections[-1], person, now_s - thread.times_s[-1])
        )
        taken_threads: set[int] = set()
        taken_people: set[int] = set()
        for _, i, j in pairs:
            if i not in taken_threads and j not in taken_people:
                active[i].add(frame, now_s, people[j])
                taken_threads.add(i)
                taken_people.add(j)
        for j, person in enumerate(people):
            if j not in taken_people:
                threads.append(_Thread())
                threads[-1].add(frame, now_s, person)
    return threads


def _distance(one: Detection, other: Detection) -> float:
    """Distance of the hips over the larger height. [1]"""
    return float(np.hypot(*(one.hip_px - other.hip_px))) / max(one.height_px, other.height_px)


def _reachable(one: Detection, other: Detection, gap_s: float) -> bool:
    """Whether one person can be in both places, that time apart."""
    ratio = max(one.height_px, other.height_px) / min(one.height_px, other.height_px)
    # A person may come back larger or smaller: what fits within a second doubles in each further one.
    largest_ratio = SIZE_RATIO * 2 ** max(0.0, gap_s - 1.0)
    return _distance(one, other) <= JITTER + FASTEST_PER_S * gap_s and ratio <= largest_ratio


def _fits(thread: _Thread, chosen: list[Detection | None], time_s: FloatArray) -> bool:
    """Whether the way from the sighting before a thread and to the one after it could be walked."""
    first, last = thread.frames[0], thread.frames[-1]
    before = next((i for i in range(first - 1, -1, -1) if chosen[i] is not None), None)
    after = next((i for i in range(last + 1, len(chosen)) if chosen[i] is not None), None)
    for index, own_frame, own in (
        (before, first, thread.detections[0]),
        (after, last, thread.detections[-1]),
    ):
        other = chosen[index] if index is not None else None
        if index is not None and other is not None:
            gap_s = abs(float(time_s[own_frame] - time_s[index]))
            if not _reachable(own, other, gap_s):
                return False
    return True
