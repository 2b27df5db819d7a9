"""A TOML file as the record that it has to be, every mistake in it told at once."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from pipeline.errors import ConfigError, ManyProblems
from pipeline.outside import LARGEST_TOML, read_outside
from pipeline.plain_text import unseen_in

T = TypeVar("T")
# A number as TOML writes one: no text and no true, which would count as 1; nor inf and nan, which no value passes.
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Whole = Annotated[int, Field(strict=True)]
# The files that ship go three levels down. Own choice.
DEEPEST = 16
# The causes that ship are 2,400 values. Own choice.
MOST_VALUES = 20_000
# A key of many parts takes time by the square of their number: half a million would take hours. Own choice.
MOST_DOTS = 100
# What every reader of TOML has to take (TOML 1.0, Integer); more digits than Python turns into text are refused too.
LARGEST_WHOLE = 1 << 63


class Table(BaseModel):
    """A table of a configuration file: every key needed, no other allowed."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def read_toml(path: Path) -> tuple[bytes, dict[str, Any]]:
    """Return a TOML file's bytes, and its values.

    Raises
    ------
    OSError
        It cannot be read, or is too large.
    ValueError
        It is not TOML in UTF-8.
    """
    content = read_outside(path, LARGEST_TOML)
    return content, toml_values(content)


def toml_values(content: bytes) -> dict[str, Any]:
    """Return the values of TOML in UTF-8.

    Raises
    ------
    ValueError
        It is none; or it is nested deeper, or holds larger numbers or other signs, than a file of settings does.
    """
    if any(line.count(b".") > MOST_DOTS for line in content.splitlines()):
        raise ValueError(f"a line of it holds more than {MOST_DOTS} dots")
    try:
        values = tomllib.loads(content.decode("utf-8-sig"))
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
    _check_values(values)
    return values


def _check_values(values: dict[str, Any]) -> None:
    """Refuse what neither a message nor a page could show; by a list, since depth itself is what is looked for."""
    waiting: list[tuple[int, Any]] = [(0, values)]
    count = 0
    while waiting:
        depth, value = waiting.pop()
        count += 1
        if count > MOST_VALUES:
            raise ValueError(f"it holds more than {MOST_VALUES} values")
        if depth > DEEPEST:
            raise ValueError("it is nested too deeply")
        if isinstance(value, str) and (mark := unseen_in(value)):
            raise ValueError(f"it holds the sign {mark}, which cannot be seen")
        if isinstance(value, int) and not -LARGEST_WHOLE <= value < LARGEST_WHOLE:
            raise ValueError("it holds a whole number beyond 64 bits")
        if isinstance(value, dict):
            waiting += [(depth + 1, one) for pair in value.items() for one in pair]
        if isinstance(value, list):
            waiting += [(depth + 1, one) for one in value]


def read_record(path: Path, shown: str, kind: type[T], *, expected: str, do: str = "") -> T:
    """Return what a TOML file holds.

    Parameters
    ----------
    path : Path
    shown : str
        The file, as messages name it.
    kind : type
        A `Table`, or a dict of such.
    expected, do : str
        What a message says of a file that cannot be read.

    Raises
    ------
    ConfigError
        The file cannot be read, or is not TOML.
    ManyProblems
        Unknown or missing keys, values of another kind: all of them at once.
    """
    try:
        return TypeAdapter(kind).validate_python(read_toml(path)[1])
    except OSError as error:
        raise ConfigError(shown, f"cannot be read ({error.strerror})", expected, do) from None
    except ValidationError as error:
        problems = [f"{'.'.join(map(str, one['loc']))}: {one['msg'].lower()}" for one in error.errors()]
        raise ManyProblems(shown, problems) from None
    except ValueError as error:
        raise ConfigError(shown, f"is not TOML ({error})") from None
