"""The style of all pages: contrast in light and dark, verdicts without colour, light paper."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.figure_style import INK, LINE_COLOURS, QUIET
from tests.test_figures import contrast

ASSETS = Path(__file__).parents[1] / "pipeline" / "report" / "assets"
STYLE = (ASSETS / "style.css").read_text(encoding="utf-8")
SHEETS = {path.name: path.read_text(encoding="utf-8") for path in ASSETS.glob("*.css")}
DARK = "@media screen and (prefers-color-scheme: dark) {"
# 4.5 : 1 is the AA level for text, success criterion 1.4.3; 3 : 1 that for graphical objects, 1.4.11. WCAG 2.2 (from
# memory), with its formula of relative luminance.
TEXT, GRAPHICS = 4.5, 3.0
TEXT_PAIRS = [(ink, ground) for ink in ("ink", "quiet", "accent", "link") for ground in ("paper", "faint")]
# The word of "present" stands in the colour of the paper on that of the ink.
TEXT_PAIRS.append(("paper", "ink"))
# Marks, borders of fields and of verdicts, the ring of what has the focus; a thin line only divides.
GRAPHIC_PAIRS = [(mark, ground) for mark in ("ink", "quiet", "accent", "link") for ground in ("paper", "faint")]
# The viewer's curves, and the skeleton, which has an edge of its own over the picture.
GRAPHIC_PAIRS += [("solid", "paper"), ("dashed", "paper"), ("skeleton", "edge")]


def block(text: str, start: str) -> str:
    """What stands between the braces that follow a selector or a query."""
    place = text.index(start) + len(start)
    depth, end = 1, place
    while depth:
        depth += {"{": 1, "}": -1}.get(text[end], 0)
        end += 1
    return text[place : end - 1]


def colours(scheme: str) -> dict[str, str]:
    """The declared colours of a scheme, by their name."""
    text = block(STYLE, DARK) if scheme == "dark" else STYLE
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6});", block(text, ":root {")))


SCHEMES = ("light", "dark")


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize(("one", "other"), TEXT_PAIRS)
def test_text_reaches_the_contrast_of_text(scheme: str, one: str, other: str) -> None:
    named = colours(scheme)
    assert contrast(named[one], named[other]) >= TEXT


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize(("one", "other"), GRAPHIC_PAIRS)
def test_marks_stand_out_from_their_ground(scheme: str, one: str, other: str) -> None:
    named = colours(scheme)
    assert contrast(named[one], named[other]) >= GRAPHICS


def test_both_schemes_declare_the_same_colours_and_each_is_tested() -> None:
    assert colours("light").keys() == colours("dark").keys()
    tested = {name for pair in TEXT_PAIRS + GRAPHIC_PAIRS for name in pair}
    # A thin line only divides; the stage lies behind a picture; what is drawn over figures is tested below.
    assert tested == colours("light").keys() - {"line", "stage", "figure"}


@pytest.mark.parametrize("name", sorted(SHEETS))
def test_no_rule_has_a_colour_of_its_own(name: str) -> None:
    """Else a pair of colours would pass by the test of their contrast."""
    rules = re.sub(r"/\*.*?\*/|:root {[^}]*}", "", SHEETS[name], flags=re.DOTALL)
    # Figures are drawn on white, whatever the scheme.
    rules = rules.replace("figure img { background: #ffffff;", "")
    assert not re.search(r"#[0-9a-fA-F]{3,8}\b(?=[^{}]*[;}])|rgba?\(|hsla?\(|oklch\(", rules)
    coloured = re.findall(r"(?<![\w-])(?:color|background|background-color|border-color): *([^;}]+)", rules)
    assert {value.strip() for value in coloured} <= {f"var(--{one})" for one in colours("light")} | {"inherit"}


def test_the_dark_ground_is_not_black_and_paper_stays_light() -> None:
    assert contrast(colours("dark")["paper"], "#000000") > 1.1
    assert STYLE.count("prefers-color-scheme") == 1 and DARK in STYLE
    assert "color-scheme: dark" in block(STYLE, DARK) and "color-scheme: light" in STYLE
    assert all("prefers-color-scheme" not in text for name, text in SHEETS.items() if name != "style.css")


def test_figures_stay_on_a_white_card_in_the_dark() -> None:
    card = block(block(STYLE, DARK), "figure img {")
    assert all(contrast(colours(scheme)["figure"], "#ffffff") >= GRAPHICS for scheme in SCHEMES)
    assert "background: #ffffff" in card
    (share,) = re.findall(r"brightness\((0\.\d+)\)", card)
    for colour in (INK, QUIET, *LINE_COLOURS.values()):
        assert contrast(dimmed(colour, float(share)), dimmed("#ffffff", float(share))) >= TEXT


def dimmed(colour: str, share: float) -> str:
    """A colour as the filter brightness() shows it (Filter Effects Module Level 1, from memory): each part times it."""
    return "#" + "".join(f"{round(int(colour[i : i + 2], 16) * share):02x}" for i in (1, 3, 5))


def test_what_is_hidden_stays_hidden_whatever_its_display() -> None:
    assert "[hidden] { display: none !important; }" in STYLE


def test_the_study_is_printed_in_landscape_without_its_filter() -> None:
    paper = block(SHEETS["study.css"], "@media print {")
    assert "@page { size: landscape;" in paper
    assert ".filter, #shown:not(.partly) { display: none; }" in paper
    assert ".grid-frame { overflow: visible; max-height: none;" in paper
