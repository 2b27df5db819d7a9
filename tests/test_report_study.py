"""The page of a whole study: every visit's verdicts as saved, what failed, and what must never be on it."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from pipeline import store
from pipeline.bench.study_page import save_visits
from pipeline.config import config_dir
from pipeline.errors import ManyProblems
from pipeline.judgement import ClipResult, VisitReport
from pipeline.plain_text import natural_key, visible
from pipeline.rebuild import make_study_page
from pipeline.report.layout import load_layout
from pipeline.report.study import build_study
from pipeline.stage_record import FolderRecord, write_record
from pipeline.store import write_json, write_text
from pipeline.thresholds import load_limits
from tests import report_fixture as fixture

LATE_HINT = "Run the study again into the same folder; finished clips are kept."
RTL = "\u202e"


class StudyPage(HTMLParser):
    """The page as rows of cells and sections of text; only what a reader gets, no style and no script."""

    def __init__(self, out: Path) -> None:
        super().__init__()
        self.out = out
        self.html = (out / "study.html").read_text(encoding="utf-8")
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.sections: dict[str, list[str]] = {}
        self.rows: list[tuple[str, list[list[str]]]] = []
        self.hrefs: list[str] = []
        self._section = "head"
        self._quiet = self._in_cell = False
        self.feed(self.html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = dict(attrs)
        self.tags.append((tag, attributes))
        self._quiet = tag in ("style", "script")
        if tag == "section":
            self._section = str(attributes["id"])
        if tag == "tr":
            self.rows.append((self._section, []))
        if tag in ("th", "td"):
            self.rows[-1][1].append([])
            self._in_cell = True
        if tag == "a":
            self.hrefs.append(str(attributes["href"]))

    def handle_endtag(self, tag: str) -> None:
        self._quiet = self._quiet and tag not in ("style", "script")
        self._in_cell = self._in_cell and tag not in ("th", "td")

    def handle_data(self, data: str) -> None:
        if self._quiet:
            return
        self.sections.setdefault(self._section, []).append(data)
        if self._in_cell:
            self.rows[-1][1][-1].append(data)

    def text(self, section: str = "") -> str:
        """Words of a section, or of the whole page."""
        words = self.sections[section] if section else [w for part in self.sections.values() for w in part]
        return " ".join(" ".join(words).split())

    def table(self, section: str) -> list[list[str]]:
        """Rows of a section's table, as text."""
        return [[" ".join("".join(cell).split()) for cell in row] for place, row in self.rows if place == section]


def save(out: Path, subject: str, visit: str, day: date, **changes: Any) -> VisitReport:
    """A visit of the fixture under another name, with empty pages beside it."""
    report = replace(fixture.report(), subject=subject, visit=visit, visit_date=day, **changes)
    folder = out / f"sub-{subject}" / f"ses-{visit}"
    write_json(folder / "visit.json", report)
    for name in ("visit.html", *(f"fault-{fault.name}.html" for fault in report.faults)):
        write_text(folder / name, "")
    return report


def make(out: Path) -> StudyPage:
    assert build_study(out, fixture.limits()) == out / "study.html"
    return StudyPage(out)


def grid_visits(page: StudyPage) -> list[str]:
    """Subjects and visits of the grid, in the order of the page."""
    return [row[0] for row in page.table("study_grid")[6:]]


def done_clips() -> tuple[ClipResult, ...]:
    return tuple(clip for clip in fixture.report().clips if clip.state == "done")


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """Two people, three visits; the later visit of the first has the lower number."""
    save(tmp_path, "P10", "01", date(2026, 3, 1), clips=done_clips())
    save(tmp_path, "P2", "02", date(2026, 2, 1), clips=done_clips())
    save(tmp_path, "P2", "01", date(2026, 4, 1), clips=done_clips())
    return tmp_path


# --- what stands on it


def test_subjects_stand_in_order_and_their_visits_by_date(out: Path) -> None:
    page = make(out)
    wanted = ["P2", "02, 2026-02-01 urgent", "01, 2026-04-01 urgent", "P10", "01, 2026-03-01 urgent"]
    assert grid_visits(page) == wanted
    listed = [row[0] for row in page.table("study_visits")[1:]]
    assert listed == [name.removesuffix(" urgent") for name in wanted]


