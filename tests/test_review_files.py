"""Corrections on disk: nothing is lost, nothing is hidden, and only what depends on one is made again."""

from __future__ import annotations

import json
import multiprocessing
import shutil
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from pypdf import PdfReader

from pipeline import jobs
from pipeline.errors import ManyProblems, StageError
from pipeline.judgement import VisitReport
from pipeline.report.study import build_study
from pipeline.review import Correction
from pipeline.review_files import read_corrections, save_corrections, stamped
from pipeline.review_requests import Request, record
from pipeline.review_saved import clip_events, clip_strides, list_corrections
from pipeline.store import read_json, write_text
from pipeline.thresholds import load_limits
from tests import review_fixture
from tests.review_fixture import SmallStudy
from tests.walker import Walker


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("reviewed")
    with pytest.MonkeyPatch.context() as patch:
        review_fixture.small_study(folder, patch).run()
    return folder


@pytest.fixture
def study(measured: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallStudy:
    """A measured study of its own."""
    shutil.copytree(measured, tmp_path / "own")
    return review_fixture.small_study(tmp_path / "own", monkeypatch)


@pytest.fixture
def with_pages(measured: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallStudy:
    """The same, whose reports have their pages; those of the first run are made with the next correction."""
    shutil.copytree(measured, tmp_path / "own")
    return review_fixture.small_study(tmp_path / "own", monkeypatch, pages=True)


def contact(study: SmallStudy, side: str = "left") -> float:
    """Time of the second contact of a foot."""
    events = clip_events(study.results, "P01", "01", "a-side")
    return float(events[(events["side"] == side) & (events["kind"] == "contact")]["time_s"].iloc[1])


def moved(study: SmallStudy, by_s: float = 0.05, initials: str = "AB") -> Request:
    time_s = contact(study)
    return Request(
        "P01", "01", "move event", initials, "heel comes down later", clip_id="a-side", side="left", kind="contact",
        time_s=time_s, to_s=time_s + by_s,
    )  # fmt: skip


def overruled(verdict: str = "present", fault: str = "vaulting") -> Request:
    return Request("P01", "01", "overrule verdict", "CD", "seen by eye", fault=fault, verdict=verdict)  # type: ignore[arg-type]


def undoing(made: Correction) -> Request:
    return Request("P01", "01", "undo", "EF", "it was right before", about=made.id)


def states(study: SmallStudy) -> list[str]:
    return [one.state for one in list_corrections(study.results)[0]]


def report_of(study: SmallStudy, visit: str = "01") -> VisitReport:
    return read_json(study.visit(visit) / "visit.json", VisitReport)


# --- only what depends is made again

NOTHING = {"a-side": [], "b-side": [], "c-side": [], "01": [], "02": []}


def test_a_run_with_nothing_corrected_makes_nothing_again(study: SmallStudy) -> None:
    assert study.run() == NOTHING


def test_a_corrected_event_measures_its_clip_again_and_makes_its_visits_report(study: SmallStudy) -> None:
    before = report_of(study)
    made = record(study.results, [moved(study)]).new
    assert states(study) == ["waiting"]
    assert study.run() == NOTHING | {"a-side": ["measures"], "01": ["report"]}
    assert states(study) == ["applied"]
    assert study.run() == NOTHING
    touched = next(one.stride_ids for one in report_of(study).corrections)
    rest = {value.metric for value in report_of(study).metrics if set(value.stride_ids) & set(touched)}
    assert "stance_time" in rest
    # What rests on no stride that was touched has the value that it had.
    values = {(one.metric, one.side): one.value for one in before.metrics}
    same = [one for one in report_of(study).metrics if one.stride_ids and not set(one.stride_ids) & set(touched)]
    assert all(values[one.metric, one.side] == pytest.approx(one.value) for one in same)
    record(study.results, [undoing(made[0])])
    assert study.run() == NOTHING | {"a-side": ["measures"], "01": ["report"]}
    assert states(study) == ["undone", "applied"]
    assert [(one.metric, one.side, one.value) for one in report_of(study).metrics] == [
        (one.metric, one.side, one.value) for one in before.metrics
    ]


def test_an_overruled_verdict_makes_the_report_alone(study: SmallStudy) -> None:
    record(study.results, [overruled()])
    assert study.run() == NOTHING | {"01": ["report"]}
    (fault,) = (one for one in report_of(study).faults if one.name == "vaulting")
    assert fault.person is not None
    assert (fault.person.verdict, fault.person.by, fault.person.reason) == ("present", "CD", "seen by eye")
    assert fault.verdict == fault.person.instead_of != "present"


def test_a_report_from_before_corrections_is_still_read(study: SmallStudy) -> None:
    path = study.visit() / "visit.json"
    old = json.loads(path.read_text(encoding="utf-8"))
    del old["corrections"]
    for fault in old["faults"]:
        del fault["person"], fault["corrections"]
    path.write_text(json.dumps(old), encoding="utf-8")
    assert report_of(study).corrections == ()
    assert all(fault.person is None for fault in report_of(study).faults)


# --- landmarks that are others


def test_a_correction_for_other_landmarks_is_flagged_until_somebody_confirms_it(study: SmallStudy) -> None:
    (made,) = record(study.results, [moved(study)]).new
    study.run()
    study.walk(a=Walker(stance_s={"left": 0.75, "right": 0.74}))
    assert study.run()["a-side"] == ["landmarks", "pictures", "outlines", "pylon", "measures"]
    assert states(study) == ["for other landmarks"]
    assert "Corrections by a person for other landmarks, kept and not applied: 1." in report_of(study).notes
    (flagged,) = report_of(study).corrections
    assert (flagged.state, flagged.note) == (
        "for other landmarks", "the landmarks are not those that it was made for"
    )  # fmt: skip
    assert (clip_events(study.results, "P01", "01", "a-side")["changed_by"] == "").all()
    # The same words once more do not make it count.
    again = record(study.results, [replace(moved(study), time_s=made.time_s, to_s=made.to_s)])
    assert (again.new, [one.state for _, one in again.known]) == ((), ["for other landmarks"])
    record(study.results, [Request("P01", "01", "confirm", "CD", "holds here too", about=made.id)])
    assert study.run() == NOTHING | {"a-side": ["measures"], "01": ["report"]}
    assert states(study) == ["applied", "applied"]


def test_a_verdict_is_for_the_landmarks_of_all_clips_of_its_visit(study: SmallStudy) -> None:
    record(study.results, [overruled()])
    study.walk(b=Walker(stance_s={"left": 0.75, "right": 0.74}))
    study.run()
    assert states(study) == ["for other landmarks"]
    assert all(fault.person is None for fault in report_of(study).faults)


def test_only_what_was_made_for_other_landmarks_is_confirmed(study: SmallStudy) -> None:
    (made,) = record(study.results, [moved(study)]).new
    with pytest.raises(ManyProblems, match="cannot be confirmed: it was made for the landmarks in use"):
        record(study.results, [Request("P01", "01", "confirm", "CD", "holds", about=made.id)])


# --- files


def write_some(results: Path, initials: str, start: multiprocessing.synchronize.Event) -> None:
    """Record in a process of its own: twenty spans, one by one."""
    start.wait(30)
    for number in range(20):
        request = Request(
            "P01", "01", "swap legs", initials, f"span {number}", clip_id="a-side", time_s=0.1 * number, to_s=3.0
        )
        record(results, [request])


def test_two_people_who_correct_at_once_lose_nothing(study: SmallStudy) -> None:
    context = multiprocessing.get_context("spawn")
    start = context.Event()
    people = [context.Process(target=write_some, args=(study.results, name, start)) for name in ("AB", "CD")]
    for one in people:
        one.start()
    start.set()
    for one in people:
        one.join(120)
        assert one.exitcode == 0
    saved = read_corrections(study.visit())
    assert saved.damaged == {}
    found = {(one.by, one.reason) for one in saved.records}
    assert found == {(by, f"span {number}") for by in ("AB", "CD") for number in range(20)}


def test_a_damaged_file_is_named_and_stops_nothing(study: SmallStudy, tmp_path: Path) -> None:
    (made,) = record(study.results, [moved(study)]).new
    folder = study.visit() / "corrections"
    write_text(folder / "cut.json", '{"id": "cut", "made"')
    shutil.copy(folder / f"{made.id}.json", folder / "copied.json")
    study.run()
    found, damaged = list_corrections(study.results)
    assert [one.state for one in found] == ["applied"]
    assert set(damaged) == {f"sub-P01/ses-01/corrections/{name}" for name in ("cut.json", "copied.json")}
    assert damaged["sub-P01/ses-01/corrections/copied.json"] == f"it is the record {made.id} of sub-P01/ses-01"
    assert "Files of corrections that cannot be read: copied.json, cut.json." in report_of(study).notes


def test_no_stage_touches_the_records(study: SmallStudy) -> None:
    record(study.results, [moved(study), overruled()])
    folder = study.visit() / "corrections"
    before = {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()}
    study.run()
    study.walk(a=Walker(stance_s={"left": 0.75, "right": 0.74}))
    study.run()
    assert {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()} == before
    stale = {path for pattern in jobs.VISIT_FILES for path in study.visit().glob(pattern)}
    assert stale and not stale & set(folder.iterdir())


def test_records_made_at_once_have_an_order(tmp_path: Path) -> None:
    plain = Correction("", "", "AB", "seen", "undo", "P01", "01", about="x")
    made = stamped([plain] * 5)
    assert len({one.id for one in made}) == 5
    assert [one.made for one in made] == sorted({one.made for one in made})
    save_corrections(tmp_path, made)
    assert read_corrections(tmp_path / "sub-P01/ses-01").records == made
    with pytest.raises(StageError, match=r"0 of 1 were recorded, .* \(another record has this name\)"):
        save_corrections(tmp_path, [replace(made[0], reason="another")])
    save_corrections(tmp_path, made[:1])
    assert read_corrections(tmp_path / "sub-P01/ses-01").records == made


# --- what is shown, and what is asked for


def test_pages_say_what_a_person_corrected_and_keep_both_verdicts(with_pages: SmallStudy) -> None:
    study = with_pages
    record(study.results, [moved(study), overruled(), overruled("present", "knee_instability")])
    gone = record(study.results, [replace(moved(study, 0.1, "XY"), side="right", time_s=contact(study, side="right"))])
    record(study.results, [undoing(gone.new[0])])
    study.run()
    (own,) = (fault.verdict for fault in report_of(study).faults if fault.name == "vaulting")
    made = list_corrections(study.results)[0][1].correction.made[:10]
    sentence = f"Verdict by CD, {made}: seen by eye. The pipeline's own verdict: {own}."
    pdf = " ".join(" ".join(page.extract_text() for page in PdfReader(study.visit() / "visit.pdf").pages).split())
    texts = {"visit.pdf": pdf} | {
        name: " ".join(unescape((study.visit() / name).read_text(encoding="utf-8")).split())
        for name in ("visit.html", "fault-vaulting.html", "visit.txt")
    }
    for name, text in texts.items():
        assert sentence in text, name
        if name != "fault-vaulting.html":
            assert "ses 1 corrected event (AB)" in text, name
            assert "undone: by record" in text, name
    assert '<section id="corrections">' in texts["visit.html"]
    # A danger that a person alone saw stands before anything else.
    assert '<section id="urgent"' in texts["visit.html"]
    assert (study.visit() / "corrections.csv").read_text(encoding="utf-8").count(",applied,") == 4
    page = build_study(study.results, load_limits()).read_text(encoding="utf-8")
    assert unescape(page).count(f"by CD, the pipeline's own: {own}") >= 1
    assert "rests on corrections by a person" in page


def test_strides_and_events_of_a_clip_are_listed_for_a_notebook(study: SmallStudy) -> None:
    record(study.results, [moved(study)])
    events = clip_events(study.results, "P01", "01", "a-side")
    assert (events["changed_by"] != "").sum() == 1
    assert clip_strides(study.results, "P01", "01", "a-side")["use"].any()
