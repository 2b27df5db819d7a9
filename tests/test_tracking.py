"""Change across visits: worked by hand, against formulae of the literature, and on simulated visits."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from pipeline.comparability import Visit
from pipeline.config import config_dir
from pipeline.errors import ManyProblems
from pipeline.goals import NO_GOALS
from pipeline.judgement import VisitReport
from pipeline.metrics import CATALOGUE, estimates
from pipeline.model import MetricValue, OwnError, QualityNote, StrideSet, other_side
from pipeline.report import save_parts
from pipeline.report.track import CHANGES, track_subject, track_table
from pipeline.slopes import straight_line
from pipeline.tracking import Change, Track, compare, track, verdict_of_change
from pipeline.tracking_rules import load_tracking_rules
from tests import report_fixture as fixture
from tests.studies import run_command

RULES = load_tracking_rules()
REPORT, STRIDES = fixture.report(), fixture.strides()
DAYS = {"01": date(2026, 1, 5), "02": date(2026, 2, 4), "03": date(2026, 3, 6)}
VAULT = ("hip_vault_height", "left")


def value(metric: str, side: str, amount: float, half: float, unit: str = "% leg length") -> MetricValue:
    """A value with its interval, on strides of the side view."""
    return fixture._value(metric, side, unit, amount, half, fixture.NEAR_LEFT)


def visit(name: str, *values: MetricValue, cadence: float = 100.0, **changes: Any) -> Visit:
    """A visit with some values, walked at a cadence."""
    metrics = (*values, pace(cadence))
    report = replace(REPORT, visit=name, visit_date=DAYS[name], metrics=metrics, measured_by=1, **changes)
    return Visit(report, STRIDES)


def pace(cadence: float) -> MetricValue:
    """The cadence of a visit."""
    return value("cadence", "left", cadence, 1.0, "steps/min")


PACE = pace(100.0)


def change_of(before: Visit, after: Visit) -> Change:
    return compare(before, after, *VAULT, RULES)


# --- how large, and whether more than chance


def test_the_smallest_detectable_change_is_worked_by_hand() -> None:
    """Half widths 3 and 4 give 5; 20 to 14.9 is more than that, 20 to 15.1 is not."""
    found = change_of(visit("01", value(*VAULT, 20.0, 3.0)), visit("02", value(*VAULT, 14.9, 4.0)))
    assert (found.change, found.detectable, found.verdict) == (pytest.approx(-5.1), pytest.approx(5.0), "better")
    found = change_of(visit("01", value(*VAULT, 20.0, 3.0)), visit("02", value(*VAULT, 15.1, 4.0)))
    assert (found.detectable, found.verdict) == (pytest.approx(5.0), "no clear change")


def test_for_two_equally_sure_visits_it_is_the_published_formula() -> None:
    """Weir 2005, J Strength Cond Res 19:231-240: minimal difference = SEM x 1.96 x sqrt(2) (from memory)."""
    sem = 0.7
    found = change_of(visit("01", value(*VAULT, 5.0, 1.96 * sem)), visit("02", value(*VAULT, 5.0, 1.96 * sem)))
    assert found.detectable == pytest.approx(sem * 1.96 * np.sqrt(2))


@pytest.mark.parametrize(
    ("metric", "before", "after", "verdict"),
    [
        ("hip_vault_height", 6.0, 2.0, "better"),
        ("hip_vault_height", 2.0, 6.0, "worse"),
        ("walking_speed", 1.0, 3.0, "better"),
        ("walking_speed", 3.0, 1.0, "worse"),
        ("cadence", 100.0, 110.0, "changed"),
        ("cadence", 100.0, 101.0, "no clear change"),
        ("heel_rise_difference", -8.0, -2.0, "better"),
        ("heel_rise_difference", 2.0, 8.0, "worse"),
        ("heel_rise_difference", 8.0, -3.0, "better"),
        # Past the target, and as far from it as before.
        ("heel_rise_difference", 4.0, -4.0, "changed"),
        ("step_time_ratio", 4.0, 1.0, "better"),
    ],
)
def test_better_and_worse_by_the_direction_of_the_metric(
    metric: str, before: float, after: float, verdict: str
) -> None:
    assert verdict_of_change(before, after, 1.0, metric, RULES) == verdict


def simulated(generator: np.random.Generator, true: float, own_sd: float, stride_sd: float, n: int) -> MetricValue:
    """A visit's value by the pipeline's own estimate: strides scatter about a value that is off by its own error."""
    own = OwnError(own_sd, stride_sd, 4.0)
    strides = pd.DataFrame({"clip_id": ["clip"] * n, "stride_id": [str(i) for i in range(n)]})
    sizes = generator.normal(true + generator.normal(0, own_sd), stride_sd, n)
    estimate = estimates._of_strides(strides, sizes, own, 0.0)
    return value(*VAULT, estimate.value, estimates._interval(estimate, own)[1] - estimate.value)


@pytest.mark.parametrize(("own_sd", "stride_sd", "n"), [(1.0, 0.5, 3), (0.3, 1.0, 6), (0.0, 1.0, 12), (1.0, 0.0, 4)])
def test_repeat_visits_without_change_are_left_alone_and_twice_the_detectable_is_found(
    own_sd: float, stride_sd: float, n: int
) -> None:
    """Of 300 simulated pairs, at least 95 % without change are called so, at least 90 % of large ones are found.

    Two standard errors of a share of 300 at 95 % are 2.5 %: the bound for chance is 92.5 %.
    """
    generator = np.random.default_rng(round(10 * (own_sd + 3 * stride_sd)) + n)
    kept = found = 0
    for _ in range(300):
        first = simulated(generator, 5.0, own_sd, stride_sd, n)
        again = simulated(generator, 5.0, own_sd, stride_sd, n)
        same = change_of(visit("01", first), visit("02", again))
        kept += same.verdict == "no clear change"
        assert same.detectable is not None
        later = simulated(generator, 5.0 + 2 * same.detectable, own_sd, stride_sd, n)
        found += change_of(visit("01", first), visit("02", later)).verdict == "worse"
    assert kept / 300 >= 0.925
    assert found / 300 >= 0.90


# --- comparable or not


def quality(angle_deg: float) -> dict[str, tuple[QualityNote, ...]]:
    note = QualityNote("camera angle to the walkway", angle_deg, "deg", 20.0, True, "")
    return {fixture.SIDE_B: (note,)}


BASE = visit("01", value(*VAULT, 6.0, 1.0), quality=quality(2.0), footwear="own trainers")
RUN = fixture.report().run


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"run": replace(RUN, model="full", model_sha256="f" * 64)}, "other pose model (heavy, then full)"),
        (
            {"run": replace(RUN, measuring_sha256="f" * 64)},
            "measured with other settings: run the study again into the same folder",
        ),
        ({"aid": "stick"}, "other walking aid (none, then stick)"),
        ({"prosthetic_sides": ("left",)}, "other prosthetic side"),
        ({"footwear": "clinic shoes"}, "other footwear (own trainers, then clinic shoes)"),
        ({"quality": quality(14.0)}, "other camera angle (sagittal: 2, then 14 deg)"),
        ({"quality": quality(-9.0)}, "other camera angle (sagittal: 2, then -9 deg)"),
        ({"cadence": 112.0}, "other speed (100.00, then 112.00 steps/min)"),
    ],
)
def test_what_keeps_visits_from_being_compared(changes: dict[str, Any], reason: str) -> None:
    later = visit("02", value(*VAULT, 1.0, 1.0), **{"quality": quality(2.0), **changes})
    found = change_of(BASE, later)
    assert (found.verdict, found.reasons, found.change) == ("cannot say", (reason,), -5.0)


def test_another_version_another_view_and_an_unknown_speed_are_told_together() -> None:
    frontal = replace(value(*VAULT, 1.0, 1.0), stride_ids=fixture._ids(fixture.FRONT, "left"))
    later = Visit(
        replace(BASE.report, visit="02", visit_date=DAYS["02"], metrics=(frontal,), measured_by=2), BASE.strides
    )
    assert change_of(BASE, later).reasons == (
        "measured by another version of the program: run the study again into the same folder",
        "other views (sagittal, then anterior)",
        "the walking speed of a visit is not known",
    )


def test_settings_that_change_no_value_or_are_not_known_raise_no_objection() -> None:
    for run in (replace(RUN, settings_sha256="f" * 64), replace(RUN, measuring_sha256="")):
        assert change_of(BASE, visit("02", value(*VAULT, 1.0, 1.0), quality=quality(2.0), run=run)).verdict == "better"


def test_what_does_not_differ_enough_is_compared() -> None:
    later = visit("02", value(*VAULT, 1.0, 1.0), cadence=109.0, quality=quality(11.0))
    assert change_of(BASE, later).verdict == "better"


@pytest.mark.parametrize("footwear", ["", "own trainers", "Own Trainers"])
def test_footwear_that_is_the_same_or_not_stated_is_no_objection(footwear: str) -> None:
    later = visit("02", value(*VAULT, 1.0, 1.0), quality=quality(2.0), footwear=footwear)
    assert change_of(BASE, later).verdict == change_of(later, BASE).verdict.replace("worse", "better") == "better"


def test_speed_itself_is_told_across_speeds() -> None:
    first = visit("01", value("walking_speed", "left", 1.0, 0.05, "m/s"), cadence=90.0)
    later = visit("02", value("walking_speed", "left", 1.3, 0.05, "m/s"), cadence=110.0)
    assert compare(first, later, "walking_speed", "left", RULES).verdict == "better"


def faster(strides: StrideSet, view: str, by: float) -> StrideSet:
    """The strides with those of a view walked so many times as fast."""
    table = strides.table.copy()
    times = [column for column in table if str(column).endswith("_s") and column != "start_s"]
    for column in times:
        sooner = table["start_s"] + (table[column] - table["start_s"]) / by
        table[column] = table[column].where(table["view"] != view, sooner)
    return StrideSet(table, strides.curves)


def test_a_front_view_that_was_walked_at_another_cadence_is_not_compared() -> None:
    """Strides of 1.18 s are 102 steps/min; 1.2 times as fast 122, 1.09 times 111. The side view's pace is the same."""
    arc = ("ankle_arc_in_swing", "left")
    ids = fixture._ids(fixture.FRONT, "left")
    before, after = (
        visit(name, replace(value(*arc, amount, 1.0), stride_ids=ids), value(*VAULT, 6.0, 1.0))
        for name, amount in (("01", 9.0), ("02", 2.0))
    )
    assert compare(before, after, *arc, RULES).verdict == "better"
    quick = replace(after, strides=faster(STRIDES, "anterior", 1.2))
    found = compare(before, quick, *arc, RULES)
    assert (found.verdict, found.reasons) == ("cannot say", ("other cadence (anterior: 102, then 122 steps/min)",))
    # What rests on the side view is compared, and so is a cadence within the share.
    assert compare(before, quick, *VAULT, RULES).verdict == "no clear change"
    assert compare(before, replace(after, strides=faster(STRIDES, "anterior", 1.09)), *arc, RULES).verdict == "better"


