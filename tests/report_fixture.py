"""A visit made by hand: every verdict, a failed clip, and text that tries to be markup or a formula.

The person, the clips and all numbers are invented.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from PIL import Image

from pipeline.causes import candidates
from pipeline.causes_file import load_causes
from pipeline.judgement import (
    Check,
    ClipResult,
    Fault,
    FaultDefinition,
    Finding,
    Limits,
    OwnError,
    RunRecord,
    Verdict,
    VisitReport,
)
from pipeline.model import MetricValue, QualityNote, Side, StrideSet
from pipeline.report.parts import FrameIndex, KeyFrame
from pipeline.review import Correction, Reviewed
from pipeline.review_verdicts import with_corrections
from pipeline.store import write_json
from pipeline.tables import STRIDES

MARKUP = "<script>alert(1)</script>"
FORMULA = "=cmd()"
TOO_SLOW = "filmed at 30 frames/s; at least 60 are needed"
TOO_FEW = "2 whole strides of this limb; at least 3 are needed"
NO_REAR_CLIP = "needs a usable posterior clip"
FAILED_MESSAGE = (
    "clip P01-back: the person is seen in 18 of 330 frames; at least 60 % are needed. "
    "Check that the whole body is in view & <b>well lit</b>."
)
PERCENT = np.arange(101.0)


def _bump(centre: float, width: float, height: float) -> np.ndarray:
    """A bell on the circle of one stride."""
    distance = (PERCENT - centre + 50.0) % 100.0 - 50.0
    return height * np.exp(-0.5 * (distance / width) ** 2)


def _shape(name: str, prosthetic: bool) -> np.ndarray:
    """A plausible curve of one quantity."""
    if name == "knee_flexion_deg":
        stance = _bump(14, 6, 8 if prosthetic else 18)
        return 3 + stance + _bump(72 if prosthetic else 70, 9, 52 if prosthetic else 60)
    if name == "hip_height_pct":
        own, other = (1.2, 3.6) if prosthetic else (3.6, 1.2)
        return _bump(32, 9, own) + _bump(82, 9, other) - 1.2
    if name == "arm_angle_deg":
        return (9 if prosthetic else 17) * np.cos(2 * np.pi * (PERCENT - 50) / 100)
    if name == "foot_direction_deg":
        return 7 + (_bump(2, 5, 9) if prosthetic else _bump(2, 5, 1))
    return np.zeros(101)


def strides() -> StrideSet:
    """Two side clips, one front clip; the right limb is prosthetic."""
    random = np.random.default_rng(7)
    rows, curves = (
        [],
        {name: [] for name in ("knee_flexion_deg", "hip_height_pct", "arm_angle_deg", "foot_direction_deg")},
    )
    clips = [
        ("P01-side-a", "sagittal", "right"),
        ("P01-side-b", "sagittal", "left"),
        ("P01-front", "anterior", ""),
    ]
    for clip_id, view, near in clips:
        for side in ("left", "right"):
            for number in range(6):
                start_s = 0.8 + 1.18 * number + (0.59 if side == "left" else 0.0)
                # The walker is out of the picture at either end, as in any real pass.
                use = 0 < number < 5
                rows.append(
                    {
                        "stride_id": f"{clip_id}:{side}:1.{number}",
                        "clip_id": clip_id,
                        "view": view,
                        "side": side,
                        "near": near == side,
                        "pass_number": 1,
                        "start_s": start_s,
                        "opposite_toe_off_s": start_s + 0.14,
                        "opposite_contact_s": start_s + 0.58,
                        "toe_off_s": start_s + (0.70 if side == "right" else 0.76),
                        "end_s": start_s + 1.18,
                        "fps": 30.0,
                        "leg_length_px": 310.0,
                        "m_per_px": np.nan,
                        "scale_relative_sd": np.nan,
                        "step_length_pct": 72.0,
                        "stride_length_pct": 145.0,
                        "seen_share": 0.97,
                        "sure_share": 0.95,
                        "leg_sure": True,
                        "early_sure": True,
                        "foot_sure": True,
                        "use": use,
                        "why_not": "" if use else "before the first contact",
                    }
                )
                for name, values in curves.items():
                    seen = (name == "foot_direction_deg") == (view == "anterior")
                    noise = random.normal(0, 0.06) * np.ptp(_shape(name, side == "right"))
                    shape = _shape(name, side == "right") * random.normal(1, 0.05) + noise
                    values.append(shape if seen and use else np.full(101, np.nan))
    table = pd.DataFrame(rows)[[column.name for column in STRIDES]]
    return StrideSet(table, {name: np.array(values) for name, values in curves.items()})


def _ids(clip_id: str, *sides: Side) -> tuple[str, ...]:
    """The used strides of a clip."""
    return tuple(f"{clip_id}:{side}:1.{number}" for side in sides for number in range(1, 5))


def _value(metric: str, side: str, unit: str, value: float, half: float, ids: tuple[str, ...]) -> MetricValue:
    """A measured metric whose strides scatter evenly about its median."""
    single = tuple(float(value + half * step) for step in np.linspace(-1, 1, len(ids)))
    return MetricValue(
        metric, side, value, unit, len(ids), half * 0.8, value - half, value + half, "ok", "", ids, single
    )


def _missing(metric: str, side: str, unit: str, status: str, reason: str) -> MetricValue:
    """A metric that could not be measured."""
    return MetricValue(metric, side, None, unit, 0, None, None, None, status, reason)  # type: ignore[arg-type]


SIDE_A, SIDE_B, FRONT = "P01-side-a", "P01-side-b", "P01-front"
BOTH = _ids(SIDE_A, "right", "left")
NEAR_RIGHT, NEAR_LEFT = _ids(SIDE_A, "right"), _ids(SIDE_B, "left")
LEG = "% leg length"
METRICS: tuple[MetricValue, ...] = (
    _value("stance_time", "left", "s", 0.76, 0.02, NEAR_LEFT),
    _value("stance_time", "right", "s", 0.70, 0.02, NEAR_RIGHT),
    _value("step_time", "left", "s", 0.59, 0.02, NEAR_LEFT),
    _value("step_time", "right", "s", 0.60, 0.02, NEAR_RIGHT),
    _value("knee_flexion_at_contact", "left", "deg", 4.1, 2.0, NEAR_LEFT),
    _value("knee_flexion_at_contact", "right", "deg", 3.2, 2.1, NEAR_RIGHT),
    _value("knee_flexion_rise_in_stance", "right", "deg", 13.2, 4.4, NEAR_RIGHT),
    _value("knee_flexion_peak_in_swing", "left", "deg", 63.0, 3.0, NEAR_LEFT),
    _value("knee_flexion_peak_in_swing", "right", "deg", 55.4, 3.1, NEAR_RIGHT),
    _missing("knee_extension_speed", "right", "deg/s", "not_visible", TOO_SLOW),
    _value("arm_swing_range", "left", "deg", 34.0, 3.0, NEAR_LEFT),
    _value("arm_swing_range", "right", "deg", 18.2, 3.4, NEAR_RIGHT),
    _value("hip_vault_height", "left", LEG, 2.9, 0.8, NEAR_LEFT),
    _value("hip_vault_height", "right", LEG, -2.4, 0.9, NEAR_RIGHT),
    _value("foot_rotation_at_contact", "right", "deg", 8.8, 2.4, _ids(FRONT, "right")),
    _missing("foot_rotation_at_contact", "left", "deg", "too_few_strides", TOO_FEW),
    _missing("heel_whip", "right", LEG, "wrong_view", NO_REAR_CLIP),
    _value("step_time_ratio", "prosthetic/sound", "1", 1.02, 0.06, BOTH),
    _value("stance_time_ratio", "prosthetic/sound", "1", 0.92, 0.05, BOTH),
    _value("arm_swing_asymmetry", "prosthetic/sound", "%", 46.5, 11.0, BOTH),
)

P, PAIR = "prosthetic", "prosthetic/sound"
# Name, title, side; the definition's side, view, curve, phase; metric, side, limit, direction, verdict.
_FAULTS = (
    (
        "knee_instability",
        "Knee instability",
        "right",
        P,
        "sagittal",
        "knee_flexion_deg",
        (0.0, 30.0),
        "knee_flexion_rise_in_stance",
        "right",
        15.0,
        "above",
        "borderline",
    ),
    (
        "vaulting",
        "Vaulting",
        "left",
        "sound",
        "sagittal",
        "hip_height_pct",
        (10.0, 50.0),
        "hip_vault_height",
        "left",
        1.5,
        "above",
        "present",
    ),
    (
        "foot_rotation",
        "Foot rotation at heel contact",
        "right",
        P,
        "anterior",
        "foot_direction_deg",
        (0.0, 30.0),
        "foot_rotation_at_contact",
        "right",
        5.0,
        "above",
        "present",
    ),
    (
        "uneven_timing",
        "Uneven timing",
        "both",
        "both",
        "any",
        "knee_flexion_deg",
        (0.0, 100.0),
        "step_time_ratio",
        PAIR,
        1.15,
        "above",
        "not seen",
    ),
    (
        "uneven_arm_swing",
        "Uneven arm swing",
        "right",
        P,
        "sagittal",
        "arm_angle_deg",
        (0.0, 100.0),
        "arm_swing_asymmetry",
        PAIR,
        60.0,
        "above",
        "not seen",
    ),
    (
        "terminal_impact",
        "Terminal impact",
        "right",
        P,
        "sagittal",
        "knee_flexion_deg",
        (75.0, 100.0),
        "knee_extension_speed",
        "right",
        550.0,
        "above",
        "cannot say",
    ),
    (
        "medial_whip",
        "Medial whip",
        "right",
        P,
        "posterior",
        "ankle_beside_knee_pct",
        (55.0, 85.0),
        "heel_whip",
        "right",
        -3.0,
        "below",
        "cannot say",
    ),
)


def limits() -> Limits:
    """Definitions and limits of the fixture's faults."""
    definitions, checks = [], []
    for name, title, _, side, view, curve, phase, metric, _, limit, direction, _ in _FAULTS:
        urgent = name == "knee_instability"
        definitions.append(
            FaultDefinition(
                name=name,
                title=title,
                view=view,
                side=side,
                phase=f"the phase of {title.lower()}",
                seen=f"What {title.lower()} looks like.",
                cannot_tell=f"What {title.lower()} does not show.",
                rule="any",
                urgent=urgent,
                caution="Guard the patient at every further step." if urgent else "",
                curve=curve,
                phase_pct=phase,
            )
        )  # type: ignore[arg-type]
        unit = next(value.unit for value in METRICS if value.metric == metric)
        checks.append(
            Check(
                f"{name}_check",
                name,
                metric,
                side,
                direction,
                limit,
                unit,
                "provisional",
                "own_choice_vaulting",
                f"Note on the limit of {title.lower()}.",
            )
        )  # type: ignore[arg-type]
    return Limits(
        faults=tuple(definitions),
        checks=tuple(checks),
        measurement_error={"hip_vault_height": OwnError(0.3)},
        sha256="b" * 64,
    )


