"""The parts of a person's page with three visits: time line, slopes, curves over each other, and the PDF."""

from __future__ import annotations

import io
import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pypdf import PdfReader

from pipeline.comparability import Visit
from pipeline.figure_style import svg_text
from pipeline.figures_overlay import Panel, overlay_figure
from pipeline.judgement import VisitReport
from pipeline.model import StrideSet
from pipeline.report import save_parts
from pipeline.report.layout import load_layout
from pipeline.report.subject_page import build_subject
from pipeline.report.time_line import LANE_ROOM, line_of_visits
from pipeline.report.track import SubjectTrack, track_subject
from pipeline.report.track_curves import curves_view
from pipeline.report.track_slopes import slopes_view
from pipeline.tracking import track
from tests import report_fixture as fixture
from tests.browser import grave_violations, opened_page, started_browser
from tests.test_report import Page
from tests.test_report_pdf import HOSTILE, squeezed, tagged
from tests.test_subject_page import improved
from tests.test_tracking import RULES, STRIDES, visit

DAYS = {"01": date(2026, 1, 5), "02": date(2026, 1, 9), "03": date(2026, 4, 15)}


def three_reports(**latest: Any) -> list[VisitReport]:
    """Three visits of the fixture's person, the last one without its vault."""
    metrics = fixture.report().metrics
    reports = [visit(name, *metrics).report for name in ("01", "02")]
    reports.append(improved(visit("03", *metrics, **latest).report))
    return [replace(report, visit_date=DAYS[report.visit]) for report in reports]


def saved(folder: Path, *reports: VisitReport, strides: StrideSet = STRIDES) -> Path:
    for report in reports:
        save_parts(folder / f"sub-P01/ses-{report.visit}", report, strides)
    return folder


def found(*reports: VisitReport, strides: StrideSet = STRIDES) -> SubjectTrack:
    """A track without files, the last visit with strides of its own."""
    visits = [Visit(report, STRIDES) for report in reports[:-1]] + [Visit(reports[-1], strides)]
    return SubjectTrack(track(visits, RULES), {}, visits[0], visits[-1], RULES)


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = saved(tmp_path_factory.mktemp("results"), *three_reports())
    build_subject(folder, track_subject(folder, "P01", RULES), limits=fixture.limits())
    return folder


@pytest.fixture(scope="module")
def page(results: Path) -> Page:
    return Page(results / "sub-P01/track.html")


def pdf(results: Path) -> PdfReader:
    return PdfReader(io.BytesIO((results / "sub-P01/track.pdf").read_bytes()))


# --- visits along time


def test_visits_stand_where_their_days_are() -> None:
    """5 January to 15 April are 100 days; 9 January is the fourth. Its name would touch the first one's."""
    line = line_of_visits(found(*three_reports()).track)
    assert [stop.share for stop in line.stops] == [0.0, 0.04, 1.0]
    assert ([stop.lane for stop in line.stops], line.n_lanes, line.to_scale) == ([0, 1, 0], 2, True)
    assert [stop.later for stop in line.stops] == ["", "4 days later", "96 days later"]
    assert [stop.role for stop in line.stops] == ["baseline", "", "latest"]


def test_names_in_one_lane_never_touch() -> None:
    random = np.random.default_rng(1)
    for _ in range(50):
        days = sorted(random.choice(300, size=8, replace=False))
        reports = [
            replace(three_reports()[0], visit=f"{n}", visit_date=date.fromordinal(738000 + int(day)))
            for n, day in enumerate(days)
        ]
        stops = line_of_visits(track([Visit(one, STRIDES) for one in reports], RULES)).stops
        for lane in {stop.lane for stop in stops}:
            shares = [stop.share for stop in stops if stop.lane == lane]
            assert all(np.diff(shares) >= LANE_ROOM - 1e-4)


def test_two_visits_and_visits_of_one_day_have_no_scale() -> None:
    first, second, third = three_reports()
    assert not line_of_visits(found(first, third).track).to_scale
    day = first.visit_date
    same = found(first, replace(second, visit_date=day), replace(third, visit_date=day)).track
    assert not line_of_visits(same).to_scale


# --- slopes


def test_slopes_stand_with_interval_and_visits_and_how_far_to_trust_them(page: Page) -> None:
    assert "Course over three and more visits" in page.text
    slope = re.search(r"Hip vaulting height, sound \(left\) (−[\d.]+) % leg length −([\d.]+) to −([\d.]+)", page.text)
    assert slope is not None and float(slope[3]) > 0
    told = re.search(
        r"(\d+) slopes were looked at; the 95 % intervals of \d+ lie wholly above or below zero, and about (\S+) would",
        page.text,
    )
    assert told is not None and told[2] == f"{0.05 * int(told[1]):.1f}"
    assert "A fitting changes in steps, not along a line" in page.text


