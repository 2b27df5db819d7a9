"""Write the fault benchmark: clips, truth files, manifest, and a table of the walks with their faults."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable
from itertools import chain
from pathlib import Path

from .fault_walks import FaultCell, FaultWalk, draw_walk
from .study import MANIFEST_COLUMNS
from .variety import in_processes, make_row, write_table

WALK_COLUMNS = (
    "subject", "name", "fault", "size", "wanted", "unit", "parameter", "value", "realised", "limb", "prosthetic_side",
    "speed_m_s", "height_m", "clips", "version",
)  # fmt: skip
Row = dict[str, str]
# Raised when the same seed gives other walks: clips of another version are drawn and made anew.
VERSION = "2"


def make_fault_set(
    folder: Path,
    seed: int,
    part: str,
    cells: Iterable[FaultCell],
    *,
    workers: int = 1,
    say: Callable[[str], object] = print,
) -> None:
    """Write clips/*.mp4, truth/*.truth.json, manifest.csv and walks.csv; both tables grow with every walk.

    What is there with the truth of the same specification is kept, so that a broken run goes on where it stopped.

    Parameters
    ----------
    folder : path
        One folder for each part.
    seed, part
        As in `fault_walks.draw_walk`.
    cells : iterable of FaultCell
        Walkers; what both tables tell of any other is left out.
    workers : int
        Processes at a time.
    say : function
        Called with one line for each clip.

    Raises
    ------
    ValueError
        If the part or a number is wrong.
    """
    if workers < 1:
        raise ValueError(f"fault set: workers is {workers}; at least 1 is expected. Raise the number.")
    kept = _kept_walks(folder)
    jobs = [(folder, seed, part, cell, kept.get(cell.subject)) for cell in cells]
    _write_tables(folder, in_processes(_make_walk, jobs, workers), say)


def _write_tables(
    folder: Path, made: Iterable[tuple[list[Row], list[Row], list[str]]], say: Callable[[str], object]
) -> None:
    """Write both tables, and anew after each walk; without any they are empty, whatever stood there."""
    clips: list[Row] = []
    walks: list[Row] = []
    for clip_rows, walk_rows, lines in chain([([], [], [])], made):
        clips += clip_rows
        walks += walk_rows
        write_table(folder / "manifest.csv", MANIFEST_COLUMNS, clips)
        write_table(folder / "walks.csv", WALK_COLUMNS, walks)
        for line in lines:
            say(line)


Walked = tuple[list[Row], list[Row]]


def _kept_walks(folder: Path) -> dict[str, Walked]:
    """Rows of the manifest and of the walks by subject, of what is there whole and of this version: a draw takes
    seconds."""
    clips, walks = (_read_table(folder / name) for name in ("manifest.csv", "walks.csv"))
    kept: dict[str, Walked] = {}
    for subject in dict.fromkeys(row["subject"] for row in walks):
        own_clips, own_walks = ([row for row in rows if row["subject"] == subject] for rows in (clips, walks))
        names = own_walks[0]["clips"].split()
        videos = [folder / "clips" / name for name in names]
        truths = [folder / "truth" / name.replace(".mp4", ".truth.json") for name in names]
        whole = all(path.is_file() for path in (*videos, *truths)) and len(own_clips) == len(names)
        if whole and own_walks[0].get("version") == VERSION:
            kept[subject] = (own_clips, own_walks)
    return kept


def _read_table(path: Path) -> list[Row]:
    """Rows of a table; none when it is not there."""
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _make_walk(
    folder: Path, seed: int, part: str, cell: FaultCell, kept: Walked | None
) -> tuple[list[Row], list[Row], list[str]]:
    """Draw one walk and make its clips, or take what is there; return rows of both tables, and lines to tell."""
    if kept is not None:
        return *kept, [f"{row['clip'].rpartition('/')[2]}: kept" for row in kept[0]]
    walk = draw_walk(seed, part, cell)
    made = [make_row(folder, spec, cell.subject, clip_name(walk, number)) for number, spec in enumerate(walk.clips)]
    return [row for row, _ in made], walk_rows(walk), [line for _, line in made]


def clip_name(walk: FaultWalk, number: int) -> str:
    """File name of one clip of a walk."""
    spec = walk.clips[number]
    turned = {False: "rightward", True: "leftward"}[spec.leftward]
    return f"{walk.cell.subject}_{f'sagittal_{turned}' if spec.view == 'sagittal' else spec.view}.mp4"


def walk_rows(walk: FaultWalk) -> list[Row]:
    """Rows of walks.csv: one for each fault, one with empty sizes for a walk without."""
    spec = walk.clips[0]
    shared = {
        "subject": walk.cell.subject,
        "name": walk.cell.name,
        "fault": walk.cell.fault,
        "size": walk.cell.size,
        "limb": spec.look.limb,
        "prosthetic_side": spec.look.prosthetic_side or "none",
        "speed_m_s": f"{spec.settings.speed_m_s:.3f}",
        "height_m": f"{spec.look.height_m:.3f}",
        "clips": " ".join(clip_name(walk, number) for number in range(len(walk.clips))),
        "version": VERSION,
    }
    none = dict.fromkeys(("wanted", "unit", "parameter", "value", "realised"), "")
    rows = [
        shared
        | {
            "fault": fault.fault,
            "wanted": f"{fault.wanted:.4g}",
            "unit": fault.unit,
            "parameter": fault.parameter,
            "value": f"{fault.value:.4g}",
            "realised": f"{fault.realised:.4g}",
        }
        for fault in walk.injected
    ]
    return rows or [shared | none]