def _fault(entry: tuple[object, ...]) -> Fault:
    """One fault with its finding."""
    name, title, fault_side, _, _, _, _, metric, value_side, limit, direction, verdict = entry
    value = next(one for one in METRICS if (one.metric, one.side) == (metric, value_side))
    reason = value.reason
    if verdict == "borderline":
        reason = "the limit lies inside the 95 % interval"
    standing = "published" if name == "vaulting" else "provisional"
    source = "drevelle_2014" if name == "vaulting" else "own_choice_vaulting"
    finding = Finding(
        check=f"{name}_check",
        fault=str(name),
        metric=value.metric,
        side=value.side,
        value=value.value,
        low=value.low,
        high=value.high,
        limit=float(limit),
        direction=direction,
        unit=value.unit,
        verdict=verdict,
        reason=reason,
        n_strides=value.n_strides,
        standing=standing,
        source=source,
        stride_ids=value.stride_ids,
    )  # type: ignore[arg-type]
    urgent = name == "knee_instability" and verdict in ("present", "borderline")
    return Fault(str(name), str(title), str(fault_side), verdict, reason, urgent, (finding,))  # type: ignore[arg-type]


def corrections() -> tuple[Reviewed, ...]:
    """An event moved by AB, which one stride rests on, and an exchange of legs that was made for other landmarks."""
    moved = Correction(
        id="20260318T091500000000Z-AB-3f9c2a",
        made="2026-03-18T09:15:00.000000Z",
        by="AB",
        reason=f"heel_down {MARKUP}",
        action="move event",
        subject="P01",
        visit="02",
        clip_id=SIDE_B,
        side="left",
        kind="contact",
        time_s=3.75,
        to_s=3.80,
        old_s=3.75,
        found_s=3.75,
        landmarks_sha256="d" * 64,
    )
    swapped = replace(
        moved,
        id="20260318T091600000000Z-CD-71b04e",
        made="2026-03-18T09:16:00.000000Z",
        by="CD",
        reason=FORMULA,
        action="swap legs",
        kind=None,
        side=None,
        old_s=None,
        found_s=None,
        landmarks_sha256="e" * 64,
    )
    why = "the landmarks are not those that it was made for"
    return (
        Reviewed(moved, "applied", "", (f"{SIDE_B}:left:1.2",)),
        Reviewed(swapped, "for other landmarks", why),
    )