def test_a_visit_without_a_value_says_why() -> None:
    gone = fixture._missing("hip_vault_height", "left", "% leg length", "not_visible", "the limb was hidden")
    found = change_of(BASE, visit("02", gone, quality=quality(2.0)))
    assert (found.verdict, found.change, found.detectable) == ("cannot say", None, None)
    assert found.reasons == ("visit 02: the limb was hidden",)
    assert change_of(BASE, visit("02", quality=quality(2.0))).reasons == ("visit 02: it was not measured",)


@pytest.mark.parametrize("wrong", [np.nan, np.inf])
def test_what_is_no_finite_number_is_no_change(wrong: float) -> None:
    for numbers in ((wrong, 1.0, 1.0), (1.0, wrong, 1.0), (1.0, 9.0, wrong)):
        assert verdict_of_change(*numbers, "hip_vault_height", RULES) == "cannot say"
    later = value(*VAULT, 9.0, 1.0)
    for changes, reason in (
        ({"high": wrong}, "there is no interval"),
        ({"low": -wrong}, "there is no interval"),
        ({"value": wrong}, "its value is no finite number"),
    ):
        found = change_of(BASE, visit("02", replace(later, **changes), quality=quality(2.0)))
        assert (found.verdict, found.detectable, found.reasons) == ("cannot say", None, (f"visit 02: {reason}",))
        visits = [visit(name, replace(later, **(changes if name == "02" else {}))) for name in DAYS]
        assert all(slope.metric != VAULT[0] for slope in track(visits, RULES).slopes)


