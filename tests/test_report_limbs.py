"""Which limb a page names: without exactly one prosthesis each limb is judged by itself, and one alone may show it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.checks import Person, judge
from pipeline.judgement import Check, Fault, FaultDefinition, Limits, Verdict
from pipeline.language import speaking
from pipeline.model import MetricValue, Side
from pipeline.report.corrections import NO_MARKS
from pipeline.report.layout import load_layout
from pipeline.report.summary import SummaryRow, fault_rows, urgent_part
from pipeline.review import PersonVerdict
from tests import report_fixture as fixture
from tests.test_report import make

KNEE = FaultDefinition(
    "knee_instability",
    "Knee instability",
    "sagittal",
    "prosthetic",
    "",
    "",
    "",
    "any",
    True,
    "",
    "knee_flexion_deg",
    (0.0, 30.0),
)
CHECK = Check(
    "rise",
    "knee_instability",
    "knee_flexion_rise_in_stance",
    "prosthetic",
    "above",
    15.0,
    "deg",
    "from memory",
    "definition",
    "",
)
BOTH: tuple[Side, ...] = ("left", "right")
OUTSIDE, INSIDE, ON_IT = 24.0, 3.0, 15.0
TOO_FEW = "only 1 whole strides with this limb towards the camera were found; at least 3 are needed"


def value(side: str, size: float | None, metric: str = CHECK.metric) -> MetricValue:
    """A value with its interval one to either side; None could not be measured."""
    if size is None:
        return MetricValue(metric, side, None, "deg", 1, None, None, None, "too_few_strides", TOO_FEW)
    return MetricValue(metric, side, size, "deg", 5, 1.0, size - 1.0, size + 1.0, "ok", "")


def judged(
    left: float | None,
    right: float | None,
    sides: tuple[Side, ...] = BOTH,
    *,
    check: Check = CHECK,
    levels: tuple[str, ...] = (),
) -> Fault:
    """The fault of a walk with these values."""
    values = (value("left", left), value("right", right))
    return judge(values, Limits((KNEE,), (check,), {}, ""), Person(sides, levels))[0]  # type: ignore[arg-type]


def row_of(fault: Fault, sides: Sequence[Side] = BOTH, definition: FaultDefinition = KNEE) -> SummaryRow:
    """The fault's line."""
    return fault_rows([fault], sides, {KNEE.name: definition}, load_layout(), NO_MARKS)[0]


@pytest.mark.parametrize(
    ("left", "right", "verdict", "limb"),
    [
        (OUTSIDE, INSIDE, "present", "left (prosthetic)"),
        (INSIDE, OUTSIDE, "present", "right (prosthetic)"),
        (OUTSIDE, ON_IT, "present", "left (prosthetic)"),
        (INSIDE, ON_IT, "borderline", "right (prosthetic)"),
        (OUTSIDE, OUTSIDE, "present", "left and right"),
        (INSIDE, INSIDE, "not seen", "left and right"),
        (INSIDE, None, "cannot say", "right (prosthetic)"),
        (None, None, "cannot say", "left and right"),
    ],
)
def test_of_two_prostheses_the_one_with_the_verdict_is_named(
    left: float | None, right: float | None, verdict: Verdict, limb: str
) -> None:
    row = row_of(judged(left, right))
    assert (row.verdict, row.limb) == (verdict, limb)


def test_without_a_prosthesis_the_limb_with_the_verdict_is_named() -> None:
    assert row_of(judged(INSIDE, OUTSIDE, ()), ()).limb == "right"
    assert row_of(judged(INSIDE, INSIDE, ()), ()).limb == "left and right"


def test_a_limb_that_the_limit_is_not_for_is_not_named() -> None:
    check = replace(CHECK, levels=("transfemoral",))
    row = row_of(judged(INSIDE, OUTSIDE, check=check, levels=("transfemoral", "transtibial")))
    assert (row.verdict, row.limb) == ("not seen", "left (prosthetic)")


