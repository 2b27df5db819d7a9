"""The file of causes, `configs/causes.toml` or a clinic's own: read, and tied to faults, checks and sources."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.causes import Cause, Causes, Points, Sign, TellApart
from pipeline.config import config_dir
from pipeline.errors import ConfigError, ManyProblems
from pipeline.judgement import CauseGroup, Limits
from pipeline.limits_file import problem_in_words, unknown_word
from pipeline.thresholds import load_limits
from pipeline.toml_record import read_toml


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class _PointsPart(_Strict):
    """The `[points]` of the file. Whole numbers: the lines then sum to the score exactly."""

    present: int = Field(ge=1)
    borderline: int = Field(ge=0)
    weakly: int = Field(ge=0)
    not_seen: int = Field(ge=0)
    contradicted: int = Field(ge=0)
    changed: int = Field(ge=0)
    source: str


class _CausePart(_Strict):
    """One `[[cause]]` of the file."""

    id: str = Field(min_length=1)
    group: CauseGroup
    title: str = Field(min_length=1)
    explains: list[str] = Field(min_length=1)
    weakly: list[str]
    against_if_not_seen: list[str]
    against_if_present: list[str]
    examine: list[str] = Field(min_length=1)
    caution: str
    changes: list[str]
    sources: list[str] = Field(min_length=1)


class _TellApartPart(_Strict):
    """One `[[tell_apart]]` of the file."""

    causes: list[str] = Field(min_length=2)
    where: list[str]
    text: str = Field(min_length=1)


class _CausesFile(_Strict):
    points: _PointsPart
    cause: list[_CausePart] = Field(min_length=1)
    tell_apart: list[_TellApartPart]


@dataclass(frozen=True, slots=True)
class _Names:
    """What a file may name: title of each fault, fault of each check, standing of each source."""

    titles: dict[str, str]
    fault_of: dict[str, str]
    standing: dict[str, str]

    def signs(self) -> list[str]:
        """Faults and checks."""
        return [*self.titles, *self.fault_of]

    def fault(self, name: str) -> str:
        """The fault that a name is, or that a check belongs to; empty for an unknown one."""
        return name if name in self.titles else self.fault_of.get(name, "")


def load_causes(path: Path | None = None, *, limits: Limits | None = None) -> Causes:
    """Return the causes of a TOML file, by default the shipped one.

    Parameters
    ----------
    path : Path, optional
        A clinic's own file.
    limits : Limits, optional
        A clinic's own limits: their faults and checks may be named beside the shipped ones.

    Raises
    ------
    ConfigError
        The file cannot be read or is not TOML.
    ManyProblems
        Everything that is wrong in it, one line each.
    """
    path = path or config_dir() / "causes.toml"
    content, values = _read(path)
    names = _names([load_limits(), *([limits] if limits else [])])
    try:
        file = _CausesFile.model_validate(values)
        problems = _check_file(file, names)
    except ValidationError as error:
        problems = [_described(dict(detail), values) for detail in error.errors()]
    if problems:
        lines = [f"{path.name}: {problem}" for problem in problems]
        raise ManyProblems(f"causes in {path.name}", lines, "Correct these lines; no cause was ranked.")
    return Causes(
        tuple(_cause(part, names) for part in file.cause),
        tuple(TellApart(tuple(part.causes), _signs(part.where, names), part.text) for part in file.tell_apart),
        Points(**file.points.model_dump()),
        path.name,
        hashlib.sha256(content).hexdigest(),
    )


def _read(path: Path) -> tuple[bytes, dict[str, Any]]:
    """A file's bytes, and its TOML."""
    try:
        return read_toml(path)
    except OSError as error:
        raise ConfigError(
            path.name, f"cannot be read ({error.strerror})", "a file of causes expected", "Check its name."
        ) from None
    except ValueError as error:
        raise ConfigError(
            path.name, f"is not TOML ({error})", "expected the form of configs/causes.toml", "Begin with a copy of it."
        ) from None


def _names(all_limits: list[Limits]) -> _Names:
    """Everything that may be named. A source's standing is how well it is known, or the kind of choice it is."""
    sources = tomllib.loads((config_dir() / "sources.toml").read_text(encoding="utf-8"))
    return _Names(
        {fault.name: fault.title for limits in all_limits for fault in limits.faults},
        {check.id: check.fault for limits in all_limits for check in limits.checks},
        {key: str(entry.get("known") or entry["kind"]) for key, entry in sources.items()},
    )


