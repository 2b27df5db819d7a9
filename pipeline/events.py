"""Contacts and toe-offs of both feet.

From the side: each cycle is found by the foremost place of the heel and the rearmost of the foot tip against the hips
(zeni_2008), each event then timed by the speed of the foot over the floor (a threshold as in ghoussayni_2004): contact
where the heel becomes slower, one that is still falling when it has come down; toe-off where the middle of the foot
becomes faster than two thirds of walking pace. On a treadmill the floor is the belt. Where heel or tip is lost, the
ankle stands in.

From the front or behind only contacts are timed; see `events_frontal`.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd

from pipeline.event_timing import (
    Event,
    clear_peaks,
    confidence,
    highest,
    nearest_fall,
    seen_around,
    smooth_for_events,
)
from pipeline.events_frontal import frontal_contacts
from pipeline.geometry import INDEX, body_axes, middle, point
from pipeline.model import SIDES, BoolArray, FloatArray, Pass, Side, View
from pipeline.motion import Motion, body_leg_px
from pipeline.signals import derivative
from pipeline.tables import EVENTS, check_table, empty_table
from pipeline.treadmill import floor_speed

CONTACT_METHOD = "heel slower than two thirds of pace, after its foremost place (zeni_2008, ghoussayni_2004)"
TOE_OFF_METHOD = "middle of the foot faster than two thirds of pace, before the tip is rearmost (zeni_2008)"
ANKLE_CONTACT_METHOD = "foot hidden: ankle slower than two thirds of pace, after its foremost place"
ANKLE_TOE_OFF_METHOD = "foot hidden: rearmost place of the ankle"
# Share of walking pace that marks an event. A heel meets the floor at about 0.87 m/s when people walk at 1.3 m/s
# (winter_1991, from memory). For toe-off own choice: the same. The tuning halves of the rendered clips have contacts
# within 8 ms and toe-offs within 14 ms at two thirds and at 0.7, within 11 and 13 ms at 0.8.
PACE_SHARE = 2 / 3
# A heel that stops this far above where it then stands is still falling, as after a drop of the hips [legs]. It stands
# where its height keeps within this [legs], so long after it stopped [s]; a fall lasts no longer than that [s]. Its way
# down counts more than its way forwards, since smoothing flattens it. On the tuning halves of the rendered clips
# contacts after a drop are 14 ms early instead of 65, and all others as good. Own choices.
HIGH_HEEL_LEGS = 0.02
STANDS_WITHIN_LEGS = 0.03
STANDING_S = (0.1, 0.3)
LONGEST_FALL_S = 0.12
FALL_WEIGHT = 1.5
# Where the crossing is looked for beside the peak, on its near and its far side. Own choice: about a double support.
NEAR_SIDE_S = 0.04
FAR_SIDE_S = {"contact": 0.2, "toe_off": 0.25}
# Standard deviation of each rule where the foot is well seen, on rendered clips.
OWN_SD_S = {"contact": 0.009, "toe_off": 0.017}
ANKLE_SD_S = {"contact": 0.012, "toe_off": 0.02}
# Stands for the disagreement of two rules when one of them finds nothing. Own choice: a double support.
NO_SECOND_RULE_S = 0.1
# Two events of one kind and foot are at least this share of the shortest stride apart. Own choice.
CLOSEST_SHARE = 0.8


def find_events(
    motion: Motion, passes: list[Pass], view: View, *, min_stride_s: float, rebuilt: BoolArray | None = None
) -> pd.DataFrame:
    """Return the contacts of both feet in all passes, and from the side their toe-offs.

    Parameters
    ----------
    motion : Motion
    passes : list of Pass
        Events are looked for inside passes only.
    view : View
    min_stride_s : float
        Two events of one kind and foot are at least 0.8 of this apart. [s]
    rebuilt : (n_frames, 2), optional
        Frames in which the left and the right leg were not seen but rebuilt: these lower the confidence.

    Returns
    -------
    DataFrame, columns of `tables.EVENTS`
        Sorted by time; times lie between frames. Confidence is the estimated chance of an error below 33 ms.

    Notes
    -----
    Holds for a fixed camera. On rendered clips: contact 8 ms mean absolute error, toe-off 14 ms. Toe-off is late in
    slow and early in fast walking, by up to 30 ms; on a prosthetic foot published methods are 35-81 ms early.

    References
    ----------
    zeni_2008; ghoussayni_2004; oconnor_2007; winter_1991 (from memory); aftab_shad_2022
    """
    found: list[Event] = []
    for stretch in passes:
        if view == "sagittal":
            seen = motion.seen if rebuilt is None else _without(motion.seen, rebuilt)
            found += _side_events(motion, stretch, seen, CLOSEST_SHARE * min_stride_s)
        else:
            found += frontal_contacts(motion, stretch, CLOSEST_SHARE * min_stride_s / 2)
    if not found:
        return empty_table(EVENTS)
    table = pd.DataFrame([asdict(event) for event in found])
    table["time_s"] = np.interp(table["frame"], np.arange(len(motion.time_s)), motion.time_s)
    return check_table(table.sort_values("time_s", ignore_index=True), EVENTS, "events")


def _without(seen: BoolArray, rebuilt: BoolArray) -> BoolArray:
    """What was seen, less the feet of rebuilt legs, (n_frames, 33)."""
    really = seen.copy()
    for number, side in enumerate(SIDES):
        really[rebuilt[:, number], INDEX[f"{side}_heel"]] = False
        really[rebuilt[:, number], INDEX[f"{side}_foot_index"]] = False
    return really


def _side_events(motion: Motion, stretch: Pass, seen: BoolArray, apart_s: float) -> list[Event]:
    """Contacts and toe-offs of one pass seen from the side."""
    axes = body_axes(smooth_for_events(motion, stretch), stretch.direction) / body_leg_px(motion)
    hips = middle(axes, "hip")[:, 0]
    floor = floor_speed(axes, motion.fps)
    pace = derivative(hips, fps=motion.fps) - floor
    found: list[Event] = []
    for side in SIDES:
        tips = [INDEX[f"{side}_heel"], INDEX[f"{side}_foot_index"]]
        heel, tip = axes[:, tips[0]], axes[:, tips[1]]
        limb = _Limb(
            side=side,
            fps=motion.fps,
            start=stretch.start,
            hips=hips,
            heel=heel,
            tip=tip,
            ankle=point(axes, side, "ankle"),
            middle=(heel + tip) / 2,
            floor=floor,
            threshold=PACE_SHARE * pace,
            seen=seen[stretch.start : stretch.stop, tips],
        )
        for kind in ("contact", "toe_off"):
            by_foot = limb.by_foot(kind, apart_s)
            found += by_foot
            found += [one for one in limb.by_ankle(kind, apart_s) if _apart(one, by_foot, apart_s * motion.fps)]
    return found


def _apart(event: Event, others: list[Event], frames: float) -> bool:
    """Whether an event is far from all others."""
    return all(abs(event.frame - other.frame) >= frames for other in others)


@dataclass(frozen=True, slots=True)
class _Limb:
    """One foot in one pass that begins at frame `start`.

    Parts of the foot are places along the pass, forwards positive, and heights, (n_frames, 2); `hips` along the pass,
    (n_frames,); all in leg lengths. `middle` is the middle of the foot, `floor` the forward speed of the floor, and
    `threshold` the speed over it that marks an event, in leg lengths a second.
    """

    side: Side
    fps: float
    start: int
    hips: FloatArray
    heel: FloatArray
    tip: FloatArray
    ankle: FloatArray
    middle: FloatArray
    floor: float
    threshold: FloatArray
    seen: BoolArray

    def by_foot(self, kind: str, apart_s: float) -> list[Event]:
        """Events from heel and foot tip."""
        ahead = self._ahead(self.heel) if kind == "contact" else -self._ahead(self.tip)
        found = []
        for peak in clear_peaks(ahead, apart_s * self.fps):
            if kind == "contact":
                frame = self._crossing(self.heel, kind, peak)
                second = self._crossing(self.middle, kind, peak)
                method = CONTACT_METHOD
            else:
                frame = self._crossing(self.middle, kind, peak)
                second = self._fastest_rise(peak)
                method = TOE_OFF_METHOD
            disagreement = abs(frame - second) / self.fps if np.isfinite(frame + second) else NO_SECOND_RULE_S
            frame = frame if np.isfinite(frame) else float(peak)
            sure = confidence(OWN_SD_S[kind], disagreement, seen_around(self.seen, frame, self.fps))
            found.append(Event(self.side, kind, self.start + frame, sure, method))
        return found

    def by_ankle(self, kind: str, apart_s: float) -> list[Event]:
        """Events from the ankle, where heel or tip is lost beside them."""
        ahead = self._ahead(self.ankle) if kind == "contact" else -self._ahead(self.ankle)
        around = round(FAR_SIDE_S[kind] * self.fps)
        lost = ~np.isfinite(self.middle[:, 0])
        found = []
        for peak in clear_peaks(ahead, apart_s * self.fps):
            if not lost[max(0, peak - around) : peak + around + 1].any():
                continue
            frame = self._crossing(self.ankle, kind, peak) if kind == "contact" else highest(ahead, peak, 1, 1)
            frame = frame if np.isfinite(frame) else float(peak)
            method = ANKLE_CONTACT_METHOD if kind == "contact" else ANKLE_TOE_OFF_METHOD
            sure = confidence(ANKLE_SD_S[kind], 0.0, seen_around(self.seen, frame, self.fps))
            found.append(Event(self.side, kind, self.start + frame, sure, method))
        return found

    def _ahead(self, place: FloatArray) -> FloatArray:
        """How far a point is ahead of the hips, (n_frames,)."""
        return place[:, 0] - self.hips

    def _crossing(self, place: FloatArray, kind: str, peak: int) -> float:
        """Where a point's speed over the floor passes the threshold beside a peak: downwards at contact, upwards at
        toe-off. A point that stops going forwards high above the floor still falls: then its way down counts too."""
        speed = derivative(place[:, 0], fps=self.fps) - self.floor
        near, far = (round(time_s * self.fps) for time_s in (NEAR_SIDE_S, FAR_SIDE_S[kind]))
        if kind == "toe_off":
            return nearest_fall(self.threshold - speed, peak, far, near)
        stops = nearest_fall(speed - self.threshold, peak, near, far)
        if not self._is_high(place[:, 1], stops):
            return stops
        fall = FALL_WEIGHT * np.minimum(derivative(place[:, 1], fps=self.fps), 0.0)
        lands = nearest_fall(np.hypot(np.maximum(speed, 0.0), fall) - self.threshold, peak, near, far)
        return lands if lands - stops <= LONGEST_FALL_S * self.fps else stops

    def _is_high(self, height: FloatArray, frame: float) -> bool:
        """Whether a point is clearly above where it stands a moment later."""
        if not np.isfinite(frame):
            return False
        first, last = (round(frame + time_s * self.fps) for time_s in STANDING_S)
        standing = height[first : last + 1]
        standing = standing[np.isfinite(standing)]
        if len(standing) < 3:
            return False
        low, level, high = np.percentile(standing, [10, 50, 90])
        above = float(np.interp(frame, np.arange(len(height)), height)) - level
        return bool(above > HIGH_HEEL_LEGS and high - low <= STANDS_WITHIN_LEGS)

    def _fastest_rise(self, peak: int) -> float:
        """Where the middle of the foot rises fastest: toe-off by oconnor_2007."""
        rise = derivative(self.middle[:, 1], fps=self.fps)
        return highest(rise, peak, round(FAR_SIDE_S["toe_off"] * self.fps), round(0.1 * self.fps))
