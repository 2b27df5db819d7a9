"""Records in a notebook: the words of the pages, all text escaped, the caution where verdicts are."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from html import unescape
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest

from pipeline.agreement import Estimate, cohen_kappa, pair_verdicts
from pipeline.agreement_sizes import bland_altman
from pipeline.errors import ConfigError
from pipeline.judgement import Fault, Finding, VisitReport
from pipeline.model import MetricValue
from pipeline.notebook import Group, html_of, show
from pipeline.precheck import ClipCheck
from pipeline.report import save_parts
from pipeline.report.layout import load_layout
from pipeline.report.track import SubjectTrack, track_subject
from pipeline.report.words import counts_sentence
from pipeline.shown import Shown
from pipeline.study_result import StudyResult, VisitResult
from tests import report_fixture as fixture
from tests.test_tracking import STRIDES, counts_by_chance, visit
from tests.walker import make_clip

CAUTION = load_layout().cautions.points[0]


def words(record: Shown) -> str:
    """What a reader sees, without tags."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", record._repr_html_())).split())


def fault(name: str) -> Fault:
    return next(one for one in fixture.report().faults if one.name == name)


def study() -> StudyResult:
    report = fixture.report()
    visits = (
        VisitResult("P01", "01", Path("results/sub-P01/ses-01"), Path("results/visit.html"), report, "", "2026-03-17"),
        VisitResult("P01", "02", Path("results/sub-P01/ses-02"), None, None, f"it failed {fixture.MARKUP}"),
    )
    return StudyResult(report.run, Path("results/runs/1"), report.clips, visits, page=Path("results/study.html"))


@cache
def whole_track() -> SubjectTrack:
    with TemporaryDirectory() as folder:
        for name in ("01", "02"):
            report = visit(name, *fixture.report().metrics).report
            save_parts(Path(folder) / f"sub-P01/ses-{name}", report, STRIDES)
        found = track_subject(folder, "P01")
    return replace(found, losses={"sub-P01/ses-03": f"lost {fixture.MARKUP}"})


def every_record() -> list[Shown]:
    """One of each kind that has a table."""
    report = fixture.report()
    pairs = pair_verdicts(["present", "not seen", "cannot say"], ["present", "borderline", "present"])
    found = fault("vaulting")
    clip = replace(make_clip("sagittal", "clip"), clip_id=fixture.MARKUP)
    return [
        report,
        found,
        found.findings[0],
        report.metrics[0],
        fixture.strides(),
        study(),
        whole_track(),
        whole_track().track,
        pairs,
        cohen_kappa(pairs),
        bland_altman(np.array([1.0, 2.0, 4.0]), np.array([1.5, 2.0, 3.0])),
        ClipCheck(clip, "not usable", (), f"no file {fixture.MARKUP}", 0.1),
        show(report.metrics),
        show(report.faults),
        show(found.findings),
        show([]),
    ]


@pytest.mark.parametrize("record", every_record(), ids=lambda record: type(record).__name__)
def test_no_text_of_a_record_is_read_as_markup(record: Shown) -> None:
    text = record._repr_html_()
    assert "<script" not in text
    assert text.count("<tr>") == text.count("</tr>") and text.startswith("<div>") and text.endswith("</div>")


def test_the_records_of_this_test_try_to_be_markup() -> None:
    """Else the test above would prove nothing."""
    escaped = fixture.MARKUP.replace("<", "&lt;").replace(">", "&gt;")
    hits = [type(one).__name__ for one in every_record() if escaped in one._repr_html_()]
    assert {"VisitReport", "StudyResult", "SubjectTrack", "ClipCheck"} <= set(hits)


def test_the_caution_stands_where_verdicts_do_and_only_there() -> None:
    for record in every_record():
        kind = record.records[0] if isinstance(record, Group) and record.records else record
        has_verdicts = not isinstance(kind, (MetricValue, Estimate, ClipCheck)) and (
            type(kind).__name__ not in ("StrideSet", "VerdictPairs", "BlandAltman", "Group")
        )
        assert (CAUTION in words(record)) == has_verdicts, type(kind).__name__


