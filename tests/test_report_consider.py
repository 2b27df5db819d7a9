"""What to consider, on the pages and in the tables: order, arithmetic, and what is said where nothing is listed."""

from __future__ import annotations

import csv
import html
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline import stages
from pipeline.causes import Causes, candidates
from pipeline.causes_file import load_causes
from pipeline.checks import Person
from pipeline.config import config_dir, load_settings
from pipeline.jobs import VisitJob, report_visit
from pipeline.judgement import Candidate, Line, VisitReport
from pipeline.model import Side
from pipeline.rebuild import rebuild_reports
from pipeline.report import build_visit, load_parts, save_parts
from pipeline.report.consider import consider_view
from pipeline.report.layout import load_layout, load_sources
from pipeline.store import read_json
from tests import report_fixture as fixture
from tests.test_report import Page, make, pages, section

TITLE = "Consider, and examine in this order"


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "sub-P01" / "ses-02"
    make(folder)
    return folder


def text_of(markup: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", markup)).split())


def blocks(path: Path) -> dict[str, str]:
    """Each candidate's part of the section, by the id of its cause, in the order of the page."""
    parts = re.split(r'<li value="\d+" id="consider-', section(path.read_text(encoding="utf-8"), "consider"))[1:]
    return {part.partition('"')[0]: part.partition("</details>")[0] for part in parts}


def candidate(cause: str, rank: int, score: int, **changed: object) -> Candidate:
    """A candidate of one line."""
    line = Line("Vaulting: present", score, "explained", "vaulting")
    entry = Candidate(cause, "person", f"Title of {cause}", rank, score, (line,), (), ("Look.",), (), ())
    return replace(entry, **changed)  # type: ignore[arg-type]


def listing(*found: Candidate) -> VisitReport:
    return replace(fixture.report(), candidates=found)


def made(folder: Path, report: VisitReport) -> str:
    """The section of a visit's page, as text."""
    make(folder, report)
    return text_of(section((folder / "visit.html").read_text(encoding="utf-8"), "consider"))


# ---- the section


def test_the_section_stands_after_the_faults(visit: Path) -> None:
    ids = re.findall(r'<section id="(\w+)"', (visit / "visit.html").read_text(encoding="utf-8"))
    assert ids == [
        *(
            "urgent",
            "summary",
            "viewer",
            "faults",
            "consider",
            "quantities",
            "quality",
            "corrections",
            "failures",
            "cautions",
            "methods",
        )
    ]
    assert f"<h2>{TITLE}</h2>" in section(Page(visit / "visit.html").html, "consider")


def test_candidates_stand_in_their_order_with_rank_group_and_sum(visit: Path) -> None:
    shown = blocks(visit / "visit.html")
    listed = fixture.report().candidates
    assert list(shown) == [one.cause for one in listed]
    markup = section((visit / "visit.html").read_text(encoding="utf-8"), "consider")
    assert re.findall(r'<li value="(\d+)" id="consider-(\w+)"', markup) == [
        (str(one.rank), one.cause) for one in listed
    ]
    for one in listed:
        text = text_of(shown[one.cause])
        assert f"{one.rank} {one.title} {one.group} · {one.score} point" in text.replace("\N{MINUS SIGN}", "-")
        assert all(step in text for step in (*one.examine, *one.open, *one.cautions))


def test_a_stiff_heel_shows_its_arithmetic_line_by_line(visit: Path) -> None:
    """By hand: rotation present 2, knee borderline 1, the heel in the change log 1."""
    block = blocks(visit / "visit.html")["heel_stiff"]
    rows = re.findall(r'<tr><t[hd][^>]*>([^<]*)</t[hd]><td class="number">([^<]*)</td></tr>', block)
    assert rows == [
        ("Foot rotation at heel contact: present", "+2"),
        ("Knee instability: borderline", "+1"),
        ("Change log: the word &#39;heel&#39; stands there", "+1"),
        ("Together", "4"),
    ]
    assert re.findall(r'<th scope="(\w+)"', block) == ["col", "col", "row"]
    text = text_of(block)
    assert "Open, because it could not be judged: Foot slap." in text
    assert "Press the heel in by hand" in text and "A stiff heel pushes the knee forward" in text
    assert "Murphy; Spires, Kelly & Davis (2013), read second hand" in text
    assert "Exam decks, common practice" in text


def test_points_taken_off_have_their_sign(tmp_path: Path) -> None:
    lines = (
        Line("Vaulting: present", 2, "explained", "vaulting"),
        Line("Foot slap: present, which speaks against it", -3, "contradicted", "foot_slap"),
    )
    text = made(tmp_path, listing(candidate("one", 1, -1, lines=lines)))
    assert "person · \N{MINUS SIGN}1 points" in text
    assert "speaks against it \N{MINUS SIGN}3 Together \N{MINUS SIGN}1" in text


def test_equal_sums_share_their_rank_and_the_page_says_so(tmp_path: Path) -> None:
    found = (candidate("a", 1, 3), candidate("b", 2, 2), candidate("c", 2, 2), candidate("d", 4, 1))
    text = made(tmp_path, listing(*found))
    assert "1 Title of a person · 3 points Sum" in text
    assert "2 Title of b person · 2 points · rank shared by 2" in text
    assert "2 Title of c person · 2 points · rank shared by 2" in text
    assert "4 Title of d person · 1 point Sum" in text


@pytest.mark.parametrize(
    ("ranks", "opened"),
    [
        ((1, 2, 3, 4, 5, 6, 7), 5),
        ((1, 1, 3, 3, 3, 3, 7), 6),
        ((1, *[2] * 6), 1),
        ((1,) * 8, 8),
        ((1, 2), 2),
    ],
)
def test_the_first_ranks_are_open_and_large_ties_after_the_first_folded(ranks: tuple[int, ...], opened: int) -> None:
    found = [candidate(f"c{number}", rank, 20 - rank) for number, rank in enumerate(ranks)]
    view = consider_view(listing(*found), load_layout(), load_sources())
    assert [one.is_open for one in view.candidates] == [True] * opened + [False] * (len(ranks) - opened)
    assert ("folded" in view.notes[0]) == (opened < len(ranks))


def test_what_is_folded_on_the_screen_is_all_printed(visit: Path) -> None:
    markup = (visit / "visit.html").read_text(encoding="utf-8")
    assert markup.count('<details class="candidate">') > 5
    assert (
        ".candidate::details-content { content-visibility: visible; display: block; }"
        in markup[markup.index("@media print") :]
    )


def test_the_introduction_says_what_the_list_is_and_how_far_it_is_known(visit: Path) -> None:
    text = text_of(section((visit / "visit.html").read_text(encoding="utf-8"), "consider"))
    assert "Never a diagnosis" in text and "Change one thing at a time" in text
    assert "Every line of a sum is shown." in text and "they are no likelihood" in text
    keys = {key: standing for one in fixture.report().candidates for key, standing in one.sources}
    counts = {standing: list(keys.values()).count(standing) for standing in keys.values()}
    assert counts["read second hand"] == 2 and counts["from memory"] == 1
    own = [f"{counts[kind]} {kind}" for kind in ("common practice", "own choice")]
    standings = ", ".join(["2 read second hand", "1 from memory", *own])
    assert f"How far the file of causes (causes.toml) is known, by the sources behind this list: {standings}." in text
    assert "International Committee of the Red Cross (2014). Prosthetic Gait Analysis" in text


def test_a_danger_that_is_borderline_lists_its_causes_below_its_caution(tmp_path: Path) -> None:
    report = fixture.report()
    for name in ("vaulting", "foot_rotation"):
        report = fixture.with_verdict(report, name, "not seen", "")
    found = candidates(report.faults, load_causes(), "")
    text = made(tmp_path, replace(report, candidates=found))
    assert text.startswith(f"{TITLE} Possible knee instability: make it safe first. Stop the walking trial.")
    assert text.index("Guard the patient.") < text.index("Never a diagnosis") < text.index("Heel too stiff")
    page = Page(tmp_path / "visit.html")
    assert page.html.index('id="urgent"') < page.html.index('id="consider"')


# ---- where nothing is listed


def nothing_present() -> VisitReport:
    report = fixture.with_verdict(fixture.report(), "knee_instability", "not seen", "")
    report = fixture.with_verdict(report, "vaulting", "borderline", "the limit lies inside the 95 % interval")
    report = fixture.with_verdict(report, "foot_rotation", "not seen", "")
    return replace(report, candidates=candidates(report.faults, load_causes(), report.changes))


def test_a_visit_without_a_present_fault_says_so(tmp_path: Path) -> None:
    text = made(tmp_path, nothing_present())
    assert "No fault is present, so nothing is listed here." in text
    alone = "A borderline fault alone lists nothing to consider"
    assert alone in Page(tmp_path / "fault-vaulting.html").text
    assert alone not in Page(tmp_path / "fault-uneven_timing.html").text
    assert 'href="#consider"' not in (tmp_path / "visit.html").read_text(encoding="utf-8")


def test_a_person_without_a_prosthesis_gets_no_list_and_the_reason(tmp_path: Path) -> None:
    report = fixture.report()
    found = candidates(report.faults, load_causes(), report.changes, has_prosthesis=False)
    assert found == ()
    text = made(tmp_path, replace(report, prosthetic_sides=(), candidates=found))
    assert "Nothing is listed, because this person has no prosthesis." in text
    assert not any('id="consider-' in page.html or 'href="#consider' in page.html for page in pages(tmp_path))


def test_a_present_fault_that_the_file_does_not_name_is_said(tmp_path: Path) -> None:
    assert "The file of causes (causes.toml) names nothing for what is present here." in made(tmp_path, listing())


def test_an_earlier_record_without_candidates_still_gives_its_pages(tmp_path: Path) -> None:
    save_parts(tmp_path, fixture.report(), fixture.strides())
    record = json.loads((tmp_path / "visit.json").read_text(encoding="utf-8"))
    del record["candidates"], record["run"]["causes_file"], record["run"]["causes_sha256"]
    (tmp_path / "visit.json").write_text(json.dumps(record), encoding="utf-8")
    build_visit(tmp_path, fixture.limits())
    page = Page(tmp_path / "visit.html")
    assert "No list was made when this visit was judged. Run the study again" in page.text
    assert "Causes not recorded" in page.text


def test_a_prosthesis_without_a_knee_is_told_what_does_not_hold(tmp_path: Path, visit: Path) -> None:
    words = "does not hold for this person (transtibial)"
    assert words in made(tmp_path, replace(fixture.report(), levels=("transtibial",)))
    assert "does not hold for this person" not in Page(visit / "visit.html").text


# ---- the faults' own parts


def test_each_fault_lists_what_explains_it_with_links_to_the_section(visit: Path) -> None:
    explaining = {
        fault.name: [
            one.cause
            for one in fixture.report().candidates
            if any((line.fault, line.kind) == (fault.name, "explained") for line in one.lines)
        ]
        for fault in fixture.report().faults
    }
    assert explaining["vaulting"] and explaining["knee_instability"] and not explaining["terminal_impact"]
    whole = (visit / "visit.html").read_text(encoding="utf-8")
    faults = whole[whole.index('<section id="faults"') : whole.index('<section id="consider"')]
    for name, causes in explaining.items():
        start = faults.index(f'id="fault-{name}"')
        part = faults[start : faults.index('class="onward"', start)]
        assert re.findall(r'href="#consider-(\w+)"', part) == causes
        page = (visit / f"fault-{name}.html").read_text(encoding="utf-8")
        assert re.findall(r'href="visit\.html#consider-(\w+)"', page) == causes


def test_a_layout_without_the_section_has_no_link_to_it(tmp_path: Path) -> None:
    (tmp_path / "configs").mkdir()
    shutil.copy(config_dir() / "sources.toml", tmp_path / "configs")
    text = (config_dir() / "report.toml").read_text(encoding="utf-8")
    assert text.count('"consider", ') == 1
    (tmp_path / "configs/report.toml").write_text(text.replace('"consider", ', ""), encoding="utf-8")
    save_parts(tmp_path / "visit", fixture.report(), fixture.strides())
    build_visit(tmp_path / "visit", fixture.limits(), config_folder=tmp_path / "configs")
    for page in pages(tmp_path / "visit"):
        assert "#consider" not in page.html
    assert "Consider for this fault" in Page(tmp_path / "visit/fault-vaulting.html").text


def test_markup_in_the_change_log_and_in_a_file_of_ones_own_is_shown_as_text(tmp_path: Path) -> None:
    causes = load_causes()
    marked = replace(causes.causes[0], title=fixture.MARKUP, examine=(fixture.MARKUP,), caution=fixture.MARKUP)
    own = replace(causes, causes=(marked, *causes.causes[1:]), file="<b>own.toml")
    report = fixture.report()
    found = candidates(report.faults, own, fixture.MARKUP)
    run = replace(report.run, causes_file=own.file)
    make(tmp_path, replace(report, candidates=found, changes=fixture.MARKUP, run=run))
    for page in pages(tmp_path):
        assert "<script" not in page.html and "<b>" not in page.html
        assert fixture.MARKUP in page.text
    assert "&lt;script&gt;" in blocks(tmp_path / "visit.html")["prosthesis_long"]


# ---- records and tables


def test_the_table_has_a_row_for_each_line_and_its_points_sum_to_the_score(visit: Path) -> None:
    with (visit / "candidates.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    listed = fixture.report().candidates
    assert [(row["cause"], row["line"]) for row in rows] == [
        (one.cause, line.text) for one in listed for line in one.lines
    ]
    for one in listed:
        own = [row for row in rows if row["cause"] == one.cause]
        assert sum(int(row["points"]) for row in own) == int(own[0]["score"]) == one.score
        assert {row["group"] for row in own} == {one.group} and {int(row["rank"]) for row in own} == {one.rank}
    assert {row["causes_sha256"] for row in rows} == {load_causes().sha256}
    kinds = {(row["kind"], row["fault"]) for row in rows if row["cause"] == "heel_stiff"}
    assert kinds == {("explained", "foot_rotation"), ("explained", "knee_instability"), ("changed", "")}


def test_a_formula_in_a_file_of_ones_own_is_text_in_the_table(tmp_path: Path) -> None:
    save_parts(tmp_path, listing(candidate("one", 1, 2, title=fixture.FORMULA)), fixture.strides())
    with (tmp_path / "candidates.csv").open(newline="", encoding="utf-8") as file:
        assert next(csv.DictReader(file))["title"] == "'" + fixture.FORMULA
    assert load_parts(tmp_path)[0].candidates[0].title == fixture.FORMULA


def test_a_visit_without_candidates_has_an_empty_table_with_its_columns(tmp_path: Path) -> None:
    save_parts(tmp_path, listing(), fixture.strides())
    head = (tmp_path / "candidates.csv").read_text(encoding="utf-8").splitlines()
    assert len(head) == 1 and head[0].startswith("rank,cause,group,title,score,")


def test_file_and_hash_of_the_causes_are_on_every_page(visit: Path) -> None:
    sha256 = load_causes().sha256
    for page in pages(visit):
        assert f"Causes causes.toml, SHA-256 {sha256}" in page.text
        assert f"causes {sha256[:12]} " in page.text


# ---- a visit judged


def job(folder: Path, causes: Causes, *, prosthetic_sides: tuple[Side, ...] = ("right",)) -> VisitJob:
    report = fixture.report()
    run = replace(report.run, causes_file=causes.file, causes_sha256=causes.sha256)
    return VisitJob(
        subject="P01",
        visit="02",
        visit_date=report.visit_date,
        person=Person(prosthetic_sides),
        changes="softer heel cushion",
        clips=(),
        results=(),
        folder=folder,
        settings=load_settings(),
        limits=fixture.limits(),
        causes=causes,
        run=run,
    )


def test_a_visit_is_saved_with_its_candidates_and_made_again_when_the_file_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    report, causes = fixture.report(), load_causes()
    monkeypatch.setattr(stages, "judge_visit", lambda *_: (report.metrics, report.faults))
    assert report_visit(job(tmp_path, causes), lambda *_: None).since == ""
    saved = read_json(tmp_path / "visit.json", VisitReport)
    assert saved.candidates == candidates(report.faults, causes, "softer heel cushion")
    assert (saved.run.causes_file, saved.run.causes_sha256) == (causes.file, causes.sha256)
    assert "Change log: the word &#39;heel&#39; stands there" in blocks(tmp_path / "visit.html")["heel_stiff"]
    assert report_visit(job(tmp_path, causes), lambda *_: None).since != ""
    assert report_visit(job(tmp_path, replace(causes, sha256="e" * 64)), lambda *_: None).since == ""


def test_nothing_is_considered_for_a_visit_without_a_prosthesis(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    report = fixture.report()
    monkeypatch.setattr(stages, "judge_visit", lambda *_: (report.metrics, report.faults))
    report_visit(job(tmp_path, load_causes(), prosthetic_sides=()), lambda *_: None)
    assert read_json(tmp_path / "visit.json", VisitReport).candidates == ()


def test_pages_of_visits_with_the_same_number_are_all_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen from another folder, where a visit's folder shows no more than its own name."""
    for subject in ("P01", "P02"):
        save_parts(tmp_path / f"out/sub-{subject}/ses-01", fixture.report(), fixture.strides())
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    made_again, failures = rebuild_reports(tmp_path / "out", limits=fixture.limits())
    assert failures == {}
    assert [page.relative_to(tmp_path / "out").parts[0] for page in made_again] == ["sub-P01", "sub-P02", "study.html"]
