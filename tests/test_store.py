"""Files on disk: whole or not there, inside the results folder, and no half result taken for a whole one."""

from __future__ import annotations

import hashlib
import json
from collections import deque
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import ConfigError, StageError
from pipeline.isolate import Job, run_jobs
from pipeline.judgement import ClipResult, Fault, RunRecord, VisitReport
from pipeline.model import MetricValue, QualityNote
from pipeline.store import (
    OutputTree,
    file_sha256,
    fingerprint,
    read_json,
    write_arrays,
    write_bytes,
    write_json,
    write_table,
    write_text,
)
from tests import standins

REPORT = VisitReport(
    subject="P01",
    visit="01",
    visit_date=date(2026, 3, 14),
    prosthetic_sides=("left",),
    changes="heel é",
    clips=(ClipResult("walk", "clips/walk.mp4", "done", "measures", "", "", 1.5, ("landmarks",)),),
    quality={"walk": (QualityNote("frames", float("nan"), "1", 30, True, "Film more."),)},
    metrics=(MetricValue("step_time", "left", None, "s", 1, None, None, None, "too_few_strides", "1 stride"),),
    faults=(Fault("vaulting", "Vaulting", "sound", "cannot say", "1 stride", False, ()),),
    run=RunRecord("r", "a", "", "0", {"python": "3"}, "heavy", "0", "1", "2"),
)


def test_names_in_the_tree_are_key_value_parts(tmp_path: Path) -> None:
    tree = OutputTree(tmp_path)
    assert tree.clip_folder("P01", "02", "walk") == tmp_path / "sub-P01" / "ses-02" / "walk"
    assert tree.visit_folder("P01", "02") == tmp_path / "sub-P01" / "ses-02"
    assert tree.run_folder("r1") == tmp_path / "runs" / "r1"


@pytest.mark.parametrize("clip_id", ["../../../elsewhere", "/elsewhere"])
def test_place_outside_the_results_is_refused(tmp_path: Path, clip_id: str) -> None:
    with pytest.raises(ConfigError, match=r"results folder: .* leads outside of it; expected a place inside"):
        OutputTree(tmp_path / "out").clip_folder("P01", "01", clip_id)


def test_link_that_leads_out_of_the_results_is_refused(tmp_path: Path) -> None:
    out, elsewhere = tmp_path / "out", tmp_path / "elsewhere"
    out.mkdir()
    elsewhere.mkdir()
    (out / "sub-P01").symlink_to(elsewhere, target_is_directory=True)
    with pytest.raises(ConfigError) as caught:
        OutputTree(out).visit_folder("P01", "01")
    assert str(caught.value) == (
        "results folder: 'sub-P01/ses-01' leads outside of it; expected a place inside. "
        "Remove the link, or give another folder with --out."
    )


def test_results_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(ConfigError) as caught:
        OutputTree(tmp_path / "out")
    assert str(caught.value) == ("out: is a file; expected a folder for the results. Give another folder with --out.")


def test_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    write_text(path, "old")
    with pytest.raises(TypeError):
        write_bytes(path, "no bytes")  # type: ignore[arg-type]
    assert [p.name for p in tmp_path.iterdir()] == ["table.csv"]
    assert path.read_text() == "old"


def test_killed_write_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    write_text(path, "old")
    jobs = deque([Job("job", standins.write_half_a_file, (path,), 60.0)])
    (outcome,) = run_jobs(jobs, scratch=tmp_path, workers=1)
    assert outcome.failure is not None
    assert "signal 9" in outcome.failure.message
    assert path.read_text() == "old"


def test_written_files_can_be_read_by_colleagues(tmp_path: Path) -> None:
    write_text(tmp_path / "table.csv", "x")
    assert (tmp_path / "table.csv").stat().st_mode & 0o444 == 0o444


def test_hash_is_that_of_the_published_example(tmp_path: Path) -> None:
    # FIPS 180-2, appendix B.1 and B.3: the one-block message "abc", and one million times "a",
    # which is longer than one piece when the piece is small. Copied from memory of the standard.
    (tmp_path / "abc").write_bytes(b"abc")
    assert file_sha256(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / "million").write_bytes(b"a" * 1_000_000)
    assert file_sha256(tmp_path / "million") == ("cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0")


def test_file_longer_than_one_piece_is_hashed_whole(tmp_path: Path) -> None:
    data = bytes(range(256)) * 10_000
    (tmp_path / "long").write_bytes(data)
    assert file_sha256(tmp_path / "long") == hashlib.sha256(data).hexdigest()


def test_fingerprint_depends_on_values_and_not_on_order() -> None:
    assert fingerprint(a=1, b={"x": 2.0, "y": None}) == fingerprint(b={"y": None, "x": 2.0}, a=1)
    assert fingerprint(a=1, b=2) != fingerprint(a=2, b=1)
    assert fingerprint(a="1") != fingerprint(a=1)


def test_report_reads_back_as_it_was_written(tmp_path: Path) -> None:
    write_json(tmp_path / "visit.json", REPORT)
    again = read_json(tmp_path / "visit.json", VisitReport)
    assert again.metrics == REPORT.metrics
    assert (again.faults, again.clips, again.run) == (REPORT.faults, REPORT.clips, REPORT.run)
    assert (again.visit_date, again.changes) == (REPORT.visit_date, REPORT.changes)
    assert np.isnan(again.quality["walk"][0].value)
    # NaN is no JSON (RFC 8259, section 6): a strict reader must be able to read the file.
    json.loads((tmp_path / "visit.json").read_text("utf-8"), parse_constant=pytest.fail)


def test_damaged_record_is_named(tmp_path: Path) -> None:
    (tmp_path / "visit.json").write_text('{"subject": "P01"')
    with pytest.raises(StageError, match=r"visit\.json: cannot be read \(.*\)\. Run the study again"):
        read_json(tmp_path / "visit.json", VisitReport)
    with pytest.raises(StageError, match=r"other\.json: no such file; expected a saved result"):
        read_json(tmp_path / "other.json", VisitReport)


def test_equal_tables_and_arrays_give_equal_bytes(tmp_path: Path) -> None:
    table = pd.DataFrame({"time_s": [0.1, 1 / 3, float("nan")], "side": ["left", "right", "left"]})
    for name in ("a", "b"):
        write_table(tmp_path / f"{name}.csv", table)
        write_arrays(tmp_path / f"{name}.npz", {"x": np.arange(6.0).reshape(2, 3)})
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    pd.testing.assert_frame_equal(pd.read_csv(tmp_path / "a.csv"), table)