# --- a person's track


def three_visits(*amounts: float, halves: tuple[float, ...] = (1.0, 1.0, 1.0)) -> Track:
    visits = [
        visit(name, value(*VAULT, amount, half))
        for name, amount, half in zip(("01", "02", "03"), amounts, halves, strict=True)
    ]
    return track([visits[2], visits[0], visits[1]], RULES)


def test_visits_stand_by_date_and_the_latest_is_compared_with_the_first() -> None:
    found = three_visits(6.0, 4.0, 2.0)
    assert [report.visit for report in found.visits] == ["01", "02", "03"]
    assert (found.baseline, found.changes[0].before.visit, found.changes[0].after.visit) == ("01", "01", "03")
    later = track([visit(name, value(*VAULT, 5.0, 1.0)) for name in ("01", "02", "03")], RULES, baseline="02")
    assert later.changes[0].before.visit == "02"


def test_visits_of_one_day_stand_by_their_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """6 at visit 9 and 2 at visit 10: less is better. As text 10 stands before 9, and the change would be worse."""
    early, late = (
        Visit(replace(visit("01", value(*VAULT, amount, 1.0)).report, visit=name), STRIDES)
        for name, amount in (("9", 6.0), ("10", 2.0))
    )
    found = track([late, early], RULES)
    assert ([report.visit for report in found.visits], found.baseline) == (["9", "10"], "9")
    assert (found.changes[0].change, found.changes[0].verdict) == (-4.0, "better")
    for one in (early, late):
        save_parts(tmp_path / f"sub-P01/ses-{one.report.visit}", one.report, STRIDES)
    monkeypatch.setattr("pipeline.report.track.load_goals", lambda *_: replace(NO_GOALS, baseline="9"))
    read = track_subject(tmp_path, "P01", RULES)
    assert (read.track.baseline, read.latest.report.visit, read.note) == ("9", "10", "")


