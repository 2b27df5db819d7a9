"""When the pages of a visit are made again: for what they are made with, and without measuring anew."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline import clip_stages, config, jobs, stages
from pipeline.causes_file import load_causes
from pipeline.checks import Person
from pipeline.config import load_settings
from pipeline.jobs import VisitJob, page_hashes, report_visit
from pipeline.judgement import RunRecord
from pipeline.runs import PACKAGES, package_versions
from pipeline.stage_record import read_record
from pipeline.store import write_text
from tests import report_fixture as fixture


@pytest.fixture
def assets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the report's assets that decides whether pages are made again; nothing may be measured."""
    copy = tmp_path / "assets"
    shutil.copytree(jobs.ASSETS, copy)
    monkeypatch.setattr(jobs, "ASSETS", copy)
    report = fixture.report()
    monkeypatch.setattr(stages, "judge_visit", lambda *_: (report.metrics, report.faults))

    def never(*_: object) -> None:
        raise AssertionError("a clip was measured")

    monkeypatch.setattr(clip_stages, "measure_clip_files", never)
    monkeypatch.setattr(stages, "measure_clip", never)
    return copy


def make(folder: Path, **versions: str) -> str:
    """Report the fixture's visit; since when it is unchanged, or "" when it was made."""
    report, causes = fixture.report(), load_causes()
    run = replace(report.run, causes_sha256=causes.sha256)
    job = VisitJob(
        subject="P01",
        visit="02",
        visit_date=report.visit_date,
        person=Person(("right",)),
        changes="",
        clips=(),
        results=(),
        folder=folder / "visit",
        settings=load_settings(),
        limits=fixture.limits(),
        causes=causes,
        run=with_versions(run, versions),
    )
    return report_visit(job, lambda *_: None).since


def with_versions(run: RunRecord, versions: dict[str, str]) -> RunRecord:
    return replace(run, package_versions={**run.package_versions, **versions})


@pytest.mark.parametrize("name", ["style.css", "sections/summary.html", "visit.typ", "study.js"])
def test_a_change_of_what_pages_are_made_with_makes_them_again(tmp_path: Path, assets: Path, name: str) -> None:
    assert make(tmp_path) == ""
    assert make(tmp_path) != ""
    (assets / name).write_text((assets / name).read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert make(tmp_path) == ""
    assert make(tmp_path) != ""


def test_files_that_somebody_keeps_beside_a_report_stay(tmp_path: Path, assets: Path) -> None:
    """A study folder may be the results folder too. Some servers put folders of their own beside pictures."""
    visit, names = tmp_path / "visit", ("force_plate.csv", "mocap.npz", "notes.html", "frames/foot_photo.jpg")
    theirs = [visit / name for name in (*names, "frames/markers.npz", "figures/own.svg", "figures/@eaDir/own")]
    for again in (False, True):
        for path in theirs:
            write_text(path, "theirs")
        if again:
            (assets / "style.css").write_text("\n", encoding="utf-8")
        assert make(tmp_path) == ""
        assert [path.read_text(encoding="utf-8") for path in theirs] == ["theirs"] * len(theirs)


def test_a_report_whose_record_is_lost_is_cleared_away_before_the_next(tmp_path: Path, assets: Path) -> None:
    """As after a kill, when the record does not tell what was written."""
    make(tmp_path)
    folder = tmp_path / "visit"
    outputs = set(read_record(folder).stages["report"].outputs)
    known = {path.relative_to(folder).as_posix() for pattern in jobs.VISIT_FILES for path in folder.glob(pattern)}
    assert len(outputs) > 20 and outputs <= known


def test_a_new_template_makes_pages_again(tmp_path: Path, assets: Path) -> None:
    make(tmp_path)
    (assets / "sections" / "more.html").write_text("")
    assert make(tmp_path) == ""


@pytest.mark.parametrize("name", ["report.toml", "sources.toml"])
def test_a_change_of_the_layout_makes_pages_again(
    tmp_path: Path, assets: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    own = tmp_path / "configs"
    shutil.copytree(config.config_dir(), own)
    monkeypatch.setattr(jobs, "config_dir", lambda: own)
    before = page_hashes()
    (own / name).write_text((own / name).read_text(encoding="utf-8") + "\n", encoding="utf-8")
    changed = {key for key, value in page_hashes().items() if before[key] != value}
    assert changed == {f"configs/{name}"}
    make(tmp_path)
    (own / name).write_text((own / name).read_text(encoding="utf-8") + "\n", encoding="utf-8")
    assert make(tmp_path) == ""


@pytest.mark.parametrize(
    ("package", "again"), [("typst", True), ("jinja2", True), ("matplotlib", True), ("mypy", False)]
)
def test_another_version_of_what_sets_the_pages_makes_them_again(
    tmp_path: Path, assets: Path, package: str, again: bool
) -> None:
    make(tmp_path, **{package: "1.0"})
    assert (make(tmp_path, **{package: "1.1"}) == "") is again


def test_the_record_of_a_run_names_what_sets_the_pages() -> None:
    versions = package_versions()
    assert set(jobs.PAGE_PACKAGES) <= set(PACKAGES)
    assert all(versions[name] not in ("", "not installed") for name in jobs.PAGE_PACKAGES)


def test_files_of_a_page_are_named_alike_wherever_the_package_lies() -> None:
    names = page_hashes()
    assert {"assets/base.html", "assets/visit.typ", "configs/report.toml", "configs/sources.toml"} <= set(names)
    assert all(not Path(name).is_absolute() and "\\" not in name for name in names)


def test_the_words_of_another_language_count_where_they_are_shown() -> None:
    words = "configs/languages/de.po"
    assert words in page_hashes("de") and words not in page_hashes("en")
