"""What a clinic records by other means: the list, the values with every mistake named, change, pages and tables."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as some

from pipeline import clip_stages, stages
from pipeline.batch import run_study
from pipeline.causes_file import load_causes
from pipeline.checks import Person
from pipeline.clip_stages import ClipJob, measures_fingerprint
from pipeline.config import config_dir, load_settings
from pipeline.errors import ManifestError, ManyProblems
from pipeline.fault_pages import DOCS
from pipeline.goals import NO_GOALS, load_goals
from pipeline.jobs import VisitJob, report_visit
from pipeline.judgement import Recorded, VisitReport
from pipeline.language import speaking
from pipeline.manifest import HELP, read_manifest
from pipeline.metrics import CATALOGUE
from pipeline.outcomes import CHANCE_NOT_KNOWN, RecordedChange, recorded_changes, recorded_interval
from pipeline.recorded import COLUMNS, MeasureList, load_measures, read_recorded
from pipeline.report import save_parts
from pipeline.report.layout import load_sources
from pipeline.report.page import write_visit
from pipeline.report.parts import load_parts
from pipeline.report.subject_page import build_subject
from pipeline.report.track import track_subject, track_table
from pipeline.store import read_json
from pipeline.study_query import query
from pipeline.study_tables import study_tables
from pipeline.tracking_rules import load_tracking_rules
from tests import report_fixture as fixture
from tests import standins
from tests.browser import grave_violations, opened_page, started_browser
from tests.studies import make_study, quick_settings, run_command
from tests.test_language import marked_entries, without_marked, write_language
from tests.test_report import Page, make, section
from tests.test_tracking import visit

MEASURES = load_measures()
HEADER = "subject,visit,measure,value,note"
# Invented values.
TIME = Recorded("walk_10m_time", "10-metre walk time", "s", 9.6, "", "less", True, about="Timed over 10 m")
COMFORT = Recorded("socket_comfort", "Socket comfort", "points", 7.0, f"warm {fixture.MARKUP}", "more", False)
UP_AND_GO = Recorded("timed_up_and_go_time", "Timed up-and-go time", "s", 11.0, "", "less", True, 4.3, "resnik_2011")
NOT_DONE = Recorded("falls", "Falls since the last visit", "falls", None, "was not asked", "less", False)


def study(folder: Path, *rows: str, header: str = HEADER) -> Path:
    """A study of two visits of one person, with what was recorded there."""
    make_study(folder, {"clips/a.mp4": "01", "clips/b.mp4": "02"})
    (folder / "recorded.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return folder


def read(folder: Path, known: MeasureList = MEASURES) -> dict[tuple[str, str], tuple[Recorded, ...]]:
    return read_recorded(folder, read_manifest(folder), known)


def problems_of(folder: Path) -> list[str]:
    with pytest.raises(ManyProblems) as caught:
        read(folder)
    assert str(caught.value).endswith(HELP)
    return list(caught.value.problems)


def own_list(folder: Path, text: str) -> Path:
    path = folder / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


# --- the list


def test_the_list_that_ships_is_whole() -> None:
    sources = load_sources()
    for name, measure in MEASURES.measures.items():
        assert name not in CATALOGUE
        assert measure.title and measure.about, name
        # A detectable change stands only with its source, and says how well that is known.
        if measure.detectable is not None:
            assert sources[measure.source].known == "from memory"


def test_detectable_changes_are_those_of_the_source_at_95_percent() -> None:
    """Resnik and Borgia 2011 give them at 90 % (from memory): times 1.96/1.645, rounded to one decimal."""
    published = {"two_minute_walk_distance": 34.3, "six_minute_walk_distance": 45.0, "timed_up_and_go_time": 3.6}
    known = {name: measure.detectable for name, measure in MEASURES.measures.items() if measure.detectable}
    assert known == {name: round(value * 1.96 / 1.645, 1) for name, value in published.items()}


GOOD = """[grip_force]
title = "Grip force"
unit = "N"
lowest = 0
highest = 900
better = "more"
walking = false
"""


def test_a_list_of_ones_own_is_read_with_its_hash(tmp_path: Path) -> None:
    found = load_measures(own_list(tmp_path, GOOD))
    assert (list(found.measures), found.file, len(found.sha256)) == (["grip_force"], "mine.toml", 64)
    measure = found.measures["grip_force"]
    assert (measure.detectable, measure.source, measure.about, measure.highest) == (None, "", "", 900.0)


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("[grip_force]", "[Grip]", "Grip: expected a name of small letters, digits and _, as walk_10m_time"),
        ("[grip_force]", "[cadence]", "cadence: is a metric that the clips give; expected another name"),
        ("highest = 900", "highest = -1", "grip_force: lowest 0 must be below highest -1"),
        ("walking", 'source = "a paper"\nwalking', "grip_force: expected both detectable and its source, or neither"),
        ("walking", "detectable = 3.0\nwalking", "grip_force: expected both detectable and its source, or neither"),
        ("walking", "detectable = 0.0\nwalking", "grip_force.detectable: input should be greater than 0"),
        ('"more"', '"up"', "grip_force.better: input should be 'less', 'more' or 'neither'"),
        ("unit", "units", "grip_force.unit: field required"),
    ],
)
def test_what_is_wrong_in_a_list_is_told(tmp_path: Path, old: str, new: str, problem: str) -> None:
    text = GOOD.replace(old, new)
    assert text != GOOD
    with pytest.raises(ManyProblems) as caught:
        load_measures(own_list(tmp_path, text))
    assert problem in caught.value.problems


# --- values


def test_values_stand_by_visit_in_the_order_of_the_list(tmp_path: Path) -> None:
    rows = ("P01,01,pain,2.5", "P01,01,walk_10m_time,11.8,with rail", "", "P01,02,pain,,asleep", "P01,02,falls,0")
    found = read(study(tmp_path, *rows))
    told = {key: [(one.measure, one.value, one.note) for one in values] for key, values in found.items()}
    assert told == {
        ("P01", "01"): [("walk_10m_time", 11.8, "with rail"), ("pain", 2.5, "")],
        ("P01", "02"): [("pain", None, "asleep"), ("falls", 0.0, "")],
    }
    one = found["P01", "01"][0]
    assert (one.title, one.unit, one.better, one.walking) == ("10-metre walk time", "s", "less", True)


def test_without_the_file_nothing_was_recorded_and_a_header_alone_is_no_mistake(tmp_path: Path) -> None:
    folder = study(tmp_path)
    assert read(folder) == {}
    (folder / "recorded.csv").unlink()
    assert read(folder) == {}


def test_semicolons_and_decimal_commas_are_read(tmp_path: Path) -> None:
    folder = study(tmp_path, "P01;01;walk_10m_time;11,8", header=HEADER.replace(",", ";"))
    assert read(folder)["P01", "01"][0].value == 11.8


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    folder = study(
        tmp_path,
        "P1,01,pain,2",
        "P01,03,pian,2",
        "P01,01,pain,11",
        "P01,01,pain,-",
        "P01,01,walk_10m_time,",
        "P01,02,pain,2",
        "P01,02,pain,3",
        "P01,02,grip,3,,more",
        "P01,02,falls,nan",
    )
    expected_number = "expected a number from 0 to 10 [points]."
    assert problems_of(folder) == [
        'recorded.csv row 2, column subject: found "P1"; manifest.csv has no such subject. Did you mean P01?',
        'recorded.csv row 3, column visit: found "03"; manifest.csv has these visits of P01: 01, 02.',
        'recorded.csv row 3, column measure: found "pian", which is unknown; did you mean pain?',
        f'recorded.csv row 4, column value: found "11"; {expected_number}',
        f'recorded.csv row 5, column value: found "-"; {expected_number}',
        "recorded.csv row 6, column value: is empty; expected a number [s], or in the column note why there is none.",
        "recorded.csv row 8: pain of P01-02 stands already in row 7.",
        'recorded.csv row 9: found 6 cells; expected 5. Text that holds the separator needs quotes: "socket, heel".',
        'recorded.csv row 10, column value: found "nan"; expected a number from 0 to 1000 [falls].',
    ]


def test_columns_that_are_wrong_are_told_and_names_of_persons_refused(tmp_path: Path) -> None:
    assert problems_of(study(tmp_path, "a", header="subject,visit,mesure,value,first name,value")) == [
        'recorded.csv row 1: column "mesure" is unknown; did you mean measure?',
        'recorded.csv row 1: column "value" stands 2 times.',
        'recorded.csv row 1: column "first name" is unknown; take it out: nothing here may tell who it is; the '
        "pseudonym goes into subject.",
        'recorded.csv row 1: column "measure" is missing; expected a measure of the list.',
    ]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"\xff\xfe", "recorded.csv: is not UTF-8 text; expected a table with commas or semicolons. Save it from"),
        (b"", "recorded.csv: is empty; expected columns: subject, visit, measure, value."),
        (b'subject,"visit', "recorded.csv: is not a table (unexpected end of data); expected one row for each value."),
    ],
)
def test_a_file_that_is_no_table_is_told(tmp_path: Path, content: bytes, message: str) -> None:
    folder = study(tmp_path)
    (folder / "recorded.csv").write_bytes(content)
    with pytest.raises(ManifestError) as caught:
        read(folder)
    assert str(caught.value).startswith(message)


@given(some.text(max_size=80))
def test_no_text_is_a_traceback(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    folder = study(tmp_path_factory.mktemp("any"))
    (folder / "recorded.csv").write_text(f"{HEADER}\n{text}\n", encoding="utf-8", errors="replace")
    with contextlib.suppress(ManifestError, ManyProblems):
        read(folder)


def test_the_page_of_the_docs_names_every_column_and_measure() -> None:
    text = (DOCS / "recorded.md").read_text(encoding="utf-8")
    assert all(f"| `{column.name}` |" in text for column in COLUMNS)
    assert all(f"`{name}`" in text for name in MEASURES.measures)


# --- change


def reports(*values: tuple[Recorded, ...], **changes: Any) -> list[VisitReport]:
    """Visits 01, 02, ... with what was recorded; changes are of the last."""
    made = [
        replace(visit(f"{number:02d}").report, recorded=recorded) for number, recorded in enumerate(values, start=1)
    ]
    return [*made[:-1], replace(made[-1], **changes)]


def change_of(before: Recorded, after: Recorded, **changes: Any) -> RecordedChange:
    (found,) = recorded_changes(reports((before,), (after,), **changes), "01")
    return found


@pytest.mark.parametrize(
    ("better", "after", "verdict"),
    [
        ("less", 6.6, "better"),
        ("more", 6.6, "worse"),
        ("neither", 6.6, "changed"),
        ("less", 15.4, "worse"),
        ("more", 15.4, "better"),
        # 4.3 is not more than 4.3, whatever binary fractions make of it.
        ("less", 6.7, "no clear change"),
        ("more", 15.3, "no clear change"),
    ],
)
def test_a_change_follows_from_the_detectable_one_and_the_direction(better: Any, after: float, verdict: str) -> None:
    found = change_of(replace(UP_AND_GO, better=better), replace(UP_AND_GO, better=better, value=after))
    assert (found.verdict, found.change, found.reasons) == (verdict, pytest.approx(after - 11.0), ())


def test_without_a_detectable_change_only_the_change_is_told() -> None:
    found = change_of(COMFORT, replace(COMFORT, value=9.0))
    assert (found.change, found.verdict, found.reasons) == (2.0, "cannot say", (CHANCE_NOT_KNOWN,))


@pytest.mark.parametrize(
    ("before", "after", "changes", "reasons"),
    [
        (UP_AND_GO, replace(UP_AND_GO, value=None, note="fell ill"), {}, ("visit 02: fell ill",)),
        (UP_AND_GO, replace(UP_AND_GO, unit="min"), {}, ("other unit (s, then min)",)),
        (UP_AND_GO, replace(UP_AND_GO, value=3.0), {"aid": "stick"}, ("other walking aid (none, then stick)",)),
        (
            replace(NOT_DONE, detectable=1.0),
            replace(NOT_DONE, value=1.0),
            {"aid": "stick"},
            ("visit 01: was not asked",),
        ),
    ],
)
def test_what_keeps_a_change_from_being_judged(
    before: Recorded, after: Recorded, changes: dict[str, Any], reasons: tuple[str, ...]
) -> None:
    found = change_of(before, after, **changes)
    assert (found.verdict, found.reasons) == ("cannot say", reasons)


def test_what_is_not_done_walking_is_compared_with_another_aid() -> None:
    comfort = replace(COMFORT, detectable=1.0, source="own")
    assert change_of(comfort, replace(comfort, value=9.0), aid="stick").verdict == "better"


def test_a_measure_that_one_visit_lacks_is_told() -> None:
    (found,) = recorded_changes(reports((UP_AND_GO,), (), (UP_AND_GO,)), "01")
    assert (found.verdict, found.values[1]) == ("no clear change", None)
    (found,) = recorded_changes(reports((), (UP_AND_GO,), ()), "01")
    assert found.reasons == ("visit 01: it was not recorded", "visit 03: it was not recorded")


def test_two_intervals_of_a_recorded_value_give_its_detectable_change_again() -> None:
    low, high = recorded_interval(UP_AND_GO)
    assert low is not None and high is not None
    assert np.hypot((high - low) / 2, (high - low) / 2) == pytest.approx(4.3)
    assert recorded_interval(COMFORT) == (None, None)


# --- saved, and made again


RECORDED = (TIME, UP_AND_GO, COMFORT, NOT_DONE)


def recorded_report() -> VisitReport:
    run = replace(fixture.report().run, recorded_file="recorded.toml", recorded_sha256=MEASURES.sha256)
    return replace(fixture.report(), recorded=RECORDED, footwear="own trainers", run=run)


def test_a_record_of_before_has_nothing_recorded(tmp_path: Path) -> None:
    save_parts(tmp_path, recorded_report(), fixture.strides())
    assert load_parts(tmp_path)[0] == recorded_report()
    record = json.loads((tmp_path / "visit.json").read_text())
    del record["recorded"], record["footwear"], record["run"]["recorded_file"], record["run"]["recorded_sha256"]
    (tmp_path / "visit.json").write_text(json.dumps(record))
    saved = read_json(tmp_path / "visit.json", VisitReport)
    assert (saved.recorded, saved.footwear, saved.run.recorded_file) == ((), "", "")


def test_a_changed_value_makes_the_pages_again_and_measures_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    report, causes = fixture.report(), load_causes()

    def never(*_: object) -> None:
        raise AssertionError("a clip was measured")

    monkeypatch.setattr(stages, "judge_visit", lambda *_: (report.metrics, report.faults))
    monkeypatch.setattr(clip_stages, "measure_clip_files", never)
    monkeypatch.setattr(stages, "measure_clip", never)
    job = VisitJob(
        "P01", "02", report.visit_date, Person(("right",)), "", (), (), tmp_path, load_settings(), fixture.limits(),
        causes, recorded_report().run,
    )  # fmt: skip
    again: Callable[[VisitJob], bool] = lambda one: report_visit(one, lambda *_: None).since == ""  # noqa: E731
    assert again(job) and not again(job)
    noted = replace(job, recorded=RECORDED)
    assert again(noted) and not again(noted)
    assert "Socket comfort" in (tmp_path / "visit.txt").read_text()
    assert read_json(tmp_path / "visit.json", VisitReport).recorded == RECORDED
    assert again(replace(noted, recorded=(replace(TIME, value=9.7), *RECORDED[1:])))
    shod = replace(noted, footwear="clinic shoes")
    assert again(shod) and read_json(tmp_path / "visit.json", VisitReport).footwear == "clinic shoes"


def test_footwear_and_values_are_no_part_of_what_is_measured(tmp_path: Path) -> None:
    (clip, _) = read_manifest(study(tmp_path))
    prints = {
        measures_fingerprint(ClipJob(one, tmp_path, load_settings()), "landmarks")
        for one in (clip, replace(clip, footwear="own trainers"), replace(clip, aid="stick"))
    }
    assert len(prints) == 1
    other = replace(clip, height_m=1.7)
    assert measures_fingerprint(ClipJob(other, tmp_path, load_settings()), "landmarks") not in prints


# --- the page of a visit


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("visit")
    make(folder, recorded_report())
    return folder


def test_the_page_shows_what_was_recorded(made: Path) -> None:
    page = Page(made / "visit.html")
    assert "Footwear own trainers" in page.text
    words = " ".join(re.sub(r"<[^>]+>", " ", section(page.html, "recorded")).split())
    assert "10-metre walk time Timed over 10 m; less is better 9.6 s not known" in words
    assert "Timed up-and-go time less is better 11 s 4.3 s Resnik L, Borgia M (2011), from memory" in words
    assert "Falls since the last visit less is better not done, because was not asked" in words
    assert "7 points warm &lt;script&gt;" in words and fixture.MARKUP not in page.html
    assert f"Recorded measures recorded.toml, SHA-256 {MEASURES.sha256}" in page.text


def test_a_visit_without_anything_recorded_has_no_such_section(tmp_path: Path) -> None:
    make(tmp_path)
    page = (tmp_path / "visit.html").read_text(encoding="utf-8")
    assert 'id="recorded"' not in page and "Footwear" not in page and "Recorded measures" not in page
    assert "RECORDED" not in (tmp_path / "visit.txt").read_text(encoding="utf-8")


def test_text_and_pdf_show_it_too(made: Path) -> None:
    pypdf = pytest.importorskip("pypdf")
    text = " ".join((made / "visit.txt").read_text(encoding="utf-8").split())
    assert "RECORDED AT THIS VISIT 10-metre walk time: 9.6 s." in text
    assert "Falls since the last visit: not done, because was not asked." in text
    assert "Footwear: own trainers" in text
    told = " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(made / "visit.pdf").pages).split())
    assert "Recorded at this visit" in told and "Timed up-and-go time less is better 11 s 4.3 s" in told


def test_every_word_of_the_section_comes_from_the_catalogue(made: Path, tmp_path: Path) -> None:
    write_language(tmp_path, "qq", marked_entries())
    save_parts(tmp_path / "visit", recorded_report(), fixture.strides())
    with speaking("qq", tmp_path):
        write_visit(tmp_path / "visit", fixture.limits())
    part = section((tmp_path / "visit/visit.html").read_text(encoding="utf-8"), "recorded")
    labels = re.findall(r'data-label="([^"]*)"', part)
    left = without_marked(" ".join([re.sub(r"<[^>]+>", " ", part), *labels]))
    own = ("warm", "&lt;script&gt;alert(1)&lt;/script&gt;", "Resnik L, Borgia M (2011)", "Timed over 10 m")
    for known in own:
        left = left.replace(known, "")
    assert re.findall(r"[A-Za-z]{3,}", left) == []


# --- the page of a person, and tables


def saved_track(folder: Path) -> Path:
    """Two visits of one person in which everything recorded differs."""
    later = (replace(TIME, value=8.1), replace(UP_AND_GO, value=6.0), replace(COMFORT, value=9.5), NOT_DONE)
    for report in reports(RECORDED, later):
        save_parts(folder / f"sub-P01/ses-{report.visit}", report, fixture.strides())
    return folder


def test_the_page_of_a_person_tells_the_change_and_draws_it(tmp_path: Path) -> None:
    found = track_subject(saved_track(tmp_path), "P01", load_tracking_rules())
    path = build_subject(tmp_path, found)
    page = Page(path)
    part = section(page.html, "recorded")
    words = " ".join(re.sub(r"<[^>]+>", " ", part).split())
    assert (
        "Timed up-and-go time less is better 11 s 6 s better −5 s; detectable 4.3 s (Resnik L, Borgia M (2011), "
        "from memory)" in words
    )
    assert f"Socket comfort more is better 7 points 9.5 points cannot say +2.5 points; {CHANCE_NOT_KNOWN}" in words
    assert "Falls since the last visit less is better - - cannot say visit 01: was not asked" in words
    # What was never done has no figure.
    assert part.count("<img") == 3
    with started_browser() as browser:
        for width, scheme in ((1280, "dark"), (390, "light")):
            with opened_page(browser, path, width_px=width, color_scheme=scheme) as (shown, watch):
                assert shown.evaluate("document.documentElement.scrollWidth") <= width
                assert grave_violations(shown) == []
                assert (watch.refused, watch.complaints) == ([], [])


def test_the_page_speaks_german(tmp_path: Path) -> None:
    found = track_subject(saved_track(tmp_path), "P01", load_tracking_rules())
    words = " ".join(re.sub(r"<[^>]+>", " ", build_subject(tmp_path, found, language="de").read_text()).split())
    assert "Schaftkomfort mehr ist besser 7 Punkte 9,5 Punkte nicht beurteilbar +2,5 Punkte; es ist nicht" in words


def test_screen_and_table_of_changes_hold_the_recorded_measures(tmp_path: Path) -> None:
    found = track_subject(saved_track(tmp_path / "out"), "P01", load_tracking_rules())
    table = track_table(found.track).set_index("metric")
    row = table.loc["timed_up_and_go_time"]
    assert (row["before"], row["after"], row["change"], row["detectable"]) == (11.0, 6.0, -5.0, 4.3)
    assert (row["side"], row["unit"], row["verdict"]) == ("", "s", "better")
    assert np.isnan(table.loc["socket_comfort", "detectable"])
    done = run_command("track", "out", "P01", "--csv", "changes.csv", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    line = next(line for line in done.stdout.splitlines() if line.startswith("Timed up-and-go time"))
    assert line.split()[-1] == "better" and "detectable 4.3 s" in line
    assert "timed_up_and_go_time" in set(pd.read_csv(tmp_path / "changes.csv")["metric"])


def test_the_tables_of_a_study_hold_what_was_recorded(tmp_path: Path) -> None:
    tables = study_tables(saved_track(tmp_path))
    recorded = tables.recorded
    assert len(recorded) == 8 and list(recorded["visit"]) == ["01"] * 4 + ["02"] * 4
    done = recorded[recorded["measure"] == "timed_up_and_go_time"]
    assert list(done["value"]) == [11.0, 6.0] and set(done["unit"]) == {"s"} and set(done["detectable"]) == {4.3}
    assert recorded[recorded["measure"] == "falls"]["value"].isna().all()
    answer = query(
        tmp_path,
        "SELECT visit_date, value FROM recorded JOIN visits USING (subject, visit) WHERE measure = 'socket_comfort' "
        "ORDER BY visit_date",
    )
    assert list(answer["value"]) == [7.0, 9.5]
    assert list(query(tmp_path, "SELECT count(*) AS n FROM recorded")["n"]) == [8]


def test_a_run_keeps_values_footwear_and_goals_with_its_results(tmp_path: Path) -> None:
    folder = make_study(tmp_path / "study", {"clips/a-fine.mp4": "01", "clips/b-fine.mp4": "02"}, footwear="boots")
    (folder / "recorded.csv").write_text(f"{HEADER}\nP01,02,pain,3,\n", encoding="utf-8")
    (folder / "goals.csv").write_text("subject,measure,limb,at_least,at_most\nP01,pain,,,2\n", encoding="utf-8")

    def go() -> list[VisitReport]:
        result = run_study(
            folder,
            tmp_path / "out",
            settings=quick_settings(),
            clip_work=standins.behave_as_named,
            visit_work=standins.report_plainly,
        )
        return [one.report for one in result.visits if one.report is not None]

    first, second = go()
    assert (first.footwear, first.recorded, second.recorded[0].value) == ("boots", (), 3.0)
    assert (second.run.recorded_file, second.run.recorded_sha256) == ("recorded.toml", MEASURES.sha256)
    assert load_goals(tmp_path / "out", "P01").goals[0].at_most == 2.0
    for name in ("recorded.csv", "goals.csv"):
        (folder / name).unlink()
    assert go()[1].recorded == () and load_goals(tmp_path / "out", "P01") == NO_GOALS


def test_a_run_with_wrong_values_measures_and_writes_nothing(tmp_path: Path) -> None:
    study(tmp_path / "study", "P01,01,pain,12")
    done = run_command("run", "study", "--out", "out", folder=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        "error: recorded.csv: 1 problem found.\n"
        '  recorded.csv row 2, column value: found "12"; expected a number from 0 to 10 [points].\n'
        f"{HELP}\n"
    )
    assert not (tmp_path / "out").exists()


def test_a_list_of_ones_own_is_given_to_the_run(tmp_path: Path) -> None:
    study(tmp_path / "study", "P01,01,grip_force,300")
    own_list(tmp_path, GOOD)
    assert "grip_force" in run_command("run", "study", "--out", "out", folder=tmp_path).stderr
    checked = run_command("manifest", "study", "--recorded", "mine.toml", folder=tmp_path)
    assert "recorded.csv: no problem found; values: 1, visits: 1." in checked.stdout
    missing = run_command("run", "study", "--out", "out", "--recorded", "none.toml", folder=tmp_path)
    assert missing.returncode == 2
    assert missing.stderr == (
        "error: none.toml: cannot be read (No such file or directory); expected a list of recorded measures. "
        "Begin with a copy of configs/recorded.toml.\n"
    )
    assert (config_dir() / "recorded.toml").is_file()