def test_slope_of_a_straight_line_and_numpy_agree() -> None:
    """6, 4, 2, each 30 days apart, fall by 2 in 30 days. numpy.polyfit with weights 1/sd agrees, and in its error."""
    found = three_visits(6.0, 4.0, 2.0).slopes[0]
    assert (found.visits, found.line.per_30_days) == (("01", "02", "03"), pytest.approx(-2.0))
    assert found.is_clear and found.line.is_straight
    halves = (1.0, 2.0, 0.5)
    found = three_visits(6.0, 5.0, 2.0, halves=halves).slopes[0]
    days = np.array([0.0, 30.0, 60.0])
    (slope, _), covariance = np.polyfit(days, [6.0, 5.0, 2.0], 1, w=1.96 / np.array(halves), cov="unscaled")
    assert found.line.per_30_days == pytest.approx(30 * slope)
    assert (found.line.high - found.line.low) / 2 == pytest.approx(30 * 1.96 * np.sqrt(covariance[0, 0]))


def test_a_line_is_told_from_a_step_and_back() -> None:
    """2, 8, 2 with half widths of 1: the line is flat at 4. The squares off it sum to 4 + 16 + 4, over a variance of
    0.26 to 92; chi-square with one degree of freedom passes 3.84 in 5 % (table value, from memory). 2, 2.6, 2: 0.9.
    """
    stepped = three_visits(2.0, 8.0, 2.0).slopes[0].line
    assert stepped.per_30_days == pytest.approx(0.0) and not stepped.is_straight
    assert three_visits(2.0, 2.6, 2.0).slopes[0].line.is_straight