@pytest.mark.parametrize(("first", "second"), [("P2", "P10"), ("P02", "P2a"), ("1", "a"), ("9", "10"), ("a", "b")])
def test_numbers_in_names_sort_as_numbers(first: str, second: str) -> None:
    assert natural_key(first) < natural_key(second)
    # A superscript is a digit to Python and no number.
    assert natural_key("P²")


# What a cell says of a verdict that rests on a corrected event.
MARK = ", rests on corrections by a person*"


def test_every_cell_is_the_verdict_that_was_saved_and_leads_to_its_page(out: Path) -> None:
    page = make(out)
    heads, *rows = page.table("study_grid")
    titles = {layout_title: name for name, layout_title in load_layout().study.short.items()}
    names = [titles[head.removesuffix(", urgent")] for head in heads[1:]]
    assert set(names) == {fault.name for fault in fixture.report().faults}
    folders = ["sub-P2/ses-02", "sub-P2/ses-01", "sub-P10/ses-01"]
    seen = [row for row in rows[5:] if len(row) > 1]
    for folder, row in zip(folders, seen, strict=True):
        saved = json.loads((out / folder / "visit.json").read_text(encoding="utf-8"))
        verdicts = {fault["name"]: fault["verdict"] for fault in saved["faults"]}
        marked = {fault["name"] for fault in saved["faults"] if fault["corrections"]}
        assert marked
        assert dict(zip(names, row[1:], strict=True)) == {
            name: f"{verdict}{MARK if name in marked else ''}" for name, verdict in verdicts.items()
        }
        assert all(f"{folder}/fault-{name}.html" in page.hrefs for name in verdicts)
    counted = {row[0]: [int(cell) for cell in row[1:]] for row in rows[1:5]}
    for place, name in enumerate(names):
        column = [row[1 + place].removesuffix(MARK) for row in seen]
        assert {word: counts[place] for word, counts in counted.items()} == {
            word: column.count(word) for word in ("present", "borderline", "cannot say", "not seen")
        }, name


def test_numbers_of_the_study_are_those_of_its_visits(out: Path) -> None:
    head = make(out).text("head")
    assert "2 subjects, 3 visits 2026-02-01 to 2026-04-01" in head
    assert "9 of 9 measured" in head and "Failed nothing" in head
    verdicts = [fault.verdict for fault in fixture.report().faults]
    assert all(f"{3 * verdicts.count(word)} {word}" in head for word in set(verdicts))


def test_severity_stands_behind_the_verdict(tmp_path: Path) -> None:
    faults = tuple(
        replace(fault, severity="severe" if fault.verdict == "present" else "") for fault in fixture.report().faults
    )
    save(tmp_path, "P01", "01", date(2026, 3, 1), faults=faults)
    cells = make(tmp_path).table("study_grid")[-1]
    assert "present, severe" in cells and "present" not in cells


def test_urgent_faults_come_first_and_are_told_before_the_grid(out: Path) -> None:
    page = make(out)
    assert page.table("study_grid")[0][1] == "Knee instability, urgent"
    sections = re.findall(r'<section id="(\w+)"', page.html)
    assert sections[0] == "study_urgent"
    text = page.text("study_urgent")
    latest, earlier = text.split("Seen at an earlier visit (1)")
    assert "P2, visit 01, 2026-04-01: Knee instability" in latest and "P10, visit 01" in latest
    assert "P2, visit 02, 2026-02-01: Knee instability" in earlier


def test_an_urgent_fault_that_could_not_be_judged_is_not_taken_for_safety(tmp_path: Path) -> None:
    blind = fixture.with_verdict(fixture.report(), "knee_instability", "cannot say", "no side view")
    save(tmp_path, "P01", "01", date(2026, 3, 1), faults=blind.faults)
    text = make(tmp_path).text("study_urgent")
    assert "not the same as safe" in text and "P01, visit 01, 2026-03-01: Knee instability cannot say" in text
    calm = fixture.with_verdict(fixture.report(), "knee_instability", "not seen", "")
    save(tmp_path, "P01", "01", date(2026, 3, 1), faults=calm.faults)
    assert "study_urgent" not in make(tmp_path).sections


