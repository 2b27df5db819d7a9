"""Raters' sheets: blind, in an order of their own, read back with every mistake named; and the table of agreement."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from pipeline.agreement_files import read_reports, write_agreement
from pipeline.agreement_sizes import bland_altman
from pipeline.agreement_table import AGREEMENT, ALL_FAULTS, REPEATED, agreement_table, size_agreement
from pipeline.errors import ConfigError, ManifestError, ManyProblems
from pipeline.fault_pages import DOCS
from pipeline.figure_style import svg_text
from pipeline.figures_agreement import bland_altman_figure
from pipeline.judgement import Fault, Verdict, VisitReport
from pipeline.manifest import read_manifest
from pipeline.ratings import HELP, SHEET, TOOL, Rating, rating_sheet, read_ratings
from pipeline.report.layout import load_sources
from pipeline.store import write_json
from pipeline.tables import empty_table
from pipeline.thresholds import load_limits
from tests import report_fixture as fixture
from tests.studies import make_study
from tests.test_cli import Run, run

__all__ = ["run"]
FAULTS = ("vaulting", "hip_hiking", "wide_base")
HEADER = "rater,subject,visit,fault,verdict,side,size,unit"


def sheet(folder: Path, *rows: str, header: str = HEADER, name: str = "sheet.csv") -> Path:
    path = folder / name
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def problems_of(*paths: Path) -> list[str]:
    with pytest.raises(ManyProblems) as caught:
        read_ratings(paths, FAULTS)
    assert str(caught.value).endswith(HELP)
    return list(caught.value.problems)


def visit(number: int, verdict: Verdict, size: float | None = 3.0, fault: str = "vaulting") -> VisitReport:
    """The report of one invented person with one fault, looked for on the left limb."""
    whole = fixture.report()
    found = whole.faults[0].findings[0]
    finding = replace(found, fault=fault, metric="hip_rise", side="left", unit="% leg length", value=size)
    judged = Fault(fault, "Vaulting", "left", verdict, "", False, (finding,))
    return replace(whole, subject=f"P{number:02d}", visit="01", faults=(judged,), candidates=())


def said(rater: str, number: int, verdict: Verdict, size: float | None = None, fault: str = "vaulting") -> Rating:
    return Rating(rater, f"P{number:02d}", "01", fault, verdict, None, size, "% leg length" if size is not None else "")


def row_of(table: pd.DataFrame, statistic: str, *, fault: str = "vaulting", first: str = TOOL, second: str = "A"):
    found = table[
        (table["statistic"] == statistic)
        & (table["fault"] == fault)
        & (table["first"] == first)
        & (table["second"] == second)
    ]
    assert len(found) == 1
    return found.iloc[0]


# Sheets


def study_of_three(folder: Path) -> Path:
    return make_study(folder / "study", {"clips/a.mp4": "01", "clips/b.mp4": "02", "clips/c.mp4": "02"})


def test_a_sheet_has_one_row_a_visit_and_fault_and_no_verdict(tmp_path: Path) -> None:
    clips, faults = read_manifest(study_of_three(tmp_path)), load_limits().faults
    made = rating_sheet(clips, faults, rater="AB", seed=3)
    assert list(made.columns) == [column.name for column in SHEET]
    assert len(made) == 2 * len(faults)
    assert set(zip(made["visit"], made["fault"], strict=True)) == {(v, f.name) for v in ("01", "02") for f in faults}
    for column in ("verdict", "side", "unit"):
        assert set(made[column]) == {""}
    assert made["size"].isna().all()
    assert set(made[made["visit"] == "02"]["clips"]) == {"clips/b.mp4; clips/c.mp4"}
    # The rows of a visit stand together.
    assert (made["visit"] != made["visit"].shift()).sum() == 2


def test_the_order_is_that_of_seed_and_rater(tmp_path: Path) -> None:
    clips, faults = read_manifest(study_of_three(tmp_path)), load_limits().faults
    orders = {
        (rater, seed): tuple(rating_sheet(clips, faults, rater=rater, seed=seed)["fault"])
        for rater in ("AB", "CD")
        for seed in (0, 1)
    }
    assert len(set(orders.values())) == 4
    assert tuple(rating_sheet(clips, faults, rater="AB", seed=0)["fault"]) == orders["AB", 0]
    assert all(sorted(order) == sorted(orders["AB", 0]) for order in orders.values())


@pytest.mark.parametrize("rater", ["", "A B", "=cmd()", "Tool"])
def test_a_rater_needs_a_pseudonym(rater: str) -> None:
    with pytest.raises(ManifestError, match="expected letters and digits only, as AB, and not tool"):
        rating_sheet([], [], rater=rater)


# Reading back


def test_rows_become_ratings_and_other_columns_are_passed_over(tmp_path: Path) -> None:
    path = sheet(
        tmp_path,
        "AB,P01,01,vaulting,present,left,3.5,% leg length,=cmd()",
        "",
        "AB,P01,01,wide_base,cannot say",
        header=f"{HEADER},remarks",
    )
    assert read_ratings([path], FAULTS) == (
        Rating("AB", "P01", "01", "vaulting", "present", "left", 3.5, "% leg length"),
        Rating("AB", "P01", "01", "wide_base", "cannot say"),
    )


def test_semicolons_and_decimal_commas_are_read(tmp_path: Path) -> None:
    path = sheet(tmp_path, "AB;P01;01;vaulting;present;;3,5;deg", header=HEADER.replace(",", ";"))
    assert read_ratings([path], FAULTS)[0].size == 3.5


def test_every_mistake_of_all_sheets_is_told_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    one = sheet(
        tmp_path,
        "=cmd(),P 1,01,valting,Present,up,x,deg",
        "AB,P01,01,vaulting,,,2,",
        "AB,P01,01,vaulting,present,,,",
        "AB,p01,01,vaulting,not seen,,,",
        "tool,P01,01,vaulting,present,,inf,deg,more",
        "tool,P01,01,vaulting,present,,inf,deg",
        "CD,P01,01,vaulting,present,,1,=cmd()",
    )
    other = sheet(tmp_path, "AB,P01,01,vaulting,present", header="rater,subject,visit,falt,verdict", name="two.csv")
    assert problems_of(one, other) == [
        'sheet.csv row 2, column rater: found "=cmd()"; expected letters and digits only, as P01.',
        'sheet.csv row 2, column subject: found "P 1"; expected letters and digits only, as P01.',
        'sheet.csv row 2, column fault: found "valting"; allowed: vaulting, hip_hiking, wide_base. '
        "Did you mean vaulting?",
        'sheet.csv row 2, column verdict: found "Present"; allowed: present, borderline, not seen, cannot say. '
        "Did you mean present?",
        'sheet.csv row 2, column side: found "up"; allowed: left, right.',
        'sheet.csv row 2, column size: found "x"; expected a number, as 12.5, or nothing.',
        'sheet.csv row 3, column verdict: found ""; allowed: present, borderline, not seen, cannot say. '
        "A row that cannot be judged is cannot say.",
        "sheet.csv row 3, column unit: a size is given but this is empty; expected its unit, as deg.",
        "sheet.csv row 5: AB judged vaulting of p01-01 already in row 4; a second look needs a rater's name of its "
        "own, as AB2.",
        'sheet.csv row 6: found 9 cells; expected 8. Text that holds the separator needs quotes: "socket, heel".',
        'sheet.csv row 7, column rater: found "tool"; it is taken by what the pipeline says.',
        'sheet.csv row 7, column size: found "inf"; expected a number, as 12.5, or nothing.',
        'sheet.csv row 8, column unit: found "=cmd()"; expected a unit in letters, %, ° and /, as deg or % leg length.',
        'two.csv row 1: column "fault" is missing; expected the fault\'s name in the files of limits, as vaulting.',
        'two.csv row 1: column "falt" is unknown; did you mean fault?',
    ]


def test_a_size_needs_the_column_of_its_unit_and_a_column_stands_once(tmp_path: Path) -> None:
    path = sheet(tmp_path, "AB,P01,01,vaulting,present,2,AB", header="rater,subject,visit,fault,verdict,size,rater")
    assert [text.partition(": ")[2] for text in problems_of(path)] == [
        'column "rater" stands 2 times.',
        "expected both columns size and unit, or neither.",
    ]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "no such file"),
        (b"\xff\xfe\x00", "is not UTF-8 text"),
        (b'rater,subject\n"open', "is not a table"),
        (b"", "is empty"),
        (HEADER.encode(), "holds no ratings"),
    ],
)
def test_a_file_that_is_no_sheet_is_named(tmp_path: Path, content: bytes | None, message: str) -> None:
    path = tmp_path / "sheet.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ManifestError, match=re.escape(message)) as caught:
        read_ratings([path], FAULTS)
    assert str(caught.value).startswith("sheet.csv: ")


# The table


def test_verdicts_against_the_tool_and_between_raters_are_those_counted_by_hand() -> None:
    # Tool and A: visits 1 to 4 agree (present, present, not seen, not seen), 5 does not, 6 cannot be said by the tool;
    # 7 has no report. B judged visits 1 and 2 alone, 1 otherwise than A.
    tool: list[Verdict] = ["present", "present", "not seen", "not seen", "not seen", "cannot say"]
    reports = [visit(number, verdict) for number, verdict in enumerate(tool, start=1)]
    answers: list[Verdict] = ["present", "present", "not seen", "not seen", "present", "present", "present"]
    ratings = [said("A", number, verdict) for number, verdict in enumerate(answers, start=1)]
    ratings += [said("B", 1, "not seen"), said("B", 2, "present")]
    table = agreement_table(ratings, reports)
    assert list(table.columns) == [column.name for column in AGREEMENT]
    agreed = row_of(table, "percent_agreement")
    assert (agreed["value"], agreed["n"], agreed["left_out"], agreed["unpaired"]) == (80.0, 5, 1, 1)
    # Agreed 4/5; expected (3*2 + 2*3) / 25 = 0.48: (0.8 - 0.48) / 0.52.
    assert row_of(table, "kappa")["value"] == pytest.approx(0.32 / 0.52)
    assert row_of(table, "sensitivity")["value"] == pytest.approx(200 / 3)
    assert (row_of(table, "sensitivity")["n"], row_of(table, "specificity")["n"]) == (3, 2)
    assert row_of(table, "specificity")["value"] == 100.0
    between = row_of(table, "percent_agreement", first="A", second="B")
    assert (between["value"], between["n"], between["unpaired"]) == (50.0, 2, 5)
    assert "sensitivity" not in set(table[table["first"] == "A"]["statistic"])
    # One fault only: overall is the same.
    assert row_of(table, "kappa", fault=ALL_FAULTS)["value"] == row_of(table, "kappa")["value"]


def test_a_rater_who_is_written_in_two_ways_is_one_person() -> None:
    reports = [visit(1, "present"), visit(2, "present", 5.0)]
    ratings = [said("AB", 1, "present", 2.0), said("ab", 2, "present", 4.5)]
    table = agreement_table(ratings, reports)
    assert set(table["second"]) == {"AB"}
    assert row_of(table, "percent_agreement", second="AB")["n"] == 2
    sizes = size_agreement(ratings, reports, fault="vaulting", first=TOOL, second="aB")["% leg length"]
    np.testing.assert_allclose(sizes.differences, [1.0, 0.5])


def test_overall_joins_the_faults_and_says_that_a_person_s_items_are_alike() -> None:
    reports = [visit(1, "present"), visit(2, "not seen")]
    reports = [replace(one, faults=(*one.faults, replace(one.faults[0], name="wide_base"))) for one in reports]
    ratings = [said("A", 1, "present"), said("A", 2, "present"), said("A", 1, "not seen", fault="wide_base")]
    table = agreement_table(ratings, reports)
    overall = row_of(table, "percent_agreement", fault=ALL_FAULTS)
    assert (overall["value"], overall["n"], overall["unpaired"]) == (pytest.approx(100 / 3), 3, 1)
    assert overall["note"] == REPEATED
    assert row_of(table, "percent_agreement")["note"] == ""


def test_sizes_are_compared_where_one_measure_has_the_unit() -> None:
    tool, by_eye = [2.0, 3.5, 5.0, 1.0], [1.5, 3.0, 4.0, 1.5]
    reports = [visit(number, "present", size) for number, size in enumerate(tool, start=1)]
    ratings = [said("A", number, "present", size) for number, size in enumerate(by_eye, start=1)]
    table = agreement_table([*ratings, said("A", 9, "present", 3.0)], reports)
    expected = bland_altman(np.array(tool), np.array(by_eye))
    bias = row_of(table, "bias")
    assert (bias["value"], bias["unit"], bias["n"]) == (pytest.approx(0.375), "% leg length", 4)
    assert row_of(table, "upper_limit_of_agreement")["high"] == expected.upper.high
    assert row_of(table, "icc_2_1")["n"] == 4
    assert not (table[table["fault"] == ALL_FAULTS]["statistic"] == "bias").any()
    # A second measure with this unit: which was meant is not known.
    unsure = [
        replace(
            one,
            faults=(
                replace(
                    one.faults[0],
                    findings=(
                        one.faults[0].findings[0],
                        replace(one.faults[0].findings[0], metric="heel_rise", value=9.0),
                    ),
                ),
            ),
        )
        for one in reports
    ]
    assert "bias" not in set(agreement_table(ratings, unsure)["statistic"])
    # A size that one of them did not give is left out and counted.
    gap = agreement_table([replace(ratings[0], size=None, unit=""), *ratings[1:]], reports)
    assert (row_of(gap, "bias")["n"], row_of(gap, "bias")["left_out"]) == (3, 1)
    assert (row_of(gap, "icc_2_1")["n"], row_of(gap, "icc_2_1")["left_out"]) == (3, 1)


def test_the_limb_that_the_tool_judged_may_be_named_and_another_is_no_pair() -> None:
    reports = [visit(1, "present"), visit(2, "present")]
    named = [replace(said("A", 1, "present"), side="left"), replace(said("A", 2, "present"), side="right")]
    agreed = row_of(agreement_table(named, reports), "percent_agreement")
    assert (agreed["n"], agreed["unpaired"]) == (1, 2)


def test_a_limb_that_is_named_only_where_a_fault_is_seen_hides_no_disagreement() -> None:
    """40 visits at chance: each sees 20, both see 10. Expected by hand: 20 agree, kappa (0.5 - 0.5) / 0.5 = 0."""
    seen: dict[str, list[Verdict]] = {
        "A": ["present" if number < 20 else "not seen" for number in range(40)],
        "B": ["present" if number % 2 == 0 else "not seen" for number in range(40)],
    }
    plain = [said(rater, number, verdict) for rater in seen for number, verdict in enumerate(seen[rater])]
    named = [replace(one, side="left") if one.verdict == "present" else one for one in plain]
    between = agreement_table(named, [])
    pd.testing.assert_frame_equal(between, agreement_table(plain, []))
    kappa = row_of(between, "kappa", first="A", second="B")
    assert (kappa["value"], kappa["n"], kappa["unpaired"]) == (pytest.approx(0.0), 40, 0)
    # So with results, whichever limb or limbs the pipeline looked at.
    for side in ("left", "both", "left and right"):
        reports = [visit(number, verdict) for number, verdict in enumerate(seen["B"])]
        reports = [replace(one, faults=(replace(one.faults[0], side=side),)) for one in reports]
        by_a = [one for one in named if one.rater == "A"]
        kappa = row_of(agreement_table(by_a, reports), "kappa")
        assert (kappa["value"], kappa["n"], kappa["unpaired"]) == (pytest.approx(0.0), 40, 0)


def test_a_row_for_each_limb_is_compared_limb_by_limb_or_with_the_worse_verdict() -> None:
    both = [
        replace(said("A", 1, "present", 4.0), side="left"),
        replace(said("A", 1, "not seen", 1.0), side="right"),
    ]
    one = [replace(said("B", 1, "not seen", 0.5), side="right")]
    agreed = row_of(agreement_table([*both, *one], []), "percent_agreement", first="A", second="B")
    assert (agreed["value"], agreed["n"], agreed["unpaired"]) == (100.0, 1, 1)
    whole = [said("B", 1, "present", 3.0)]
    table = agreement_table([*both, *whole], [])
    agreed = row_of(table, "percent_agreement", first="A", second="B")
    assert (agreed["value"], agreed["n"], agreed["unpaired"]) == (100.0, 1, 0)
    assert row_of(table, "bias", first="A", second="B")["value"] == pytest.approx(1.0)
    # The pipeline's one verdict for two prosthetic limbs.
    report = visit(1, "present")
    report = replace(report, faults=(replace(report.faults[0], side="left and right"),))
    agreed = row_of(agreement_table(both, [report]), "percent_agreement")
    assert (agreed["value"], agreed["n"], agreed["unpaired"]) == (100.0, 1, 0)
    # Two sizes, and nobody knows which is meant; what one limb could not tell is not taken for an absence.
    alike = [replace(one, verdict="present") for one in both]
    assert "bias" not in set(agreement_table([*alike, *whole], [])["statistic"])
    hidden = [replace(both[0], verdict="cannot say"), both[1]]
    agreed = row_of(agreement_table([*hidden, *whole], []), "percent_agreement", first="A", second="B")
    assert (agreed["n"], agreed["left_out"]) == (0, 1)


@pytest.mark.parametrize(
    ("sides", "found"),
    [(("left", ""), "no side here and side left"), (("", "left"), "side left here and no side")],
)
def test_a_row_with_a_side_and_one_without_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sides: tuple[str, str], found: str
) -> None:
    monkeypatch.chdir(tmp_path)
    first, second = (
        f"AB,P01,01,vaulting,{word},{side}" for word, side in zip(("present", "not seen"), sides, strict=True)
    )
    wanted = "AB judged vaulting of P01-01 with {} already{}; expected one row without a side, or a row for each limb."
    assert problems_of(sheet(tmp_path, first, second)) == [f"sheet.csv row 3: {wanted.format(found, ' in row 2')}"]
    assert problems_of(sheet(tmp_path, first), sheet(tmp_path, second, name="two.csv")) == [
        f"two.csv row 2: {wanted.format(found, ' in sheet.csv row 2')}"
    ]
    ratings = [
        Rating("AB", "P01", "01", "vaulting", "present", "left"),
        Rating("AB", "P01", "01", "vaulting", "present"),
    ]
    with pytest.raises(ManyProblems) as caught:
        agreement_table(ratings, [])
    assert caught.value.problems == (wanted.format("no side here and side left", ""),)


def test_each_limb_may_have_its_row(tmp_path: Path) -> None:
    path = sheet(tmp_path, "AB,P01,01,vaulting,present,left", "AB,P01,01,vaulting,not seen,right")
    assert [one.side for one in read_ratings([path], FAULTS)] == ["left", "right"]


def test_lost_zeros_are_refused_and_other_unknown_visits_are_not() -> None:
    reports = [visit(1, "present")]
    with pytest.raises(ManyProblems) as caught:
        agreement_table([replace(said("A", 1, "present"), visit="1")], reports)
    assert caught.value.problems == (
        "rater A: found P01-1; the results have P01-01. A spreadsheet may have taken the zeros away: read the columns "
        "subject and visit as text.",
    )
    assert not agreement_table([said("A", 7, "present")], reports).empty


def test_one_rater_without_results_has_nothing_to_compare_with() -> None:
    table = agreement_table([said("A", 1, "present")], [])
    assert table.empty
    assert list(table.columns) == list(empty_table(AGREEMENT).columns)


verdicts = some.sampled_from(["present", "borderline", "not seen", "cannot say"])


@settings(deadline=None)
@given(pairs=some.lists(some.tuples(verdicts, verdicts), min_size=1, max_size=30))
def test_every_number_has_its_interval_or_a_reason(pairs: list[tuple[Verdict, Verdict]]) -> None:
    reports = [visit(number, tool) for number, (tool, _) in enumerate(pairs, start=1)]
    ratings = [said("A", number, verdict) for number, (_, verdict) in enumerate(pairs, start=1)]
    table = agreement_table(ratings, reports)
    bare = table["value"].isna() | table["low"].isna() | table["high"].isna()
    assert (table[bare]["note"] != "").all()
    verdict_rows = table[table["statistic"] == "percent_agreement"]
    assert (verdict_rows["n"] + verdict_rows["left_out"] == len(pairs)).all()


# The figure


def example() -> tuple[list[VisitReport], list[Rating]]:
    random = np.random.default_rng(5)
    true = random.uniform(0.5, 6.0, 24)
    reports = [
        visit(number, "present" if size > 2 else "not seen", float(round(size + random.normal(0, 0.4), 2)))
        for number, size in enumerate(true, start=1)
    ]
    ratings = [
        said("A", number, "present" if size > 2.5 else "not seen", float(round(size + 0.6 + random.normal(0, 0.8), 1)))
        for number, size in enumerate(true, start=1)
    ]
    return reports, ratings


def test_the_figure_names_its_lines_and_axes_and_gives_the_same_bytes() -> None:
    reports, ratings = example()
    found = size_agreement(ratings, reports, fault="vaulting", first=TOOL, second="A")["% leg length"]

    def draw() -> str:
        return svg_text(bland_altman_figure(found, title="Vaulting", unit="% leg length", first=TOOL, second="A"))

    words = re.findall(r"<text[^>]*>([^<]*)</text>", draw())
    for word in ("Vaulting", "Mean of both [% leg length]", "tool \N{MINUS SIGN} A [% leg length]", "bias"):
        assert word in words
    assert {"upper limit", "lower limit"} <= set(words)
    assert draw() == draw()


def test_the_figure_shows_every_pair_and_every_line_at_its_place() -> None:
    reports, ratings = example()
    found = size_agreement(ratings, reports, fault="vaulting", first=TOOL, second="A")["% leg length"]
    axes = bland_altman_figure(found, title="Vaulting", unit="%", first="a", second="b").axes[0]
    dots = next(line for line in axes.lines if line.get_marker() == "o")
    np.testing.assert_array_equal(dots.get_ydata(), found.differences)
    np.testing.assert_array_equal(dots.get_xdata(), found.means)
    heights = {float(np.asarray(line.get_ydata())[0]) for line in axes.lines if line.get_marker() != "o"}
    assert {found.bias.value, found.lower.value, found.upper.value, found.upper.high} <= heights


def test_no_figure_is_drawn_of_a_single_pair() -> None:
    with pytest.raises(ValueError, match="Vaulting: sizes of two targets or more are needed; found 1"):
        bland_altman_figure(bland_altman(np.ones(1), np.ones(1)), title="Vaulting", unit="deg", first="a", second="b")


# Files and the command


def save(folder: Path, reports: list[VisitReport]) -> Path:
    for one in reports:
        write_json(folder / f"sub-{one.subject}" / f"ses-{one.visit}" / "visit.json", one)
    return folder


def test_a_sheet_that_is_filled_in_becomes_a_table(run: Run, tmp_path: Path) -> None:
    study_of_three(tmp_path)
    assert run("rating-sheet", "study", "--rater", "AB", "--csv", "ab.csv") == (0, "ab.csv\n", "")
    code, _, error = run("rating-sheet", "study", "--rater", "AB", "--csv", "ab.csv")
    assert (code, error.partition(".csv")[2]) == (
        2,
        ": is there already; expected a new file. Give another name: a sheet that somebody filled in would be lost.\n",
    )
    with (tmp_path / "ab.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        row["verdict"] = "present" if row["fault"] == "vaulting" else "not seen"
    with (tmp_path / "ab.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    save(tmp_path / "out", [visit(1, "present")])
    assert run("agree", "ab.csv", "--results", "out", "--csv", "agreement.csv") == (0, "agreement.csv\n", "")
    table = pd.read_csv(tmp_path / "agreement.csv")
    found = row_of(table, "percent_agreement", second="AB")
    assert (found["value"], found["n"], found["unpaired"]) == (100.0, 1, 1)


def test_figures_are_written_for_pairs_with_sizes(tmp_path: Path) -> None:
    reports, ratings = example()
    saved = read_reports(save(tmp_path / "out", reports))
    assert len(saved) == 24
    paths = list(write_agreement(tmp_path / "a.csv", ratings, saved, figures=tmp_path / "figures"))
    assert [path.name for path in paths] == ["a.csv", "sizes-vaulting-tool-A-pct-leg-length.svg"]
    assert "Vaulting, n = 24" in paths[1].read_text(encoding="utf-8")


def test_mistakes_end_with_2_and_a_message(run: Run, tmp_path: Path) -> None:
    sheet(tmp_path, "AB,P01,01,vaulting,present,,,")
    (tmp_path / "out").mkdir()
    assert run("agree", "sheet.csv", "--results", "out", "--csv", "a.csv") == (
        2,
        "",
        "error: out: no visit with saved results; expected sub-*/ses-*/visit.json. "
        "Give the folder that was given to `strideledger run --out`.\n",
    )
    assert run("agree", "sheet.csv", "--csv", "a.csv") == (
        2,
        "",
        "error: ratings: one rater and nothing to compare with; expected two raters or more, or results. "
        "Give another sheet, or the results with --results.\n",
    )
    code, _, error = run("agree", "none.csv", "--csv", "a.csv")
    assert code == 2 and error.startswith("error: none.csv: no such file")
    assert not (tmp_path / "a.csv").exists()


def test_reports_of_an_empty_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no visit with saved results"):
        read_reports(tmp_path)


# The page


def test_the_page_explains_every_statistic_and_names_known_sources() -> None:
    page = (DOCS / "agreement.md").read_text(encoding="utf-8")
    reports, ratings = example()
    explained = set(re.findall(r"`([a-z0-9_]+)`", page[page.index("| statistic |") : page.index("Read kappa")]))
    assert set(agreement_table(ratings, reports)["statistic"]) <= explained
    named = set(re.findall(r"\[([a-z]+(?:_[a-z0-9]+)+)\]", page))
    assert named and named <= set(load_sources())
    for column in ("left_out", "unpaired"):
        assert f"`{column}`" in page
