"""Limits and fault definitions: one TOML file for each fault in `configs/checks/`, tied to the catalogue."""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.config import config_dir
from pipeline.errors import ConfigError, ManyProblems
from pipeline.judgement import Check, FaultDefinition, Limits, OwnError, Standing
from pipeline.metrics import CATALOGUE
from pipeline.metrics.registry import Catalogue
from pipeline.model import Aid, Level
from pipeline.outside import LARGEST_TOML, read_outside
from pipeline.quantities import QUANTITIES
from pipeline.toml_record import toml_values


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _FaultPart(_Strict):
    """The `[fault]` part of a file."""

    order: int
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
    phase_pct: tuple[float, float]
    prosthesis_only: bool = False


class _CheckPart(_Strict):
    """One `[[check]]` of a file: exactly one of `above` and `below`; `clear` and `severe` lie beyond it."""

    id: str
    metric: str
    side: Literal["prosthetic", "sound", "both"]
    above: float | None = None
    below: float | None = None
    unit: str
    standing: Standing
    source: str
    note: str
    clear: float | None = None
    severe: float | None = None
    levels: tuple[Level, ...] = ()
    aids: tuple[Aid, ...] = ()
    speed_legs: tuple[float, float] | None = None


class _OwnErrorEntry(_Strict):
    """One entry of `measurement_error.toml`."""

    sd: float = Field(ge=0.0)
    unit: str
    standing: str
    note: str
    stride_sd: float = Field(default=0.0, ge=0.0)
    stride_freedom: float = Field(default=0.0, ge=0.0)


class _CheckFile(_Strict):
    fault: _FaultPart
    check: list[_CheckPart] = Field(min_length=1)


@dataclass(frozen=True, slots=True)
class _Known:
    """The words that a file of limits may name."""

    metrics: Catalogue
    sources: Collection[str]


def load_limits(folder: Path | str | None = None) -> Limits:
    """Return the limits of a folder of TOML files, in the order of their faults.

    Parameters
    ----------
    folder : Path or str, optional
        By default the limits that ship.

    Returns
    -------
    Limits

    Raises
    ------
    ConfigError
        The folder has no file of limits.
    ManyProblems
        Everything that is wrong in any of the files, one line each.
    """
    folder = Path(folder or config_dir() / "checks")
    files = sorted(folder.glob("*.toml"))
    if not files:
        raise ConfigError(
            folder.name, "no limits found", "at least one .toml file expected", "Name the folder of limits."
        )
    known = _Known(CATALOGUE, _known_sources())
    problems: list[str] = []
    parsed: list[tuple[int, FaultDefinition, tuple[Check, ...]]] = []
    digest = hashlib.sha256((config_dir() / "measurement_error.toml").read_bytes())
    for path in files:
        try:
            content = read_outside(path, LARGEST_TOML)
        except OSError as error:
            problems.append(f"{folder.name}/{path.name}: cannot be read ({error.strerror})")
            continue
        digest.update(path.name.encode() + b"\0" + content + b"\0")
        file, found = _read(content, known)
        problems += [f"{folder.name}/{path.name}: {problem}" for problem in found]
        if file is not None:
            own = hashlib.sha256(content).hexdigest()
            parsed.append((file.fault.order, _definition(path.stem, file, own), _checks(path.stem, file)))
    ids = [check.id for _, _, checks in parsed for check in checks]
    repeated = sorted({name for name in ids if ids.count(name) > 1})
    problems += [f"{folder.name}: check id {name!r} is used twice" for name in repeated]
    if problems:
        raise ManyProblems(f"limits in {folder.name}", problems, "Correct these lines; nothing was judged.")
    parsed.sort(key=lambda item: (item[0], item[1].name))
    return Limits(
        tuple(fault for _, fault, _ in parsed),
        tuple(check for _, _, checks in parsed for check in checks),
        load_measurement_error(),
        digest.hexdigest(),
        folder.name,
    )