def test_what_was_changed_stands_beside_its_visit(out: Path) -> None:
    save(out, "P2", "01", date(2026, 4, 1), changes="softer heel", levels=("transfemoral",), aid="stick")
    rows = {row[0]: row for row in make(out).table("study_visits")}
    assert rows["01, 2026-04-01"][1:3] == ["right, transfemoralaid: stick", "softer heel"]


def test_a_fault_that_one_visit_was_not_judged_for_is_no_verdict(out: Path) -> None:
    faults = tuple(fault for fault in fixture.report().faults if fault.name != "vaulting")
    save(out, "P10", "01", date(2026, 3, 1), faults=faults)
    page = make(out)
    place = page.table("study_grid")[0].index("Vaulting")
    assert page.table("study_grid")[-1][place] == "not looked for"


# --- what failed


def test_nothing_failed_is_said_too(out: Path) -> None:
    assert "Nothing failed" in make(out).text("study_failures")


def test_failed_clips_stand_with_their_whole_message(out: Path) -> None:
    save(out, "P10", "01", date(2026, 3, 1))
    page = make(out)
    assert fixture.FAILED_MESSAGE in page.text("study_failures")
    assert "clips/P01-back.mp4 ; failed at: measures (QualityError)" in page.text("study_failures")
    assert "Failed 1, see below" in page.text("head")


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        ("", "visit.json: cannot be read (Invalid JSON: EOF while parsing a value at line 1 column 0). Run the"),
        ('{"subject": "P2"', "visit.json: cannot be read (Invalid JSON: EOF while parsing an object"),
        ("[1]", "visit.json: cannot be read (Input should be an object). Run the study again"),
        ("{}", "visit.json: cannot be read (subject: Field required). Run the study again"),
        (None, f"No report was saved: the run stopped before this visit was judged. {LATE_HINT}"),
    ],
)
def test_a_damaged_visit_stands_with_its_reason_and_the_others_stay(
    out: Path, content: str | None, reason: str
) -> None:
    path = out / "sub-P2" / "ses-01" / "visit.json"
    path.unlink()
    if content is not None:
        path.write_text(content)
    page = make(out)
    assert f"visit P2-01 sub-P2/ses-01 {reason}" in page.text("study_failures")
    assert grid_visits(page) == ["P2", "02, 2026-02-01 urgent", "P10", "01, 2026-03-01 urgent"]


def test_a_verdict_that_nobody_knows_is_damage(out: Path) -> None:
    path = out / "sub-P2" / "ses-01" / "visit.json"
    path.write_text(path.read_text(encoding="utf-8").replace('"present"', '"presnt"'), encoding="utf-8")
    assert re.search(
        r"visit\.json: cannot be read \(faults: \d: verdict: .*'present'", make(out).text("study_failures")
    )


def test_a_copied_visit_is_not_counted_twice(out: Path) -> None:
    copy = out / "sub-P3" / "ses-01"
    copy.mkdir(parents=True)
    (copy / "visit.json").write_bytes((out / "sub-P2/ses-01/visit.json").read_bytes())
    page = make(out)
    assert "visit P3-01 sub-P3/ses-01 visit.json is the record of sub-P2/ses-01" in page.text("study_failures")
    assert "2 subjects, 3 visits" in page.text("head")


def test_messages_that_a_run_left_in_folders_are_told(out: Path) -> None:
    crashed = out / "sub-P2" / "ses-03"
    write_text(crashed / "error.txt", "visit P2-03: the process ended with signal 6.\n")
    write_text(out / "sub-P2" / "ses-01" / "error.txt", "visit P2-01: no result within 60 s.\n")
    write_text(crashed / "walk" / "error.txt", "clip walk: cannot be decoded.\n")
    write_record(crashed / "walk", FolderRecord("failed"))
    text = make(out).text("study_failures")
    assert "visit P2-03 sub-P2/ses-03 visit P2-03: the process ended with signal 6." in text
    assert "visit P2-01: no result within 60 s. The report that is shown is of an earlier run." in text
    assert "clip walk sub-P2/ses-03/walk clip walk: cannot be decoded." in text


def test_a_folder_without_any_readable_visit_still_gets_its_page(tmp_path: Path) -> None:
    (tmp_path / "sub-P01" / "ses-01").mkdir(parents=True)
    page = make(tmp_path)
    assert "0 subjects, 0 visits" in page.text("head")
    assert "No report was saved" in page.text("study_failures")
    assert load_layout().study.no_visits in page.text("study_grid")


