"""A TOML file as the record that it has to be, every mistake in it told at once."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from pipeline.errors import ConfigError, ManyProblems

T = TypeVar("T")


class Table(BaseModel):
    """A table of a configuration file: every key needed, no other allowed."""

    model_config = ConfigDict(frozen=True, extra="forbid")


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
        return TypeAdapter(kind).validate_python(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise ConfigError(shown, f"cannot be read ({error.strerror})", expected, do) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(shown, f"is not TOML ({error})") from None
    except ValidationError as error:
        problems = [f"{'.'.join(map(str, one['loc']))}: {one['msg'].lower()}" for one in error.errors()]
        raise ManyProblems(shown, problems) from None
