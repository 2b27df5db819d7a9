"""Settings: `configs/default.toml`, and a file of the user's own that changes some of them.

All problems of all files are collected and shown together. The range and the unit of each setting are
written here once and once, for the reader, in the file; a test compares the two.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import ConfigError, ManyProblems
from pipeline.setting_words import setting_problem
from pipeline.store import shown_path
from pipeline.toml_record import read_toml

# Paper of the PDF: 210 x 297 mm (ISO 216), and 8.5 x 11 in.
Paper = Literal["A4", "Letter"]

DEFAULT_NAME = "configs/default.toml"
# The language that the pages are written in; others are catalogues of it.
ENGLISH = "en"


class ModelChoice(StrEnum):
    """Pose models."""

    heavy = "heavy"
    full = "full"


class PicturesKept(StrEnum):
    """What is kept of the pictures: key frames and small clips, key frames alone, or nothing that shows anybody."""

    clips = "clips"
    frames = "frames"
    none = "none"


class Section(BaseModel):
    """One section of the settings: frozen, every key required, nothing else allowed."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def _number(low: float, high: float, unit: str) -> Any:
    """A required number with its allowed range, ends included, and its unit."""
    return Field(ge=low, le=high, json_schema_extra={"unit": unit})


class LandmarkSettings(Section):
    """How the pose estimator is asked."""

    model: Literal["heavy", "full"]
    num_poses: int = _number(1, 4, "people")


class SignalSettings(Section):
    """How landmarks become signals."""

    max_gap_s: float = _number(0.0, 0.5, "s")
    event_max_gap_s: float = _number(0.0, 0.5, "s")
    cutoff_hz: float = _number(1.0, 20.0, "Hz")
    lowest_cutoff_hz: float = _number(1.0, 20.0, "Hz")
    highest_cutoff_hz: float = _number(1.0, 20.0, "Hz")
    event_cutoff_hz: float = _number(1.0, 30.0, "Hz")
    min_visibility: float = _number(0.0, 1.0, "1")


class StrideSettings(Section):
    """What counts as a stride."""

    min_stride_s: float = _number(0.3, 1.5, "s")
    max_stride_s: float = _number(1.0, 6.0, "s")
    min_seen_share: float = _number(0.0, 1.0, "1")


class QualitySettings(Section):
    """What a clip must offer to be measured, and what it should offer to be measured well."""

    min_frames: int = _number(10, 1000, "frames")
    min_fps: float = _number(10.0, 240.0, "1/s")
    min_seen_share: float = _number(0.0, 1.0, "1")
    min_body_height_share: float = _number(0.0, 1.0, "1")
    max_rival_share: float = _number(0.0, 1.0, "1")
    max_second_person_share: float = _number(0.0, 1.0, "1")
    min_body_height_px: int = _number(20, 2000, "px")
    min_duration_s: float = _number(0.5, 60.0, "s")
    min_shorter_side_px: int = _number(120, 4320, "px")
    quick_fps: float = _number(10.0, 480.0, "1/s")
    max_dropped_share: float = _number(0.0, 1.0, "1")
    max_irregular_share: float = _number(0.0, 1.0, "1")
    min_strides: int = _number(1, 50, "strides")
    min_leg_seen_share: float = _number(0.0, 1.0, "1")
    max_blur_pct: float = _number(0.0, 10.0, "% body height")
    min_brightness: float = _number(0.0, 1.0, "1")
    max_brightness: float = _number(0.0, 1.0, "1")
    min_contrast: float = _number(0.0, 1.0, "1")
    max_camera_angle_deg: float = _number(0.0, 90.0, "deg")
    lens_focal_share: float = _number(0.2, 20.0, "1")


class MetricSettings(Section):
    """How many strides a metric needs."""

    min_strides: int = _number(1, 50, "strides")


class RunSettings(Section):
    """How a run goes; nothing here changes a measured value."""

    workers: int = _number(1, 64, "processes")
    clip_time_limit_s: float = _number(1.0, 86400.0, "s")
    clip_memory_limit_mb: float = _number(300.0, 1e6, "MB")
    keep_pictures: Literal["clips", "frames", "none"]
    paper: Paper
    language: str