# --- how it was made


def test_visits_judged_alike_are_said_to_be(out: Path) -> None:
    text = make(out).text("study_made")
    assert "All visits were judged by the same code" in text
    assert "3 visits: P2-01, P2-02, P10-01" in text and "b" * 12 in text


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"limits_sha256": "d" * 64}, "Limits"),
        ({"measuring_sha256": "d" * 64}, "Settings"),
        ({"measuring_sha256": "", "settings_sha256": "d" * 64}, "Settings"),
        ({"code_version": "0.2.0", "causes_sha256": "d" * 64}, "Code version, Causes"),
        ({"model": "full"}, "Pose model"),
        ({"package_versions": {"numpy": "2.5.0"}}, "Packages"),
    ],
)
def test_visits_judged_by_something_else_are_pointed_out(out: Path, change: dict[str, Any], words: str) -> None:
    save(out, "P2", "02", date(2026, 2, 1), run=replace(fixture.report().run, **change))
    page = make(out)
    assert "Not all visits were judged in the same way" in page.text("head")
    text = page.text("study_made")
    assert f"Set 2 differs from set 1 in: {words}." in text
    assert "2 visits: P2-01, P10-01" in text and "1 visit: P2-02" in text
    named = [row[0] for row in page.table("study_visits") if row[0].endswith("set 2")]
    assert named == ["02, 2026-02-01set 2"]


def test_runs_are_listed_and_a_damaged_record_is_named(out: Path) -> None:
    run = fixture.report().run
    for name, state in (("20260317T101500-4f2a", "interrupted"), ("20260318T101500-4f2b", "done")):
        summary = {"state": state, "run": replace(run, run_id=name), "clips": {"done": 3, "failed": 1}, "visits": {}}
        write_json(out / "runs" / name / "run.json", summary)
    write_text(out / "runs" / "20260319T" / "run.json", "{")
    rows = make(out).table("study_made")
    assert rows[1][0] == "20260319T" and rows[1][1].startswith("run.json cannot be read (Invalid JSON")
    assert rows[2] == ["20260318T101500-4f2b", run.started, run.finished, "done", "3 done, 1 failed", "none"]
    assert rows[3][3] == "interrupted"


def test_the_same_parts_give_the_same_bytes(out: Path) -> None:
    first = make(out).html
    assert make(out).html == first


# --- nothing leaves the page, nothing gets in


def test_text_from_outside_is_shown_as_text(out: Path) -> None:
    nasty = f"{fixture.MARKUP} {fixture.FORMULA} {RTL}tsal &amp; \"'><img src=x onerror=alert(1)>"
    clip = replace(fixture.report().clips[-1], message=nasty, relative_path=nasty, clip_id=nasty)
    faults = tuple(replace(fault, title=nasty, name=f"odd_{fault.name}") for fault in fixture.report().faults)
    save(out, "P10", "01", date(2026, 3, 1), changes=nasty, clips=(clip,), faults=faults)
    page = make(out)
    for section in ("study_grid", "study_visits", "study_failures"):
        assert visible(nasty) in page.text(section)
    tags = [tag for tag, _ in page.tags]
    assert tags.count("script") == 1 and "img" not in tags
    # A mark that turns the direction of writing is written out, and text from right to left ends with itself.
    assert RTL not in page.html
    assert f"<bdi>{nasty[:3].replace('<', '&lt;')}" in page.html


def test_links_lead_to_files_that_exist_and_nothing_is_absolute(out: Path) -> None:
    (out / "sub-P2" / "ses-01" / "fault-vaulting.html").unlink()
    (out / "sub-P2" / "ses-02" / "visit.html").unlink()
    page = make(out)
    ids = {attributes["id"] for _, attributes in page.tags if "id" in attributes}
    assert page.hrefs
    for href in page.hrefs:
        assert href[1:] in ids if href.startswith("#") else (out / href).is_file(), href
    assert str(out) not in page.html and str(Path.home()) not in page.html
    assert not re.search(r"https?://|file:|url\(|@import", page.html)
    assert not any(name.startswith("on") or name == "src" for _, attributes in page.tags for name in attributes)


