"""What each visit of the detection benchmark gave, in one file: a half of the walkers is too much for one sitting."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path

import pandas as pd
from pydantic import TypeAdapter
from pydantic_core import to_json

from pipeline.bench.detection import Judged, value_rows, verdict_rows
from pipeline.checks import VERDICTS_VERSION
from pipeline.config import Settings
from pipeline.errors import ConfigError
from pipeline.judgement import Limits
from pipeline.models import verify_models
from pipeline.outside import LARGEST_SAVED, read_outside
from pipeline.picture_stages import (
    LANDMARKS_VERSION,
    OUTLINES_VERSION,
    PICTURES_VERSION,
    PYLON_VERSION,
    SHOES_VERSION,
)
from pipeline.stages import MEASURES_VERSION
from pipeline.store import fingerprint, write_bytes
from pipeline.video import opencv_version

Row = dict[str, str | bool | int | float | None]
VERDICT_NUMBERS = ("wanted", "limit", "beyond", "true", "found", "found_beyond", "margin", "own_error")
VALUE_NUMBERS = ("true", "found", "low", "high", "error", "spread")


@dataclass(frozen=True, slots=True)
class KeptVisit:
    """One visit: the day it was measured, its clips, what was said of those refused, and its rows of both tables."""

    subject: str
    day: str
    clips: int
    failed: dict[str, str]
    verdicts: list[Row]
    values: list[Row]


@dataclass(frozen=True, slots=True)
class KeptHalf:
    """A half of the walkers, or a part of it, and everything that its rows depend on.

    Attributes
    ----------
    walkers : str
        Which half, of which seed.
    model : str
        Pose model.
    made_with : dict of name to str
        Versions, hashes and settings: visits of two sittings are alike only if these are.
    asked_for : int
        Visits that it has when it is whole.
    visits : dict of subject to KeptVisit
    """

    walkers: str
    model: str
    made_with: dict[str, str]
    asked_for: int
    visits: dict[str, KeptVisit] = field(default_factory=dict)


def kept_visit(judged: Judged, day: str, clips: int, failed: dict[str, str]) -> KeptVisit:
    """Return what is kept of a judged visit."""
    return KeptVisit(judged.subject, day, clips, failed, _rows(verdict_rows([judged])), _rows(value_rows([judged])))


def verdict_frame(visits: Iterable[KeptVisit]) -> pd.DataFrame:
    """Return the table of `verdict_rows` over all visits."""
    return _frame((row for visit in visits for row in visit.verdicts), VERDICT_NUMBERS)


def value_frame(visits: Iterable[KeptVisit]) -> pd.DataFrame:
    """Return the table of `value_rows` over all visits."""
    return _frame((row for visit in visits for row in visit.values), VALUE_NUMBERS)


def nothing_kept(settings: Settings, limits: Limits, walkers: str, asked_for: int, generator: str) -> KeptHalf:
    """Return what no visit was measured of yet, with what it is going to be measured with.

    `generator` is the version of what makes the walkers.
    """
    models = [model.sha256 for model in verify_models(settings.landmarks.model)]
    made_with = {
        "generator": generator,
        "landmarks": ", ".join([str(LANDMARKS_VERSION), *models]),
        "what pictures show": f"{PICTURES_VERSION}, {OUTLINES_VERSION}, {PYLON_VERSION}, {SHOES_VERSION}",
        "measures": str(MEASURES_VERSION),
        "verdicts": str(VERDICTS_VERSION),
        "limits": limits.sha256,
        "settings": fingerprint(
            settings=[settings.landmarks, settings.signals, settings.strides, settings.quality, settings.metrics]
        ),
        "libraries": ", ".join(
            [f"opencv {opencv_version()}", *(f"{name} {version(name)}" for name in ("mediapipe", "numpy", "scipy"))]
        ),
    }
    return KeptHalf(walkers, settings.landmarks.model, made_with, asked_for)


def read_half(path: Path) -> KeptHalf:
    """Return what a file keeps.

    Raises
    ------
    ConfigError
        The file is damaged.
    """
    try:
        head, *lines = gzip.decompress(read_outside(path, LARGEST_SAVED)).splitlines()
        half, adapter = TypeAdapter(KeptHalf).validate_json(head), TypeAdapter(KeptVisit)
        visits = [adapter.validate_json(line) for line in lines]
    except (OSError, EOFError, ValueError, zlib.error) as error:
        raise ConfigError(
            path.name, "cannot be read", "expected what `bench faults --rows` wrote", "Give the name of a new file."
        ) from error
    return replace(half, visits={visit.subject: visit for visit in visits})


def go_on_with(path: Path | None, wanted: KeptHalf) -> KeptHalf:
    """Return what a file keeps so that it can be added to; `wanted` where there is no file.

    Raises
    ------
    ConfigError
        The file is damaged, or its visits were measured with something else than is wanted.
    """
    if path is None or not path.is_file():
        return wanted
    half = read_half(path)
    there, here = {"walkers": half.walkers} | half.made_with, {"walkers": wanted.walkers} | wanted.made_with
    other = [name for name in here if there.get(name) != here[name]]
    if other:
        told = "; ".join(f"{name} {there.get(name, 'not told')}" for name in other)
        raise ConfigError(
            path.name,
            f"its visits were measured with {told}",
            "expected " + "; ".join(f"{name} {here[name]}" for name in other),
            "Use what they were measured with, or give the name of a new file.",
        )
    return replace(half, asked_for=wanted.asked_for)


def write_half(path: Path, half: KeptHalf) -> None:
    """Write visits with what they were measured with: packed JSON, one line a visit; equal visits give equal bytes."""
    lines = [to_json(replace(half, visits={})), *(to_json(half.visits[subject]) for subject in sorted(half.visits))]
    write_bytes(path, gzip.compress(b"\n".join(lines) + b"\n", mtime=0), lasting=True)


def _rows(table: pd.DataFrame) -> list[Row]:
    """The rows of a table, numbers to six digits: no measure is known better, and the file is half as large."""
    return [
        {str(name): float(f"{value:.6g}") if isinstance(value, float) else value for name, value in row.items()}
        for row in table.to_dict("records")
    ]


def _frame(rows: Iterable[Row], numbers: tuple[str, ...]) -> pd.DataFrame:
    """A table whose missing numbers are NaN."""
    table = pd.DataFrame(list(rows))
    return table.astype(dict.fromkeys(numbers, float)) if len(table) else table
