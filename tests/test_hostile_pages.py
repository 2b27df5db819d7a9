"""Hostile words on pages, in figures, tables and logs: they are shown as text, and nothing more."""

from __future__ import annotations

import csv
import os
import shutil
import stat
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from pipeline.batch import run_study
from pipeline.figure_style import PageFigure, own_style, svg_text
from pipeline.model import StrideSet
from pipeline.plain_text import UNSEEN
from pipeline.report import build_visit, save_parts
from pipeline.report.parts import FORMULA_STARTS, TABLES, guard_text, unguarded
from pipeline.report.study import build_study
from pipeline.report.subject_page import build_subject
from pipeline.report.track import track_subject
from tests import report_fixture as fixture
from tests import standins
from tests.studies import ROOT, make_study, quick_settings
from tests.test_person_page_parts import RULES, saved, three_reports
from tests.test_report_study import save

NASTY = f"\x1b[31m\u202e\u200b{fixture.MARKUP} {fixture.FORMULA} $\\frac{{$ {{{{7*7}}}} #panic() <img src=x>"
# How it has to look: the marks written out, all else as it was.
SHOWN = "\\x1b[31m\\u202e\\u200b"
# What pages, key frames and the viewer's pictures are called; temporary files carry the name that they get.
SHOWING = (".html", ".pdf", ".jpg", "frames")
posix = pytest.mark.skipif(os.name != "posix", reason="file rights are POSIX here")


def assert_harmless(folder: Path, n_pages: int) -> None:
    """No text file of a folder holds a mark that acts, or markup of somebody else; all pages show the words."""
    pages = sorted(folder.rglob("*.html"))
    assert len(pages) >= n_pages
    for path in [*pages, *folder.rglob("*.txt"), *folder.rglob("*.svg")]:
        text = path.read_text(encoding="utf-8")
        assert not UNSEEN.search(text), path.name
        if path.suffix != ".txt":
            assert "<script>alert" not in text and "<img src=x" not in text, path.name


def hostile_strides() -> StrideSet:
    """The strides of the fixture, one of them left out for a hostile reason."""
    strides = fixture.strides()
    table = strides.table.copy()
    table.loc[0, ["use", "why_not"]] = [False, NASTY]
    return StrideSet(table, strides.curves)


def test_words_of_a_visit_act_on_none_of_its_pages(tmp_path: Path) -> None:
    report = replace(fixture.report(), changes=NASTY, footwear=NASTY, notes=(NASTY,))
    report = fixture.with_verdict(report, "vaulting", "cannot say", NASTY)
    clip = replace(report.clips[-1], message=NASTY, relative_path=NASTY)
    records = tuple(
        replace(one, note=NASTY, correction=replace(one.correction, reason=NASTY)) for one in report.corrections
    )
    report = replace(report, clips=(*report.clips[:-1], clip), corrections=records)
    save_parts(tmp_path, report, hostile_strides())
    build_visit(tmp_path, fixture.limits())
    assert_harmless(tmp_path, 3)
    assert SHOWN in (tmp_path / "visit.html").read_text(encoding="utf-8")


def test_words_of_visits_act_on_no_page_of_the_study_or_a_person(tmp_path: Path) -> None:
    save(tmp_path / "study", "P01", "01", date(2026, 3, 1), changes=NASTY, footwear=NASTY)
    visit = tmp_path / "study/sub-P02/ses-01"
    visit.mkdir(parents=True)
    (visit / "error.txt").write_text(NASTY, encoding="utf-8")
    page = build_study(tmp_path / "study", fixture.limits())
    assert page.read_text(encoding="utf-8").count(SHOWN) >= 2
    results = saved(tmp_path / "person", *three_reports(changes=NASTY, footwear=NASTY))
    build_subject(results, track_subject(results, "P01", RULES), limits=fixture.limits())
    for path in (page, results / "sub-P01/track.html"):
        text = path.read_text(encoding="utf-8")
        assert not UNSEEN.search(text) and "<script>alert" not in text and SHOWN in text, path.name


def test_a_title_with_dollars_is_text_and_no_formula() -> None:
    """Matplotlib would set what stands between two dollars as mathematics, and stop at a mistake in it."""
    with own_style():
        figure = PageFigure(figsize=(4, 1))
        figure.text(0.1, 0.5, "aid of $40_a to $50^2 and $\\frac{$ <b>")
    assert "aid of $40_a to $50^2 and $\\frac{$ &lt;b&gt;" in svg_text(figure)