def test_straight_courses_are_called_straight_and_flat_ones_flat_as_often_as_said() -> None:
    """5 % each of 2,000 simulated courses of four visits; two standard errors of a share of 2,000 are 1 %."""
    generator = np.random.default_rng(3)
    crooked = sloping = 0
    for _ in range(2000):
        line = straight_line([0, 20, 50, 90], list(generator.normal(5.0, 0.5, 4)), [0.98] * 4)
        assert line is not None
        crooked += not line.is_straight
        sloping += line.low > 0 or line.high < 0
    assert crooked / 2000 == pytest.approx(0.05, abs=0.01)
    assert sloping / 2000 == pytest.approx(0.05, abs=0.01)


def test_a_line_needs_three_values_on_more_than_one_day_with_intervals() -> None:
    assert straight_line([0, 30], [1.0, 2.0], [1.0, 1.0]) is None
    assert straight_line([7, 7, 7], [1.0, 2.0, 3.0], [1.0, 1.0, 1.0]) is None
    assert straight_line([0, 30, 60], [1.0, 2.0, 3.0], [1.0, 0.0, 1.0]) is None
    assert straight_line([0, 30, 60], [1.0, 2.0, 3.0], [1.0, np.inf, 1.0]) is None


def test_a_visit_that_cannot_be_compared_is_left_out_of_the_line_with_its_reason() -> None:
    days = dict(DAYS, **{"04": date(2026, 4, 5)})
    visits = [visit(name, value(*VAULT, 6.0 - number, 1.0)) for number, name in enumerate(("01", "02", "03"))]
    report = replace(visits[0].report, visit="04", visit_date=days["04"], metrics=(value(*VAULT, 3.0, 1.0), PACE))
    fourth = Visit(report, STRIDES)
    with_stick = Visit(replace(visits[1].report, aid="stick"), STRIDES)
    found = track([visits[0], with_stick, visits[2], fourth], RULES).slopes[0]
    assert found.visits == ("01", "03", "04")
    assert found.left_out == ("visit 02: other walking aid (stick, then none)",)
    # 01 and 04 can each be compared with 02, but not with one another: the line holds none of such a pair.
    paces = [replace(visits[0], report=replace(visits[0].report, metrics=(value(*VAULT, 6.0, 1.0), pace(91.0))))]
    paces += [visits[1], visits[2], replace(fourth, report=replace(report, metrics=(*report.metrics[:1], pace(109.0))))]
    found = track(paces, RULES).slopes[0]
    assert found.visits == ("02", "03", "04")
    assert found.left_out == ("visit 01: other speed (91.00, then 109.00 steps/min)",)
    # Where the latest visit stands alone there is no line.
    alone = replace(fourth, report=replace(report, aid="stick"))
    assert track([*visits, alone], RULES).slopes == ()


def test_the_line_begins_at_the_baseline() -> None:
    visits = [visit(name, value(*VAULT, 6.0, 1.0)) for name in ("01", "02", "03")]
    assert track(visits, RULES, baseline="02").slopes == ()


def test_two_visits_have_no_slope() -> None:
    assert track([BASE, visit("02", value(*VAULT, 5.0, 1.0))], RULES).slopes == ()