def report() -> VisitReport:
    """The whole visit."""
    done = [
        ClipResult(name, f"clips/{name}.mp4", "done", "", "", "", 21.4)
        for name in ("P01-side-a", "P01-side-b", "P01-front")
    ]
    failed = ClipResult("P01-back", "clips/P01-back.mp4", "failed", "measures", "QualityError", FAILED_MESSAGE, 19.8)
    notes = (
        QualityNote("frames_per_second", 30.0, "1/s", 24.0, True, ""),
        QualityNote("person_seen_share", 0.94, "1", 0.6, True, ""),
    )
    too_small = QualityNote(
        "body_height_share",
        0.12,
        "1",
        0.15,
        False,
        "Zoom in or come closer, so that the person fills half of the picture's height.",
    )
    faults = with_corrections([_fault(entry) for entry in _FAULTS], corrections(), limits())
    causes, changes = load_causes(), f"heel cushion changed from medium to soft {MARKUP}"
    return VisitReport(
        subject="P01",
        visit="02",
        visit_date=date(2026, 3, 17),
        prosthetic_sides=("right",),
        changes=changes,
        clips=(*done, failed),
        quality={"P01-side-a": notes, "P01-side-b": notes, "P01-front": (*notes, too_small)},
        metrics=METRICS,
        faults=faults,
        run=RunRecord(
            run_id="20260317T101500-4f2a",
            started="2026-03-17T10:15:00Z",
            finished="2026-03-17T10:19:00Z",
            code_version="0.1.0",
            package_versions={"numpy": "2.4.6", "mediapipe": "0.10.31"},
            model="heavy",
            model_sha256="c" * 64,
            settings_sha256="a" * 64,
            measuring_sha256="e" * 64,
            limits_sha256="b" * 64,
            causes_file=causes.file,
            causes_sha256=causes.sha256,
        ),
        candidates=candidates(faults, causes, changes),
        notes=(FORMULA, f"walks with a stick at home {MARKUP}"),
        corrections=corrections(),
    )


def with_verdict(visit: VisitReport, name: str, verdict: Verdict, reason: str) -> VisitReport:
    """The same visit with another verdict of one fault."""
    faults = tuple(
        replace(fault, verdict=verdict, reason=reason, urgent=False) if fault.name == name else fault
        for fault in visit.faults
    )
    return replace(visit, faults=faults)


def save_frames(folder: Path) -> FrameIndex:
    """Store plain grey pictures as key frames of vaulting, and one reason for a missing picture."""
    frames = []
    (folder / "frames").mkdir(parents=True, exist_ok=True)
    for number in range(1, 6):
        name = f"vaulting-{number}.jpg"
        Image.new("RGB", (240, 320), (150 + 10 * number,) * 3).save(folder / "frames" / name)
        frames.append(
            KeyFrame(
                name,
                "P01-side-b",
                2.5 + 0.1 * number,
                "vaulting",
                "P01-side-b:left:1.2",
                f"{10 * number} % of stride, {2.5 + 0.1 * number:.2f} s",
                f"Sagittal view, picture {number} of 5",
            )
        )
    index = FrameIndex(tuple(frames), {"foot_rotation": "5 of 5 pictures, because somebody else is in view."})
    write_json(folder / "frames" / "frames.json", index)
    return index
