"""Whether two visits of one person can be set against each other: what measured them, walk, views and camera."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.judgement import VisitReport
from pipeline.model import StrideSet
from pipeline.pace import mean_of_limbs, view_cadence
from pipeline.tracking_rules import TrackingRules

CAMERA_ANGLE = "camera angle to the walkway"
# Measures that are told across speeds, since they tell the speed.
SPEEDS = frozenset({"walking_speed", "walking_speed_legs", "froude_number", "cadence", "stride_time"})


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit as it is compared: its report, and the strides that its values rest on."""

    report: VisitReport
    strides: StrideSet


def why_not_comparable(
    before: Visit, after: Visit, views: tuple[tuple[str, ...], tuple[str, ...]], metric: str, rules: TrackingRules
) -> list[str]:
    """Return why a metric of two visits cannot be set against each other; empty where it can.

    Parameters
    ----------
    before, after : Visit
    views : pair of tuple of str
        Views of the strides behind the value of each visit; empty where there is no value.
    metric : str
    rules : TrackingRules
    """
    old, new = before.report, after.report
    reasons = []
    if old.run.model_sha256 != new.run.model_sha256:
        reasons.append(f"other pose model ({old.run.model}, then {new.run.model})")
    measuring = {old.run.measuring_sha256, new.run.measuring_sha256} - {""}
    if len(measuring) == 2:
        reasons.append("measured with other settings: run the study again into the same folder")
    if old.measured_by != new.measured_by:
        reasons.append("measured by another version of the program: run the study again into the same folder")
    reasons += other_walk(old, new)
    first, last = views
    if first and last and first != last:
        reasons.append(f"other views ({', '.join(first)}, then {', '.join(last)})")
    reasons += _other_angle(before, after, set(first) & set(last), rules)
    if metric not in SPEEDS:
        reasons += _other_speed(old, new, rules)
        reasons += _other_cadence(before, after, (set(first) & set(last)) - {"sagittal"}, rules)
    return reasons


def other_walk(old: VisitReport, new: VisitReport) -> list[str]:
    """Return what the manifest says that differs between the walks of two visits: aid, footwear, prosthetic side.

    Footwear that is not stated raises no objection; words that differ only in large and small letters are the same.
    """
    reasons = []
    if (old.aid or "none") != (new.aid or "none"):
        reasons.append(f"other walking aid ({old.aid or 'none'}, then {new.aid or 'none'})")
    if old.footwear and new.footwear and old.footwear.casefold() != new.footwear.casefold():
        reasons.append(f"other footwear ({old.footwear}, then {new.footwear})")
    if old.prosthetic_sides != new.prosthetic_sides:
        reasons.append("other prosthetic side")
    return reasons


def _other_speed(old: VisitReport, new: VisitReport, rules: TrackingRules) -> list[str]:
    """That two visits were walked at speeds too different, or that it is not known."""
    for metric, unit in (("walking_speed_legs", "leg lengths/s"), ("cadence", "steps/min")):
        speeds = [mean_of_limbs(report.metrics, metric) for report in (old, new)]
        known = [speed for speed in speeds if speed is not None]
        if len(known) == 2:
            if max(known) > (1 + rules.comparable.speed_share) * min(known):
                return [f"other speed ({known[0]:.2f}, then {known[1]:.2f} {unit})"]
            return []
    return ["the walking speed of a visit is not known"]


def _other_cadence(before: Visit, after: Visit, views: set[str], rules: TrackingRules) -> list[str]:
    """That the clips of a front or back view were walked at cadences too different: speed is known of side views alone.

    At an even walk cadence changes less than speed does, so that this notices large differences only.
    """
    reasons = []
    for view in sorted(views):
        known = [one for visit in (before, after) if (one := view_cadence(visit.strides, view)) is not None]
        if len(known) == 2 and max(known) > (1 + rules.comparable.speed_share) * min(known):
            reasons.append(f"other cadence ({view}: {known[0]:.0f}, then {known[1]:.0f} steps/min)")
    return reasons


def _other_angle(before: Visit, after: Visit, views: set[str], rules: TrackingRules) -> list[str]:
    """That the camera looked at the walkway from another angle, in a view that both values rest on."""
    reasons = []
    for view in sorted(views):
        angles = [_angle(visit, view) for visit in (before, after)]
        known = [angle for angle in angles if angle is not None]
        if len(known) == 2 and abs(known[1] - known[0]) > rules.comparable.camera_angle_deg:
            reasons.append(f"other camera angle ({view}: {known[0]:.0f}, then {known[1]:.0f} deg)")
    return reasons


def _angle(visit: Visit, view: str) -> float | None:
    """The median angle of the camera to the walkway over the clips of a view. [deg]"""
    table = visit.strides.table
    clips = set(table.loc[table["view"] == view, "clip_id"])
    found = [
        note.value
        for clip in clips & set(visit.report.quality)
        for note in visit.report.quality[clip]
        if note.item == CAMERA_ANGLE and np.isfinite(note.value)
    ]
    return float(np.median(found)) if found else None