def test_a_fault_is_followed_by_what_decided_it() -> None:
    metrics = fixture.report().metrics
    first = visit("01", *metrics)
    moved = [replace(one, value=0.2, low=-0.6, high=1.0) if (one.metric, one.side) == VAULT else one for one in metrics]
    unseen = fixture.with_verdict(fixture.report(), "vaulting", "not seen", "")
    found = track([first, visit("02", *moved, faults=unseen.faults)], RULES)
    vaulting = next(fault for fault in found.faults if fault.name == "vaulting")
    assert vaulting.verdicts == ("present", "not seen")
    assert vaulting.change is not None
    assert (vaulting.change.metric, vaulting.change.verdict) == ("hip_vault_height", "better")
    assert found.by_chance == pytest.approx(0.05 * sum(one.verdict != "cannot say" for one in found.changes))


def test_visits_that_cannot_be_a_track_are_refused() -> None:
    with pytest.raises(ValueError, match="1 visits of 1 subjects"):
        track([BASE], RULES)
    other = Visit(replace(BASE.report, subject="P02", visit="02"), BASE.strides)
    with pytest.raises(ValueError, match="2 visits of 2 subjects"):
        track([BASE, other], RULES)
    with pytest.raises(ValueError, match="baseline '03' is no visit before the latest one; there are 01"):
        track([BASE, visit("02", value(*VAULT, 5.0, 1.0))], RULES, baseline="03")


def test_a_sound_knee_that_yields_less_is_not_called_better() -> None:
    """It flexes 15 to 20 deg in loading response (perry_2010, from memory); a prosthetic knee that does gives way."""
    for on_prosthetic, verdict in ((True, "better"), (False, "changed")):
        found = verdict_of_change(
            18.0, 6.0, 3.0, "knee_flexion_rise_in_stance", RULES, on_prosthetic=on_prosthetic
        )  # fmt: skip
        assert found == verdict
    base = BASE.report.prosthetic_sides[0]
    both = [
        visit(name, *(value("knee_flexion_rise_in_stance", side, size, 2.0, "deg") for side in ("left", "right")))
        for name, size in (("01", 18.0), ("02", 6.0))
    ]
    changes = {one.side: one.verdict for one in track(both, RULES).changes if one.metric != "cadence"}
    assert changes == {base: "better", other_side(base): "changed"}


# --- rules, files and the command


def test_every_metric_has_exactly_one_direction() -> None:
    better = RULES.better
    named = [*better.less, *better.less_on_prosthetic, *better.more, *better.neither, *better.toward]
    assert sorted(named) == sorted(CATALOGUE)


def test_every_mistake_in_the_rules_is_told_at_once(tmp_path: Path) -> None:
    text = (config_dir() / "tracking.toml").read_text(encoding="utf-8")
    path = tmp_path / "mine.toml"
    path.write_text(text.replace('"step_width",', '"step_widht", "cadence",'), encoding="utf-8")
    with pytest.raises(ManyProblems) as caught:
        load_tracking_rules(path)
    message = str(caught.value)
    assert "'step_widht' is unknown; did you mean 'step_width'?" in message
    assert "metric 'cadence' is named 2 times" in message
    assert "metric 'step_width' is missing" in message


def saved(folder: Path) -> Path:
    """Results with two visits of one person."""
    reports: list[VisitReport] = [visit(name, *fixture.report().metrics).report for name in ("01", "02")]
    for report in reports:
        save_parts(folder / f"sub-P01/ses-{report.visit}", report, fixture.strides())
    return folder


def test_the_table_has_its_columns_and_the_saved_visits(tmp_path: Path) -> None:
    found = track_subject(saved(tmp_path), "P01", RULES)
    table = track_table(found.track)
    assert list(table.columns) == [column.name for column in CHANGES]
    row = table[(table["metric"] == "hip_vault_height") & (table["side"] == "left")].iloc[0]
    assert (row["before"], row["after"], row["change"], row["verdict"]) == (2.9, 2.9, 0.0, "no clear change")
    assert row["detectable"] == pytest.approx(0.8 * np.sqrt(2))
    assert np.isnan(row["slope_30_days"]) and row["slope_visits"] == ""