def test_a_clear_slope_comes_first_and_what_keeps_a_visit_out_is_told() -> None:
    reports = three_reports()
    fourth = replace(reports[2], visit="04", visit_date=date(2026, 5, 15))
    with_stick = replace(reports[1], aid="stick")
    view = slopes_view(found(reports[0], with_stick, reports[2], fourth).track)
    assert view is not None
    assert view.of_faults[0].is_clear and "Hip vaulting height" in view.of_faults[0].measure
    assert view.of_faults[0].visits == "3"
    assert view.of_faults[0].notes[-1] == "left out: visit 02: other walking aid (stick, then none)"
    assert [row.is_clear for row in view.of_faults] == sorted((row.is_clear for row in view.of_faults), reverse=True)


def test_without_three_visits_to_compare_there_is_no_section_or_it_says_why() -> None:
    first, second, third = three_reports()
    assert slopes_view(found(first, third).track) is None
    alone = slopes_view(found(first, second, replace(third, aid="stick")).track)
    assert alone is not None and alone.of_faults == alone.others == ()
    assert alone.caution == "No measure can be compared between the latest and two or more earlier visits."


# --- curves over each other


def test_knee_flexion_and_the_curves_of_seen_faults_are_drawn_once_each() -> None:
    view = curves_view(found(*three_reports()), fixture.limits())
    assert [curve.title for curve in view.curves] == ["Knee flexion", "Hip height", "Foot direction"]
    assert view.curves[1].faults == "Vaulting"
    knee = view.curves[0].picture
    assert knee.caption.startswith("Dashed: visit 01, solid: visit 03.")
    # Knee flexion is read of the near limb alone: four strides of each limb in its own clip.
    assert "prosthetic (right): 4 strides, then 4 strides; sound (left): 4 strides, then 4 strides." in knee.caption
    assert "Positive: flexion." in knee.caption
    assert knee.alt.startswith("Line chart of knee flexion in deg over the stride, visit 01 against visit 03.")
    assert knee.alt.count("highest") == 4
    assert ">01, 2026-01-05<" in knee.svg and ">03, 2026-04-15<" in knee.svg


def test_curves_of_visits_that_cannot_be_compared_are_shown_with_the_reason(tmp_path: Path) -> None:
    view = curves_view(found(*three_reports(aid="stick", cadence=120.0)), fixture.limits())
    assert view.reasons == ("other walking aid (none, then stick)", "other speed (100.00, then 120.00 steps/min)")
    assert all(curve.reasons == () and "svg" in dir(curve.picture) for curve in view.curves)
    results = saved(tmp_path, *three_reports(aid="stick"))
    build_subject(results, track_subject(results, "P01", RULES), limits=fixture.limits())
    words = "Not comparable: other walking aid (none, then stick). The curves are shown, and a difference"
    assert Page(results / "sub-P01/track.html").text.count(words) == 1
    assert squeezed(words) in squeezed("".join(one.extract_text() for one in pdf(results).pages))


def test_a_limb_with_too_few_strides_is_said_to_be_missing() -> None:
    kept = ~((STRIDES.table["clip_id"] == fixture.SIDE_B) & (STRIDES.table["pass_number"] == 1))
    rows = kept.to_numpy()
    few = StrideSet(STRIDES.table[rows].reset_index(drop=True), {k: v[rows] for k, v in STRIDES.curves.items()})
    knee = curves_view(found(*three_reports(), strides=few), fixture.limits()).curves[0].picture
    assert "sound (left): 4 strides, then 0 strides, not drawn." in knee.caption
    assert knee.alt.count("highest") == 3
    empty = StrideSet(STRIDES.table.iloc[:0], {})
    none = replace(found(*three_reports(), strides=empty), baseline=Visit(three_reports()[0], empty))
    assert curves_view(none, fixture.limits()).curves[0].picture.reason.startswith("too few strides of either limb")


def test_two_prostheses_stand_left_and_right() -> None:
    reports = [replace(report, prosthetic_sides=("left", "right")) for report in three_reports()]
    knee = curves_view(found(*reports), fixture.limits()).curves[0].picture
    assert knee.svg.index(">left (prosthetic)<") < knee.svg.index(">right (prosthetic)<")


def curve_rows(level: float) -> np.ndarray:
    return level + np.sin(np.arange(101) / 16.0) + np.array([[-0.2], [0.0], [0.2]])


