"""The invented example study: four people, three visits each, four clips a visit.

Nobody stands behind these data: the bodies are rendered, the walks are computed, the pseudonyms are made up.
P01 walks better after a change. P02's walk stays as it is, whatever is changed. P03 vaults less after the prosthesis
was shortened, and bends more over it. P04 has two prostheses and walks with a narrower base from visit to visit.
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
LATER_FOLDER = Path(__file__).parents[1] / "later"
MANIFEST_COLUMNS = (
    "subject", "visit", "date", "clip", "view", "prosthetic_side", "height_m", "known_length_m",
    "known_length_px", "level", "changes",
)  # fmt: skip

# Acquisition, run, walks leftward.
RECORDINGS = (("sagittal", 1, False), ("sagittal", 2, True), ("anterior", 1, False), ("posterior", 1, False))


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One visit of one invented person. A visit that is not `filmed` comes as landmark files: no clip of it is kept."""

    subject: str
    visit: str
    date: str
    look: Look
    settings: WalkerSettings
    changes: str
    level: str = ""
    filmed: bool = True


P01_LOOK = Look(build="man", height_m=1.76, limb="cover", prosthetic_side="right", palette="blue")
P02_LOOK = Look(build="woman", height_m=1.66, limb="thick_pylon", prosthetic_side="left", palette="red")
P03_LOOK = Look(build="man", height_m=1.82, limb="cover", prosthetic_side="left", palette="green")
P04_LOOK = Look(build="woman", height_m=1.62, limb="cover", prosthetic_side="left", palette="blue", on_both_sides=True)

# In the order in which they were made: a clip's seed follows from its place.
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
    Visit(
        subject="P01", visit="03", date="2026-05-19", look=P01_LOOK, filmed=False,
        settings=WalkerSettings(
            speed_m_s=1.11, cadence_steps_min=103.5, prosthetic_side="right",
            faults=Faults(arm_swing_ratio=0.8, stance_ratio=0.96),
        ),
        changes="none",
    ),
    Visit(
        subject="P02", visit="03", date="2026-05-26", look=P02_LOOK, filmed=False,
        settings=WalkerSettings(
            speed_m_s=1.09, cadence_steps_min=108.0, prosthetic_side="left",
            faults=Faults(arm_swing_ratio=0.9, stance_ratio=0.97),
        ),
        changes="lighter foot",
    ),
    Visit(
        subject="P03", visit="01", date="2026-03-24", look=P03_LOOK, filmed=False,
        settings=WalkerSettings(
            speed_m_s=1.12, cadence_steps_min=101.0, prosthetic_side="left",
            faults=Faults(vault_height_m=0.055, arm_swing_ratio=0.9, stance_ratio=0.95),
        ),
        changes="",
    ),
    Visit(
        subject="P03", visit="02", date="2026-04-28", look=P03_LOOK, filmed=False,
        settings=WalkerSettings(
            speed_m_s=1.12, cadence_steps_min=101.0, prosthetic_side="left",
            faults=Faults(vault_height_m=0.02, lateral_bend_deg=9.0, arm_swing_ratio=0.9, stance_ratio=0.95),
        ),
        changes="prosthesis shortened 10 mm",
    ),
    Visit(
        subject="P03", visit="03", date="2026-06-02", look=P03_LOOK, filmed=False,
        settings=WalkerSettings(
            speed_m_s=1.13, cadence_steps_min=101.5, prosthetic_side="left",
            faults=Faults(lateral_bend_deg=13.0, arm_swing_ratio=0.9, stance_ratio=0.95),
        ),
        changes="prosthesis shortened another 6 mm",
    ),
    Visit(
        subject="P04", visit="01", date="2026-03-31", look=P04_LOOK, filmed=False, level="transfemoral / transtibial",
        settings=WalkerSettings(
            speed_m_s=0.92, cadence_steps_min=98.0, prosthetic_side="left", step_width_m=0.30,
        ),
        changes="",
    ),
    Visit(
        subject="P04", visit="02", date="2026-05-05", look=P04_LOOK, filmed=False, level="transfemoral / transtibial",
        settings=WalkerSettings(
            speed_m_s=0.94, cadence_steps_min=98.5, prosthetic_side="left", step_width_m=0.23,
        ),
        changes="left socket aligned in more adduction",
    ),
    Visit(
        subject="P04", visit="03", date="2026-06-09", look=P04_LOOK, filmed=False, level="transfemoral / transtibial",
        settings=WalkerSettings(
            speed_m_s=0.95, cadence_steps_min=99.0, prosthetic_side="left", step_width_m=0.17,
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
    later_folder: Path = LATER_FOLDER,
    *,
    seed: int = 20260300,
    say: Callable[[str], None] = print,
) -> None:
    """Write all clips, their truth files and the manifests.

    Parameters
    ----------
    folder : path
        Takes the clips that are kept, and the manifest of all visits, in which other clips are landmark files.
    truth_folder : path
        Takes the truth files of the clips that are kept, in folders like the clips'.
    later_folder : path
        A study of the visits whose clips are not kept, with their truth in `truth/`; its landmark files go into
        `folder`.
    seed : int
        The n-th clip walks with seed + n.
    say : function
        Called with one line for each clip.
    """
    rows, later_rows = [], []
    for visit, name, spec in clip_specs(seed):
        home, truths = (folder, truth_folder) if visit.filmed else (later_folder, later_folder / "truth")
        truth = make_clip(spec, home / name, truths / name.replace(".mp4", ".truth.json"))
        sagittal = spec.view == "sagittal"
        row = {
            "subject": visit.subject,
            "visit": visit.visit,
            "date": visit.date,
            "clip": name if visit.filmed else name.replace(".mp4", ".landmarks"),
            "view": spec.view,
            "prosthetic_side": "both" if visit.look.on_both_sides else visit.look.prosthetic_side,
            "height_m": f"{truth['rest_m']['head_top'][2]:.2f}",  # shoes on, as the manifest asks
            "known_length_m": f"{truth['marker']['length_m']:.2f}" if sagittal else "",
            "known_length_px": f"{truth['marker']['length_px']:.0f}" if sagittal else "",
            "level": visit.level,
            "changes": visit.changes,
        }
        rows.append(row)
        if not visit.filmed:
            later_rows.append({**row, "clip": name})
        say(f"{name}: {truth['n_frames']} frames, {(home / name).stat().st_size / 1000:.0f} KB")
    _write_manifest(folder, rows)
    _write_manifest(later_folder, later_rows)


def _write_manifest(folder: Path, rows: list[dict[str, str]]) -> None:
    """Write the manifest of a study, person by person and visit by visit."""
    with (folder / "manifest.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=MANIFEST_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(sorted(rows, key=lambda row: (row["subject"], row["visit"])))
