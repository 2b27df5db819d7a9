"""What a person is to reach: read with every mistake named, judged by the whole interval, shown, and kept."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as some

from pipeline.errors import ConfigError, ManyProblems, StageError
from pipeline.fault_pages import DOCS
from pipeline.figure_style import svg_text
from pipeline.figures_track import TrackPoint, track_figure
from pipeline.goals import (
    COLUMNS,
    NO_GOALS,
    Goal,
    PersonGoals,
    load_goals,
    read_goals,
    save_goals,
    verdict_of_goal,
)
from pipeline.judgement import VisitReport
from pipeline.manifest import HELP, read_manifest
from pipeline.outcomes import ERROR_NOT_KNOWN, NO_VALUE, GoalState, goal_states
from pipeline.recorded import load_measures
from pipeline.report import save_parts
from pipeline.report.subject_page import build_subject
from pipeline.report.track import track_subject, track_table
from pipeline.store import OutputTree
from pipeline.tracking_rules import load_tracking_rules
from tests import report_fixture as fixture
from tests.browser import grave_violations, opened_page, started_browser
from tests.studies import make_study, run_command
from tests.test_recorded import COMFORT, UP_AND_GO
from tests.test_report import Page, section
from tests.test_tracking import visit

RULES = load_tracking_rules()
HEADER = "subject,measure,limb,at_least,at_most,unit,baseline"


def study(folder: Path, *rows: str, header: str = HEADER, sides: str = "right") -> Path:
    """A study of two visits of one person, with goals."""
    make_study(folder, {"clips/a.mp4": "01", "clips/b.mp4": "02"}, prosthetic_side=sides)
    (folder / "goals.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return folder


def read(folder: Path) -> dict[str, PersonGoals]:
    return read_goals(folder, read_manifest(folder), load_measures())


def problems_of(folder: Path) -> list[str]:
    with pytest.raises(ManyProblems) as caught:
        read(folder)
    assert str(caught.value).endswith(HELP)
    return list(caught.value.problems)


def goal(measure: str, limb: str = "", least: float | None = None, most: float | None = None, unit: str = "s") -> Goal:
    return Goal(measure, measure, unit, limb, least, most)


# --- the file


def test_rows_become_goals_and_the_baseline_stands_once(tmp_path: Path) -> None:
    rows = (
        "P01,hip_vault_height,sound,,1.5,% leg length,",
        "P01,step_time_ratio,,0.95,1.05,,01",
        "P01,pain,,,2,points,01",
        "",
    )
    person = read(study(tmp_path, *rows))["P01"]
    assert person.baseline == "01"
    assert person.goals == (
        Goal("hip_vault_height", "Hip vaulting height", "% leg length", "sound", None, 1.5),
        Goal("step_time_ratio", "Step time ratio", "1", "", 0.95, 1.05),
        Goal("pain", "Pain", "points", "", None, 2.0),
    )


def test_a_row_may_name_the_baseline_alone_and_two_columns_may_be_left_out(tmp_path: Path) -> None:
    assert read(study(tmp_path, "P01,,,,,,02"))["P01"] == PersonGoals("02", ())
    folder = study(tmp_path, "P01;cadence;left;90,5;", header="subject;measure;limb;at_least;at_most")
    assert read(folder)["P01"].goals[0].at_least == 90.5
    (folder / "goals.csv").unlink()
    assert read(folder) == {}


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    folder = study(
        tmp_path,
        "P02,pain,,,2,,",
        "P01,hip_valt_height,sound,,1.5,,",
        "P01,hip_vault_height,both,,1.5,,",
        "P01,hip_vault_height,,,1.5,,",
        "P01,step_time_ratio,left,,1.05,,",
        "P01,pain,left,,2,,",
        "P01,pain,,,,,",
        "P01,pain,,3,2,,",
        "P01,pain,,,12,,",
        "P01,pain,,,x,,",
        "P01,cadence,left,90,,1/s,",
        "P01,,,,2,,",
        "P01,,,,,,03",
        "P01,cadence,sound,90,,,01",
        "P01,cadence,left,95,,,02",
    )
    limbs = "allowed: prosthetic, sound, left, right."
    assert problems_of(folder) == [
        'goals.csv row 2, column subject: found "P02"; manifest.csv has no such subject. Did you mean P01?',
        'goals.csv row 3, column measure: found "hip_valt_height", which is unknown; did you mean hip_vault_height?',
        f'goals.csv row 4, column limb: found "both"; {limbs}',
        f'goals.csv row 5, column limb: found ""; {limbs}',
        'goals.csv row 6, column limb: found "left"; step_time_ratio is not of one limb: expected nothing.',
        'goals.csv row 7, column limb: found "left"; pain is not of one limb: expected nothing.',
        "goals.csv row 8, column at_least: is empty, and at_most too; expected one of them, or both.",
        "goals.csv row 9, column at_most: found 2; expected no less than at_least, 3.",
        'goals.csv row 10, column at_most: found "12"; expected a number from 0 to 10 [points].',
        'goals.csv row 11, column at_most: found "x"; expected a number from 0 to 10 [points].',
        'goals.csv row 12, column unit: found "1/s"; cadence is in steps/min.',
        "goals.csv row 13, column measure: is empty; expected a metric or a recorded measure.",
        'goals.csv row 14, column baseline: found "03"; manifest.csv has these visits of P01: 01, 02.',
        # The sound limb is the left one.
        'goals.csv row 16, column baseline: found "02"; an earlier row of P01 has "01".',
        "goals.csv row 16: cadence of this limb of P01 has a target already in row 15.",
    ]


@pytest.mark.parametrize("sides", ["both", "none"])
def test_without_exactly_one_prosthesis_a_limb_is_left_or_right(tmp_path: Path, sides: str) -> None:
    (problem,) = problems_of(study(tmp_path, "P01,cadence,sound,90,,,", "P01,cadence,left,90,,,", sides=sides))
    assert problem == (
        'goals.csv row 2, column limb: found "sound"; this person has not exactly one prosthesis: expected left or '
        "right."
    )


def test_the_page_of_the_docs_names_every_column() -> None:
    text = (DOCS / "recorded.md").read_text(encoding="utf-8")
    assert all(f"| `{column.name}` |" in text for column in COLUMNS)


# --- reached or not


@pytest.mark.parametrize(
    ("low", "high", "least", "most", "verdict"),
    [
        (1.0, 2.0, None, 2.0, "reached"),
        (1.0, 2.1, None, 2.0, "cannot tell"),
        (2.0, 3.0, None, 2.0, "cannot tell"),
        (2.1, 3.0, None, 2.0, "not yet"),
        (7.0, 9.0, 7.0, None, "reached"),
        (6.0, 9.0, 7.0, None, "cannot tell"),
        (5.0, 6.9, 7.0, None, "not yet"),
        (0.96, 1.04, 0.95, 1.05, "reached"),
        # Wider than the target: it can neither be reached nor missed.
        (0.9, 1.1, 0.95, 1.05, "cannot tell"),
        (1.06, 1.1, 0.95, 1.05, "not yet"),
        (None, 1.0, None, 2.0, "cannot tell"),
        (-float("inf"), float("inf"), None, 2.0, "cannot tell"),
    ],
)
def test_the_whole_interval_decides(
    low: float | None, high: float | None, least: float | None, most: float | None, verdict: str
) -> None:
    assert verdict_of_goal(low, high, goal("pain", "", least, most)) == verdict


@given(
    some.floats(-5, 5),
    some.floats(0, 5),
    some.floats(-5, 5),
    some.floats(0, 5),
)
def test_a_surer_value_never_turns_reached_into_not_yet(value: float, half: float, least: float, width: float) -> None:
    target = goal("pain", "", least, least + width)
    wide = verdict_of_goal(value - half, value + half, target)
    narrow = verdict_of_goal(value - half / 2, value + half / 2, target)
    assert wide in ("cannot tell", narrow)


def state(report: VisitReport, one: Goal) -> GoalState:
    (found,) = goal_states([report], [one])
    return found


def test_a_metric_is_set_against_its_target_by_its_limb() -> None:
    report = visit("01", *fixture.report().metrics).report
    one = goal("hip_vault_height", "sound", None, 4.0, "% leg length")
    found = state(report, one)
    assert (found.side, found.value, found.low, found.high) == ("left", 2.9, pytest.approx(2.1), pytest.approx(3.7))
    assert (found.verdict, found.reason) == ("reached", "")
    assert state(report, replace(one, at_most=3.0)).verdict == "cannot tell"
    assert state(report, replace(one, at_most=2.0)).verdict == "not yet"
    ratio = state(report, goal("step_time_ratio", "", 0.9, 1.1, "1"))
    assert (ratio.value, ratio.verdict) == (1.02, "reached")


def test_a_metric_without_a_value_says_why() -> None:
    report = visit("01", *fixture.report().metrics).report
    found = state(report, goal("knee_extension_speed", "right", None, 400.0, "deg/s"))
    assert (found.value, found.verdict, found.reason) == (None, "cannot tell", fixture.TOO_SLOW)
    assert state(report, goal("step_width", "right", None, 4.0, "% leg length")).reason == NO_VALUE


def test_a_recorded_value_has_the_interval_of_its_detectable_change() -> None:
    """11 s +- 4.3/sqrt(2) = 11 +- 3.04."""
    report = replace(visit("01").report, recorded=(UP_AND_GO, COMFORT))
    name = UP_AND_GO.measure
    assert state(report, goal(name, most=14.1)).verdict == "reached"
    assert state(report, goal(name, most=14.0)).verdict == "cannot tell"
    assert state(report, goal(name, most=7.9)).verdict == "not yet"
    assert state(report, goal(name, most=14.1, unit="min")).reason == "other unit (min, then s)"


def test_a_recorded_value_of_unknown_error_never_reaches_a_target() -> None:
    report = replace(visit("01").report, recorded=(COMFORT,))
    for least, words in ((7.0, "lies"), (7.5, "does not lie")):
        found = state(report, goal(COMFORT.measure, least=least, unit="points"))
        assert (found.verdict, found.reason) == (
            "cannot tell",
            f"the value {words} in the target, but {ERROR_NOT_KNOWN}",
        )


# --- kept with the results, and shown


GOALS = PersonGoals(
    "02",
    (
        Goal("hip_vault_height", "Hip vaulting height", "% leg length", "sound", None, 1.5),
        Goal("socket_comfort", "Socket comfort", "points", "", 6.0, 9.0),
        Goal("falls", "Falls since the last visit", "falls", "", None, 0.0),
    ),
)


def results(folder: Path, goals: PersonGoals = GOALS) -> Path:
    """Three visits of one person; the vault is gone at the last."""
    for name in ("01", "02", "03"):
        metrics = [
            replace(one, value=0.2, low=-0.6, high=1.0)
            if (one.metric, one.side, name) == ("hip_vault_height", "left", "03")
            else one
            for one in fixture.report().metrics
        ]
        report = replace(visit(name, *metrics).report, recorded=(COMFORT,))
        save_parts(folder / f"sub-P01/ses-{name}", report, fixture.strides())
    clips = read_manifest(make_study(folder / "study", {"clips/a.mp4": "01"}))
    save_goals(OutputTree(folder), clips, {"P01": goals} if goals is not NO_GOALS else {})
    return folder


def test_goals_are_kept_and_go_when_the_file_no_longer_has_them(tmp_path: Path) -> None:
    folder = results(tmp_path)
    assert load_goals(folder, "P01") == GOALS
    assert load_goals(folder, "P02") == NO_GOALS
    other = make_study(tmp_path / "other", {"clips/a.mp4": "01"})
    text = (other / "manifest.csv").read_text(encoding="utf-8")
    (other / "manifest.csv").write_text(text.replace("P01", "P02"), encoding="utf-8")
    save_goals(OutputTree(folder), read_manifest(other), {})
    # Another study into the same results leaves those of persons that it does not name.
    assert load_goals(folder, "P01") == GOALS
    results(tmp_path, NO_GOALS)
    assert load_goals(folder, "P01") == NO_GOALS and not (folder / "sub-P01/goals.json").exists()


def test_the_baseline_of_the_goals_is_used_unless_another_is_given(tmp_path: Path) -> None:
    folder = results(tmp_path)
    assert track_subject(folder, "P01", RULES).track.baseline == "02"
    assert track_subject(folder, "P01", RULES, baseline="01").track.baseline == "01"
    assert track_subject(folder, "P01", RULES).note == ""
    with pytest.raises(ConfigError, match="baseline '03' is no visit before the latest one; there are 01, 02"):
        track_subject(folder, "P01", RULES, baseline="03")
    (folder / "sub-P01/goals.json").write_text("{")
    with pytest.raises(StageError, match=r"goals.json: cannot be read"):
        track_subject(folder, "P01", RULES)


def test_a_baseline_set_today_waits_for_the_next_visit(tmp_path: Path) -> None:
    folder = results(tmp_path / "out", replace(GOALS, baseline="03"))
    found = track_subject(folder, "P01", RULES)
    note = "goals.csv names visit 03 as the baseline; it does not lie before the latest visit"
    assert (found.track.baseline, found.note) == ("01", note)
    assert f"{note}." in Page(build_subject(folder, found)).text
    german = build_subject(folder, found, language="de").read_text(encoding="utf-8")
    assert "goals.csv nennt Termin 03 als Ausgangstermin" in german
    assert f"{note}: compared with the first" in run_command("track", "out", "P01", folder=tmp_path).stdout


def test_the_page_shows_targets_and_draws_them_dashed(tmp_path: Path) -> None:
    found = track_subject(results(tmp_path), "P01", RULES)
    path = build_subject(tmp_path, found)
    page = Page(path)
    words = " ".join(re.sub(r"<[^>]+>", " ", section(page.html, "targets")).split())
    assert "Hip vaulting height, sound (left) at most 1.5 % leg length 0.2 % leg length (−0.6 to 1.0) reached" in words
    assert "Socket comfort 6 to 9 points 7 points cannot tell the value lies in the target, but its error" in words
    assert "Falls since the last visit at most 0 falls - cannot tell there is no value at the latest visit" in words
    drawn = page.figures()
    assert sum("target: at most 1.5" in figure for figure in drawn) == 2
    assert sum("target: at least 6" in figure and "target: at most 9" in figure for figure in drawn) == 1
    with started_browser() as browser, opened_page(browser, path, width_px=390) as (shown, watch):
        assert shown.evaluate("document.documentElement.scrollWidth") <= 390
        assert grave_violations(shown) == []
        assert (watch.refused, watch.complaints) == ([], [])
    german = build_subject(tmp_path, found, language="de").read_text(encoding="utf-8")
    assert "höchstens 1,5 % Beinlänge" in german and ">erreicht<" in german and ">nicht feststellbar<" in german


def test_a_person_without_targets_has_no_such_section(tmp_path: Path) -> None:
    path = build_subject(tmp_path, track_subject(results(tmp_path, NO_GOALS), "P01", RULES))
    assert 'id="targets"' not in path.read_text(encoding="utf-8")


def test_screen_and_table_tell_the_targets(tmp_path: Path) -> None:
    results(tmp_path / "out")
    done = run_command("track", "out", "P01", "--csv", "changes.csv", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "subject P01: visit 03 against visit 02" in done.stdout
    line = next(line for line in done.stdout.splitlines() if line.startswith("Hip vaulting height, sound"))
    assert "at most 1.5 % leg length" in line and line.split()[-1] == "reached"
    table = pd.read_csv(tmp_path / "changes.csv", keep_default_na=False).set_index(["metric", "side"])
    row = table.loc[("hip_vault_height", "left")]
    assert (row["at_least"], float(row["at_most"]), row["target"]) == ("", 1.5, "reached")
    assert table.loc[("hip_vault_height", "right"), "target"] == ""
    assert table.loc[("socket_comfort", ""), "target"] == "cannot tell"
    # What was never recorded has a row too.
    assert tuple(table.loc[("falls", ""), ["verdict", "reasons", "target"]]) == ("cannot say", NO_VALUE, "cannot tell")
    found = track_subject(tmp_path / "out", "P01", RULES)
    assert len(track_table(found.track, found.goals)) == len(found.track.changes) + 2


def test_the_figure_holds_its_target_lines() -> None:
    points = [TrackPoint("01\n2026-01-05", 3.0, 2.0, 4.0)]
    text = svg_text(track_figure(points, title="t", axis_label="[s]", target=(None, 9.0)))
    assert ">target: at most 9<" in text and "at least" not in text and "stroke-dasharray" in text
    axes = track_figure(points, title="t", axis_label="[s]", target=(-2.0, None)).axes[0]
    assert axes.get_ylim()[0] < -2.0


def test_a_run_with_wrong_goals_measures_nothing(tmp_path: Path) -> None:
    study(tmp_path / "study", "P01,pain,,,,,")
    done = run_command("run", "study", "--out", "out", folder=tmp_path)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert "goals.csv row 2, column at_least: is empty, and at_most too" in done.stderr
    assert not (tmp_path / "out").exists()


def test_the_header_of_the_help_is_one_that_is_read(tmp_path: Path) -> None:
    folder = study(tmp_path)
    with (folder / "goals.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([column.name for column in COLUMNS])
        writer.writerow([column.example if column.name != "at_least" else "" for column in COLUMNS])
    person = read(folder)["P01"]
    assert (person.baseline, person.goals[0].measure) == ("01", "hip_vault_height")
