"""`strideledger catalogue`: every fault, limit and metric, as text, as a table, and as pages."""

from __future__ import annotations

import csv
import sys
import tomllib
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import pytest

from pipeline.catalogue import LINE_WIDTH, Row, base_metric, catalogue_rows, catalogue_text, limit_words, step_words
from pipeline.cli import main
from pipeline.config import config_dir
from pipeline.fault_pages import END, HEADINGS, NOT_MEASURED, made_pages
from pipeline.judgement import Limits
from pipeline.metrics import CATALOGUE
from pipeline.report.layout import load_sources
from pipeline.thresholds import load_limits

Run = Callable[..., tuple[int, str, str]]
# A clinic's own file, with everything that a limit may say; the numbers are invented.
OWN = """
[fault]
order = 1
title = "Slow knee"
view = "sagittal"
side = "prosthetic"
phase = "terminal swing"
seen = "The knee comes straight late."
cannot_tell = "A slow walk looks alike."
rule = "all"
urgent = true
caution = "Go on with care."
curve = "knee_flexion_deg"
phase_pct = [75.0, 100.0]
prosthesis_only = true

[[check]]
id = "slow_knee"
metric = "knee_extension_speed"
side = "prosthetic"
below = 200.0
clear = 150.0
severe = 90.5
unit = "deg/s"
standing = "provisional"
source = "own_choice_terminal_impact"
note = "Invented, for a test."
levels = ["transfemoral"]
aids = ["none"]
speed_legs = [0.8, 1.5]

[[check]]
id = "slow_steps"
metric = "step_time_ratio"
side = "both"
above = 2.0
unit = "1"
standing = "common practice"
source = "definition"
note = "Invented, for a test."
"""


@pytest.fixture
def own_limits(tmp_path: Path) -> Path:
    """A folder with one fault of a clinic's own."""
    folder = tmp_path / "own"
    folder.mkdir()
    (folder / "slow_knee.toml").write_text(OWN, encoding="utf-8")
    return folder


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run the command in a folder of its own; gives exit code, output and error output."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["strideledger", "catalogue", *arguments])
        with pytest.raises(SystemExit) as caught:
            main()
        code = caught.value.code or 0
        assert isinstance(code, int)
        return code, *capsys.readouterr()

    return call


def rows_of(limits: Limits) -> tuple[Row, ...]:
    return catalogue_rows(limits, load_sources())


def test_every_limit_of_the_files_has_one_row_with_its_own_numbers() -> None:
    # Read again from the files themselves, past the loader of limits.
    written = {}
    for path in (config_dir() / "checks").glob("*.toml"):
        for check in tomllib.loads(path.read_text(encoding="utf-8"))["check"]:
            direction = "above" if "above" in check else "below"
            numbers = (check[direction], check.get("clear"), check.get("severe"))
            written[check["id"]] = (path.stem, check["metric"], check["unit"], direction, *numbers, check["source"])
    rows = [row for row in rows_of(load_limits()) if row.check]
    shown = {
        row.check: (row.fault, row.metric, row.unit, row.direction, row.limit, row.clear, row.severe, row.source)
        for row in rows
    }
    assert shown == written
    assert len(rows) == len(written)


def test_every_metric_is_listed_and_those_without_a_limit_once() -> None:
    rows = rows_of(load_limits())
    assert {row.metric for row in rows} == set(CATALOGUE)
    context = [row.metric for row in rows if not row.check]
    assert len(context) == len(set(context))
    assert not set(context) & {row.metric for row in rows if row.check}


def test_text_fits_100_columns_and_names_every_fault_and_metric(run: Run) -> None:
    code, output, _ = run()
    lines = output.splitlines()
    assert code == 0
    assert max(map(len, lines)) <= LINE_WIDTH == 100
    limits = load_limits()
    for fault in limits.faults:
        assert sum(line.startswith(f"{fault.title} [{fault.name}]") for line in lines) == 1
    assert set(CATALOGUE) <= set(output.split())
    assert lines[-1] == f"faults: {len(limits.faults)}, limits: {len(limits.checks)}, metrics: {len(CATALOGUE)}."


def test_a_limit_tells_its_direction_steps_source_and_for_whom_it_holds(own_limits: Path) -> None:
    limits = load_limits(own_limits)
    head = catalogue_text(limits, rows_of(limits)).split("\n\n")[0]
    assert [line.split() for line in head.splitlines()] == [
        line.split()
        for line in (
            "Slow knee [slow_knee], URGENT",
            "prosthetic limb; terminal swing, all limits must be passed",
            "below 200 deg/s knee_extension_speed prosthetic clear 150, severe 90.5",
            "sagittal; provisional (own_choice_terminal_impact); 60 frames/s or more;",
            "near limb; level: transfemoral; aid: none; speed: 0.8 to 1.5 leg lengths/s",
            "above 2 step_time_ratio compared",
            "sagittal; common practice (definition)",
        )
    ]


