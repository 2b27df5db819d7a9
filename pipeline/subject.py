"""Which of the people in a clip is the one who walks: the subject, followed from frame to frame.

The estimator gives at most a few poses a frame, in no fixed order, and sometimes two of one person. A
helper may stand by or walk along. The rule: the subject is the one who covers ground for long and is large, unless a
person pointed at somebody. The subject is followed by its own pace, never to somebody else; frames without it stay
empty. How near another came to being chosen is recorded, so that a clip in which it cannot be told can be refused.
"""

from __future__ import annotations

from bisect import bisect_left
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
# Whoever walks goes on walking: the pace of the last stretch of this length is used to tell who is who where people
# pass each other. Own choice: half a stride, so that the sway of the hips counts little. [s]
PACE_S = 0.5
# Largest change of height between two sightings of one thread. [1]
SIZE_RATIO = 1.6
# Weight of someone who stays put: without it a clip of a standing person would have no subject.
STANDING_WEIGHT = 0.1
# Who is pointed at stands no further from the place than this: anywhere on the body, and a little beside it. [1]
TOLD_WITHIN = 0.6
# Who covers less ground than this stands: half a second of walking. [1]
LEAST_GROUND = 0.3


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
    """Sightings of one person without a long break: frame numbers, times, detections and their mid-hips."""

    frames: list[int] = field(default_factory=list)
    times_s: list[float] = field(default_factory=list)
    detections: list[Detection] = field(default_factory=list)
    hips_px: list[FloatArray] = field(default_factory=list)

    def add(self, frame: int, time_s: float, detection: Detection) -> None:
        self.frames.append(frame)
        self.times_s.append(time_s)
        self.detections.append(detection)
        self.hips_px.append(detection.hip_px)

    def expected_hip_px(self, now_s: float) -> FloatArray:
        """(2,) where the middle of the hips should be, at the pace of the last sightings. [px]"""
        last_s = self.times_s[-1]
        start = bisect_left(self.times_s, last_s - PACE_S)
        # Over less than half the stretch jitter would pass for a pace.
        if last_s - self.times_s[start] < PACE_S / 2:
            return self.hips_px[-1]
        from_middle_s = np.array(self.times_s[start:]) - np.mean(self.times_s[start:])
        recent_px = np.array(self.hips_px[start:])
        pace_px_s = from_middle_s @ recent_px / (from_middle_s @ from_middle_s)
        return np.asarray(recent_px.mean(axis=0) + pace_px_s * (now_s - np.mean(self.times_s[start:])))

    def distance_from(self, walker_at: tuple[float, float, float]) -> float:
        """Distance of the body's middle from a place at a time, in heights; infinite without a sighting then. [1]"""
        at_s, *place_px = walker_at
        nearest = int(np.argmin(np.abs(np.array(self.times_s) - at_s)))
        if abs(self.times_s[nearest] - at_s) > LONGEST_GAP_S:
            return float("inf")
        one = self.detections[nearest]
        middle_px = (one.xy_px.min(axis=0) + one.xy_px.max(axis=0)) / 2
        return float(np.hypot(*(middle_px - place_px))) / one.height_px

    def ground(self) -> float:
        """Way covered, in heights across and as the logarithm of the growth along the line of sight. [1]"""
        heights = np.array([detection.height_px for detection in self.detections])
        # Seen from the side a walker crosses the picture; seen from the front he grows or shrinks.
        across = np.ptp(np.percentile(np.array(self.hips_px)[:, 0], [5, 95])) / np.median(heights)
        along = np.log(np.divide(*np.percentile(heights, [95, 5])))
        return float(across + along)

    def weight(self) -> float:
        """How much this looks like the person the clip was made of."""
        height = float(np.median([detection.height_px for detection in self.detections]))
        return (STANDING_WEIGHT + self.ground()) * height * len(self.frames)


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


def merge_looks(closer: Sequence[Detection], first: Detection | None) -> list[Detection]:
    """The people of a closer look at the subject, and his first detection where the closer look missed him.

    Parameters
    ----------
    closer : sequence of Detection
        Everyone found in the crop about the subject, duplicates dropped.
    first : Detection or None
        The subject's detection in the whole picture.
    """
    missed = first is not None and all(_distance(first, person) > JITTER for person in closer)
    return [*closer, first] if first is not None and missed else list(closer)