def test_a_visit_is_told_as_on_its_page() -> None:
    text = words(fixture.report())
    assert text.startswith("P01, visit 02, 2026-03-17 prosthetic side: right; changed before this visit: heel cushion")
    assert counts_sentence(fixture.report().faults) in text
    assert re.search(r"Vaulting present(, \w+)? sound \(left\) Hip vaulting height 2\.9 % leg length \(2\.\d to", text)
    assert fixture.TOO_SLOW in text
    assert "Clip P01-back failed:" in text
    assert "Consider, and examine in this order" in text and "Never a diagnosis" in text


def test_an_urgent_fault_says_first_what_to_do() -> None:
    danger = replace(fault("vaulting"), urgent=True)
    text = words(danger)
    assert text.index("Stop the walking trial.") < text.index("Hip vaulting height")
    assert "Stop the walking trial." not in words(fault("vaulting"))


def test_a_value_that_could_not_be_measured_says_why() -> None:
    missing = next(one for one in fixture.report().metrics if one.status != "ok")
    assert f"could not be measured, because {missing.reason}" in words(missing)
    assert "None" not in words(missing) and "nan" not in words(missing)


def test_a_finding_that_does_not_apply_has_no_verdict() -> None:
    text = words(replace(fault("vaulting").findings[0], applies=False, reason="no sound side"))
    assert "does not apply" in text and "no sound side" in text
    assert not re.search(r"\b(present|not seen)\b", text)


def test_strides_are_counted_by_view_and_limb_with_the_reasons() -> None:
    strides = fixture.strides()
    text = words(strides)
    used = strides.table[(strides.table["view"] == "sagittal") & (strides.table["side"] == "left")]["use"]
    assert f"sagittal left {int(used.sum())} {len(used)}" in text
    assert "knee_flexion_deg (Knee flexion [deg])" in text


def test_a_study_tells_clips_visits_and_failures() -> None:
    text = words(study())
    assert "unchanged since 2026-03-17" in text and "P01, 02 it failed" in text
    assert "P01-back failed" in text and "study.html" in text


def test_a_track_tells_changes_chance_and_what_was_lost() -> None:
    text = words(whole_track())
    assert text.startswith("P01: visit 02 against visit 01 01, 2026-01-05: heel cushion changed")
    assert "no clear change" in text
    counts_by_chance(text)
    assert "Left out: sub-P01/ses-03: lost" in text


def test_numbers_of_agreement_have_interval_pairs_and_note() -> None:
    assert words(Estimate(-0.25, -0.5, 0.0, 12, "few")) == "Value 95 % interval Pairs Note −0.25 −0.5 to 0 12 few"
    assert words(Estimate(None, None, None, 0, "none")) == "Value 95 % interval Pairs Note 0 none"
    limits = words(bland_altman(np.array([1.0, 2.0, np.nan]), np.array([1.0, 4.0, 1.0])))
    assert "Bias −1 " in limits and "Pairs with a missing size: 1." in limits


def test_only_records_of_one_kind_are_shown_together() -> None:
    report = fixture.report()
    with pytest.raises(ConfigError, match=r"^show: found a str; expected faults, findings, metric values or clip"):
        show(["vaulting"])
    with pytest.raises(ConfigError, match="found records of several kinds"):
        show([report.faults[0], report.metrics[0]])
    with pytest.raises(TypeError, match="str has no table"):
        html_of("text")


def test_records_stay_plain_records() -> None:
    """A table of their own adds no field: what is saved and compared is as before."""
    value = fixture.report().metrics[0]
    assert not hasattr(value, "__dict__") and replace(value) == value
    assert isinstance(value, Shown) and isinstance(fixture.report(), (VisitReport, Finding))
