"""The plain text of a visit: narrow, safe to paste, with the words and numbers of the page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.config import config_dir
from pipeline.report.consider import consider_view
from pipeline.report.layout import load_layout, load_sources
from pipeline.report.plain import COLUMNS, plain_words
from pipeline.thresholds import load_limits
from tests import report_fixture as fixture
from tests.test_report import Page, make, nothing_measured
from tests.test_report_pdf import every_fault


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("text")
    make(folder)
    return folder


def lines_of(folder: Path) -> list[str]:
    return (folder / "visit.txt").read_text(encoding="utf-8").splitlines()


def flowing(folder: Path) -> str:
    """The text with its lines joined."""
    return " ".join((folder / "visit.txt").read_text(encoding="utf-8").split())


def test_no_line_is_wider_than_a_record_takes(visit: Path, tmp_path: Path) -> None:
    make(tmp_path, replace(fixture.report(), changes="x" * 300 + " y" * 100))
    for folder in (visit, tmp_path):
        assert max(map(len, lines_of(folder))) <= COLUMNS == 72


def test_signs_that_do_not_survive_pasting_are_written_in_letters(visit: Path, tmp_path: Path) -> None:
    report = fixture.with_verdict(fixture.report(), "medial_whip", "borderline", "")
    finding = replace(report.faults[-1].findings[0], value=-2.4, low=-3.3, high=-1.5)
    faults = (*report.faults[:-1], replace(report.faults[-1], findings=(replace(finding, verdict="borderline"),)))
    make(tmp_path, replace(report, faults=faults))
    assert "-2.4 % leg length (95 % interval -3.3 to -1.5)" in flowing(tmp_path)
    for folder in (visit, tmp_path):
        assert (folder / "visit.txt").read_text(encoding="utf-8").isascii()
        assert not any(line.endswith(" ") for line in lines_of(folder))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("\N{MINUS SIGN}2.4", "-2.4"),
        ("15\N{DEGREE SIGN} out", "15 deg out"),
        ("2 \N{PLUS-MINUS SIGN} 3", "2 +- 3"),
        ("a\N{EN DASH}b", "a-b"),
        ("one\ntwo\tthree\x07", "one two three"),
        ("turned\N{RIGHT-TO-LEFT OVERRIDE} round", "turned round"),
        ("Ferse höher", "Ferse höher"),
        ("* # _ stay", "* # _ stay"),
    ],
)
def test_words_become_plain(text: str, expected: str) -> None:
    assert plain_words(text) == expected


def test_head_names_person_visit_side_and_limits(visit: Path) -> None:
    lines = lines_of(visit)
    assert lines[1:3] == ["P01, visit 02, 2026-03-17", "Prosthetic side: right"]
    text = flowing(visit)
    assert f"SHA-256 of all files {'b' * 64}" in text
    assert f"since the last visit: {fixture.report().changes}" in text
    assert "Clips: 3 measured, 1 failed" in lines


def test_danger_comes_first(visit: Path, tmp_path: Path) -> None:
    lines = lines_of(visit)
    assert lines[4:8] == [
        "POSSIBLE KNEE INSTABILITY: MAKE IT SAFE FIRST",
        "1. Stop the walking trial.",
        "2. Guard the patient.",
        "3. Refer to the prosthetist before any more walking.",
    ]
    make(tmp_path, fixture.with_verdict(fixture.report(), "knee_instability", "cannot say", "no usable stride"))
    assert "Knee instability could not be judged, because no usable stride. That is not the same" in flowing(tmp_path)


def test_a_fault_that_was_seen_has_all_that_it_rests_on(visit: Path) -> None:
    text = flowing(visit)
    assert (
        "Vaulting, sound (left): present. Hip vaulting height 2.9 % leg length (95 % interval 2.1 to 3.7); outside "
        "when above 1.5 % leg length (published value); strides: 4." in text
    )
    assert (
        "Knee instability, prosthetic (right): borderline. Knee flexion rise in loading and mid-stance 13.2 deg" in text
    )


def test_what_cannot_be_said_has_its_reason_and_what_was_not_seen_one_line(visit: Path) -> None:
    text = flowing(visit)
    assert f"Terminal impact, prosthetic (right): {fixture.TOO_SLOW}." in text
    assert f"Medial whip, prosthetic (right): {fixture.NO_REAR_CLIP}." in text
    assert "NOT SEEN Uneven timing, Uneven arm swing CONSIDER, AND EXAMINE IN THIS ORDER" in text


def test_what_to_examine_first_stands_with_its_points(visit: Path) -> None:
    """The entries that the page shows open, in its order; how many more there are."""
    candidates = consider_view(fixture.report(), load_layout(), load_sources()).candidates
    first = [one for one in candidates if one.is_open]
    text = flowing(visit)
    places = [text.index(plain_words(f"{one.rank}. {one.title} ({one.group}, {one.total}).")) for one in first]
    assert places == sorted(places)
    assert first
    more = len(candidates) - len(first)
    assert (f"{more} more entries on the page." in text) == (more > 1)


def test_recording_failures_and_cautions_are_there(visit: Path) -> None:
    text = flowing(visit)
    assert "Not good enough: body height share in 1 of 3 clips." in text
    assert "anterior 4 of 6 left, 4 of 6 right" in text
    assert f"P01-back: {fixture.FAILED_MESSAGE}" in text
    for point in load_layout().cautions.points:
        assert f"- {point}" in text


def test_severity_stands_beside_the_verdict_and_every_fault_of_the_catalogue_is_named(tmp_path: Path) -> None:
    limits = load_limits(config_dir() / "checks")
    faults = tuple(replace(fault, severity="clear") for fault in every_fault(limits))
    make(tmp_path, replace(fixture.report(), faults=faults))
    text = flowing(tmp_path)
    for fault in faults:
        assert f"{fault.title}, " in text
    assert text.count(": present, clear. ") == len(faults)


def test_nothing_measured_is_said(tmp_path: Path) -> None:
    report = fixture.report()
    clips = tuple(replace(clip, state="failed", stage="landmarks", message="broken") for clip in report.clips)
    make(tmp_path, replace(report, faults=tuple(nothing_measured(f) for f in report.faults), clips=clips, quality={}))
    text = flowing(tmp_path)
    assert "No clip of this visit was measured." in text
    assert "PRESENT OR BORDERLINE" not in text and "NOT SEEN" not in text
    assert text.count("no usable clip") >= len(report.faults)


def test_numbers_are_those_of_the_page(visit: Path) -> None:
    page = Page(visit / "visit.html").text.replace("\N{MINUS SIGN}", "-")
    part = flowing(visit).split("PRESENT OR BORDERLINE")[1].split("RECORDING")[0]
    for words in part.replace("(", " ").replace(")", " ").replace(";", " ").split():
        if words[0].isdigit() or (words[0] == "-" and words[1:2].isdigit()):
            assert words.rstrip(".,") in page
