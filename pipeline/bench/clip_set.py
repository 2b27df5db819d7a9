"""A study of varied rendered clips with known truth, made when it is asked for and never kept in the repository."""

from __future__ import annotations

import importlib
import importlib.util
import sys
from collections.abc import Callable, Collection
from pathlib import Path
from types import ModuleType
from typing import Protocol

from pipeline.errors import StageError

# The generator belongs to the source tree only; it is no part of the installed package.
GENERATOR_HOME = Path(__file__).resolve().parents[2] / "example_data"
NEEDED = ("moderngl", "av")
ITEM = "benchmark clips"


class Walker(Protocol):
    """A walker of the generator that shows a known fault, several or none."""

    @property
    def subject(self) -> str:
        """Made-up person."""


def ensure_set(
    folder: Path,
    seed: int,
    count: int,
    part: str,
    *,
    workers: int = 1,
    say: Callable[[str], object] = print,
) -> Path:
    """Return the study of one half of a benchmark set; clips that are missing are rendered.

    Parameters
    ----------
    folder : Path
        Holds one study for each seed and half. Use one outside the repository.
    seed : int
        The same seed gives the same people, walks and cameras.
    count : int
        Clips of the whole set; each half has half of them.
    part : "tuning" or "test"
        The test half is for the last measurement only.
    workers : int
        Clips rendered at a time.
    say : function
        Called with one line for each clip.

    Returns
    -------
    Path
        A study with manifest.csv and clips/; the truth of `clips/NAME.mp4` is `truth/NAME.truth.json`.

    Raises
    ------
    StageError
        The generator, a package that it needs or OpenGL is missing, or an argument is wrong.
    """
    study = folder / f"seed-{seed}" / part
    try:
        _generator("variety").make_set(study, seed, count, part=part, workers=workers, say=say)
    except (ValueError, RuntimeError) as error:
        raise StageError(ITEM, str(error).rstrip(".")) from error
    return study


def fault_walkers(*, per_size: int, without: int, several: int, every_view: int, only: tuple[str, ...]) -> list[Walker]:
    """Return the walkers with known faults, walker 1 of everything first: a part of them is useful.

    Parameters
    ----------
    per_size, without, several, every_view : int
        Walkers for each fault and size, without any fault, with several at once, and for each fault, clear in size, in
        every view. More of them keeps those that there were.
    only : tuple of str
        Faults to show; empty is all.

    Raises
    ------
    StageError
        As for `ensure_set`.
    """
    counts = {"per_size": per_size, "without": without, "several": several, "every_view": every_view}
    try:
        return list(_generator("fault_walks").fault_cells(**counts, only=only))
    except ValueError as error:
        raise StageError(ITEM, str(error).rstrip(".")) from error


def ensure_walks(
    folder: Path,
    seed: int,
    part: str,
    walkers: Collection[Walker],
    *,
    workers: int = 1,
    say: Callable[[str], object] = print,
) -> Path:
    """Return the study of these walkers, one visit each; clips that are missing are rendered.

    Parameters
    ----------
    folder : Path
        Holds one study for each seed and half.
    seed : int
    part : "tuning" or "test"
        The halves show different people; the test half is for the last measurement only.
    walkers : collection of Walker
        Of those that `fault_walkers` gives.
    workers, say
        As for `ensure_set`.

    Returns
    -------
    Path
        As for `ensure_set`, and `walks.csv`: what each walker shows.

    Raises
    ------
    StageError
        As for `ensure_set`.
    """
    study = folder / f"faults-{seed}" / part
    try:
        _generator("fault_set").make_fault_set(study, seed, part, walkers, workers=workers, say=say)
    except (ValueError, RuntimeError) as error:
        raise StageError(ITEM, str(error).rstrip(".")) from error
    return study


def walks_version() -> str:
    """Return the version of the generator's walks: visits of two are not alike."""
    return str(_generator("fault_set").VERSION)


def truth_path(study: Path, relative_path: str) -> Path:
    """Return the truth file of a clip of such a study, from its path in the manifest."""
    return study / "truth" / f"{Path(relative_path).stem}.truth.json"


def _generator(name: str) -> ModuleType:
    """A module of the clip generator."""
    if not (GENERATOR_HOME / "generator" / "variety.py").is_file():
        raise StageError(
            ITEM,
            "the clip generator is not there",
            "it lies in example_data/generator of the source tree, not in the installed package",
            "Run the benchmark from a copy of the repository.",
        )
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise StageError(
            ITEM,
            f"the Python package {' and '.join(missing)} is not installed",
            f"{' and '.join(NEEDED)} are needed to render clips",
            "Install the extra: python -m pip install 'strideledger[clips]'.",
        )
    if str(GENERATOR_HOME) not in sys.path:
        sys.path.insert(0, str(GENERATOR_HOME))
    return importlib.import_module(f"generator.{name}")
