"""Pages: what a clinician must find on them, and what must never be on them."""

from __future__ import annotations

import base64
import csv
import json
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.config import config_dir
from pipeline.errors import ManyProblems, StageError
from pipeline.judgement import Fault, Finding
from pipeline.model import OwnError
from pipeline.quantities import QUANTITIES
from pipeline.report import build_visit, load_parts, save_parts
from pipeline.report.layout import load_layout, load_sources
from pipeline.report.parts import TABLES
from pipeline.report.words import limb_words, number_words, own_error_words, unit_words, with_unit
from tests import report_fixture as fixture
from tests.reference_tables import reference

ASSETS = Path(__file__).parents[1] / "pipeline" / "report" / "assets"


class Page(HTMLParser):
    """What a test needs to know of a page."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self.html = path.read_text(encoding="utf-8")
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._quiet = False
        self.feed(self.html)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._quiet = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._quiet = False

    def handle_data(self, data: str) -> None:
        if not self._quiet:
            self.words.append(data)

    def images(self) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.tags if tag == "img"]

    def figures(self) -> list[str]:
        """The SVG pictures inside the page."""
        start = "data:image/svg+xml;base64,"
        sources = [str(image["src"]) for image in self.images()]
        return [base64.b64decode(source[len(start) :]).decode() for source in sources if source.startswith(start)]


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "sub-P01" / "ses-02"
    make(folder)
    return folder


def make(folder: Path, report=None, strides=None) -> list[Path]:
    save_parts(folder, report or fixture.report(), strides or fixture.strides())
    fixture.save_frames(folder)
    return build_visit(folder, fixture.limits())


def pages(folder: Path) -> list[Page]:
    return [Page(path) for path in sorted(folder.glob("*.html"))]


def test_there_is_a_page_for_the_visit_and_one_for_each_fault(visit):
    names = {page.path.name for page in pages(visit)}
    assert names == {"visit.html"} | {f"fault-{fault.name}.html" for fault in fixture.report().faults}


# --- nothing leaves the page


def test_pages_ask_for_nothing_outside_themselves(visit):
    ids = {
        page.path.name: {attributes["id"] for _, attributes in page.tags if "id" in attributes} for page in pages(visit)
    }
    for page in pages(visit):
        for tag, attributes in page.tags:
            assert tag not in {"script", "link", "iframe", "object", "embed", "form", "base"}
            assert not any(name.startswith("on") for name in attributes)
            for name in ("src", "href", "srcset", "data", "action", "poster"):
                address = attributes.get(name)
                if address is None or address.startswith("data:image/"):
                    continue
                name, _, anchor = address.partition("#")
                assert (visit / name).exists(), f"{page.path.name}: {address} is not beside the page"
                assert not anchor or anchor in ids[name or page.path.name], f"{page.path.name}: {address} leads nowhere"
        without_pictures = re.sub(r"data:image/[^\"]*", "", page.html)
        assert "http" not in without_pictures.replace("http-equiv", "")
        assert "url(" not in without_pictures and "@import" not in without_pictures


def test_pictures_inside_pages_refer_only_to_themselves(visit):
    for page in pages(visit):
        for svg in page.figures():
            assert all(address.startswith("#") for address in re.findall(r"href=\"([^\"]*)\"", svg))
            assert all(address.startswith("#") for address in re.findall(r"url\(([^)]*)\)", svg))
            assert "<script" not in svg and "<image" not in svg


def test_a_browser_is_told_to_load_nothing(visit):
    for page in pages(visit):
        policies = [
            attributes["content"]
            for tag, attributes in page.tags
            if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
        ]
        assert policies == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]


def test_text_from_outside_is_shown_as_text(visit):
    for page in pages(visit):
        assert "<script" not in page.html
        assert fixture.MARKUP in page.text
        assert "<b>" not in page.html


def test_markup_in_names_and_reasons_of_faults_is_text_too(tmp_path):
    report = fixture.with_verdict(fixture.report(), "vaulting", "cannot say", '"><img src=x onerror=alert(1)>')
    report = replace(report, subject="P<b>01")
    make(tmp_path, report)
    for page in pages(tmp_path):
        assert not [1 for tag, attributes in page.tags if tag == "img" and attributes.get("src") == "x"]
        assert "<b>" not in page.html


def test_no_place_on_this_machine_is_shown(visit):
    for path in visit.rglob("*"):
        if path.is_file():
            assert str(visit).encode() not in path.read_bytes(), path.name


# --- what has to be there


def test_every_fault_is_in_the_summary_with_its_verdict_in_words(visit):
    page = Page(visit / "visit.html")
    summary = section(page.html, "summary")
    for fault in fixture.report().faults:
        row = next(row for row in summary.split("<tr") if f'href="#fault-{fault.name}"' in row)
        assert fault.title in row and f">{fault.verdict}</span>" in row


@pytest.mark.parametrize("metric", fixture.METRICS, ids=lambda metric: f"{metric.metric}-{metric.side}")
def test_every_metric_is_shown_with_unit_and_interval_or_with_its_reason(visit, metric):
    text = Page(visit / "visit.html").text
    if metric.status == "ok":
        assert with_unit(metric.value, metric.unit) in text
        assert f"{number_words(metric.low, metric.unit)} to {number_words(metric.high, metric.unit)}" in text
    else:
        assert f"could not be measured, because {metric.reason}" in text


def test_what_cannot_be_said_stands_with_its_reason_in_the_place_and_size_of_a_value(visit):
    for name in ("summary", "quantities"):
        part = section(Page(visit / "visit.html").html, name)
        assert '<span class="size">could not be measured, because ' in part
    assert '<span class="size">2.9 % leg length</span>' in section(Page(visit / "visit.html").html, "summary")
    page = Page(visit / "fault-terminal_impact.html")
    assert f"Cannot say, because {fixture.TOO_SLOW}." in page.text


def test_a_quantity_that_a_run_did_not_measure_says_so_for_the_limb(tmp_path):
    report = fixture.report()
    kept = tuple(m for m in report.metrics if (m.metric, m.side) != ("hip_vault_height", "right"))
    make(tmp_path, replace(report, metrics=tuple(m for m in kept if m.metric != "arm_swing_asymmetry")))
    rows = section(Page(tmp_path / "visit.html").html, "quantities").split("<tr>")
    missing = [row for row in rows if "this run gave no value for this limb" in row]
    assert len(missing) == 1 and "prosthetic (right)" in missing[0] and "Hip vaulting height" in missing[0]
    assert any("Arm swing amplitude asymmetry" in row and "this run did not measure it" in row for row in rows)


def test_limits_show_direction_unit_standing_and_source(visit):
    page = Page(visit / "fault-vaulting.html")
    assert "above 1.5 % leg length" in page.text
    assert "published value" in page.text
    assert "Drevelle" in page.text and "Known here: read" in page.text
    assert "Own choice: " in Page(visit / "fault-foot_rotation.html").text


def test_a_danger_comes_before_everything_else(visit):
    for page in pages(visit):
        steps = page.text.index("Stop the walking trial. Guard the patient. Refer to the prosthetist")
        # Before the first section's content, on whichever page the reader lands.
        later = "Of 7 faults looked for" if page.path.name == "visit.html" else "What is looked for"
        assert steps < page.text.index(later)


def test_a_danger_that_could_not_be_judged_is_not_taken_for_safety(tmp_path):
    make(tmp_path, fixture.with_verdict(fixture.report(), "knee_instability", "cannot say", "no usable stride"))
    text = Page(tmp_path / "visit.html").text
    assert "Knee instability could not be judged, because no usable stride. That is not the same as safe" in text
    assert "Stop the walking trial." not in text


def test_faults_stand_in_the_order_in_which_they_ask_for_action(visit):
    titles = re.findall(r'href="#fault-(\w+)"', section(Page(visit / "visit.html").html, "summary"))
    # The danger first although it is borderline only; then present, cannot say, not seen.
    assert titles == [
        "knee_instability",
        "vaulting",
        "foot_rotation",
        "terminal_impact",
        "medial_whip",
        "uneven_timing",
        "uneven_arm_swing",
    ]


def test_no_alarm_is_raised_when_the_danger_was_looked_for_and_not_seen(tmp_path):
    make(tmp_path, fixture.with_verdict(fixture.report(), "knee_instability", "not seen", ""))
    page = Page(tmp_path / "visit.html")
    assert 'id="urgent"' not in page.html and "make it safe first" not in page.text


def test_failed_clips_are_always_listed_with_the_whole_message(visit):
    for page in pages(visit):
        assert fixture.FAILED_MESSAGE in page.text
        assert "clips that failed: 1 (P01-back)" in page.text


def test_a_visit_without_failed_clips_says_so(tmp_path):
    report = fixture.report()
    make(tmp_path, replace(report, clips=tuple(clip for clip in report.clips if clip.state == "done")))
    text = Page(tmp_path / "visit.html").text
    assert "No clip of this visit failed; 3 of 3 were measured." in text
    assert "clips that failed: none" in text


def test_a_visit_in_which_nothing_could_be_measured_still_gets_its_pages(tmp_path):
    report, strides = fixture.report(), fixture.strides()
    metrics = tuple(
        replace(
            m,
            value=None,
            spread=None,
            low=None,
            high=None,
            status="failed",
            stride_ids=(),
            stride_values=(),
            reason="no usable clip",
        )
        for m in report.metrics
    )
    faults = tuple(nothing_measured(fault) for fault in report.faults)
    clips = tuple(replace(clip, state="failed", stage="landmarks", message="broken") for clip in report.clips)
    empty = replace(strides, table=strides.table.iloc[:0], curves={})
    made = make(tmp_path, replace(report, metrics=metrics, faults=faults, clips=clips, quality={}), empty)
    page = Page(made[0])
    assert "Of 7 faults looked for: 7 cannot say." in page.text
    assert page.text.count("could not be measured, because no usable clip") >= len(report.metrics)
    assert "No clip of this visit was measured." in page.text
    assert "Knee flexion: could not be drawn, because" in page.text


def nothing_measured(fault: Fault) -> Fault:
    def finding(one: Finding) -> Finding:
        return replace(
            one,
            value=None,
            low=None,
            high=None,
            verdict="cannot say",
            reason="no usable clip",
            n_strides=0,
            stride_ids=(),
        )

    return replace(
        fault,
        verdict="cannot say",
        reason="no usable clip",
        urgent=False,
        findings=tuple(finding(one) for one in fault.findings),
    )


def test_cautions_and_origin_are_on_every_page(visit):
    for page in pages(visit):
        for words in (
            "A screening aid for trained staff. It gives no diagnosis and it is not a medical device.",
            "Change one thing at a time",
            "hands-on examination",
            "nothing is sent anywhere",
            "parallax",
            "Toe-off of a prosthetic foot is the less certain event",
        ):
            assert words in page.text
        for words in ("20260317T101500-4f2a", "0.1.0", "a" * 64, "b" * 64, "c" * 64, "mediapipe 0.10.31"):
            assert words in page.text


def test_limits_other_than_those_of_the_verdicts_are_named(tmp_path):
    save_parts(tmp_path, fixture.report(), fixture.strides())
    build_visit(tmp_path, replace(fixture.limits(), sha256="d" * 64))
    assert "d" * 64 + ": not those that the verdicts were made with" in Page(tmp_path / "visit.html").text


def test_quality_shows_value_limit_and_what_to_do_better(visit):
    part = section(Page(visit / "visit.html").html, "quality")
    row = next(row for row in part.split("<tr>") if "Body height share" in row)
    assert "0.12" in row and "0.15" in row and "not good enough" in row and "Zoom in or come closer" in row


def test_each_stride_behind_a_finding_has_its_line_on_the_page_of_the_fault(visit):
    part = section(Page(visit / "fault-vaulting.html").html, "stride_values")
    ids = next(fault for fault in fixture.report().faults if fault.name == "vaulting").findings[0].stride_ids
    rows = part.split("<tr>")[2:]
    assert [stride_id for stride_id in ids if any(stride_id in row for row in rows)] == list(ids)
    assert len(rows) == len(ids)
    # The fixture spreads four values evenly from 2.1 to 3.7: 2.1, 2.63, 3.17, 3.7.
    assert [value in row for value, row in zip(("2.1", "2.6", "3.2", "3.7"), rows, strict=True)] == [True] * 4


# --- pictures


def test_every_picture_has_alternative_text(visit):
    for page in pages(visit):
        assert all((image.get("alt") or "").strip() for image in page.images())


def test_every_axis_of_every_figure_has_a_unit(visit):
    found = 0
    for page in pages(visit):
        for svg in page.figures():
            labels = [text for text in re.findall(r"<text[^>]*>([^<]*)</text>", svg) if text.endswith("]")]
            n_strips = svg.count(">outside<")  # The fixture's values have one limit each.
            assert len(labels) == (n_strips or 2), labels
            found += 1
    assert found > 10


def test_curves_say_how_to_read_them_and_which_limb_is_missing(visit):
    text = Page(visit / "visit.html").text
    assert "Solid line: prosthetic (right), 4 strides. Dashed line: sound (left), 4 strides." in text
    assert "The shaded stretch, 10 to 50 % of the stride" in text
    strides = fixture.strides()
    table = strides.table.copy()
    table.loc[(table["side"] == "left") & (table["view"] == "sagittal"), "use"] = False
    folder = visit.parent / "one_limb"
    make(folder, strides=replace(strides, table=table))
    assert "sound (left): not drawn, because" in Page(folder / "visit.html").text


def test_a_far_limb_is_not_drawn_where_the_near_one_hides_it(visit):
    # Two side clips of four used strides a limb: the knee of each limb is drawn from the clip that shows it.
    assert "prosthetic (right), 4 strides" in Page(visit / "fault-knee_instability.html").text
    # Hip height is of the whole body, so both clips count.
    assert "prosthetic (right), 8 strides" in Page(visit / "fault-vaulting.html").text


def test_key_frames_are_inside_the_page_and_missing_ones_have_a_reason(visit):
    page = Page(visit / "visit.html")
    assert sum(str(image["src"]).startswith("data:image/jpeg;base64,") for image in page.images()) == 5
    assert "No key frames are stored: 5 of 5 pictures, because somebody else is in view." in page.text


def test_an_index_of_frames_cannot_reach_outside_its_folder(tmp_path):
    save_parts(tmp_path, fixture.report(), fixture.strides())
    fixture.save_frames(tmp_path)
    (tmp_path / "secret.jpg").write_bytes(b"secret")
    index = tmp_path / "frames" / "frames.json"
    index.write_text(index.read_text().replace("vaulting-1.jpg", "../secret.jpg"))
    build_visit(tmp_path, fixture.limits())
    assert base64.b64encode(b"secret").decode() not in (tmp_path / "visit.html").read_text()


# --- rebuilding


def test_the_same_parts_give_the_same_bytes(tmp_path):
    first, second = make(tmp_path / "a"), make(tmp_path / "b")
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes()


def test_pages_are_made_again_from_the_saved_parts_alone(visit, tmp_path):
    wanted = (visit / "visit.html").read_bytes()
    shutil.copytree(visit, tmp_path / "copy")
    for page in (tmp_path / "copy").glob("*.html"):
        page.unlink()
    shutil.rmtree(tmp_path / "copy" / "figures")
    build_visit(tmp_path / "copy", fixture.limits())
    assert (tmp_path / "copy" / "visit.html").read_bytes() == wanted


def test_sections_follow_the_file_of_the_layout(tmp_path):
    save_parts(tmp_path / "visit", fixture.report(), fixture.strides())
    folder = tmp_path / "configs"
    folder.mkdir()
    shutil.copy(config_dir() / "sources.toml", folder)
    text = (config_dir() / "report.toml").read_text()
    lines = [
        'visit_sections = ["urgent", "cautions", "failures", "summary"]' if line.startswith("visit_sections") else line
        for line in text.splitlines()
    ]
    (folder / "report.toml").write_text("\n".join(lines).replace('title = "Summary"', 'title = "In one glance"'))
    build_visit(tmp_path / "visit", fixture.limits(), config_folder=folder)
    html = (tmp_path / "visit" / "visit.html").read_text()
    assert re.findall(r'<section id="(\w+)"', html) == ["urgent", "cautions", "failures", "summary"]
    assert "<h2>In one glance</h2>" in html


def test_a_visit_that_was_never_saved_is_a_clear_error(tmp_path):
    with pytest.raises(StageError) as error:
        build_visit(tmp_path, fixture.limits())
    assert str(error.value).startswith("visit.json: no such file; expected a saved result.")


# --- saved parts


def test_parts_come_back_as_they_were_saved(visit):
    report, strides = load_parts(visit)
    assert report == fixture.report()
    pd.testing.assert_frame_equal(strides.table, fixture.strides().table, check_dtype=False)
    for name, values in fixture.strides().curves.items():
        np.testing.assert_array_equal(strides.curves[name], values)


def test_a_number_that_is_not_known_survives_saving(tmp_path):
    report = fixture.report()
    note = replace(report.quality["P01-front"][0], value=float("nan"))
    save_parts(tmp_path, replace(report, quality={"P01-front": (note,)}), fixture.strides())
    assert np.isnan(load_parts(tmp_path)[0].quality["P01-front"][0].value)
    build_visit(tmp_path, fixture.limits())
    assert "not known" in section((tmp_path / "visit.html").read_text(), "quality")


@pytest.mark.parametrize("text", ["=cmd()", "+1", "-1+2", "@SUM(A1)", "\tx", "'quoted"])
def test_text_that_a_spreadsheet_would_run_is_written_as_text(tmp_path, text):
    report, strides = fixture.report(), fixture.strides()
    report = replace(report, faults=(replace(report.faults[0], reason=text), *report.faults[1:]))
    table = strides.table.copy()
    table.loc[0, "why_not"] = text
    save_parts(tmp_path, report, replace(strides, table=table))
    with (tmp_path / "faults.csv").open(newline="") as handle:
        assert next(csv.DictReader(handle))["reason"] == "'" + text
    assert load_parts(tmp_path)[1].table.loc[0, "why_not"] == text


def test_negative_numbers_stay_numbers_in_the_tables(visit):
    metrics = pd.read_csv(visit / "metrics.csv")
    row = metrics[(metrics["metric"] == "hip_vault_height") & (metrics["side"] == "right")].iloc[0]
    assert row["value"] == -2.4


def test_every_column_of_every_table_has_a_meaning_and_every_number_a_unit(visit):
    meanings = json.loads((visit / "columns.json").read_text())
    assert set(meanings) == set(TABLES)
    for name, columns in meanings.items():
        assert list(pd.read_csv(visit / name).columns) == [column["name"] for column in columns]
        assert all(column["meaning"] for column in columns)
        assert all(column["unit"] for column in columns if column["kind"] in ("number", "whole"))


# --- words and configuration


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (2.04, "% leg length", "2.0"),
        (-2.44, "deg", "\N{MINUS SIGN}2.4"),
        (-0.04, "deg", "0.0"),
        (0.857, "1", "0.86"),
        (0.7149, "s", "0.71"),
        (553.6, "deg/s", "554"),
        (float("nan"), "deg", "nan"),
    ],
)
def test_numbers_have_the_decimals_of_their_unit(value, unit, expected):
    assert number_words(value, unit) == expected


def test_a_ratio_says_that_it_is_one_and_an_unknown_number_that_it_is_not_known():
    assert (with_unit(0.857, "1"), unit_words("1"), with_unit(float("nan"), "deg")) == (
        "0.86 (ratio)",
        "ratio",
        "not known",
    )


def test_an_own_error_is_told_with_its_bias_and_of_the_limb_that_is_judged():
    finding = replace(fixture.report().faults[0].findings[0], metric="size", side="left", unit="deg")
    errors = {"size": OwnError(2.0, prosthetic_sd=3.1, prosthetic_bias=3.6)}
    assert own_error_words(finding, errors, ("right",)) == "2.0 deg"
    assert own_error_words(finding, errors, ("left",)) == "3.1 deg, and 3.6 deg in the mean, found minus true"
    assert own_error_words(finding, {}, ()) == ""


@pytest.mark.parametrize(
    ("side", "prosthetic", "expected"),
    [
        ("right", ("right",), "prosthetic (right)"),
        ("left", ("right",), "sound (left)"),
        ("sound", ("right",), "sound (left)"),
        ("left", ("left", "right"), "left (prosthetic)"),
        ("left", (), "left"),
        ("both", ("left",), "both limbs compared"),
        ("left and right", ("left", "right"), "left and right"),
        ("prosthetic/sound", ("left",), "prosthetic (left) against sound (right)"),
        ("left/right", (), "left against right"),
    ],
)
def test_limbs_are_named_both_ways_where_there_is_one_prosthesis(side, prosthetic, expected):
    assert limb_words(side, prosthetic) == expected


def test_people_with_two_or_no_prostheses_get_their_pages(tmp_path):
    for number, sides in enumerate([(), ("left", "right")]):
        make(tmp_path / str(number), replace(fixture.report(), prosthetic_sides=sides))
        text = Page(tmp_path / str(number) / "visit.html").text
        assert f"Prosthetic side {'both' if sides else 'none'}" in text
        assert "Solid line: right" in text and "Dashed line: left" in text


def test_a_layout_that_hides_cautions_or_misspells_a_key_is_refused(tmp_path):
    text = (config_dir() / "report.toml").read_text()
    (tmp_path / "report.toml").write_text(text.replace('"failures", "cautions", "methods"]', '"methods"]'))
    with pytest.raises(ManyProblems) as error:
        load_layout(tmp_path)
    assert str(error.value) == (
        "configs/report.toml: 4 problems found.\n"
        "  visit_sections: 'failures' is missing; it may be moved but not left out\n"
        "  visit_sections: 'cautions' is missing; it may be moved but not left out\n"
        "  fault_sections: 'failures' is missing; it may be moved but not left out\n"
        "  fault_sections: 'cautions' is missing; it may be moved but not left out"
    )
    (tmp_path / "report.toml").write_text(text.replace("[section.summary]\ntitle", "[section.summary]\ntitel"))
    with pytest.raises(ManyProblems, match=r"section\.summary\.title: field required"):
        load_layout(tmp_path)


def test_the_bibliography_has_what_each_kind_of_source_needs(tmp_path):
    assert load_sources()
    (tmp_path / "sources.toml").write_text(
        '[nobody_2000]\nkind = "publication"\nsupports = "x"\nyear = 2000\n'
        '[mine]\nkind = "own choice"\nsupports = "x"\n'
    )
    with pytest.raises(ManyProblems) as error:
        load_sources(tmp_path)
    assert error.value.problems == (
        "nobody_2000.authors: missing; kind 'publication' needs it",
        "nobody_2000.title: missing; kind 'publication' needs it",
        "nobody_2000.known: missing; kind 'publication' needs it",
        "mine.reason: missing; kind 'own choice' needs it",
    )


def test_verdicts_differ_in_words_and_border_not_in_colour_alone():
    style = (ASSETS / "style.css").read_text()
    rules = {
        name: re.search(rf"\.verdict-{name} {{([^}}]*)}}", style).group(1)
        for name in ("present", "borderline", "not-seen", "cannot-say")
    }
    shapes = {
        name: re.sub(r"(background|color|border-color): [^;]*;", "", rule).strip() for name, rule in rules.items()
    }
    assert len(set(shapes.values())) == 4


def section(html: str, name: str) -> str:
    """The markup of one section of a page."""
    start = html.index(f'<section id="{name}"')
    return html[start : html.index("</section>", start)]


def test_published_values_beside_a_curve_are_those_of_their_source(visit):
    """Segal and others 2006: the printed means and standard deviations of the reference table."""
    layout, sources = load_layout(), load_sources()
    printed = reference("segal_2006_swing_peaks")
    assert {(one.mean, one.sd) for one in layout.context} == set(
        zip(printed["mean_deg"], printed["sd_deg"], strict=True)
    )
    assert {one.curve for one in layout.context} <= {quantity.name for quantity in QUANTITIES}
    assert all(sources[one.source].kind == "publication" for one in layout.context)
    page = Page(visit / "visit.html")
    assert "For context, never a limit: a: peak in swing of people without amputation" in page.text
    assert "56.0 ± 3.4 deg, Segal AD and others (2006)" in page.text
    drawn = [figure for figure in page.figures() if ">Knee flexion<" in figure]
    assert drawn and all(f">{letter}</text>" in figure for figure in drawn for letter in "abc")


def test_what_was_measured_but_cannot_be_judged_keeps_its_numbers_in_the_summary(tmp_path):
    reason = "the 95 % interval holds no deviation at all as well as a clear one"
    report = fixture.with_verdict(fixture.report(), "foot_rotation", "cannot say", reason)
    make(tmp_path, report)
    text = Page(tmp_path / "visit.html").text
    assert f"could not be judged, because {reason} Foot rotation at heel contact 8.8 deg (6.4 to 11.2); outside" in text
    assert "outside when above 5.0 deg (provisional: chosen for this tool, not validated)" in text
    assert "could not be measured, because filmed at 30 frames/s" in text
