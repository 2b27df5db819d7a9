"""Published ways to time contact and toe-off from the side, re-derived from their descriptions, on the same clips."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.bench.errors import SAME_EVENT_S
from pipeline.event_timing import clear_peaks, highest, nearest_fall, smooth_for_events
from pipeline.events import CLOSEST_SHARE, find_events
from pipeline.geometry import body_axes, from_vertical_deg, middle, point
from pipeline.model import SIDES, FloatArray, Pass, Side, other_side
from pipeline.motion import Motion, body_leg_px
from pipeline.signals import derivative

# Each rule is looked for this long before and after the foremost heel or the rearmost foot tip, which find the cycle.
# Own choice: about one double support before and after.
BEFORE_S, AFTER_S = 0.2, 0.2
PRESENT = "this project's"


@dataclass(frozen=True, slots=True)
class Foot:
    """One foot in one pass: forwards and up positive, in leg lengths; angles in degrees."""

    fps: float
    hips: FloatArray
    heel: FloatArray
    tip: FloatArray
    ankle: FloatArray
    other_ankle: FloatArray
    thigh_deg: FloatArray
    shank_deg: FloatArray

    def rate(self, values: FloatArray) -> FloatArray:
        """Change per second."""
        return derivative(values, fps=self.fps)

    def at_peak(self, values: FloatArray, peak: int, before_s: float = BEFORE_S, after_s: float = AFTER_S) -> float:
        """Frame of the highest value around a peak."""
        return highest(values, peak, round(before_s * self.fps), round(after_s * self.fps))

    def half_pace(self, place: FloatArray, peak: int, sign: float) -> float:
        """Frame at which a point's speed passes half of the hips'."""
        excess = sign * (self.rate(place) - 0.5 * self.rate(self.hips))
        return nearest_fall(excess, peak, round(BEFORE_S * self.fps), round(AFTER_S * self.fps))


Rule = Callable[[Foot, int], float]

# Names: source key where it is published, else what it does.
CONTACT_RULES: dict[str, Rule] = {
    "zeni_2008: foremost heel": lambda foot, peak: foot.at_peak(foot.heel[:, 0] - foot.hips, peak, 0.05, 0.05),
    "oconnor_2007: foot sinks fastest": lambda foot, peak: foot.at_peak(-foot.rate(_centre(foot)[:, 1]), peak, 0.1),
    "hreljac_marshall_2000: heel accelerates up most": lambda foot, peak: foot.at_peak(
        foot.rate(foot.rate(foot.heel[:, 1])), peak, 0.1
    ),
    "ankles furthest apart, this one ahead": lambda foot, peak: foot.at_peak(
        foot.ankle[:, 0] - foot.other_ankle[:, 0], peak
    ),
    "hip angle: thigh furthest forward": lambda foot, peak: foot.at_peak(foot.thigh_deg, peak),
    "shank furthest forward": lambda foot, peak: foot.at_peak(foot.shank_deg, peak),
    "heel at half of pace": lambda foot, peak: foot.half_pace(foot.heel[:, 0], peak, 1.0),
}
TOE_OFF_RULES: dict[str, Rule] = {
    "zeni_2008: rearmost tip": lambda foot, peak: foot.at_peak(foot.hips - foot.tip[:, 0], peak, 0.05, 0.05),
    "oconnor_2007: foot rises fastest": lambda foot, peak: foot.at_peak(foot.rate(_centre(foot)[:, 1]), peak),
    "hreljac_marshall_2000: tip accelerates forward most": lambda foot, peak: foot.at_peak(
        foot.rate(foot.rate(foot.tip[:, 0])), peak
    ),
    "ankles furthest apart, this one behind": lambda foot, peak: foot.at_peak(
        foot.other_ankle[:, 0] - foot.ankle[:, 0], peak
    ),
    "hip angle: thigh furthest back": lambda foot, peak: foot.at_peak(-foot.thigh_deg, peak),
    "aftab_shad_2022: shank turns back fastest": lambda foot, peak: foot.at_peak(-foot.rate(foot.shank_deg), peak),
    "tip at half of pace": lambda foot, peak: foot.half_pace(foot.tip[:, 0], peak, -1.0),
}


def event_methods(clips: Iterable[tuple[Motion, list[Pass], Path]], *, min_stride_s: float = 0.6) -> pd.DataFrame:
    """Return the error of each way to time events, found minus true.

    Parameters
    ----------
    clips : tuples of Motion, passes and truth file
        Side views.
    min_stride_s : float
        [s]

    Returns
    -------
    DataFrame
        Best first: event, method, n (true events that were found), median and MAE in ms, the MAE of some groups of
        clips, missed and extra. True events outside the passes do not count.
    """
    errors = pd.concat([_clip_errors(*clip, min_stride_s) for clip in clips], ignore_index=True)
    rows = []
    for (kind, method), group in errors.groupby(["event", "method"], sort=False):
        error = group["error_ms"]
        found = {"event": kind, "method": method, "n": int(error.notna().sum()), "median [ms]": error.median()}
        parts = {
            "MAE [ms]": error.notna(),
            "near": group["near"],
            "far": ~group["near"],
            "prosthetic": group["prosthetic"],
            "sound": ~group["prosthetic"],
            "to 30 fps": group["fps"] <= 30.5,
            "from 50 fps": group["fps"] > 30.5,
        }
        found |= {name: error[part.astype(bool)].abs().mean() for name, part in parts.items()}
        missed = int((~group["extra"] & error.isna()).sum())
        rows.append(found | {"missed": missed, "extra": int(group["extra"].sum())})
    return pd.DataFrame(rows).sort_values(["event", "MAE [ms]"], ignore_index=True)


def _clip_errors(motion: Motion, passes: list[Pass], truth: Path, min_stride_s: float) -> pd.DataFrame:
    """One row for each true event and method, and for each extra event."""
    record = json.loads(truth.read_text(encoding="utf-8"))
    true = pd.DataFrame(record["gait"]["events"])
    near = "left" if record["leftward"] else "right"
    by_rules = _by_rules(motion, passes, min_stride_s)
    found = {method: by_rules[by_rules["method"] == method] for method in (*CONTACT_RULES, *TOE_OFF_RULES)}
    found[PRESENT] = find_events(motion, passes, "sagittal", min_stride_s=min_stride_s)
    rows = []
    for method, events in found.items():
        for side in SIDES:
            facts = {"fps": motion.fps, "near": side == near, "prosthetic": side == record["look"]["prosthetic_side"]}
            for kind in ("contact", "toe_off"):
                here = _times(events, side, kind)
                if method not in (PRESENT, *(CONTACT_RULES if kind == "contact" else TOE_OFF_RULES)):
                    continue
                there = _times(true, side, kind)
                inside = np.array([any(_within(motion, one, time_s) for one in passes) for time_s in there], dtype=bool)
                row = facts | {"event": kind, "method": method}
                for offset_s in _nearest(there[inside], here):
                    error_ms = 1000 * offset_s if abs(offset_s) < SAME_EVENT_S else np.nan
                    rows.append(row | {"error_ms": error_ms, "extra": False})
                extra = int((np.abs(_nearest(here, there)) >= SAME_EVENT_S).sum())
                rows += [row | {"error_ms": np.nan, "extra": True}] * extra
    return pd.DataFrame(rows)


def _by_rules(motion: Motion, passes: list[Pass], min_stride_s: float) -> pd.DataFrame:
    """Events of all rules: method, side, kind, time_s."""
    rows = []
    frames = np.arange(len(motion.time_s))
    for stretch in passes:
        axes = body_axes(smooth_for_events(motion, stretch), stretch.direction) / body_leg_px(motion)
        for side in SIDES:
            foot = _foot(axes, side, motion.fps)
            for kind, rules in (("contact", CONTACT_RULES), ("toe_off", TOE_OFF_RULES)):
                ahead = foot.heel[:, 0] - foot.hips if kind == "contact" else foot.hips - foot.tip[:, 0]
                for peak in clear_peaks(ahead, CLOSEST_SHARE * min_stride_s * motion.fps):
                    for method, rule in rules.items():
                        time_s = float(np.interp(stretch.start + rule(foot, peak), frames, motion.time_s))
                        rows.append({"method": method, "side": side, "kind": kind, "time_s": time_s})
    table = pd.DataFrame(rows, columns=["method", "side", "kind", "time_s"])
    return table[table["time_s"].notna()]


def _foot(axes: FloatArray, side: Side, fps: float) -> Foot:
    hip, knee, ankle = (point(axes, side, part) for part in ("hip", "knee", "ankle"))
    return Foot(
        fps=fps,
        hips=middle(axes, "hip")[:, 0],
        heel=point(axes, side, "heel"),
        tip=point(axes, side, "foot_index"),
        ankle=ankle,
        other_ankle=point(axes, other_side(side), "ankle"),
        thigh_deg=from_vertical_deg(hip, knee),
        shank_deg=from_vertical_deg(knee, ankle),
    )


def _centre(foot: Foot) -> FloatArray:
    """Middle of heel and foot tip, the foot centre of oconnor_2007."""
    return np.asarray((foot.heel + foot.tip) / 2)


def _times(events: pd.DataFrame, side: Side, kind: str) -> FloatArray:
    return events[(events["side"] == side) & (events["kind"] == kind)]["time_s"].to_numpy(dtype=float)


def _within(motion: Motion, stretch: Pass, time_s: float) -> bool:
    return bool(motion.time_s[stretch.start] <= time_s <= motion.time_s[stretch.stop - 1])


def _nearest(times_s: FloatArray, others_s: FloatArray) -> FloatArray:
    """The nearest other time minus each time; infinite where there is no other."""
    if not len(others_s):
        return np.full(len(times_s), np.inf)
    return np.array([others_s[np.argmin(np.abs(others_s - time_s))] - time_s for time_s in times_s])
