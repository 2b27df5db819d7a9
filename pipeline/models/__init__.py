"""The pose models that ship with the package, and the check that they are the ones that shipped.

A measurement is only comparable with an earlier one when both come from the same model, so a model file
is hashed before each use and its hash goes into the results. The files' origin is in `models.toml`.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from pipeline.errors import ModelError
from pipeline.store import file_sha256

# Finds people in whole pictures and tiles, whichever model the clip is read with: the same detector, and less than half
# of the default model's time.
FIRST_LOOK_MODEL = "full"


@dataclass(frozen=True, slots=True)
class ModelFile:
    """A model file whose content was checked."""

    name: str
    path: Path
    sha256: str


@dataclass(frozen=True, slots=True)
class _Recorded:
    """What `models.toml` says of one bundle."""

    file: str
    sha256: str


@cache
def _recorded() -> dict[str, _Recorded]:
    """The bundles of `models.toml` by model name."""
    text = (files(__package__) / "models.toml").read_text(encoding="utf-8")
    bundles = tomllib.loads(text)["bundles"]
    return {name: _Recorded(entry["file"], entry["sha256"]) for name, entry in bundles.items()}


def model_names() -> tuple[str, ...]:
    """Names of the models that ship with the package, the default first."""
    return tuple(_recorded())


def _entry(name: str) -> _Recorded:
    """What is recorded of one model."""
    try:
        return _recorded()[name]
    except KeyError:
        raise ModelError(
            f"model {name!r}",
            "no such model",
            f"expected one of: {', '.join(model_names())}",
            "Correct the model's name in the settings.",
        ) from None


def model_path(name: str) -> Path:
    """Path of a model file; the file itself is not looked at.

    Parameters
    ----------
    name : str
        ``"heavy"`` (the default model) or ``"full"`` (the quick look).

    Raises
    ------
    ModelError
        No model has this name.
    """
    return Path(str(files(__package__))) / _entry(name).file


def verify_model(name: str, *, path: Path | None = None) -> ModelFile:
    """The model file, after its SHA-256 was found equal to the recorded one.

    Parameters
    ----------
    name : str
        ``"heavy"`` or ``"full"``.
    path : Path, optional
        Where the file lies; by default beside this module.

    Raises
    ------
    ModelError
        Unknown name, missing file, or a file with other content than the one that was shipped.
    """
    expected = _entry(name).sha256
    path = path or model_path(name)
    do = "Install the package again; do not measure with this file."
    try:
        found = file_sha256(path)
    except OSError as error:
        raise ModelError(
            f"model file {path.name}",
            f"cannot be read ({error.strerror})",
            f"expected a file with SHA-256 {expected}",
            do,
        ) from error
    if found != expected:
        raise ModelError(f"model file {path.name}", f"SHA-256 is {found}", f"expected {expected}", do)
    return ModelFile(name, path, expected)


def verify_models(name: str) -> tuple[ModelFile, ModelFile]:
    """The models that a clip is read with, checked as by `verify_model`: that of the first look, and the named one."""
    return verify_model(FIRST_LOOK_MODEL), verify_model(name)
