"""Limits and fault definitions: one TOML file for each fault in `configs/checks/`, tied to the catalogue."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Collection, Mapping
from pathlib import Path

from pydantic import Field, ValidationError

from pipeline.config import config_dir
from pipeline.errors import ConfigError, ManyProblems
from pipeline.judgement import Check, FaultDefinition, Limits
from pipeline.limits_file import KnownWords, LimitsFile, check_ids, problem_in_words, read_limits, unknown_word
from pipeline.metrics import CATALOGUE
from pipeline.metrics.registry import Catalogue
from pipeline.model import OwnError
from pipeline.outside import LARGEST_TOML, read_outside
from pipeline.toml_record import Number, Table


class _OwnErrorEntry(Table):
    """One entry of `measurement_error.toml`."""

    sd: Number = Field(ge=0.0)
    prosthetic_sd: Number | None = Field(default=None, ge=0.0)
    bias: Number = 0.0
    prosthetic_bias: Number | None = None
    unit: str
    standing: str
    note: str
    stride_sd: Number = Field(default=0.0, ge=0.0)
    stride_freedom: Number = Field(default=0.0, ge=0.0)


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
    known = KnownWords(CATALOGUE, _known_sources())
    problems: list[str] = []
    ids: list[str] = []
    parsed: list[tuple[int, FaultDefinition, tuple[Check, ...]]] = []
    digest = hashlib.sha256((config_dir() / "measurement_error.toml").read_bytes())
    for path in files:
        try:
            content = read_outside(path, LARGEST_TOML)
        except OSError as error:
            problems.append(f"{folder.name}/{path.name}: cannot be read ({error.strerror})")
            continue
        digest.update(path.name.encode() + b"\0" + content + b"\0")
        ids += check_ids(content)
        file, found = read_limits(content, known)
        problems += [f"{folder.name}/{path.name}: {problem}" for problem in found]
        if file is not None:
            own = hashlib.sha256(content).hexdigest()
            parsed.append((file.fault.order, _definition(path.stem, file, own), _checks(path.stem, file)))
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
    file, problems = read_limits(content, KnownWords(metrics, {*_known_sources(), *sources}))
    errors = errors or {}
    problems += [f"errors: metric {unknown_word(name, list(metrics))}" for name in errors if name not in metrics]
    if file is None or problems:
        raise ManyProblems(f"limits of {fault}", problems, "Correct these lines; nothing was judged.")
    every = {**load_measurement_error(), **errors}
    digest = hashlib.sha256(content + repr(sorted(every.items())).encode("utf-8")).hexdigest()
    own = hashlib.sha256(content).hexdigest()
    return Limits((_definition(fault, file, own),), _checks(fault, file), every, digest)


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
        errors[name] = OwnError(
            read.sd, read.stride_sd, read.stride_freedom, read.prosthetic_sd, read.bias, read.prosthetic_bias
        )
    if problems:
        raise ManyProblems(path.name, problems)
    return errors


def _known_sources() -> set[str]:
    """Keys of the bibliography."""
    return {*tomllib.loads((config_dir() / "sources.toml").read_text(encoding="utf-8")), "definition"}


def _definition(name: str, file: LimitsFile, sha256: str) -> FaultDefinition:
    fields = file.fault.model_dump(exclude={"order"})
    return FaultDefinition(name=name, **fields, file_sha256=sha256)


def _checks(fault: str, file: LimitsFile) -> tuple[Check, ...]:
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
