"""The page of a study in a real browser: the filter, without script, on a phone, in the dark, on paper."""

from __future__ import annotations

import io
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from pypdf import PdfReader

from pipeline.bench.study_page import save_visits
from pipeline.report.study import build_study
from pipeline.thresholds import load_limits
from tests import report_fixture as fixture
from tests.browser import grave_violations, opened_page, started_browser
from tests.test_report_study import save

VISITS = "tr[data-visit]:not([hidden])"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as started:
        yield started


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two people and three visits; vaulting is seen in all but one of them."""
    out = tmp_path_factory.mktemp("out")
    save(out, "P01", "01", date(2026, 3, 1), changes=f"{fixture.MARKUP} {fixture.FORMULA}")
    save(out, "P01", "02", date(2026, 4, 1))
    calm = fixture.with_verdict(fixture.report(), "vaulting", "not seen", "")
    save(out, "P02", "01", date(2026, 3, 8), faults=calm.faults)
    return build_study(out, fixture.limits())


def shown(page: Page) -> tuple[int, int, str]:
    """Visits shown in the grid and in the list, and what the page says of it."""
    return (
        page.locator(f"#study_grid {VISITS}").count(),
        page.locator(f"#study_visits {VISITS}").count(),
        page.locator("#shown").inner_text(),
    )


def test_the_filter_shows_what_it_says_and_hides_no_danger(browser: Browser, study: Path) -> None:
    with opened_page(browser, study) as (page, watch):
        assert shown(page) == (3, 3, "3 of 3 visits shown")
        dangers = page.locator("#study_urgent li").all_inner_texts()
        page.get_by_label("Subject holds").fill("p02")
        assert shown(page) == (1, 1, "1 of 3 visits shown")
        assert page.locator("#study_urgent li").all_inner_texts() == dangers
        page.get_by_label("Subject holds").fill("")
        page.get_by_role("combobox", name="Fault").select_option(label="Vaulting")
        heads = page.locator("#grid thead th:not([hidden])").all_inner_texts()
        assert (shown(page)[0], heads) == (3, ["Visit", "Vaulting"])
        page.get_by_role("combobox", name="Verdict").select_option(label="present")
        assert shown(page) == (2, 2, "2 of 3 visits shown")
        page.get_by_role("combobox", name="Verdict").select_option(label="not seen")
        assert shown(page) == (1, 1, "1 of 3 visits shown")
        page.get_by_label("Subject holds").fill("P01")
        assert shown(page) == (0, 0, "0 of 3 visits shown")
        assert page.locator("tbody[data-subject]:not([hidden])").count() == 0
        page.get_by_role("button", name="Show all").click()
        assert shown(page) == (3, 3, "3 of 3 visits shown")
        assert page.locator("#grid [hidden]").count() == 0
        assert (watch.refused, watch.complaints) == ([], [])


def test_without_script_everything_but_the_filter_is_shown(browser: Browser, study: Path) -> None:
    with opened_page(browser, study, java_script_enabled=False) as (page, watch):
        assert not page.get_by_label("Subject holds").is_visible()
        assert shown(page) == (3, 3, "")
        assert page.locator("#study_failures").is_visible()
        assert watch.complaints == []


def test_a_mark_is_a_link_with_the_word_of_its_verdict(browser: Browser, study: Path) -> None:
    with opened_page(browser, study) as (page, _):
        mark = page.locator("#grid tr[data-visit]").first.get_by_role("link", name="present", exact=True).first
        mark.click()
        assert "/sub-P01/ses-01/fault-" in page.url


def test_the_grid_scrolls_by_keyboard_and_its_first_column_stays(browser: Browser, study: Path) -> None:
    # The policy of the page would stop the function that waits.
    with opened_page(browser, study, width_px=260, bypass_csp=True) as (page, _):
        frame = page.get_by_role("region", name="Every verdict, scrolls in both directions")
        first = page.locator("#grid tr[data-visit] th").first
        before = first.bounding_box()
        frame.focus()
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        page.wait_for_function("document.querySelector('.grid-frame').scrollLeft > 20")
        after = first.bounding_box()
        assert before is not None and after is not None and abs(before["x"] - after["x"]) < 1.0


@pytest.mark.parametrize("width_px", [1280, 390, 320])
def test_the_page_is_never_wider_than_its_window(browser: Browser, tmp_path: Path, width_px: int) -> None:
    limits = load_limits()
    save_visits(tmp_path, 8, limits)
    with opened_page(browser, build_study(tmp_path, limits), width_px=width_px) as (page, _):
        assert page.evaluate("document.documentElement.scrollWidth") <= width_px


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width_px", [1280, 390])
def test_nobody_is_shut_out(browser: Browser, study: Path, width_px: int, scheme: str) -> None:
    # The policy of the page would stop the script that looks.
    options = {"color_scheme": scheme, "bypass_csp": True}
    with opened_page(browser, study, width_px=width_px, **options) as (page, _):
        assert grave_violations(page) == []


def test_a_dark_screen_still_prints_on_light_paper_in_landscape(browser: Browser, study: Path) -> None:
    with opened_page(browser, study, color_scheme="dark") as (page, _):
        ground = "getComputedStyle(document.body).backgroundColor"
        assert page.evaluate(ground) == "rgb(27, 31, 35)"
        page.emulate_media(media="print", color_scheme="dark")
        assert page.evaluate(ground) == "rgb(255, 255, 255)"
        assert not page.locator("#filter").is_visible()
        paper = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True)))
        assert float(paper.pages[0].mediabox.width) > float(paper.pages[0].mediabox.height)
        text = "".join(one.extract_text() for one in paper.pages)
        assert "Every verdict" in text and "Show all" not in text and fixture.MARKUP in text
