"""A benchmark set of varied clips, drawn from one seed: specifications, clips, truth files and manifest.

Clip number `index` of a seed is always the same, however many are asked for. Even ones are the tuning half, odd ones
the test half, which is read only once, at the end.
"""

from __future__ import annotations

import csv
import json
import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any, TypeVar

from .clip import ClipSpec, make_clip
from .draws import PARTS, draw_spec, part_of, subject
from .faults import Faults
from .study import MANIFEST_COLUMNS

VISIT_DATE = "2026-05-04"
MOST_DRAWS = 200

Made = TypeVar("Made")


def clip_specs(seed: int, count: int) -> list[ClipSpec]:
    """Return the first clips of a seed, of both halves in turn.

    Parameters
    ----------
    seed : int
    count : int
        Clips of the whole set, both halves together.

    Returns
    -------
    list of ClipSpec
        All can be walked: what the walker or the picture cannot hold is drawn again. So fast walks are seldom close
        to the camera. Labels: set_seed, set_index, part, subject.
    """
    return [fitting_spec(seed, index) for index in range(count)]


def fitting_spec(seed: int, index: int) -> ClipSpec:
    """Return one clip of a seed: the first draw that can be walked inside the picture.

    Raises
    ------
    RuntimeError
        If no draw fits, which no seed should come to.
    """
    for attempt in range(MOST_DRAWS):
        try:
            spec = draw_spec(seed, index, attempt)
            spec.walk(spec.body())
        except ValueError:
            continue
        return spec
    raise RuntimeError(
        f"clip set: clip {index} of seed {seed} did not fit in {MOST_DRAWS} draws; one was expected to. "
        "Take another seed."
    )


def make_set(
    folder: Path,
    seed: int,
    count: int,
    *,
    part: str,
    workers: int = 1,
    say: Callable[[str], object] = print,
) -> None:
    """Write one half of a set: clips/*.mp4, truth/*.truth.json and manifest.csv.

    What is there with the truth of the same specification is kept, so that a broken run goes on where it stopped.

    Parameters
    ----------
    folder : path
        One folder for each half.
    seed : int
    count : int
        Clips of the whole set; this half has half of them.
    part : "tuning" or "test"
    workers : int
        Processes at a time.
    say : function
        Called with one line for each clip.

    Raises
    ------
    ValueError
        If the part or a number is wrong.
    """
    if part not in PARTS:
        raise ValueError(f"clip set: part is {part}; {' or '.join(PARTS)} is expected. Choose one of these.")
    if count < 2 or workers < 1:
        raise ValueError(
            f"clip set: count is {count}, workers {workers}; at least 2 and 1 are expected. Raise the number."
        )
    indices = [index for index in range(count) if part_of(index) == part]
    jobs = [(folder, seed, index) for index in indices]
    rows = [_report(made, say) for made in in_processes(_make_one, jobs, workers)]
    write_table(folder / "manifest.csv", MANIFEST_COLUMNS, rows)


def in_processes(work: Callable[..., Made], jobs: Sequence[tuple[Any, ...]], workers: int) -> Iterator[Made]:
    """Yield what a function makes of each job's arguments, in order, with so many at a time."""
    if workers == 1 or not jobs:
        yield from (work(*job) for job in jobs)
        return
    # A fresh interpreter for each worker: an OpenGL context does not survive a fork.
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(work, *zip(*jobs, strict=True))


def write_table(path: Path, columns: Sequence[str], rows: Sequence[dict[str, str]]) -> None:
    """Write a CSV file, which appears complete or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(path.name + ".part")
    with draft.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    draft.replace(path)


def _report(made: tuple[dict[str, str], str], say: Callable[[str], object]) -> dict[str, str]:
    """Tell what was made and return the manifest's row."""
    row, line = made
    say(line)
    return row


def _make_one(folder: Path, seed: int, index: int) -> tuple[dict[str, str], str]:
    """Make one clip unless it is there; return its row of the manifest and a line about it."""
    spec = fitting_spec(seed, index)
    return make_row(folder, spec, subject(index), f"{subject(index)}_{spec.view}.mp4")


def make_row(folder: Path, spec: ClipSpec, person: str, name: str) -> tuple[dict[str, str], str]:
    """Make one clip of a set unless it is there with the same specification.

    Parameters
    ----------
    folder : path
        Takes clips/ and truth/.
    spec : ClipSpec
        With conditions.
    person, name : str
        Pseudonym, and the clip's file name.

    Returns
    -------
    tuple of dict and str
        The clip's row of the manifest, and a line that tells what was done.
    """
    video_path, truth_path = folder / "clips" / name, folder / "truth" / name.replace(".mp4", ".truth.json")
    truth = _kept(spec, video_path, truth_path)
    state = "kept" if truth else "made"
    truth = truth or make_clip(spec, video_path, truth_path)
    sagittal = spec.view == "sagittal"
    row = {
        "subject": person,
        "visit": "01",
        "date": VISIT_DATE,
        "clip": f"clips/{name}",
        "view": spec.view,
        "prosthetic_side": spec.look.prosthetic_side or "none",
        "height_m": f"{truth['rest_m']['head_top'][2]:.2f}",  # shoes on, as the manifest asks
        "known_length_m": f"{truth['marker']['length_m']:.2f}" if sagittal else "",
        "known_length_px": f"{truth['marker']['length_px']:.0f}" if sagittal else "",
        "changes": "",
    }
    size_kb = video_path.stat().st_size / 1000
    return row, f"{name}: {state}, {truth['n_frames']} frames, {size_kb:.0f} KB"


def _kept(spec: ClipSpec, video_path: Path, truth_path: Path) -> dict[str, Any] | None:
    """Return the truth that is there, if clip and truth are there and of the same specification.

    A fault that the stored truth does not know was added to the generator later, and is neutral there.
    """
    if not (video_path.is_file() and truth_path.is_file()):
        return None
    assert spec.conditions is not None
    truth: dict[str, Any] = json.loads(truth_path.read_text(encoding="utf-8"))
    settings = truth["gait"]["settings"]
    settings = settings | {"faults": asdict(Faults()) | settings["faults"]}
    there = (truth.get("labels"), truth.get("look"), truth.get("conditions"), settings)
    wanted = (spec.labels, asdict(spec.look), asdict(spec.conditions), asdict(spec.settings))
    same = json.dumps(there, sort_keys=True) == json.dumps(wanted, sort_keys=True)
    return truth if same else None