def test_only_the_script_of_the_page_may_run(out: Path) -> None:
    html = make(out).html
    (script,) = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    policy = f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    assert f'http-equiv="Content-Security-Policy" content="{policy}"' in html


def test_without_script_everything_is_shown_but_the_filter(out: Path) -> None:
    hidden = [attributes.get("id") for _, attributes in make(out).tags if "hidden" in attributes]
    assert hidden == ["filter"]


def test_the_script_holds_no_words_for_the_reader(out: Path) -> None:
    (script,) = re.findall(r"<script>(.*?)</script>", make(out).html, re.DOTALL)
    code = re.sub(r"//.*", "", script)
    texts = re.findall(r"\"([^\"]*)\"|`([^`]*)`", code)
    # Two words in a row would be a sentence; selectors, ids and names of the page have none.
    sentences = [one or other for one, other in texts if re.search(r"[A-Za-z]{2,} [A-Za-z]{2,}", one or other)]
    assert sentences == ["use strict"]


def test_each_verdict_has_a_mark_of_its_own_shape() -> None:
    style = (Path(store.__file__).parent / "report" / "assets" / "study.css").read_text(encoding="utf-8")
    shapes = {letter: re.findall(rf"\.grid \.{letter}(?:::before)? {{ (.*) }}", style) for letter in "pbcn"}
    plain = {
        letter: re.sub(r"(background|border-color): [^;]*;|var\(--\w+\)", "", str(s)) for letter, s in shapes.items()
    }
    assert all(shapes.values()) and len(set(plain.values())) == 4


# --- size, writing, layout


def test_a_thousand_visits_stay_below_6_mb(tmp_path: Path) -> None:
    limits = load_limits()
    save_visits(tmp_path, 1000, limits)
    page = build_study(tmp_path, limits)
    assert page.stat().st_size < 6e6
    html = page.read_text(encoding="utf-8")
    assert html.count("<tr data-visit=") == 2000
    assert "20 clips" not in html and html.count('class="failure"') == 20


def test_a_write_that_fails_keeps_the_earlier_page_and_every_visit(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = make(out).html
    save(out, "P3", "01", date(2026, 5, 1))
    files = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}

    def no_room(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(store.Path, "replace", no_room)
    page, message = make_study_page(out, fixture.limits())
    assert page is None
    assert message == (
        "study.html: cannot be read or written (No space left on device). "
        "Check free space and the right to write into the results folder."
    )
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == files
    assert (out / "study.html").read_text(encoding="utf-8") == before


def test_a_fault_of_the_program_is_told_and_logged(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> Path:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("pipeline.report.study.build_study", broken)
    log: list[str] = []
    page, message = make_study_page(out, fixture.limits(), log=log.append)
    assert page is None and message.startswith("study.html: ZeroDivisionError (division by zero); this is a fault")
    assert "Traceback" in log[0]


def test_sections_follow_the_layout_and_losses_cannot_be_left_out(out: Path, tmp_path_factory: Any) -> None:
    folder = tmp_path_factory.mktemp("configs")
    text = (config_dir() / "report.toml").read_text(encoding="utf-8")
    shipped = re.search(r"^study_sections = .*$", text, re.MULTILINE)
    assert shipped is not None
    own = 'study_sections = ["study_failures", "study_urgent", "cautions", "study_visits"]'
    (folder / "report.toml").write_text(text.replace(shipped.group(), own), encoding="utf-8")
    build_study(out, fixture.limits(), config_folder=folder)
    found = re.findall(r'<section id="(\w+)"', StudyPage(out).html)
    assert found == ["study_failures", "study_urgent", "cautions", "study_visits"]
    (folder / "report.toml").write_text(text.replace(shipped.group(), 'study_sections = ["study_grid"]'))
    with pytest.raises(ManyProblems) as error:
        load_layout(folder)
    assert error.value.problems == tuple(
        f"study_sections: {name!r} is missing; it may be moved but not left out"
        for name in ("study_urgent", "study_failures", "cautions")
    )


def test_every_fault_that_ships_has_a_heading_of_its_own() -> None:
    short = load_layout().study.short
    names = {fault.name for fault in load_limits().faults}
    assert set(short) == names
    assert len(set(short.values())) == len(short) and max(map(len, short.values())) <= 17
