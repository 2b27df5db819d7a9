"""The invented example study: two people, two visits each, four clips a visit.

Nobody stands behind these data: the bodies are rendered, the walks are computed, the pseudonyms are made up.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from .body import Look
from .clip import ClipSpec, make_clip
from .faults import Faults
from .settings import WalkerSettings

STUDY_FOLDER = Path(__file__).parents[1] / "study"
TRUTH_FOLDER = Path(__file__).parents[1] / "truth"
MANIFEST_COLUMNS = (
    "subject", "visit", "date", "clip", "view", "prosthetic_side", "height_m", "known_length_m",
    "known_length_px", "changes",
)  # fmt: skip

# Acquisition, run, walks leftward.
RECORDINGS = (("sagittal", 1, False), ("sagittal", 2, True), ("anterior", 1, False), ("posterior", 1, False))


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One visit of one invented person."""

    subject: str
    visit: str
    date: str
    look: Look
    settings: WalkerSettings
    changes: str


P01_LOOK = Look(build="man", height_m=1.76, limb="cover", prosthetic_side="right", palette="blue")
P02_LOOK = Look(build="woman", height_m=1.66, limb="thick_pylon", prosthetic_side="left", palette="red")

VISITS = (
    Visit(
        subject="P01", visit="01", date="2026-03-10", look=P01_LOOK,
        settings=WalkerSettings(
            speed_m_s=1.08, cadence_steps_min=102.0, prosthetic_side="right",
            faults=Faults(vault_height_m=0.05, foot_rotation_deg=30.0, arm_swing_ratio=0.15,
                          stance_ratio=0.78),
        ),
        changes="",
    ),
    Visit(
        subject="P01", visit="02", date="2026-04-14", look=P01_LOOK,
        settings=WalkerSettings(
            speed_m_s=1.10, cadence_steps_min=103.0, prosthetic_side="right",
            faults=Faults(arm_swing_ratio=0.55, stance_ratio=0.93),
        ),
        changes="softer heel cushion; prosthesis shortened 8 mm; extension aid reduced",
    ),
    Visit(
        subject="P02", visit="01", date="2026-03-17", look=P02_LOOK,
        settings=WalkerSettings(
            speed_m_s=1.09, cadence_steps_min=108.0, prosthetic_side="left",
            faults=Faults(arm_swing_ratio=0.9, stance_ratio=0.97),
        ),
        changes="",
    ),
    Visit(
        subject="P02", visit="02", date="2026-04-21", look=P02_LOOK,
        settings=WalkerSettings(
            speed_m_s=1.10, cadence_steps_min=108.0, prosthetic_side="left",
            faults=Faults(arm_swing_ratio=0.9, stance_ratio=0.97),
        ),
        changes="none",
    ),
)  # fmt: skip


def clip_name(visit: Visit, acquisition: str, run: int) -> str:
    """Return the clip's path inside the study folder, named with open BIDS entities."""
    stem = f"sub-{visit.subject}_ses-{visit.visit}_task-walk_acq-{acquisition}_run-{run}_video.mp4"
    return f"sub-{visit.subject}/ses-{visit.visit}/{stem}"


def clip_specs(seed: int) -> Iterator[tuple[Visit, str, ClipSpec]]:
    """Yield each visit's clips with their path in the study folder; every clip has its own seed."""
    number = 0
    for visit in VISITS:
        for acquisition, run, leftward in RECORDINGS:
            number += 1
            labels = {"subject": visit.subject, "visit": visit.visit, "run": str(run)}
            settings = replace(visit.settings, seed=seed + number)
            spec = ClipSpec(look=visit.look, settings=settings, view=acquisition, leftward=leftward, labels=labels)
            yield visit, clip_name(visit, acquisition, run), spec


def make_study(
    folder: Path = STUDY_FOLDER,
    truth_folder: Path = TRUTH_FOLDER,
    *,
    seed: int = 20260300,
    say: Callable[[str], None] = print,
) -> None:
    """Write all clips, their truth files and the manifest.

    Parameters
    ----------
    folder : path
        Takes the clips and manifest.csv.
    truth_folder : path
        Takes the truth files, in folders like the clips'.
    seed : int
        The n-th clip walks with seed + n.
    say : function
        Called with one line for each clip.
    """
    rows = []
    for visit, name, spec in clip_specs(seed):
        truth = make_clip(spec, folder / name, truth_folder / name.replace(".mp4", ".truth.json"))
        sagittal = spec.view == "sagittal"
        rows.append(
            {
                "subject": visit.subject,
                "visit": visit.visit,
                "date": visit.date,
                "clip": name,
                "view": spec.view,
                "prosthetic_side": visit.look.prosthetic_side,
                "height_m": f"{truth['rest_m']['head_top'][2]:.2f}",  # shoes on, as the manifest asks
                "known_length_m": f"{truth['marker']['length_m']:.2f}" if sagittal else "",
                "known_length_px": f"{truth['marker']['length_px']:.0f}" if sagittal else "",
                "changes": visit.changes,
            }
        )
        size_kb = (folder / name).stat().st_size / 1000
        say(f"{name}: {truth['n_frames']} frames, {size_kb:.0f} KB")
    with (folder / "manifest.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=MANIFEST_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
