"""Settings: the shipped file and the model say the same, and every mistake is named at once."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Literal, get_args, get_origin

import pytest

import pipeline
from pipeline.config import (
    ModelChoice,
    PicturesKept,
    Settings,
    config_dir,
    load_settings,
    measuring_sha256,
    settings_sha256,
    settings_text,
    with_choices,
)
from pipeline.errors import ConfigError, ManyProblems
from pipeline.setting_words import allowed_range

SECTIONS = {name: field.annotation for name, field in Settings.model_fields.items()}
KEYS = [(section, key) for section, model in SECTIONS.items() for key in model.model_fields]
DEFAULT_TEXT = (config_dir() / "default.toml").read_text(encoding="utf-8")


def comment_above(section: str, key: str) -> str:
    """The comment line above a key of the shipped file."""
    part = DEFAULT_TEXT.split(f"[{section}]\n")[1].split("\n[")[0]
    lines = part.splitlines()
    number = next(i for i, line in enumerate(lines) if line.startswith(f"{key} = "))
    return lines[number - 1] if number else ""


def own_file(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_shipped_file_has_every_setting_of_the_model_and_no_other() -> None:
    shipped = tomllib.loads(DEFAULT_TEXT)
    found = [(section, key) for section, values in shipped.items() for key in values]
    assert found == KEYS, "configs/default.toml and pipeline/config.py differ, in keys or in their order"


@pytest.mark.parametrize(("section", "key"), KEYS)
def test_comment_of_each_setting_ends_with_the_unit_and_range_of_the_model(section: str, key: str) -> None:
    field = SECTIONS[section].model_fields[key]
    if field.annotation is str:
        end = "or en. text"
    elif get_origin(field.annotation) is Literal:
        end = "One of: " + ", ".join(get_args(field.annotation))
    else:
        low, high = allowed_range(field)
        kind = int if field.annotation is int else float
        end = f"[{field.json_schema_extra['unit']}] {kind(low)} to {kind(high)}"
    comment = comment_above(section, key)
    assert re.match(r"# [A-Z].{15,}", comment), f"{section}.{key} has no comment above it"
    assert comment.endswith(end), f"write the comment of {section}.{key} so that it ends with: {end}"


def test_default_values_are_those_that_the_design_fixes() -> None:
    # The pipeline's contract (DEVELOPERS.md), typed here a second time.
    settings = load_settings()
    assert settings.landmarks.model == "heavy"
    assert settings.landmarks.num_poses == 2
    assert (settings.signals.cutoff_hz, settings.signals.event_cutoff_hz) == (6.0, 10.0)
    assert (settings.strides.min_stride_s, settings.strides.max_stride_s) == (0.6, 2.5)
    assert settings.metrics.min_strides == 3


def test_own_file_changes_only_what_it_names(tmp_path: Path) -> None:
    settings = load_settings(own_file(tmp_path, "[signals]\ncutoff_hz = 7\n"))
    default = load_settings()
    assert settings.signals.cutoff_hz == 7.0
    assert settings.signals.model_copy(update={"cutoff_hz": 6.0}) == default.signals
    assert settings.model_copy(update={"signals": default.signals}) == default


def test_all_problems_are_shown_together_with_their_file(tmp_path: Path) -> None:
    text = """
