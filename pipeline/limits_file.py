"""The form of a file of limits, and what each part of it must fit: every mistake in it is told at once."""

from __future__ import annotations

import difflib
from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from pydantic import Field, ValidationError

from pipeline.judgement import Standing
from pipeline.metrics.registry import Catalogue, PairSpec
from pipeline.model import Aid, Level
from pipeline.quantities import QUANTITIES
from pipeline.toml_record import Number, Table, Whole, toml_values


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
        file = LimitsFile.model_validate(toml_values(content))
    except ValidationError as error:
        return None, [problem_in_words(dict(detail)) for detail in error.errors()]
    except ValueError as error:
        return None, [f"not TOML ({error})"]
    return file, _check_file(file, known)


def _check_file(file: LimitsFile, known: KnownWords) -> list[str]:
    """Second round: what each part says must fit the catalogue."""
    problems = []
    curves = [quantity.name for quantity in QUANTITIES]
    if file.fault.curve and file.fault.curve not in curves:
        problems.append(f"fault.curve: {unknown_word(file.fault.curve, curves)}")
    for check in file.check:
        where = f"check {check.id!r}"
        if (check.above is None) == (check.below is None):
            problems.append(f"{where}: needs exactly one of above and below")
        elif not _in_order(check):
            problems.append(f"{where}: clear and severe must lie beyond the limit, severe beyond clear")
        if check.speed_legs is not None and not 0.0 <= check.speed_legs[0] < check.speed_legs[1]:
            problems.append(f"{where}: speed_legs {list(check.speed_legs)}; the lowest and the highest speed expected")
        if check.source not in known.sources:
            problems.append(f"{where}: source {unknown_word(check.source, sorted(known.sources))}")
        spec = known.metrics.get(check.metric)
        if spec is None:
            problems.append(f"{where}: metric {unknown_word(check.metric, list(known.metrics))}")
            continue
        if check.unit != spec.unit:
            problems.append(f"{where}: unit {check.unit!r}; metric {check.metric} is in {spec.unit!r}")
        if isinstance(spec, PairSpec) != (check.side == "both"):
            fits = "compares limbs: 'both'" if isinstance(spec, PairSpec) else "is of one limb: 'prosthetic' or 'sound'"
            problems.append(f"{where}: side {check.side!r}; metric {check.metric} {fits} expected")
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
