"""Visits of the detection benchmark that are kept in one file between sittings."""

from __future__ import annotations

import gzip
from pathlib import Path

import pandas as pd
import pytest

from pipeline.bench.detection_tables import alarm_table, detection_table, goal_rows
from pipeline.bench.kept_visits import KeptVisit, read_visits, value_frame, verdict_frame, write_visits
from pipeline.bench.tables import value_table
from pipeline.errors import ConfigError
from tests.test_bench_faults import verdicts
from tests.test_bench_tables import VALUES

# Its tenth byte begins what is packed.
CHANGED = gzip.compress(b'{"walkers": "x"}', mtime=0)[:10] + b"\xff" * 20
WITH = {"walkers": "the test half, seed 2", "limits": "abc"}


def kept() -> dict[str, KeptVisit]:
    """One visit a subject of the hand-made tables; the values, some of them missing, all with the first."""
    visits = {}
    for subject, rows in verdicts().groupby("subject", sort=False):
        values = [] if visits else VALUES.to_dict("records")
        failed = {} if visits else {"F1-a": "nobody walks"}
        visits[str(subject)] = KeptVisit(str(subject), "2026-11-26", 2, failed, rows.to_dict("records"), values)
    return visits


def test_tables_of_kept_visits_are_those_of_the_visits(tmp_path: Path) -> None:
    write_visits(tmp_path / "rows.gz", WITH, kept())
    again = read_visits(tmp_path / "rows.gz", WITH)
    assert again["F1"].failed == {"F1-a": "nobody walks"}
    assert again.keys() == kept().keys()
    there, here = verdict_frame(again.values()), verdicts()
    pd.testing.assert_frame_equal(there, here)
    for table in (alarm_table, detection_table, lambda rows: goal_rows(rows, {"vaulting_size": 0.2})):
        pd.testing.assert_frame_equal(table(there), table(here))
    pd.testing.assert_frame_equal(value_table(value_frame(again.values())), value_table(VALUES))


def test_visits_of_a_second_sitting_join_those_of_the_first(tmp_path: Path) -> None:
    """In whatever order they were measured, the file has the same bytes."""
    visits, one, other = kept(), tmp_path / "one.gz", tmp_path / "other.gz"
    write_visits(one, WITH, visits)
    write_visits(other, WITH, {name: visits[name] for name in list(visits)[4:]})
    write_visits(other, WITH, read_visits(other, WITH) | {name: visits[name] for name in list(visits)[:4]})
    assert one.read_bytes() == other.read_bytes()


def test_visits_judged_by_other_limits_are_refused(tmp_path: Path) -> None:
    write_visits(tmp_path / "rows.gz", WITH, kept())
    with pytest.raises(ConfigError, match=r"measured with limits abc.*expected limits def"):
        read_visits(tmp_path / "rows.gz", WITH | {"limits": "def"})
    assert read_visits(tmp_path / "new.gz", WITH) == {}


@pytest.mark.parametrize(
    "content",
    [b"", b"no archive", gzip.compress(b"", mtime=0), gzip.compress(b'{"walkers": "x"}\n{"day"', mtime=0), CHANGED],
    ids=["empty", "no archive", "empty archive", "broken off", "bytes changed"],
)
def test_a_damaged_file_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "rows.gz").write_bytes(content)
    with pytest.raises(ConfigError, match="cannot be read"):
        read_visits(tmp_path / "rows.gz", WITH)