def limits_from_text(
    text: str,
    fault: str,
    *,
    metrics: Catalogue = CATALOGUE,
    errors: Mapping[str, OwnError] | None = None,
    sources: Collection[str] = (),
) -> Limits:
    """Return the limits of one fault, written as a file of `configs/checks/` is.

    Parameters
    ----------
    text : str
        TOML with `[fault]` and one `[[check]]` or more.
    fault : str
        Name of the fault, which a file has as its own.
    metrics : mapping of id to MetricSpec or PairSpec
        What the limits may name; by default the catalogue.
    errors : mapping of id to OwnError, optional
        Own errors of these metrics, in their units. For the others the shipped ones hold; a metric without any counts
        as free of error.
    sources : collection of str
        Keys of sources besides those of the bibliography.

    Returns
    -------
    Limits

    Raises
    ------
    ManyProblems
        Everything that is wrong in the text, one line each; or an error is given for a metric that is not there.

    References
    ----------
    own choice
    """
    content = text.encode("utf-8", "surrogatepass")
    file, problems = _read(content, _Known(metrics, {*_known_sources(), *sources}))
    errors = errors or {}
    problems += [f"errors: metric {unknown_word(name, list(metrics))}" for name in errors if name not in metrics]
    if file is None or problems:
        raise ManyProblems(f"limits of {fault}", problems, "Correct these lines; nothing was judged.")
    every = {**load_measurement_error(), **errors}
    digest = hashlib.sha256(content + repr(sorted(every.items())).encode("utf-8")).hexdigest()
    own = hashlib.sha256(content).hexdigest()
    return Limits((_definition(fault, file, own),), _checks(fault, file), every, digest)


def _read(content: bytes, known: _Known) -> tuple[_CheckFile | None, list[str]]:
    """One file of limits, None where it cannot be read as one, and everything that is wrong in it."""
    try:
        file = _CheckFile.model_validate(toml_values(content))
    except ValidationError as error:
        return None, [problem_in_words(dict(detail)) for detail in error.errors()]
    except ValueError as error:
        return None, [f"not TOML ({error})"]
    return file, _check_file(file, known)


def load_measurement_error(path: Path | None = None) -> dict[str, OwnError]:
    """Return each metric's own error and usual spread over strides, in the metric's unit.

    Raises
    ------
    ManyProblems
        A metric is unknown, its unit is another one, a number is missing or negative, or a key is unknown.
    """
    path = path or config_dir() / "measurement_error.toml"
    entries = tomllib.loads(path.read_text(encoding="utf-8"))
    problems: list[str] = []
    errors: dict[str, OwnError] = {}
    for name, entry in entries.items():
        where = f"{path.name}: {name}"
        try:
            read = _OwnErrorEntry.model_validate(entry)
        except ValidationError as error:
            problems += [
                f"{where}: {problem_in_words(dict(detail), [*_OwnErrorEntry.model_fields])}"
                for detail in error.errors()
            ]
            continue
        if name not in CATALOGUE:
            problems.append(f"{where}: {unknown_word(name, list(CATALOGUE))}")
        elif read.unit != CATALOGUE[name].unit:
            problems.append(f"{where}: unit {read.unit!r}; the metric is in {CATALOGUE[name].unit!r}")
        errors[name] = OwnError(read.sd, read.stride_sd, read.stride_freedom)
    if problems:
        raise ManyProblems(path.name, problems)
    return errors


def _known_sources() -> set[str]:
    """Keys of the bibliography."""
    return {*tomllib.loads((config_dir() / "sources.toml").read_text(encoding="utf-8")), "definition"}


def _check_file(file: _CheckFile, known: _Known) -> list[str]:
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
        if check.metric not in known.metrics:
            problems.append(f"{where}: metric {unknown_word(check.metric, list(known.metrics))}")
        elif check.unit != known.metrics[check.metric].unit:
            unit = known.metrics[check.metric].unit
            problems.append(f"{where}: unit {check.unit!r}; metric {check.metric} is in {unit!r}")
    return problems


def _in_order(check: _CheckPart) -> bool:
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
        known = names or [*_FaultPart.model_fields, *_CheckPart.model_fields]
        return f"{where}: {unknown_word(where.rsplit('.', 1)[-1], known)}"
    return f"{where}: found {detail['input']!r}; {detail['msg']}"


def _definition(name: str, file: _CheckFile, sha256: str) -> FaultDefinition:
    fields = file.fault.model_dump(exclude={"order"})
    return FaultDefinition(name=name, **fields, file_sha256=sha256)


def _checks(fault: str, file: _CheckFile) -> tuple[Check, ...]:
    return tuple(
        Check(
            id=part.id,
            fault=fault,
            metric=part.metric,
            side=part.side,
            direction="above" if part.above is not None else "below",
            limit=float(part.above if part.above is not None else part.below or 0.0),
            unit=part.unit,
            standing=part.standing,
            source=part.source,
            note=part.note,
            clear=part.clear,
            severe=part.severe,
            levels=part.levels,
            aids=part.aids,
            speed_legs=part.speed_legs,
        )
        for part in file.check
    )