def test_the_table_and_the_screen_tell_the_slopes(tmp_path: Path) -> None:
    results = saved(tmp_path / "out")
    third = visit("03", *moved(fixture.report().metrics, 2.0)).report
    save_parts(results / "sub-P01/ses-03", third, fixture.strides())
    done = run_command("track", "out", "P01", "--csv", "changes.csv", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "change in 30 days" in done.stdout
    assert re.search(r"Hip vaulting height, sound \(left\) +\+1\.0 % leg length +0\.4 to 1\.6 +3", done.stdout)
    assert "slopes were looked at; the 95 % intervals of " in done.stdout
    assert (results / "sub-P01/track.pdf").is_file()
    table = pd.read_csv(tmp_path / "changes.csv", dtype={"slope_visits": str})
    row = table[(table["metric"] == "hip_vault_height") & (table["side"] == "left")].iloc[0]
    # 2.9, 2.9 and 4.9, 30 days apart and equally sure: (4.9 - 2.9) / 2 a month, +- 0.8 / sqrt(2).
    assert row["slope_30_days"] == pytest.approx(1.0)
    assert row["slope_high"] - row["slope_30_days"] == pytest.approx(0.8 / np.sqrt(2))
    assert (row["slope_visits"], row["slope_straight"]) == ("01 02 03", "no")


def counts_by_chance(text: str) -> None:
    """Of few measures less than one is called by chance, and that is not none: 5 % of them, to one decimal."""
    told = re.search(r"Of (\d+) measures about (\S+) would be called by chance alone if nothing had changed", text)
    assert told is not None
    assert told[2] == f"{0.05 * int(told[1]):.1f}" != "0.0"


def moved(metrics: tuple[MetricValue, ...], by: float) -> list[MetricValue]:
    """The values with the vault moved."""
    return [
        replace(one, value=one.value + by, low=one.low + by, high=one.high + by)
        if (one.metric, one.side) == VAULT and one.value is not None and one.low is not None and one.high is not None
        else one
        for one in metrics
    ]


def test_the_command_tells_visits_changes_and_losses(tmp_path: Path) -> None:
    results = saved(tmp_path / "out")
    done = run_command("track", "out", "P01", "--csv", "changes.csv", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "subject P01: visit 02 against visit 01" in done.stdout
    assert "visit 01, 2026-01-05: heel cushion changed" in done.stdout
    counts_by_chance(done.stdout)
    assert len(pd.read_csv(tmp_path / "changes.csv")) == len(fixture.report().metrics) + 1

    unknown = run_command("track", "out", "P07", folder=tmp_path)
    assert unknown.returncode == 2
    assert "out: has no visit of subject 'P07'; expected one of: P01." in unknown.stderr
    (results / "sub-P01/ses-02/visit.json").write_text("{")
    damaged = run_command("track", "out", "P01", folder=tmp_path)
    assert damaged.returncode == 2 and "Traceback" not in damaged.stderr
    assert "subject P01: 1 of 2 visits can be read; at least 2 are needed for a change." in damaged.stderr
    assert "visit.json: cannot be read" in damaged.stderr


@pytest.mark.parametrize("number", ["nan", "inf", "true", '"1.0"'])
def test_the_best_value_of_a_metric_is_a_finite_number(tmp_path: Path, number: str) -> None:
    text = (config_dir() / "tracking.toml").read_text(encoding="utf-8")
    assert "step_time_ratio = 1.0" in text
    path = tmp_path / "own.toml"
    path.write_text(text.replace("step_time_ratio = 1.0", f"step_time_ratio = {number}"), encoding="utf-8")
    with pytest.raises(ManyProblems, match=r"better.toward.step_time_ratio: input should be a (finite|valid) number"):
        load_tracking_rules(path)
