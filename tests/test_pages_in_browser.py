"""The pages as a person opens them: in a browser, from a file, with keys, without scripts, on a phone, on paper."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page
from pypdf import PdfReader

from pipeline.report.layout import load_layout
from tests import report_fixture as fixture
from tests import viewer_fixture
from tests.browser import grave_violations, opened_page, started_browser

WORDS = load_layout().viewer
# Reads the colour in the middle of the picture on show.
MIDDLE = """canvas => Array.from(canvas.getContext("2d").getImageData(168, 20, 1, 1).data)"""
LEFT, WIDTH = 0.125, 0.655  # of the axes in a curve's figure, see figures.CURVE_AXES


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with started_browser() as one:
        yield one


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return viewer_fixture.build(tmp_path_factory.mktemp("visit"))


def part(page: Page, name: str):
    return page.locator(f'[data-part="{name}"]')


def shown_s(page: Page) -> float:
    """The time that the viewer says."""
    return float(part(page, "time").inner_text().removesuffix(" s"))


def picture_s(page: Page) -> float:
    """The time of the picture that the viewer really shows, by its colour."""
    page.wait_for_timeout(100)
    return float(viewer_fixture.TIMES_S[viewer_fixture.number_of(part(page, "canvas").evaluate(MIDDLE))])


def shown_percent(page: Page, limb: int) -> float:
    """The share of the stride that the viewer says for a limb, 0 prosthetic, 1 sound."""
    return float(part(page, "limbs").locator("dd").nth(limb).inner_text().split(" %")[0])


@pytest.mark.parametrize("name", ["visit.html", "fault-vaulting.html", "fault-medial_whip.html"])
def test_a_page_opens_from_a_file_and_asks_for_nothing(browser: Browser, visit: Path, name: str) -> None:
    with opened_page(browser, visit.with_name(name)) as (page, watch):
        page.wait_for_timeout(300)
        assert watch.refused == [] and watch.complaints == []
        assert page.locator("h1").inner_text()


def test_the_watch_itself_sees_a_request_and_a_complaint(browser: Browser, tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text("<img src='http://example.invalid/x.png'><script>nowhere();</script>", encoding="utf-8")
    with opened_page(browser, bad) as (page, watch):
        page.wait_for_timeout(300)
        assert watch.refused == ["http://example.invalid/x.png"]
        assert any("nowhere" in complaint for complaint in watch.complaints)


def test_playing_moves_picture_and_time_together(browser: Browser, visit: Path) -> None:
    with opened_page(browser, visit) as (page, watch):
        assert part(page, "play").inner_text() == WORDS.play
        start_s = shown_s(page)
        page.wait_for_timeout(300)
        assert shown_s(page) == start_s, "nothing plays by itself"
        part(page, "play").click()
        page.wait_for_function(
            "limit => parseFloat(document.querySelector('[data-part=time]').innerText) > limit", arg=2.2
        )
        assert part(page, "play").inner_text() == WORDS.pause
        part(page, "play").click()
        assert part(page, "play").inner_text() == WORDS.play
        assert picture_s(page) == pytest.approx(shown_s(page), abs=0.011)
        assert watch.complaints == []


def test_slower_is_slower_and_the_end_stops(browser: Browser, visit: Path) -> None:
    with opened_page(browser, visit) as (page, _):
        slider = part(page, "slider")
        part(page, "speed").select_option("0.25")
        start_s = shown_s(page)
        part(page, "play").click()
        page.wait_for_timeout(1200)
        part(page, "play").click()
        assert 0.1 < shown_s(page) - start_s < 0.6
        slider.press("End")
        assert shown_s(page) == pytest.approx(viewer_fixture.TIMES_S[-1], abs=0.006)
        slider.press("ArrowLeft")
        slider.press("ArrowLeft")
        part(page, "play").click()
        page.wait_for_function("word => document.querySelector('[data-part=play]').innerText === word", arg=WORDS.play)
        assert shown_s(page) == pytest.approx(viewer_fixture.TIMES_S[-1], abs=0.006)


@pytest.mark.parametrize("percent", [10, 50, 90])
def test_a_click_on_a_curve_of_a_stride_shows_that_moment(browser: Browser, visit: Path, percent: int) -> None:
    """Strides of the prosthetic limb last 1.18 s: a picture is 2.8 % of one."""
    with opened_page(browser, visit) as (page, _):
        plot = page.locator("#quantities .plot").first
        plot.scroll_into_view_if_needed()
        box = plot.bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + box["width"] * (LEFT + WIDTH * percent / 100), box["y"] + 0.5 * box["height"])
        assert shown_percent(page, 0) == pytest.approx(percent, abs=2)
        since_start_s = (shown_s(page) - (0.8 + 1.18)) % 1.18
        assert since_start_s == pytest.approx(1.18 * percent / 100, abs=0.5 / viewer_fixture.FPS + 0.011)
        assert picture_s(page) == pytest.approx(shown_s(page), abs=0.011)
        assert part(page, "canvas").evaluate("one => one.getBoundingClientRect().top") >= 0
        # The cursor stands there in the figure too, and the way back leads to it.
        cursor = plot.locator(".plot-cursor.solid").bounding_box()
        plot_box = plot.bounding_box()
        assert cursor is not None and plot_box is not None
        place = (cursor["x"] + 1 - plot_box["x"]) / plot_box["width"]
        assert place == pytest.approx(LEFT + WIDTH * percent / 100, abs=0.02)
        part(page, "return-link").click()
        top = plot.evaluate("one => one.getBoundingClientRect().top")
        assert 0 <= top < 900


def test_a_click_on_a_curve_of_another_view_changes_the_clip(browser: Browser, visit: Path) -> None:
    with opened_page(browser, visit) as (page, _):
        page.locator("#fault-foot_rotation .plot").scroll_into_view_if_needed()
        page.locator("#fault-foot_rotation .plot").click(position={"x": 200, "y": 120})
        assert part(page, "clip").locator("option:checked").inner_text().endswith("P01-front")
        assert part(page, "curve").input_value() == "foot_direction_deg"


def test_a_click_and_a_drag_on_the_strip_move_the_moment(browser: Browser, visit: Path) -> None:
    with opened_page(browser, visit) as (page, _):
        strip = part(page, "strip")
        strip.scroll_into_view_if_needed()
        box = strip.bounding_box()
        assert box is not None
        first_s, last_s = viewer_fixture.TIMES_S[[0, -1]]

        def time_at(x: float) -> float:
            return float(first_s + (x - 44) / (box["width"] - 44 - 12) * (last_s - first_s))

        page.mouse.click(box["x"] + 300, box["y"] + 80)
        assert shown_s(page) == pytest.approx(time_at(300), abs=0.5 / viewer_fixture.FPS + 0.011)
        page.mouse.move(box["x"] + 300, box["y"] + 80)
        page.mouse.down()
        page.mouse.move(box["x"] + 600, box["y"] + 80, steps=5)
        page.mouse.up()
        assert shown_s(page) == pytest.approx(time_at(600), abs=0.5 / viewer_fixture.FPS + 0.011)
        assert picture_s(page) == pytest.approx(shown_s(page), abs=0.011)
        page.mouse.move(box["x"] + 100, box["y"] + 80)
        assert shown_s(page) == pytest.approx(time_at(600), abs=0.05), "moving without a press changes nothing"


def test_tab_reaches_every_control_and_leaves_again(browser: Browser, visit: Path) -> None:
    names = ["clip", "curve", "slider", "play", "back", "forward", "event-before", "event-after", "speed", "overlay"]
    with opened_page(browser, visit) as (page, _):
        part(page, "clip").focus()
        reached = []
        for _ in range(len(names) + 1):
            reached.append(page.evaluate("document.activeElement.dataset.part ?? 'beyond'"))
            page.keyboard.press("Tab")
        assert reached == [*names, "beyond"]


def test_keys_step_pictures_and_events_while_the_viewer_has_the_focus(browser: Browser, visit: Path) -> None:
    with opened_page(browser, visit) as (page, _):
        times_s = viewer_fixture.TIMES_S
        for control in ("slider", "play"):
            part(page, "slider").press("Home")
            part(page, control).focus()
            for key, number in (("ArrowRight", 1), ("ArrowRight", 2), ("ArrowLeft", 1)):
                page.keyboard.press(key)
                assert shown_s(page) == pytest.approx(times_s[number], abs=0.006)
        page.keyboard.press("Shift+ArrowRight")
        # The first contact of a used stride of the fixture is the right foot's at 0.8 + 1.18 s.
        assert shown_s(page) == pytest.approx(1.98, abs=0.5 / viewer_fixture.FPS + 0.006)
        assert part(page, "event").inner_text() == "contact, prosthetic (right)"
        part(page, "slider").press(" ")
        assert part(page, "play").inner_text() == WORDS.pause
        part(page, "slider").press(" ")
        here_s = shown_s(page)
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("ArrowRight")
        assert shown_s(page) == here_s
        assert "% of stride" in (part(page, "slider").get_attribute("aria-valuetext") or "")


def test_the_skeleton_can_be_taken_away_and_grey_pictures_say_why(browser: Browser, visit: Path) -> None:
    with opened_page(browser, visit) as (page, _):
        assert part(page, "skeleton").locator("line").count() > 20
        assert (
            part(page, "skeleton").locator(".line.dashed").count()
            == part(page, "skeleton").locator(".line.solid").count() - 2
        ), "each limb by its own line, and two lines across the trunk"
        part(page, "overlay").uncheck()
        assert part(page, "skeleton").locator("line").count() == 0
        assert part(page, "grey").is_hidden()
        for _ in range(viewer_fixture.GREY_PICTURES[0]):
            part(page, "forward").click()
        assert part(page, "grey").is_visible()


def test_without_scripts_the_page_says_so_and_shows_everything_else(browser: Browser, visit: Path) -> None:
    with opened_page(browser, visit, java_script_enabled=False) as (page, watch):
        assert page.get_by_text(WORDS.no_script).is_visible()
        assert page.locator("#viewer-panel").is_hidden()
        for section in load_layout().visit_sections:
            assert page.locator(f"#{section}").is_visible(), section
        assert watch.complaints == [] and watch.refused == []


def test_paper_has_every_section_and_no_viewer(browser: Browser, visit: Path) -> None:
    layout = load_layout()
    with opened_page(browser, visit) as (page, _):
        part(page, "slider").press("ArrowRight")
        printed = PdfReader(BytesIO(page.pdf(prefer_css_page_size=True)))
        page.emulate_media(media="print")
        assert page.locator("#viewer").is_hidden()
        assert page.locator(".plot-cursor").evaluate_all("all => all.every(one => one.offsetParent === null)")
    # Compatible forms: the browser prints letters such as fi as one sign.
    text = unicodedata.normalize("NFKC", " ".join(one.extract_text() for one in printed.pages))
    text = re.sub(r"\s+", " ", text)
    assert layout.section["viewer"].title not in text and WORDS.play not in text.split()
    for section in layout.visit_sections:
        if section not in ("viewer", "urgent"):
            assert layout.section[section].title in text, section
    assert "make it safe first" in text


@pytest.mark.parametrize("width_px", [1280, 390])
@pytest.mark.parametrize("name", ["visit.html", "fault-vaulting.html"])
def test_no_page_is_wider_than_its_window(browser: Browser, visit: Path, name: str, width_px: int) -> None:
    with opened_page(browser, visit.with_name(name), width_px=width_px) as (page, _):
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        assert page.evaluate("document.documentElement.scrollWidth") <= width_px


@pytest.mark.parametrize("width_px", [1280, 390])
@pytest.mark.parametrize("name", ["visit.html", "fault-vaulting.html"])
def test_nothing_in_a_page_shuts_somebody_out(browser: Browser, visit: Path, name: str, width_px: int) -> None:
    with opened_page(browser, visit.with_name(name), width_px=width_px) as (page, _):
        page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        assert grave_violations(page) == []


def test_axe_finds_what_is_wrong(browser: Browser, tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text("<html lang='en'><title>x</title><button></button><p style='color:#ccc'>pale</p>", encoding="utf-8")
    with opened_page(browser, bad) as (page, _):
        found = " ".join(grave_violations(page))
    assert "button-name" in found and "color-contrast" in found


@pytest.mark.parametrize("name", ["visit.html", "fault-vaulting.html"])
def test_text_of_the_manifest_is_shown_as_text(browser: Browser, visit: Path, name: str) -> None:
    with opened_page(browser, visit.with_name(name)) as (page, watch):
        page.on("dialog", lambda dialog: watch.complaints.append(dialog.message))
        page.reload()
        text = page.locator("body").inner_text()
        assert fixture.MARKUP in text
        if name == "visit.html":
            assert fixture.FORMULA in text
        assert watch.complaints == []