[signals]
cutof_hz = 6.0
event_cutoff_hz = 60.0
min_visibility = true
[landmarks]
model = "lite"
num_poses = 1.5
[run]
keep_key_frames = true
keep_pictures = "some"
paper = "A5"
[smoothing]
window = 3
"""
    with pytest.raises(ManyProblems) as caught:
        load_settings(own_file(tmp_path, text))
    assert str(caught.value).splitlines() == [
        "settings: 9 problems found.",
        '  mine.toml: landmarks.model: found "lite"; expected one of: heavy, full',
        "  mine.toml: landmarks.num_poses: found 1.5; expected a whole number from 1 to 4 [people]",
        "  mine.toml: signals.event_cutoff_hz: found 60.0; expected a number from 1 to 30 [Hz]",
        "  mine.toml: signals.min_visibility: found true; expected a number from 0 to 1 [1]",
        "  mine.toml: signals.cutof_hz: unknown; did you mean cutoff_hz?",
        '  mine.toml: run.keep_pictures: found "some"; expected one of: clips, frames, none',
        '  mine.toml: run.paper: found "A5"; expected one of: A4, Letter',
        '  mine.toml: run.keep_key_frames: is now keep_pictures = "clips", "frames" or "none"',
        "  mine.toml: smoothing: unknown; known: landmarks, signals, strides, quality, metrics, run",
    ]


def test_problem_of_the_shipped_file_is_not_blamed_on_the_own_one(tmp_path: Path) -> None:
    broken = tmp_path / "default.toml"
    broken.write_text(DEFAULT_TEXT.replace("cutoff_hz = 6.0", "cutof_hz = 6.0", 1), encoding="utf-8")
    with pytest.raises(ManyProblems) as caught:
        load_settings(own_file(tmp_path, "[metrics]\nmin_strides = 0\n"), defaults=broken)
    assert caught.value.problems == (
        "default.toml: signals.cutoff_hz: missing; expected a number from 1 to 20 [Hz]",
        "default.toml: signals.cutof_hz: unknown; did you mean cutoff_hz?",
        "mine.toml: metrics.min_strides: found 0; expected a whole number from 1 to 50 [strides]",
    )


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", '"6"'])
def test_numbers_that_are_none_are_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(ManyProblems, match=r"cutoff_hz: found .*; expected a number from 1 to 20 \[Hz\]"):
        load_settings(own_file(tmp_path, f"[signals]\ncutoff_hz = {text}\n"))


def test_rules_between_settings_come_after_the_ranges(tmp_path: Path) -> None:
    path = own_file(tmp_path, "[strides]\nmin_stride_s = 1.4\nmax_stride_s = 1.2\n")
    with pytest.raises(ManyProblems) as caught:
        load_settings(path)
    assert caught.value.problems == (
        "mine.toml: strides.min_stride_s: found 1.4; expected less than strides.max_stride_s, which is 1.2 [s]",
    )


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (
            b"cutoff_hz 6",
            "mine.toml: is not TOML (Expected '=' after a key in a key/value pair "
            "(at line 1, column 11)); expected lines such as cutoff_hz = 6.0 under [signals].",
        ),
        (b"# \xff\n", "mine.toml: is not UTF-8 text; expected TOML. Save the file as UTF-8."),
        (
            None,
            "mine.toml: cannot be read (No such file or directory); expected a file of settings. "
            "Check the name given with --settings.",
        ),
    ],
)
def test_file_that_is_no_toml_is_named(tmp_path: Path, content: bytes | None, message: str) -> None:
    path = tmp_path / "mine.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load_settings(path)
    assert str(caught.value) == message


def test_file_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_bytes("\ufeff[metrics]\nmin_strides = 5\n".encode())
    assert load_settings(path).metrics.min_strides == 5


def test_a_choice_at_the_command_line_takes_the_place_of_one_setting() -> None:
    settings = load_settings()
    assert settings.run.keep_pictures == "clips"
    chosen = with_choices(settings, pictures=PicturesKept.none)
    assert chosen.run == settings.run.model_copy(update={"keep_pictures": "none"})
    assert chosen.landmarks == settings.landmarks
    assert with_choices(settings, model=ModelChoice.full).landmarks.model == "full"
    assert with_choices(settings) == settings


def test_recorded_settings_read_back_as_the_same(tmp_path: Path) -> None:
    settings = load_settings(own_file(tmp_path, '[landmarks]\nmodel = "full"\n[signals]\nmax_gap_s = 0.1\n'))
    record = tmp_path / "config.toml"
    record.write_text(settings_text(settings), encoding="utf-8")
    again = load_settings(record)
    assert again == settings
    assert settings_sha256(again) == settings_sha256(settings) != settings_sha256(load_settings())


def test_how_a_run_goes_is_not_among_the_settings_that_values_depend_on() -> None:
    settings = load_settings()
    several = settings.model_copy(update={"run": settings.run.model_copy(update={"workers": 7})})
    assert settings_sha256(several) != settings_sha256(settings)
    assert measuring_sha256(several) == measuring_sha256(settings)
    for section in sorted(set(Settings.model_fields) - {"run"}):
        part = getattr(settings, section)
        name = next(key for key, value in part if isinstance(value, int | float))
        other = part.model_copy(update={name: getattr(part, name) + 1})
        assert measuring_sha256(settings.model_copy(update={section: other})) != measuring_sha256(settings), section


def test_settings_cannot_be_changed_after_reading() -> None:
    with pytest.raises(ValueError, match="frozen"):
        load_settings().signals.cutoff_hz = 3.0


def test_installed_package_finds_its_own_settings_and_not_those_of_a_neighbour(tmp_path: Path) -> None:
    # The wheel holds configs/ as pipeline/_configs (pyproject.toml); a configs folder beside it is foreign.
    package = Path(pipeline.__file__).parent
    skip = shutil.ignore_patterns("models", "__pycache__", "docs")
    shutil.copytree(package, tmp_path / "pipeline", ignore=skip)
    shutil.copytree(config_dir(), tmp_path / "pipeline/_configs")
    (tmp_path / "configs").mkdir()
    (tmp_path / "configs/default.toml").write_text("foreign = true\n")
    code = "from pipeline.config import config_dir, load_settings; load_settings(); print(config_dir())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, check=True)
    assert Path(done.stdout.strip()) == tmp_path.resolve() / "pipeline/_configs"


def test_package_without_its_settings_says_to_install_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.config.__file__", str(tmp_path / "pipeline/config.py"))
    with pytest.raises(ConfigError) as caught:
        config_dir()
    assert str(caught.value) == (
        "settings: configs/default.toml is missing; expected it beside the package. Install the package again."
    )
