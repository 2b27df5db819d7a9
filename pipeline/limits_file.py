"""The form of a file of limits, and what each part of it must fit: every mistake in it is told at once."""

from __future__ import annotations

import difflib
from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal, TypeVar

from pydantic import Field, ValidationError

from pipeline.judgement import Standing
from pipeline.metrics.registry import Catalogue, PairSpec
from pipeline.model import Aid, Level
from pipeline.quantities import QUANTITIES
from pipeline.toml_record import Number, Table, Whole, toml_values

Part = TypeVar("Part", bound=Table)


class FaultPart(Table):
    """The `[fault]` part of a file."""

    order: Whole
    title: str
    view: Literal["sagittal", "anterior", "posterior", "any"]
    side: Literal["prosthetic", "sound", "both"]
    phase: str
    seen: str
    cannot_tell: str
    rule: Literal["any", "all"]
    urgent: bool
    caution: str
    curve: str
    phase_pct: tuple[Number, Number]
    prosthesis_only: bool = False


class CheckPart(Table):
    """One `[[check]]` of a file: exactly one of `above` and `below`; `clear` and `severe` lie beyond it."""

    id: str
    metric: str
    side: Literal["prosthetic", "sound", "both"]
    above: Number | None = None
    below: Number | None = None
    unit: str
    standing: Standing
    source: str
    note: str
    clear: Number | None = None
    severe: Number | None = None
    levels: tuple[Level, ...] = ()
    aids: tuple[Aid, ...] = ()
    speed_legs: tuple[Number, Number] | None = None


class LimitsFile(Table):
    fault: FaultPart
    check: list[CheckPart] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class KnownWords:
    """The words that a file of limits may name."""

    metrics: Catalogue
    sources: Collection[str]


def read_limits(content: bytes, known: KnownWords) -> tuple[LimitsFile | None, list[str]]:
    """One file of limits, None where it cannot be read as one, and everything that is wrong in it."""
    try:
        values = toml_values(content)
    except ValueError as error:
        return None, [f"not TOML ({error})"]
    file, problems = None, []
    try:
        file = LimitsFile.model_validate(values)
    except ValidationError as error:
        problems = [problem_in_words(dict(detail)) for detail in error.errors()]
    return file, [*problems, *_check_values(values, known)]


def check_ids(content: bytes) -> list[str]:
    """Return the ids of a file's checks, also where the file has mistakes."""
    try:
        parts = toml_values(content).get("check")
    except ValueError:
        return []
    named = [part.get("id") for part in parts if isinstance(part, dict)] if isinstance(parts, list) else []
    return [name for name in named if isinstance(name, str)]


def _check_values(values: dict[str, Any], known: KnownWords) -> list[str]:
    """Second round: what each part says must fit the catalogue; keys that the first round refused are passed over."""
    fault, wrong = _as_far_as_read(FaultPart, values.get("fault"))
    problems = []
    if fault is not None and "curve" not in wrong and fault.curve:
        curves = [quantity.name for quantity in QUANTITIES]
        problems = [] if fault.curve in curves else [f"fault.curve: {unknown_word(fault.curve, curves)}"]
    if fault is not None and "phase_pct" not in wrong and not 0.0 <= fault.phase_pct[0] < fault.phase_pct[1] <= 100.0:
        problems.append(f"fault.phase_pct: found {list(fault.phase_pct)}; from 0 to 100 expected, the first the lower")
    parts = values.get("check")
    for number, part in enumerate(parts if isinstance(parts, list) else []):
        check, wrong = _as_far_as_read(CheckPart, part)
        if check is not None:
            where = f"check.{number}" if "id" in wrong else f"check {check.id!r}"
            problems += [f"{where}: {problem}" for problem in _check_meaning(check, wrong, known)]
    return problems


def _as_far_as_read(kind: type[Part], values: object) -> tuple[Part | None, set[str]]:
    """A part with the keys whose values are of their kind, and the other keys, which it lacks; None for no table."""
    if not isinstance(values, dict):
        return None, set()
    try:
        return kind.model_validate(values), set()
    except ValidationError as error:
        wrong = {str(detail["loc"][0]) for detail in error.errors()}
        return kind.model_construct(**{key: value for key, value in values.items() if key not in wrong}), wrong


def _check_meaning(check: CheckPart, wrong: set[str], known: KnownWords) -> list[str]:
    """What a check says that does not fit its other keys, the catalogue or the bibliography."""
    problems = []
    if not wrong & {"above", "below", "clear", "severe"}:
        if (check.above is None) == (check.below is None):
            problems.append("needs exactly one of above and below")
        elif not _in_order(check):
            problems.append("clear and severe must lie beyond the limit, severe beyond clear")
    speeds = None if "speed_legs" in wrong else check.speed_legs
    if speeds is not None and not 0.0 <= speeds[0] < speeds[1]:
        problems.append(f"speed_legs {list(speeds)}; the lowest and the highest speed expected")
    if "source" not in wrong and check.source not in known.sources:
        problems.append(f"source {unknown_word(check.source, sorted(known.sources))}")
    if "metric" in wrong:
        return problems
    spec = known.metrics.get(check.metric)
    if spec is None:
        return [*problems, f"metric {unknown_word(check.metric, list(known.metrics))}"]
    if "unit" not in wrong and check.unit != spec.unit:
        problems.append(f"unit {check.unit!r}; metric {check.metric} is in {spec.unit!r}")
    if "side" not in wrong and isinstance(spec, PairSpec) != (check.side == "both"):
        fits = "compares limbs: 'both'" if isinstance(spec, PairSpec) else "is of one limb: 'prosthetic' or 'sound'"
        problems.append(f"side {check.side!r}; metric {check.metric} {fits} expected")
    return problems


def _in_order(check: CheckPart) -> bool:
    """Whether limit, clear and severe follow one another in the limit's direction."""
    limit, sign = (check.above, 1.0) if check.above is not None else (check.below, -1.0)
    steps = [sign * step for step in (limit, check.clear, check.severe) if step is not None]
    return all(low < high for low, high in pairwise(steps))


def unknown_word(word: str, known: list[str]) -> str:
    """Say that a word is unknown, with the nearest known one."""
    close = difflib.get_close_matches(word, known, n=1)
    return f"{word!r} is unknown" + (f"; did you mean {close[0]!r}?" if close else f"; known: {', '.join(known)}")


def problem_in_words(detail: dict[str, object], names: list[str] | None = None) -> str:
    """One of pydantic's problems in a line; `names` are the keys that exist."""
    location = detail["loc"]
    where = ".".join(str(part) for part in location) if isinstance(location, tuple) else str(location)
    kind = detail["type"]
    if kind == "missing":
        return f"{where}: missing"
    if kind == "extra_forbidden":
        known = names or [*FaultPart.model_fields, *CheckPart.model_fields]
        return f"{where}: {unknown_word(where.rsplit('.', 1)[-1], known)}"
    return f"{where}: found {detail['input']!r}; {detail['msg']}"
