"""The pages that ship: one a fault, all alike, in step with limits and metrics, and no dead link."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

from pipeline.fault_pages import DOCS, END, GENERATED, HEADINGS, INDEX, SHIPPED_PAGES, made_pages
from pipeline.judgement import Limits
from pipeline.metrics import CATALOGUE
from pipeline.quantities import QUANTITIES
from pipeline.report.layout import load_sources
from pipeline.thresholds import load_limits

ROOT = Path(__file__).parents[1]
PAGES = sorted(path for path in SHIPPED_PAGES.glob("*.md") if path.name != INDEX)
MAKE_AGAIN = "make them again: strideledger catalogue --pages pipeline/docs/faults"
# ISO 29783-3:2016, clause 4.2.1 (read); "single support" and "whole stride" are stretches of several of them.
SUB_PHASES = (
    "initial contact",
    "loading response",
    "mid-stance",
    "terminal stance",
    "pre-swing",
    "initial swing",
    "mid-swing",
    "terminal swing",
)


@cache
def limits() -> Limits:
    """The shipped limits."""
    return load_limits()


def page_of(path: Path) -> str:
    """A fault page's name, as pytest shows it."""
    return path.stem


def prose_under(text: str, heading: str) -> str:
    """What a person wrote under a heading."""
    part = text.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    return GENERATED.sub("", part).strip()


def test_every_fault_has_a_page_and_every_page_a_fault() -> None:
    assert {path.stem for path in PAGES} == {fault.name for fault in limits().faults}


@pytest.mark.parametrize("path", PAGES, ids=page_of)
def test_a_page_has_every_heading_once_and_in_order(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert re.findall(r"^## (.*)$", text, re.MULTILINE) == list(HEADINGS)
    assert GENERATED.findall(text) == list(HEADINGS.values())
    assert text.count(END) == len(HEADINGS)


@pytest.mark.parametrize("path", PAGES, ids=page_of)
def test_generated_parts_are_those_of_the_limits_and_metrics(path: Path) -> None:
    made = made_pages(SHIPPED_PAGES, limits())
    assert path.read_text(encoding="utf-8") == made.get(path.name), MAKE_AGAIN


def test_the_index_lists_every_page() -> None:
    text = (SHIPPED_PAGES / INDEX).read_text(encoding="utf-8")
    assert text == made_pages(SHIPPED_PAGES, limits())[INDEX], MAKE_AGAIN
    assert re.findall(r"\]\((\w+\.md)\)", text) == [f"{fault.name}.md" for fault in limits().faults]


@pytest.mark.parametrize("path", PAGES, ids=page_of)
def test_a_page_tells_what_the_limits_cannot(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for heading in (
        "View, limb and phase",
        "How it is measured",
        "Limits",
        "What it cannot tell, and what looks like it",
    ):
        assert prose_under(text, heading), heading


@pytest.mark.parametrize("path", PAGES, ids=page_of)
def test_a_page_names_the_phase_as_the_standard_does(path: Path) -> None:
    words = prose_under(path.read_text(encoding="utf-8"), "View, limb and phase").lower()
    assert any(phase in words for phase in SUB_PHASES) or "whole stride" in words


@pytest.mark.parametrize("path", PAGES, ids=page_of)
def test_every_metric_that_judges_is_explained_in_words(path: Path) -> None:
    prose = prose_under(path.read_text(encoding="utf-8"), "How it is measured")
    judged = {check.metric for check in limits().checks if check.fault == path.stem}
    assert {name for name in judged if f"`{name}`" not in prose} == set()


@pytest.mark.parametrize("path", [*PAGES, SHIPPED_PAGES / INDEX], ids=page_of)
def test_names_and_sources_in_the_text_exist(path: Path) -> None:
    prose = GENERATED.sub("", path.read_text(encoding="utf-8"))
    known = {*CATALOGUE, *(quantity.name for quantity in QUANTITIES), *(fault.name for fault in limits().faults)}
    named = set(re.findall(r"`([a-z]+(?:_[a-z0-9]+)+)`", prose))
    assert named - known == set()
    assert set(re.findall(r"\[(\w+)\](?!\()", prose)) - set(load_sources()) == set()


@pytest.mark.parametrize("path", PAGES, ids=page_of)
def test_no_page_claims_a_standard_as_its_definition(path: Path) -> None:
    # ISO 29783-2 (prosthetic gait) could not be read; of part 3 only the names of the sub-phases are used.
    assert "ISO" not in path.read_text(encoding="utf-8").replace("iso_29783_3", "")


@pytest.mark.parametrize("path", [*PAGES, SHIPPED_PAGES / INDEX, ROOT / "README.md"], ids=page_of)
def test_links_lead_to_files(path: Path) -> None:
    links = re.findall(r"\]\(([^)#:]+)\)", path.read_text(encoding="utf-8"))
    assert [link for link in links if not (path.parent / link).exists()] == []


def test_the_readme_leads_to_the_pages() -> None:
    assert "(pipeline/docs/faults/README.md)" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_pages_lie_in_the_package_so_that_a_clinic_has_them() -> None:
    assert (ROOT / "pipeline") in SHIPPED_PAGES.parents
    assert DOCS == ROOT / "pipeline/docs"