@pytest.mark.parametrize("start", [*FORMULA_STARTS, "'", "'="])
def test_the_guard_against_formulas_comes_off_again(start: str) -> None:
    text = f"{start}1+1"
    assert guard_text(text) == f"'{text}" and unguarded(guard_text(text)) == text
    assert unguarded(text if start != "'=" else "=1+1") == (text if start != "'=" else "=1+1")


def test_no_cell_of_text_in_any_table_of_a_run_is_a_formula(tmp_path: Path) -> None:
    """A study with a folder called like a formula, and a clip that fails with words of its own."""
    study = make_study(tmp_path / "study", {"=cmd()/a-good.mp4": "01", "=cmd()/a-error.mp4": "01"}, changes="=cmd()")
    run = run_study(
        study,
        tmp_path / "out",
        settings=quick_settings(),
        clip_work=standins.behave_as_named,
        visit_work=standins.report_plainly,
    )
    with (run.folder / "clips.csv").open(encoding="utf-8", newline="") as file:
        paths = [row["relative_path"] for row in csv.DictReader(file)]
    assert paths == ["'=cmd()/a-good.mp4", "'=cmd()/a-error.mp4"]
    report = replace(fixture.report(), changes=NASTY)
    for text in ("=1", "@a", "＝1"):
        save_parts(tmp_path / "visit", fixture.with_verdict(report, "vaulting", "cannot say", text), hostile_strides())
        for name, columns in TABLES.items():
            with (tmp_path / "visit" / name).open(encoding="utf-8", newline="") as file:
                for row in csv.DictReader(file):
                    texts = [row[column.name] for column in columns if column.kind == "text"]
                    assert not any(cell.startswith(FORMULA_STARTS) for cell in texts), name


def test_only_a_line_of_the_log_itself_begins_at_its_margin(tmp_path: Path) -> None:
    """What a clip's process printed, and a traceback, cannot pass for entries of the log."""
    study = make_study(tmp_path / "study", {"a-good.mp4": "01", "a-error.mp4": "01"})
    run = run_study(
        study,
        tmp_path / "out",
        settings=quick_settings(),
        clip_work=standins.behave_as_named,
        visit_work=standins.report_plainly,
    )
    lines = (run.folder / "log.txt").read_text(encoding="utf-8").splitlines()
    assert any("more chatter" in line for line in lines) and any("ZeroDivisionError" in line for line in lines)
    assert all(line.startswith(("2", "    ")) for line in lines)


def modes(folder: Path) -> dict[str, int]:
    """Rights of all that lies in a folder now."""
    found = {}
    # os.walk passes over folders that are deleted meanwhile, Path.rglob does not in Python 3.11.
    for parent, folders, files in os.walk(folder):
        for name in (*folders, *files):
            path = Path(parent) / name
            with suppress(OSError):  # renamed or deleted meanwhile
                found[path.relative_to(folder).as_posix()] = stat.S_IMODE(path.lstat().st_mode)
    return found


@posix
def test_what_a_run_writes_is_closed_to_others_at_every_moment(tmp_path: Path) -> None:
    """With the umask 0 all that asks for no rights is open to everybody. Temporary files are looked at too."""
    walk = "sub-P01/ses-03/sub-P01_ses-03_task-walk_acq-sagittal_run-1_video.landmarks"
    study = make_study(tmp_path / "study", {"walk.landmarks": "03"}, prosthetic_side="right")
    shutil.copyfile(ROOT / "example_data/study" / walk, study / "walk.landmarks")
    out = tmp_path / "out"
    command = [sys.executable, "-m", "pipeline", "run", "study", "--out", "out"]
    run = subprocess.Popen(
        command, cwd=tmp_path, umask=0, env={**os.environ, "PYTHONPATH": str(ROOT)}, stderr=subprocess.PIPE
    )
    met: dict[str, int] = {}
    while run.poll() is None:
        if out.exists():
            assert stat.S_IMODE(out.stat().st_mode) == 0o700
            met |= modes(out)
        time.sleep(0.02)
    assert run.stderr is not None
    assert run.returncode == 0, run.stderr.read().decode()
    met |= modes(out)
    shows = {name: mode for name, mode in met.items() if any(part in name for part in SHOWING) and "ses-" in name}
    assert len(shows) > 20 and any(name.endswith("visit.html") for name in shows)
    # The lists of pictures hold names and captions.
    assert {name for name, mode in shows.items() if mode & 0o077} <= {
        "sub-P01/ses-03/frames/frames.json",
        "sub-P01/ses-03/frames/viewer.json",
    }
    files = {name: mode for name, mode in met.items() if (out / name).is_file()}
    assert {name: oct(mode) for name, mode in files.items() if mode & 0o022} == {}
