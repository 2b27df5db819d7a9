"""The rules by which visits are compared: `configs/tracking.toml`, or a clinic's own copy of it."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from pydantic import Field

from pipeline.config import config_dir
from pipeline.errors import ManyProblems
from pipeline.limits_file import unknown_word
from pipeline.metrics import CATALOGUE
from pipeline.store import shown_path
from pipeline.toml_record import Number, Table, read_record


class Comparable(Table):
    """How far two visits may differ: walking speed as a share of the slower one [1], camera angle [deg]."""

    speed_share: Number = Field(gt=0, le=1)
    camera_angle_deg: Number = Field(gt=0, le=90)


class Better(Table):
    """Which way each metric gets better, some on a prosthetic limb only; `toward` has the value that is best."""

    less: frozenset[str]
    less_on_prosthetic: frozenset[str] = frozenset()
    more: frozenset[str]
    neither: frozenset[str]
    toward: dict[str, Number]


class TrackingRules(Table):
    """All of the file."""

    comparable: Comparable
    better: Better


def load_tracking_rules(path: Path | str | None = None) -> TrackingRules:
    """Return the rules by which visits are compared.

    Parameters
    ----------
    path : Path or str, optional
        By default the file that ships.

    Returns
    -------
    TrackingRules

    Raises
    ------
    ConfigError
        The file cannot be read, or is not TOML.
    ManyProblems
        Unknown or missing keys, metrics that are unknown, missing or named twice: all of them at once.
    """
    path = None if path is None else Path(path)
    shown = "configs/tracking.toml" if path is None else shown_path(path)
    rules = read_record(
        path or config_dir() / "tracking.toml", shown, TrackingRules, expected="expected rules for comparing visits"
    )
    better = rules.better
    named = Counter([*better.less, *better.less_on_prosthetic, *better.more, *better.neither, *better.toward])
    problems = [f"better: metric {unknown_word(name, list(CATALOGUE))}" for name in named if name not in CATALOGUE]
    problems += [f"better: metric {name!r} is named {count} times" for name, count in named.items() if count > 1]
    problems += [f"better: metric {name!r} is missing" for name in CATALOGUE if name not in named]
    if problems:
        raise ManyProblems(shown, problems)
    return rules