def test_visits_are_told_apart_without_colour() -> None:
    none = np.empty((0, 101))
    panels = [Panel("left", curve_rows(1.0), curve_rows(3.0)), Panel("right", none, curve_rows(2.0))]
    figure = overlay_figure(panels, title="Angle", axis_label="[deg]", visits=("01", "02"), phase_pct=(10.0, 30.0))
    left, right = figure.axes
    mean = {str(line.get_linestyle()) for line in left.get_lines() if line.get_linewidth() > 2}
    assert len(mean) == 2 and "-" in mean
    # The later mean alone in the other panel; dotted edges belong to the earlier visit.
    assert len(left.get_lines()) == 4 and len(right.get_lines()) == 1
    np.testing.assert_allclose(left.get_lines()[0].get_ydata(), curve_rows(3.0)[1])
    assert left.get_ylim() == right.get_ylim()
    low, high = left.get_ylim()
    assert low < curve_rows(1.0).mean(axis=0).min() and high > curve_rows(3.0).mean(axis=0).max()
    assert (left.get_xlim(), left.get_ylabel()) == ((0.0, 100.0), "[deg]")
    assert all(f">{word}<" in svg_text(figure) for word in ("Angle", "left", "right", "01", "02"))
    with pytest.raises(ValueError, match="Angle: no limb has a curve to draw"):
        overlay_figure([Panel("left", none, none)], title="Angle", axis_label="[deg]", visits=("01", "02"))


# --- on paper, in a browser


def test_every_text_of_the_page_is_on_paper(results: Path, page: Page) -> None:
    text = squeezed("".join(one.extract_text() for one in pdf(results).pages))
    start = next(i for i, one in enumerate(page.words) if one.strip() == "Change across the visits of one person")
    wanted = Counter(squeezed(one) for one in page.words[start:] if one.strip() not in ("-", ""))
    html = page.html.split('<details class="other-slopes">')[1].split("</details>")[0]
    # What is folded stays on the screen.
    of_screen = Counter(squeezed(one) for one in re.findall(r">([^<>]+)<", html))
    missing = [one for one, count in wanted.items() if text.count(one) < count - of_screen[one]]
    # The cautions are one paragraph on the page and a list on paper.
    points = load_layout().cautions.points
    assert missing == [squeezed(" ".join(points))]
    assert all(squeezed(point) in text for point in points)
    assert squeezed("stand on the page beside this file.") in text


def test_the_paper_is_made_for_readers_who_listen_too(results: Path, page: Page) -> None:
    reader = pdf(results)
    root = reader.trailer["/Root"].get_object()
    assert root["/Lang"] == "en" and b"pdfuaid:part" in root["/Metadata"].get_object().get_data()
    elements = list(tagged(root["/StructTreeRoot"].get_object()))
    alts = [str(one["/Alt"]) for one in elements if one.get("/S") == "/Figure" and "/Alt" in one]
    assert sorted(alts) == sorted(str(image["alt"]) for image in page.images())
    facts = reader.metadata
    assert facts is not None and facts.title == "P01: change across visits"
    assert facts.creation_date == datetime(2026, 3, 17, 10, 19, tzinfo=UTC)


@pytest.mark.parametrize(("paper", "height_mm"), [("A4", 297.0), ("Letter", 279.4)])
def test_the_same_visits_give_the_same_bytes_on_the_paper_asked_for(
    tmp_path: Path, paper: Any, height_mm: float
) -> None:
    results = saved(tmp_path, *three_reports(changes=HOSTILE))
    made = []
    for _ in range(2):
        build_subject(results, track_subject(results, "P01", RULES), limits=fixture.limits(), paper=paper)
        made.append([(results / f"sub-P01/track.{kind}").read_bytes() for kind in ("html", "pdf")])
    assert made[0] == made[1]
    assert float(pdf(results).pages[0].mediabox.height) == pytest.approx(height_mm * 72 / 25.4, abs=0.5)
    assert squeezed(HOSTILE) in squeezed("".join(one.extract_text() for one in pdf(results).pages))


def test_a_browser_shows_three_visits_on_every_screen_and_on_paper(results: Path) -> None:
    with started_browser() as browser:
        for width, scheme in ((1280, "light"), (390, "dark")):
            with opened_page(browser, results / "sub-P01/track.html", width_px=width, color_scheme=scheme) as (
                shown,
                watch,
            ):
                assert shown.evaluate("document.documentElement.scrollWidth") <= width
                assert grave_violations(shown) == []
                assert (watch.refused, watch.complaints) == ([], [])
                line = shown.locator(".line-of-time").bounding_box()
                names = [shown.locator(".line-of-time i").nth(one).bounding_box() for one in range(3)]
                assert line is not None and all(box is not None for box in names)
                boxes = [box for box in names if box is not None]
                middles = [(box["x"] + box["width"] / 2 - line["x"]) / line["width"] for box in boxes]
                assert middles == pytest.approx([0.0, 0.04, 1.0], abs=0.02)
                # Names that would touch stand above each other, and all above the line.
                assert boxes[1]["y"] + boxes[1]["height"] <= boxes[0]["y"] + 1.0
                assert all(box["y"] >= line["y"] - 1.0 for box in boxes)
                paper = PdfReader(io.BytesIO(shown.pdf()))
                text = "".join(one.extract_text() for one in paper.pages)
                assert "Course over three and more visits" in text and "96 days later" in text