class Settings(BaseModel):
    """All settings. Each stage is given only the sections that it reads."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    landmarks: LandmarkSettings
    signals: SignalSettings
    strides: StrideSettings
    quality: QualitySettings
    metrics: MetricSettings
    run: RunSettings


def config_dir() -> Path:
    """Folder of the shipped settings and limits: in an installed package, or in a source checkout.

    Raises
    ------
    ConfigError
        Neither has the file of default settings.
    """
    package = Path(__file__).resolve().parent
    # The installed place comes first: a folder beside an installed package belongs to somebody else.
    for folder in (package / "_configs", package.parent / "configs"):
        if (folder / "default.toml").is_file():
            return folder
    raise ConfigError(
        "settings",
        "configs/default.toml is missing",
        "expected it beside the package",
        "Install the package again.",
    )


def languages(folder: Path | None = None) -> tuple[str, ...]:
    """Codes of the languages at hand (ISO 639-1), English first; a folder of catalogues other than the shipped one."""
    return (ENGLISH, *sorted(path.stem for path in (folder or config_dir() / "languages").glob("*.po")))


def load_settings(path: Path | str | None = None, *, defaults: Path | None = None) -> Settings:
    """Return the default settings, with those of a file of the user's own in their place.

    Parameters
    ----------
    path : Path or str, optional
        TOML file with the settings to change.
    defaults : Path, optional
        File of all settings; by default the one that ships.

    Returns
    -------
    Settings
        A frozen pydantic model; `settings.model_copy(update=...)` gives one with other values.

    Raises
    ------
    ConfigError
        A file cannot be read, or is not TOML.
    ManyProblems
        Unknown keys, missing keys, values out of range: all of them at once.
    """
    path = None if path is None else Path(path)
    base_name = DEFAULT_NAME if defaults is None else shown_path(defaults)
    base = _read_toml(defaults or config_dir() / "default.toml", base_name)
    own_name = "" if path is None else shown_path(path)
    own = {} if path is None else _read_toml(path, own_name)
    merged = _merge(base, own)
    try:
        settings = Settings.model_validate(merged)
    except ValidationError as error:
        problems = [
            setting_problem(details, own_name if _has(own, details["loc"]) else base_name, Settings)
            for details in error.errors()
        ]
        raise ManyProblems("settings", problems) from None
    between = _between_settings(settings)
    if between:
        raise ManyProblems("settings", [f"{own_name or base_name}: {problem}" for problem in between])
    return settings


def with_choices(
    settings: Settings, *, model: ModelChoice | None = None, pictures: PicturesKept | None = None
) -> Settings:
    """The settings, with what was asked for at the command line in its place."""
    landmarks = settings.landmarks.model_copy(update={"model": model.value} if model else {})
    run = settings.run.model_copy(update={"keep_pictures": pictures.value} if pictures else {})
    return settings.model_copy(update={"landmarks": landmarks, "run": run})


def settings_text(settings: Settings) -> str:
    """The resolved settings as TOML, for the record of a run; reading it gives the same settings."""
    return "\n".join(["# The settings of this run, defaults included.", *_sections(settings), ""])


def _sections(settings: Settings, *, without: frozenset[str] = frozenset()) -> Iterator[str]:
    """The lines of settings as TOML."""
    for section, values in settings.model_dump(exclude=set(without)).items():
        yield from ("", f"[{section}]")
        # Text, whole numbers, floats and true/false are written alike in JSON and in TOML.
        yield from (f"{key} = {json.dumps(value)}" for key, value in values.items())


def settings_sha256(settings: Settings) -> str:
    """Hash of the resolved settings."""
    return _sha256(settings_text(settings))


def measuring_sha256(settings: Settings) -> str:
    """Hash of the settings that values depend on: all but those of how a run goes."""
    return _sha256("\n".join(_sections(settings, without=frozenset({"run"}))))


def _sha256(text: str) -> str:
    """Hash of a text."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _read_toml(path: Path, name: str) -> dict[str, Any]:
    """A TOML file as nested dicts."""
    try:
        return read_toml(path)[1]
    except OSError as error:
        raise ConfigError(
            name,
            f"cannot be read ({error.strerror})",
            "expected a file of settings",
            "Check the name given with --settings.",
        ) from None
    except UnicodeDecodeError:
        raise ConfigError(name, "is not UTF-8 text", "expected TOML", "Save the file as UTF-8.") from None
    except ValueError as error:
        raise ConfigError(
            name, f"is not TOML ({error})", "expected lines such as cutoff_hz = 6.0 under [signals]"
        ) from None


def _merge(base: dict[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    """The base with the user's values in place; keys that the base lacks are kept, to be refused later."""
    merged = dict(base)
    for section, values in own.items():
        both_tables = isinstance(values, dict) and isinstance(base.get(section), dict)
        merged[section] = {**base[section], **values} if both_tables else values
    return merged


def _has(values: dict[str, Any], location: tuple[int | str, ...]) -> bool:
    """Tell whether the key at a location was written in these values."""
    here: Any = values
    for part in location:
        if not isinstance(here, dict) or part not in here:
            return False
        here = here[part]
    return True


def _between_settings(settings: Settings) -> list[str]:
    """Second round: rules between settings that are each in range."""
    rules = (
        ("strides.min_stride_s", "less than", "strides.max_stride_s", "s"),
        ("quality.min_brightness", "less than", "quality.max_brightness", "1"),
        ("signals.max_gap_s", "less than", "strides.min_stride_s", "s"),
        ("signals.lowest_cutoff_hz", "no more than", "signals.highest_cutoff_hz", "Hz"),
    )
    problems = []
    for name, relation, other, unit in rules:
        value, bound = (getattr(getattr(settings, key.split(".")[0]), key.split(".")[1]) for key in (name, other))
        if value > bound or (value == bound and relation == "less than"):
            problems.append(f"{name}: found {value}; expected {relation} {other}, which is {bound} [{unit}]")
    known = languages()
    if settings.run.language not in known:
        problems.append(f"run.language: found {settings.run.language!r}; expected one of: {', '.join(known)}")
    return problems
