"""The pages of persons that `run` and `report` make: who gets one, when it is made again, what stays when one fails."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from pipeline.config import load_settings
from pipeline.person_pages import make_person_pages
from pipeline.report import save_parts
from pipeline.report.study import build_study
from pipeline.stage_record import read_record
from tests import report_fixture as fixture
from tests.studies import run_command
from tests.test_report_study import StudyPage

RUN = load_settings().run.model_copy(update={"workers": 1})


def save(out: Path, subject: str, visit: str, day: date) -> None:
    report = replace(fixture.report(), subject=subject, visit=visit, visit_date=day)
    save_parts(out / f"sub-{subject}/ses-{visit}", report, fixture.strides())


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """One person with two visits, one with a single one."""
    save(tmp_path, "P01", "01", date(2026, 1, 5))
    save(tmp_path, "P01", "02", date(2026, 2, 4))
    save(tmp_path, "P02", "01", date(2026, 1, 7))
    return tmp_path


def make(out: Path) -> tuple[list[Path], dict[str, str]]:
    return make_person_pages(out, fixture.limits(), RUN)


def test_a_person_with_two_visits_gets_page_and_pdf_and_the_study_leads_to_it(out: Path) -> None:
    page = out / "sub-P01/track.html"
    assert make(out) == ([page], {})
    assert page.is_file() and (out / "sub-P01/track.pdf").is_file()
    assert not (out / "sub-P02/track.html").exists()
    build_study(out, fixture.limits())
    study = StudyPage(out)
    assert study.hrefs.count("sub-P01/track.html") == 2
    assert [row[0] for row in study.table("study_visits") if len(row) == 1] == ["P01 change across visits", "P02"]
    # One that is left over from visits that are gone is not led to.
    (out / "sub-P02/track.html").touch()
    build_study(out, fixture.limits())
    assert "sub-P02/track.html" not in StudyPage(out).hrefs


def test_what_has_not_changed_is_kept_and_what_has_is_made_again(out: Path) -> None:
    make(out)
    page = out / "sub-P01/track.html"
    first, written = page.read_bytes(), page.stat().st_mtime_ns
    assert make(out) == ([page], {})
    assert page.stat().st_mtime_ns == written
    assert read_record(out / "sub-P01").state == "done"
    page.write_text("damaged")
    make(out)
    assert page.read_bytes() == first
    save(out, "P01", "03", date(2026, 3, 6))
    make(out)
    assert b"visit 03 against visit 01" in page.read_bytes()


def test_a_damaged_visit_is_told_and_an_earlier_page_stays(out: Path) -> None:
    make(out)
    page = out / "sub-P01/track.html"
    before = page.read_bytes()
    (out / "sub-P01/ses-02/visit.json").write_text("{")
    pages, failures = make(out)
    assert pages == [] and page.read_bytes() == before
    assert list(failures) == ["sub-P01"]
    start = "sub-P01/track.html: subject P01: 1 of 2 visits can be read; at least 2 are needed for a change."
    assert failures["sub-P01"].startswith(start)
    # With two others that can be read there is a page, and it names the loss.
    save(out, "P01", "03", date(2026, 3, 6))
    assert make(out) == ([page], {})
    assert "sub-P01/ses-02: " in page.read_text(encoding="utf-8")


def test_report_makes_them_too_and_ends_with_1_where_one_is_missing(out: Path) -> None:
    save(out, "P02", "02", date(2026, 2, 7))
    (out / "sub-P02/ses-02/curves.npz").write_bytes(b"")
    done = run_command("report", ".", folder=out)
    assert done.returncode == 1
    assert "failed: sub-P02/track.html: subject P02: 1 of 2 visits can be read" in done.stderr
    assert done.stdout.splitlines()[-2:] == ["sub-P01/track.html", "study.html"]
    assert "sub-P01/track.html" in StudyPage(out).hrefs