def follow_subject(
    detections: Sequence[Sequence[Detection]],
    time_s: FloatArray,
    walker_at: tuple[float, float, float] | None = None,
) -> list[Detection | None]:
    """The subject's detection in each frame, None where the subject was not seen.

    Parameters
    ----------
    detections : sequence of n_frames sequences
        The people of each frame, duplicates dropped, in any order.
    time_s : (n_frames,)
        Increasing. [s]
    walker_at : time [s], x and y [px], optional
        Where the subject is at one time, told by a person. It comes before the rule. Nobody is followed when no body
        is there within half a second.

    Returns
    -------
    list of n_frames

    Notes
    -----
    Detections are joined to threads: hips nearest to where the thread's own pace takes it first, if the distance
    could be walked and the height fits. The thread with the largest product of height, sightings and ground
    covered (sideways in heights, towards or away as the logarithm of the growth) is the subject's. Further threads
    are taken in, largest first, if no frame is taken yet and the way from and to their neighbours could be walked:
    a patient who left the picture and came back. Threads of somebody who only stands are not. Own method.
    """
    threads = sorted(_link(detections, time_s), key=lambda thread: -thread.weight())
    if walker_at is not None:
        told = min(threads, key=lambda thread: thread.distance_from(walker_at), default=None)
        if told is None or told.distance_from(walker_at) > TOLD_WITHIN:
            return [None] * len(detections)
        threads = [told, *(thread for thread in threads if thread is not told)]
    chosen: list[Detection | None] = [None] * len(detections)
    walked = bool(threads) and threads[0].ground() >= LEAST_GROUND
    for number, thread in enumerate(threads):
        # Somebody who stands where a walker was lost is somebody else, unless seen only for a moment.
        stands = thread.times_s[-1] - thread.times_s[0] > LONGEST_GAP_S and thread.ground() < LEAST_GROUND
        if number and walked and stands:
            continue
        if all(chosen[frame] is None for frame in thread.frames) and _fits(thread, chosen, time_s):
            for frame, detection in zip(thread.frames, thread.detections, strict=True):
                chosen[frame] = detection
    return chosen


def rival_share(
    people: Sequence[Sequence[Detection]], subject: Sequence[Detection | None], time_s: FloatArray
) -> float:
    """How near somebody else came to being taken for the subject.

    Parameters
    ----------
    people : sequence of n_frames sequences
        Everyone in each frame, duplicates dropped; the subject may be among them.
    subject : sequence of n_frames
        From `follow_subject`.
    time_s : (n_frames,)
        Increasing. [s]

    Returns
    -------
    float
        The largest weight of another person's thread over the subject's, by the rule of `follow_subject`: 0 without
        others, a few hundredths for someone who stands by, about 1 for someone who walks along. 0 without a
        subject, since then nobody was seen. [1]
    """
    own = _as_thread(subject, time_s)
    others = [
        [one for one in everyone if chosen is None or _distance(one, chosen) > JITTER]
        for everyone, chosen in zip(people, subject, strict=True)
    ]
    if not own.frames:
        return 0.0
    return max((thread.weight() for thread in _link(others, time_s)), default=0.0) / own.weight()


def walks(subject: Sequence[Detection | None], time_s: FloatArray) -> bool:
    """Return whether the subject covers ground at all; False where nobody was seen.

    Parameters
    ----------
    subject : sequence of n_frames
        From `follow_subject`.
    time_s : (n_frames,)
        Increasing. [s]
    """
    own = _as_thread(subject, time_s)
    return bool(own.frames) and own.ground() >= LEAST_GROUND


def _as_thread(subject: Sequence[Detection | None], time_s: FloatArray) -> _Thread:
    """All sightings of the subject as one thread."""
    own = _Thread()
    for frame, chosen in enumerate(subject):
        if chosen is not None:
            own.add(frame, float(time_s[frame]), chosen)
    return own


def _link(detections: Sequence[Sequence[Detection]], time_s: FloatArray) -> list[_Thread]:
    """Join each frame's detections to the threads of earlier frames, nearest to the expected place first."""
    threads: list[_Thread] = []
    for frame, people in enumerate(detections):
        now_s = float(time_s[frame])
        active = [thread for thread in threads if now_s - thread.times_s[-1] <= LONGEST_GAP_S]
        expected_px = [thread.expected_hip_px(now_s) for thread in active]
        pairs = sorted(
            (float(np.hypot(*(expected_px[i] - person.hip_px))) / person.height_px, i, j)
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