def test_table_has_one_column_a_field_and_reads_back(run: Run, own_limits: Path) -> None:
    assert run("--limits", "own", "--csv", "limits.csv") == (0, "limits.csv\n", "")
    with (own_limits.parent / "limits.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == [field.name for field in fields(Row)]
    assert rows[0] == {
        "fault": "slow_knee",
        "title": "Slow knee",
        "check": "slow_knee",
        "view": "sagittal",
        "side": "prosthetic",
        "metric": "knee_extension_speed",
        "what": CATALOGUE["knee_extension_speed"].title,
        "unit": "deg/s",
        "positive": "extending",
        "direction": "below",
        "limit": "200.0",
        "clear": "150.0",
        "severe": "90.5",
        "standing": "provisional",
        "source": "own_choice_terminal_impact",
        "known": "own choice",
        "levels": "transfemoral",
        "aids": "none",
        "speed": "0.8 to 1.5",
        "min_strides": "3",
        "min_fps": "60.0",
        "near_only": "True",
        "note": "Invented, for a test.",
    }
    assert [row["limit"] for row in rows[2:]] == [""] * (len(rows) - 2)


def test_a_comparison_needs_what_its_metric_needs() -> None:
    assert base_metric("step_time_ratio").id == "step_time"
    assert base_metric("step_time").id == "step_time"
    row = next(row for row in rows_of(load_limits()) if row.metric == "arm_swing_asymmetry")
    assert row.near_only is CATALOGUE["arm_swing_range"].near_only is True


def test_words_of_a_limit() -> None:
    limits = load_limits()
    row = next(row for row in rows_of(limits) if row.check == "stance_time_short_prosthetic")
    assert limit_words(row).startswith("below 0.9")
    assert "deg" not in limit_words(row)
    context = next(row for row in rows_of(limits) if row.metric == "stride_time")
    assert limit_words(context) == step_words(context) == ""


def test_limits_that_are_wrong_are_named_and_nothing_is_written(run: Run, own_limits: Path) -> None:
    path = own_limits / "slow_knee.toml"
    path.write_text(OWN.replace('metric = "knee_extension_speed"', 'metric = "knee_extension_sped"'), encoding="utf-8")
    code, output, error = run("--limits", "own", "--csv", "limits.csv")
    assert (code, output) == (2, "")
    assert "own/slow_knee.toml: check 'slow_knee': metric 'knee_extension_sped' is unknown" in error
    assert "Traceback" not in error
    assert not (own_limits.parent / "limits.csv").exists()


def test_a_fault_of_ones_own_gets_a_page_and_keeps_its_text(run: Run, own_limits: Path) -> None:
    folder = own_limits.parent / "pages"
    assert run("--limits", "own", "--pages", "pages") == (0, "pages/slow_knee.md\npages/README.md\n", "")
    page = folder / "slow_knee.md"
    text = page.read_text(encoding="utf-8")
    assert [line[3:] for line in text.splitlines() if line.startswith("## ")] == list(HEADINGS)
    assert "below 200 deg/s | 150 | 90.5 | provisional | transfemoral; aid: none; 0.8 to 1.5 leg lengths/s |" in text
    assert "All limits must be passed." in text
    assert NOT_MEASURED not in text.split("## Limits")[0]
    page.write_text(f"{text}\nOur own remark.\n", encoding="utf-8")
    (own_limits / "slow_knee.toml").write_text(OWN.replace("200.0", "190.0"), encoding="utf-8")
    run("--limits", "own", "--pages", "pages")
    again = page.read_text(encoding="utf-8")
    assert again == f"{text.replace('below 200 deg/s', 'below 190 deg/s')}\nOur own remark.\n"


def test_metrics_and_sources_that_a_text_names_are_listed(own_limits: Path, tmp_path: Path) -> None:
    limits = load_limits(own_limits)
    text = made_pages(tmp_path, limits)["slow_knee.md"]
    assert "| `step_time` |" not in text
    (tmp_path / "slow_knee.md").write_text(f"{text}\nSee `step_time` [segal_2006].\n", encoding="utf-8")
    again = made_pages(tmp_path, limits)["slow_knee.md"]
    assert "| `step_time` | Step time | s |  | each stride | no |" in again
    assert "- `segal_2006`: Segal AD and others (2006)." in again


def test_figures_come_from_the_tables_of_the_benchmark(
    own_limits: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    docs = tmp_path / "docs"
    docs.mkdir()
    monkeypatch.setattr("pipeline.fault_pages.DOCS", docs)
    limits = load_limits(own_limits)
    assert f"<!-- generated: accuracy -->\n{NOT_MEASURED}\n" in made_pages(tmp_path, limits)["slow_knee.md"]
    (docs / "faults.md").write_text(
        "# Faults\n\n### Walkers with one fault\n\n| fault | sensitivity |\n|---|---|\n| vaulting | 0.7 |\n"
        "| slow_knee | 0.83 |\n\n### Confusion\n\n| injected | also called present |\n|---|---|\n"
        "| slow_knee | vaulting |\n\n### Metrics\n\n| metric | limb | MAE | slope |\n|---|---|---|---|\n"
        "| stride_time | sound | 0.1 | 1 |\n| step_time_ratio | both | 0.2 | 0.95 |",
        encoding="utf-8",
    )
    text = made_pages(tmp_path, limits)["slow_knee.md"]
    assert (
        "<!-- generated: accuracy -->\n"
        "Walkers with one fault (faults.md):\n\n| fault | sensitivity |\n|---|---|\n| slow_knee | 0.83 |\n\n"
        "Confusion (faults.md):\n\n| injected | also called present |\n|---|---|\n| slow_knee | vaulting |\n\n"
        "Metrics (faults.md):\n\n| metric | limb | slope |\n|---|---|---|\n| step_time_ratio | both | 0.95 |\n\n"
        "- Own error of `knee_extension_speed`"
    ) in text


def test_a_page_without_its_markers_is_named(run: Run, own_limits: Path) -> None:
    folder = own_limits.parent / "pages"
    folder.mkdir()
    (folder / "slow_knee.md").write_text("# Slow knee\n", encoding="utf-8")
    assert run("--limits", "own", "--pages", "pages") == (
        2,
        "",
        "error: slow_knee.md: the markers of the part 'seen' are missing; expected <!-- generated: seen --> "
        f"and below it {END}. Put both lines back, or take the page away and make it anew.\n",
    )