def _described(detail: dict[str, Any], values: dict[str, Any]) -> str:
    """One problem of the form; a cause is named by its id, as far as it has one."""
    where = detail["loc"]
    if len(where) > 2 and where[0] == "cause" and isinstance(where[1], int):
        entry = values["cause"][where[1]]
        name = entry.get("id", where[1] + 1) if isinstance(entry, dict) else where[1] + 1
        detail["loc"] = (f"cause {name!r}", *where[2:])
    parts: dict[str, type[BaseModel]] = {"points": _PointsPart, "tell_apart": _TellApartPart, "cause": _CausePart}
    part = parts.get(str(where[0]), _CausesFile) if len(where) > 1 else _CausesFile
    return problem_in_words(detail, [*part.model_fields])


def _check_file(file: _CausesFile, names: _Names) -> list[str]:
    """Second round: names must exist, and a cause must not contradict itself."""
    ids = [part.id for part in file.cause]
    sources = sorted(names.standing)
    problems = [f"cause id {name!r} is used twice" for name in sorted({one for one in ids if ids.count(one) > 1})]
    if file.points.borderline >= file.points.present:
        problems.append("points.borderline: must be less than points.present")
    if file.points.source not in names.standing:
        problems.append(f"points.source: {unknown_word(file.points.source, sources)}")
    for part in file.cause:
        where = f"cause {part.id!r}"
        problems += [f"{where}: {text}" for text in _check_signs(part, names)]
        problems += [
            f"{where}: source {unknown_word(key, sources)}" for key in part.sources if key not in names.standing
        ]
        problems += [f"{where}: changes: an empty word" for word in part.changes if not word.strip(" .")]
    for number, trap in enumerate(file.tell_apart, 1):
        where = f"tell_apart {number}"
        problems += [f"{where}: causes: {unknown_word(name, ids)}" for name in trap.causes if name not in ids]
        problems += [f"{where}: where: {text}" for text in _unknown_signs(trap.where, names)]
    return problems


def _check_signs(part: _CausePart, names: _Names) -> list[str]:
    """What is wrong with the faults and checks that a cause names."""
    lists = ("explains", "weakly", "against_if_not_seen", "against_if_present")
    problems = [f"{key}: {text}" for key in lists for text in _unknown_signs(getattr(part, key), names)]
    for key in ("weakly", "against_if_not_seen"):
        missing = [name for name in getattr(part, key) if name not in part.explains]
        problems += [f"{key}: {name!r} is not in explains" for name in missing if names.fault(name)]
    for key in ("explains", "against_if_present"):
        faults = [fault for name in getattr(part, key) if (fault := names.fault(name))]
        repeated = sorted({fault for fault in faults if faults.count(fault) > 1})
        problems += [f"{key}: {fault!r} is named twice; a fault counts once" for fault in repeated]
    for name in part.against_if_present:
        # Two checks of one fault are two directions; all else that shares a fault would contradict itself.
        same = [one for one in part.explains if names.fault(one) == names.fault(name) and names.fault(name)]
        if any(one == name or {one, name} & set(names.titles) for one in same):
            problems.append(f"against_if_present: {name!r} is explained as well")
    return problems


def _unknown_signs(found: list[str], names: _Names) -> list[str]:
    """The names that are neither a fault nor a check."""
    return [unknown_word(name, names.signs()) for name in found if not names.fault(name)]


def _cause(part: _CausePart, names: _Names) -> Cause:
    return Cause(
        id=part.id,
        group=part.group,
        title=part.title,
        explains=_signs(part.explains, names, weakly=part.weakly, expected=part.against_if_not_seen),
        against=_signs(part.against_if_present, names),
        examine=tuple(part.examine),
        caution=part.caution,
        changes=tuple(part.changes),
        sources=tuple((key, names.standing[key]) for key in part.sources),
    )


def _signs(
    found: list[str], names: _Names, *, weakly: list[str] | None = None, expected: list[str] | None = None
) -> tuple[Sign, ...]:
    """The signs of a list of faults and checks, in its order."""
    signs = []
    for name in found:
        fault = names.fault(name)
        title = names.titles[fault]
        words = title if name == fault else f"{title} ({name.replace('_', ' ')})"
        check = "" if name == fault else name
        signs.append(Sign(fault, check, words, name in (weakly or []), name in (expected or [])))
    return tuple(signs)