def test_one_prosthesis_is_named_as_ever() -> None:
    """Also where the list of sides is not known, as beside a single fault of a notebook."""
    fault = judged(None, None, ("left",))
    assert row_of(fault, ("left",)).limb == "prosthetic (left)"
    assert row_of(fault, ()).limb == "left"
    assert row_of(fault, ("left",)).reason == TOO_FEW


def test_a_reason_of_one_limb_names_it() -> None:
    assert row_of(judged(INSIDE, None)).reason == f"right limb: {TOO_FEW}"
    assert row_of(judged(None, None)).reason == TOO_FEW
    assert row_of(judged(None, INSIDE, ()), ()).reason == f"left limb: {TOO_FEW}"
    danger = urgent_part([row_of(judged(INSIDE, None))], load_layout())
    assert danger is not None
    assert danger.unknown[0].reason.startswith("right limb: ")


def test_a_reason_of_one_limb_names_it_in_german() -> None:
    with speaking("de"):
        row = row_of(judged(INSIDE, None))
    assert row.limb == "rechts (prothetisch)"
    assert row.reason.startswith("rechte Seite: ")


def test_all_checks_outside_on_one_limb_name_that_limb_and_its_size() -> None:
    """The other limb has the larger value, yet one of its two checks lies inside."""
    definition = replace(KNEE, rule="all")
    other = replace(CHECK, id="other", metric="knee_flexion_at_contact")
    checks = (replace(CHECK, clear=20.0), other)
    values = (
        value("left", 18.0),
        value("right", OUTSIDE),
        value("left", OUTSIDE, other.metric),
        value("right", INSIDE, other.metric),
    )
    fault = judge(values, Limits((definition,), checks, {}, ""), Person(BOTH))[0]
    row = row_of(fault, definition=definition)
    assert (row.verdict, row.limb, row.size) == ("present", "left (prosthetic)", "18.0 deg")


@pytest.mark.parametrize(
    ("verdict", "limb"),
    [("not seen", "left and right"), ("present", "left or right"), ("cannot say", "left and right")],
)
def test_a_verdict_of_a_person_names_no_limb(verdict: Verdict, limb: str) -> None:
    """A person overrules the fault: the pipeline's findings do not tell which limb was meant."""
    fault = judged(ON_IT, INSIDE)
    person = PersonVerdict(verdict, "AB", "2026-03-17T10:00:00Z", "seen by eye", "x", fault.verdict)
    assert row_of(replace(fault, person=person)).limb == limb


def test_pages_and_text_name_the_limb_of_a_danger(tmp_path: Path) -> None:
    report = fixture.report()
    faults = (judged(OUTSIDE, INSIDE), *report.faults[1:])
    make(tmp_path, replace(report, prosthetic_sides=BOTH, levels=(), faults=faults))
    text = " ".join((tmp_path / "visit.txt").read_text(encoding="utf-8").split())
    assert "Knee instability, left (prosthetic): present" in text
    page = (tmp_path / "visit.html").read_text(encoding="utf-8")
    assert "on the left (prosthetic) limb: " in page
    assert "on the left and right limb" not in page
    own = (tmp_path / "fault-knee_instability.html").read_text(encoding="utf-8")
    assert "<dt>Seen on</dt><dd>left (prosthetic)</dd>" in own


def test_an_interval_that_is_not_known_is_not_written_as_numbers(tmp_path: Path) -> None:
    report = fixture.report()
    one = replace(value("right", OUTSIDE), low=math.nan, high=math.nan, n_strides=1)
    (fault,) = judge((one,), Limits((KNEE,), (CHECK,), {}, ""), Person(("right",)))
    metrics = [one if (other.metric, other.side) == (one.metric, one.side) else other for other in report.metrics]
    make(tmp_path, replace(report, faults=(fault, *report.faults[1:]), metrics=tuple(metrics)))
    text = " ".join((tmp_path / "visit.txt").read_text(encoding="utf-8").split())
    assert "the 95 % interval is not known: one stride tells no spread" in text
    for name in ("visit.html", "visit.txt", "fault-knee_instability.html"):
        assert "nan to nan" not in (tmp_path / name).read_text(encoding="utf-8"), name
