"""The page of one person: what a clinician must find on it, in a real browser too."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.figure_style import svg_text
from pipeline.figures_track import TrackPoint, track_figure
from pipeline.judgement import VisitReport
from pipeline.report import save_parts
from pipeline.report.subject_page import build_subject
from pipeline.report.track import track_subject
from pipeline.tracking_rules import load_tracking_rules
from tests import report_fixture as fixture
from tests.browser import grave_violations, opened_page, started_browser
from tests.test_report import Page
from tests.test_tracking import STRIDES, VAULT, counts_by_chance, visit


def improved(report: VisitReport) -> VisitReport:
    """The fixture's visit without its vault."""
    metrics = [
        replace(one, value=0.2, low=-0.6, high=1.0) if (one.metric, one.side) == VAULT else one
        for one in report.metrics
    ]
    return replace(fixture.with_verdict(report, "vaulting", "not seen", ""), metrics=tuple(metrics))


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("results")
    first = visit("01", *fixture.report().metrics).report
    for report in (first, improved(visit("02", *fixture.report().metrics).report)):
        save_parts(folder / f"sub-P01/ses-{report.visit}", report, STRIDES)
    build_subject(folder, track_subject(folder, "P01", load_tracking_rules()))
    return folder


@pytest.fixture(scope="module")
def page(results: Path) -> Page:
    return Page(results / "sub-P01/track.html")


def test_visits_changes_and_verdicts_stand_on_the_page(page: Page) -> None:
    assert "P01 visit 02 against visit 01" in page.text
    assert "01, 2026-01-05" in page.text and "heel cushion changed from medium to soft" in page.text
    assert re.search(
        r"Vaulting Hip vaulting height, sound \(left\) 01 present 02 not seen 2\.9 % leg length", page.text
    )
    assert "better −2.7 % leg length; detectable 1.1 % leg length" in page.text
    counts_by_chance(page.text)
    assert "cannot say visit 01: filmed at 30 frames/s" in page.text


def test_clear_changes_come_first_and_what_cannot_be_said_last(page: Page) -> None:
    order = [page.text.index(title) for title in ("Vaulting Hip", "Uneven timing Step", "Terminal impact Peak")]
    assert order == sorted(order)


def test_what_was_seen_or_changed_is_drawn_with_its_limit(page: Page) -> None:
    drawn = " ".join(page.figures())
    for title in ("Hip vaulting height, sound (left)", "Foot rotation at heel contact, prosthetic (right)"):
        assert title in drawn
    assert "Step time ratio" not in drawn
    assert drawn.count(">outside<") >= 3
    alts = [str(image["alt"]) for image in page.images()]
    assert "Values over the visits. Hip vaulting height, sound (left): 01 2.90; 02 0.20." in alts


def test_text_of_the_manifest_is_shown_as_text_and_links_stay_inside(results: Path, page: Page) -> None:
    assert fixture.MARKUP not in page.html and "&lt;script&gt;" in page.html
    links = re.findall(r'href="([^"#]+)"', page.html)
    assert set(links) >= {"ses-01/visit.html", "ses-02/fault-vaulting.html"}
    assert all(re.fullmatch(r"ses-\d\d/[\w-]+\.html", link) for link in links)


def test_the_page_speaks_the_language_asked_for(results: Path) -> None:
    made = build_subject(results, track_subject(results, "P01", load_tracking_rules()), language="de")
    text = made.read_text(encoding="utf-8")
    assert '<html lang="de">' in text and "Veränderung jeder Abweichung" in text and ">besser<" in text
    assert "−2,7 % Beinlänge; nachweisbar 1,1 % Beinlänge" in text
    build_subject(results, track_subject(results, "P01", load_tracking_rules()))


def test_a_browser_shows_it_without_asking_for_anything(results: Path) -> None:
    with started_browser() as browser:
        for width, scheme in ((1280, "light"), (1280, "dark"), (390, "light")):
            with opened_page(browser, results / "sub-P01/track.html", width_px=width, color_scheme=scheme) as (
                shown,
                watch,
            ):
                assert shown.evaluate("document.documentElement.scrollWidth") <= width
                assert grave_violations(shown) == []
                assert (watch.refused, watch.complaints) == ([], [])


def test_the_figure_shows_every_visit_and_needs_a_value() -> None:
    points = [TrackPoint("01\n2026-01-05", 3.0, 2.0, 4.0), TrackPoint("02\n2026-02-04", None, None, None)]
    text = svg_text(
        track_figure(points, title="Step width", axis_label="[cm]", limits=[(5.0, "above")], chance=(1.0, 5.0))
    )
    assert all(f">{word}<" in text for word in ("Step width", "01", "02", "outside", "[cm]"))
    axes = track_figure(points, title="t", axis_label="a", chance=(1.0, 5.0)).axes[0]
    assert axes.get_ylim()[0] < 1.0 and axes.get_ylim()[1] > 5.0
    assert np.isfinite(axes.get_ylim()).all()
    with pytest.raises(ValueError, match="t: no visit has a value"):
        track_figure(points[1:], title="t", axis_label="a")
