"""The soak benchmark would notice what is lost, wrong or left over: on invented results, without a run."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from pipeline.bench.soak import compared
from pipeline.bench.soak_study import DAMAGES, persons, soak_study, unnumbered
from pipeline.manifest import read_manifest
from tests.studies import ROOT

EXAMPLE = ROOT / "example_data" / "study"


def results(folder: Path, copies: range) -> Path:
    """A results folder with two files a copy, which differ by the copy's number alone."""
    for copy in copies:
        visit = folder / f"sub-{copy:02d}P01" / "ses-01"
        visit.mkdir(parents=True)
        (visit / "visit.html").write_text(f"<p>{copy:02d}P01, made by 20261126T101112Z</p>", encoding="utf-8")
        (visit / f"{copy:02d}P01_side.csv").write_text("knee_deg\n1.5\n", encoding="utf-8")
    return folder


def test_copies_have_the_example_s_clips_and_the_damaged_ones(tmp_path: Path) -> None:
    """Two copies: links to the example's clips, but for one of each damaged visit; the manifest can be read."""
    n_clips = soak_study(EXAMPLE, tmp_path, range(1, 3))
    clips = read_manifest(tmp_path)
    assert len(clips) == n_clips == 2 * sum(len(rows) for rows, _ in persons(EXAMPLE))
    with (EXAMPLE / "manifest.csv").open(encoding="utf-8", newline="") as file:
        of_example = len(list(csv.DictReader(file)))
    assert n_clips == 2 * (of_example + 4 * len(DAMAGES))
    sizes = {path.read_bytes() for path in EXAMPLE.glob("sub-*/**/*") if path.is_file()}
    spoilt = [clip for clip in clips if not clip.path.exists() or clip.path.read_bytes() not in sizes]
    assert len(spoilt) == 2 * len(DAMAGES)
    assert len({clip.subject for clip in spoilt}) == 2 * len(DAMAGES)


def test_equal_copies_are_equal_whatever_their_number_and_run(tmp_path: Path) -> None:
    found = unnumbered(results(tmp_path, range(3)))
    assert sorted(found) == ["00", "01", "02"]
    assert found["00"] == found["01"] == found["02"]
    assert sorted(found["00"]) == ["sub-P01/ses-01/P01_side.csv", "sub-P01/ses-01/visit.html"]


@pytest.mark.parametrize(
    ("change", "figure"),
    [
        (lambda visit: (visit / "01P01_side.csv").unlink(), "missing"),
        (lambda visit: (visit / "01P01_side.csv").write_text("knee_deg\n1.6\n"), "different"),
        (lambda visit: (visit / "more.csv").write_text(""), "too many"),
        (lambda visit: (visit / ".visit.html.x.part").write_text(""), "left over"),
    ],
)
def test_what_is_lost_wrong_or_left_is_counted(tmp_path: Path, change: object, figure: str) -> None:
    wanted = unnumbered(results(tmp_path / "one", range(1)))["00"]
    visit = results(tmp_path / "many", range(1, 3)) / "sub-01P01" / "ses-01"
    assert callable(change)
    change(visit)
    counts = compared(tmp_path / "many", range(1, 3), wanted)
    assert counts.pop("files compared") == 4
    assert {name for name, count in counts.items() if count} - {"too many"} == {figure} - {"too many"}
    assert counts[figure] == 1
