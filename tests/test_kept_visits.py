"""Visits of the detection benchmark that are kept in one file between sittings."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from pipeline.bench.detection_tables import alarm_table, detection_table, goal_rows
from pipeline.bench.faults_page import faults_page
from pipeline.bench.kept_visits import (
    KeptHalf,
    KeptVisit,
    go_on_with,
    nothing_kept,
    read_half,
    value_frame,
    verdict_frame,
    write_half,
)
from pipeline.bench.tables import value_table
from pipeline.checks import VERDICTS_VERSION
from pipeline.config import load_settings
from pipeline.errors import ConfigError
from pipeline.jobs import VISIT_VERSION
from pipeline.thresholds import load_limits
from tests.test_bench_faults import verdicts
from tests.test_bench_tables import VALUES

# Its tenth byte begins what is packed.
CHANGED = gzip.compress(b'{"walkers": "x"}', mtime=0)[:10] + b"\xff" * 20
NOTHING = KeptHalf("the test half, seed 2", "heavy", {"limits": "abc", "measures": "4"}, 11)


def kept() -> KeptHalf:
    """One visit a subject of the hand-made tables; the values, some of them missing, all with one of them."""
    visits = {}
    for subject, rows in verdicts().groupby("subject", sort=False):
        values = VALUES.to_dict("records") if subject == "F1" else []
        failed = {"F1-a": "nobody walks"} if subject == "F1" else {}
        visits[str(subject)] = KeptVisit(str(subject), "2026-11-26", 2, failed, rows.to_dict("records"), values)
    return replace(NOTHING, visits=visits)


def test_tables_of_kept_visits_are_those_of_the_visits(tmp_path: Path) -> None:
    write_half(tmp_path / "rows.gz", kept())
    again = read_half(tmp_path / "rows.gz")
    assert replace(again, visits={}) == NOTHING
    assert again.visits["F1"].failed == {"F1-a": "nobody walks"}
    assert again.visits.keys() == kept().visits.keys()
    there, here = verdict_frame(again.visits.values()), verdicts()
    pd.testing.assert_frame_equal(there, here)
    for table in (alarm_table, detection_table, goal_rows):
        pd.testing.assert_frame_equal(table(there), table(here))
    pd.testing.assert_frame_equal(value_table(value_frame(again.visits.values())), value_table(VALUES))


def test_visits_of_a_second_sitting_join_those_of_the_first(tmp_path: Path) -> None:
    """In whatever order they were measured, the file has the same bytes and the page the same words."""
    whole, one, other = kept(), tmp_path / "one.gz", tmp_path / "other.gz"
    names = list(whole.visits)
    write_half(one, whole)
    write_half(other, replace(whole, visits={name: whole.visits[name] for name in names[4:]}))
    first = go_on_with(other, NOTHING)
    second = replace(first, visits=first.visits | {name: whole.visits[name] for name in names[:4]})
    write_half(other, second)
    assert one.read_bytes() == other.read_bytes()
    assert faults_page(second) == faults_page(whole)


def test_visits_judged_by_other_limits_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "rows.gz"
    write_half(path, kept())
    with pytest.raises(ConfigError, match=r"measured with limits abc.*expected limits def"):
        go_on_with(path, replace(NOTHING, made_with=NOTHING.made_with | {"limits": "def"}))
    with pytest.raises(ConfigError, match=r"measured with walkers the test half.*expected walkers the tuning half"):
        go_on_with(path, replace(NOTHING, walkers="the tuning half, seed 2"))
    assert go_on_with(tmp_path / "new.gz", NOTHING) == NOTHING


def test_the_page_of_the_benchmark_is_that_of_the_visits_that_were_kept() -> None:
    root = Path(__file__).parents[1]
    half = read_half(root / "example_data/benchmark/faults_test_seed2.jsonl.gz")
    assert faults_page(half) == (root / "pipeline/docs/faults.md").read_text(encoding="utf-8")


def test_the_page_tells_everything_from_what_is_kept() -> None:
    page, part = faults_page(kept()), faults_page(replace(kept(), asked_for=20))
    assert "seed 2: 11 visits, **the first part of 20** (walker 1 of everything comes first),\n21 of 22 clips" in part
    assert "on 2026-11-26, heavy model, the test half, seed 2: 11 visits,\n21 of 22 clips measured" in page
    assert "| vaulting | 3 of 4, 75% (30% to 95%) | 1 of 2, 50% (9% to 91%) | yes |" in page
    assert "Of 1 pairs, 0 could not be judged in any visit" in page
    assert "- F1-a: nobody walks" in page
    whole = {name: replace(visit, failed={}) for name, visit in kept().visits.items()}
    assert "11 visits,\nall 22 clips measured. The walkers" in faults_page(replace(kept(), visits=whole))
    assert page.endswith("### Measured with\n\n- limits: abc\n- measures: 4\n")


@pytest.mark.parametrize(
    "content",
    [b"", b"no archive", gzip.compress(b"", mtime=0), gzip.compress(b'{"walkers": "x"}\n{"day"', mtime=0), CHANGED],
    ids=["empty", "no archive", "empty archive", "broken off", "bytes changed"],
)
def test_a_damaged_file_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "rows.gz").write_bytes(content)
    with pytest.raises(ConfigError, match="cannot be read"):
        read_half(tmp_path / "rows.gz")


def test_rows_are_tied_to_the_version_of_the_verdicts_and_not_of_the_pages() -> None:
    """A page that shows the same verdicts in other words leaves rows that took hours as good as they were."""
    made_with = nothing_kept(load_settings(), load_limits(), "the test half, seed 2", 9, "1").made_with
    assert made_with["verdicts"] == str(VERDICTS_VERSION) != str(VISIT_VERSION)
