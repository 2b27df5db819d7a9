"""The PDF of a visit says what its page says, opens, is the same each time, and takes text for text."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, get_args

import pytest
import typst
from PIL import Image
from pypdf import PdfReader
from pypdf.generic import DictionaryObject

from pipeline.config import config_dir, load_settings
from pipeline.errors import StageError
from pipeline.judgement import Fault, Finding, Limits, VisitReport
from pipeline.rebuild import rebuild_reports
from pipeline.report import build_visit, save_parts
from pipeline.report.layout import SCREEN_ONLY, VisitSection, load_layout
from pipeline.report.parts import FrameIndex, KeyFrame
from pipeline.report.pdf import PARTS
from pipeline.store import write_json
from pipeline.thresholds import load_limits
from tests import report_fixture as fixture
from tests import socket_guard
from tests.test_report import ASSETS, Page, make, nothing_measured

ROOT = Path(__file__).parents[1]
TEMPLATE = (ASSETS / "visit.typ").read_text(encoding="utf-8")
SHARED = (ASSETS / PARTS).read_text(encoding="utf-8")
HOSTILE = (
    '#import "@preview/cetz:0.3.0": * #read("/etc/passwd") $ x^2 $ [*bold*] _low_ \\ \\u{41} \\n "double" \'single\' '
    "<label> @reference // no comment /* none */ `raw` = no heading ~ -- --- ... {{ 7*7 }} {% raw %} #panic()"
)
NUMBER = re.compile(r"\d+(?:\.\d+)?")
WORDS = load_layout()
# On paper nothing is folded or moves, and no page of a fault is a tap away; what was good enough has a shorter table.
ONLY_ON_SCREEN = (
    "Present and borderline faults are shown open",
    "on a page of its own, with the values of every stride",
    "good enough",
    "nothing to change",
    "Result",
    "Next time",
    # The link to the section.
    "Consider, and examine in this order",
    WORDS.section["viewer"].title,
    WORDS.section["viewer"].intro,
    WORDS.viewer.none,
)
# Heads of the sums: folded ones are paragraphs on paper.
HEADS = ("Sum", "Points", "Together")


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "sub-P01" / "ses-02"
    make(folder)
    return folder


def pdf(folder: Path) -> PdfReader:
    return PdfReader(io.BytesIO((folder / "visit.pdf").read_bytes()))


def squeezed(text: str) -> str:
    """Text without white space, so that line breaks do not matter."""
    return "".join(text.split())


def body_pages(reader: PdfReader, report: VisitReport) -> list[str]:
    """Each page's text without white space, running head and foot."""
    head = squeezed(
        f"{report.subject}, visit {report.visit}, {report.visit_date.isoformat()} Gait report of one fitting visit"
    )
    pages = []
    for number, page in enumerate(reader.pages, start=1):
        text = squeezed(page.extract_text())
        foot = squeezed(f"Run {report.run.run_id} {number} of {len(reader.pages)}")
        assert foot in text, f"page {number} has no foot"
        assert (head in text) == (number > 1), f"page {number}: running head"
        pages.append(text.replace(foot, "").replace(head, ""))
    return pages


def body(folder: Path, report: VisitReport | None = None) -> str:
    return "".join(body_pages(pdf(folder), report or fixture.report()))


def not_on_paper(folder: Path, text: str) -> list[str]:
    """Texts that paper shows less often than the page."""
    words = Page(folder / "visit.html").words
    start = next(i for i, one in enumerate(words) if one.strip() == "Gait report of one fitting visit")
    texts = [one for one in words[start:] if one.strip() not in HEADS]
    shown = Counter(squeezed(one) for one in texts if not any(only in one for only in ONLY_ON_SCREEN))
    return [one for one, count in shown.items() if text.count(one) < count]


def every_fault(limits: Limits) -> tuple[Fault, ...]:
    """Each fault of the catalogue, present by a made-up value outside each of its limits."""
    faults = []
    for definition in limits.faults:
        findings = tuple(
            Finding(
                check=check.id,
                fault=definition.name,
                metric=check.metric,
                side=check.side,
                value=check.limit + sign * 7.0,
                low=check.limit + sign * 7.0 - 1.25,
                high=check.limit + sign * 7.0 + 1.25,
                limit=check.limit,
                direction=check.direction,
                unit=check.unit,
                verdict="present",
                reason="",
                n_strides=6,
                standing=check.standing,
                source=check.source,
                severity="clear",
                clear=check.clear,
                severe=check.severe,
            )
            for check in limits.checks
            if check.fault == definition.name
            for sign in [1.0 if check.direction == "above" else -1.0]
        )
        faults.append(
            Fault(definition.name, definition.title, definition.side, "present", "", definition.urgent, findings)
        )
    return tuple(faults)


# --- the words of the page


def test_every_text_of_the_page_is_on_paper_in_its_order(visit: Path) -> None:
    text = body(visit)
    assert not_on_paper(visit, text) == []
    # Nothing was recorded at this visit; tests/test_recorded.py looks at one where something was.
    elsewhere = ("urgent", "cautions", "recorded", *SCREEN_ONLY)
    sections = [name for name in load_layout().visit_sections if name not in elsewhere]
    # The cautions come first: they stand on the first page.
    titles = ["Cautions", "Possible knee instability: make it safe first"]
    titles += [load_layout().section[name].title for name in sections]
    assert [entry.title for entry in pdf(visit).outline if not isinstance(entry, list)] == titles


def test_no_number_is_on_paper_that_the_page_does_not_show(visit: Path) -> None:
    page = Page(visit / "visit.html")
    known = set(NUMBER.findall(page.text))
    for svg in page.figures():
        known |= set(NUMBER.findall(" ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg))))
    reader = pdf(visit)
    known |= {str(number) for number in range(1, len(reader.pages) + 1)}
    found = {number for sheet in reader.pages for number in NUMBER.findall(sheet.extract_text())}
    assert len(found) > 100
    assert found - known == set()


def test_every_fault_of_the_catalogue_has_its_part(tmp_path: Path) -> None:
    limits = load_limits(config_dir() / "checks")
    report = replace(fixture.report(), faults=every_fault(limits))
    save_parts(tmp_path, report, fixture.strides())
    save_large_frames(tmp_path, limits)
    build_visit(tmp_path, limits)
    text = body(tmp_path, report)
    assert not_on_paper(tmp_path, text) == []
    for definition in limits.faults:
        assert text.count(squeezed(definition.title)) >= 2
        assert squeezed(definition.seen) in text and squeezed(definition.cannot_tell) in text
    # Five pictures a fault, 640 x 853 px each, and still light enough for mail.
    assert sum(len(page.images) for page in pdf(tmp_path).pages) == 5 * len(limits.faults)
    assert (tmp_path / "visit.pdf").stat().st_size < 3_000_000


def save_large_frames(folder: Path, limits: Limits) -> None:
    """Store pictures of the largest kept size as key frames of every fault."""
    (folder / "frames").mkdir()
    with Image.open(ROOT / "pipeline" / "docs" / "legs.jpg") as legs:
        whole = legs.copy()
    frames = []
    for place, definition in enumerate(limits.faults):
        for number in range(1, 6):
            name = f"{definition.name}-{number}.jpg"
            # Each picture is another one: equal ones would be kept once.
            left_px = 35 * place + 7 * number
            part = whole.crop((left_px, 0, left_px + 405, whole.height)).resize((640, 853))
            part.save(folder / "frames" / name, quality=88)
            frames.append(KeyFrame(name, "P01-side-a", 1.0, definition.name, "P01-side-a:left:1.1", "10 %", name))
    write_json(folder / "frames" / "frames.json", FrameIndex(tuple(frames)))


@pytest.mark.parametrize("section", [name for name in get_args(VisitSection) if name not in SCREEN_ONLY])
def test_every_section_of_the_page_has_a_function_in_the_template(section: str) -> None:
    listed = TEMPLATE.split("#let sections = (")[1].split("\n)")[0]
    assert re.search(rf"^  {section}: ", listed, re.MULTILINE), f"add {section} to the sections of visit.typ"


def test_cautions_and_danger_are_on_the_first_page(visit: Path) -> None:
    first = body_pages(pdf(visit), fixture.report())[0]
    assert first.index("Stopthewalkingtrial.") < first.index("Of7faultslookedfor")
    for point in load_layout().cautions.points:
        assert squeezed(point) in first
        assert body(visit).count(squeezed(point)) == 1


def test_a_danger_that_could_not_be_judged_is_not_taken_for_safety(tmp_path: Path) -> None:
    report = fixture.with_verdict(fixture.report(), "knee_instability", "cannot say", "no usable stride")
    make(tmp_path, report)
    first = body_pages(pdf(tmp_path), report)[0]
    assert squeezed("Knee instability could not be judged, because no usable stride. That is not the same") in first
    assert "Stopthewalkingtrial." not in first


def test_a_visit_in_which_nothing_could_be_measured_has_its_pdf(tmp_path: Path) -> None:
    report, strides = fixture.report(), fixture.strides()
    clips = tuple(replace(clip, state="failed", stage="landmarks", message="broken") for clip in report.clips)
    report = replace(
        report,
        metrics=(),
        faults=tuple(nothing_measured(fault) for fault in report.faults),
        clips=clips,
        quality={},
        changes="",
        notes=(),
    )
    make(tmp_path, report, replace(strides, table=strides.table.iloc[:0], curves={}))
    text = body(tmp_path, report)
    assert not_on_paper(tmp_path, text) == []
    assert squeezed("No clip of this visit was measured.") in text


def test_a_visit_without_any_fault_or_frame_has_its_pdf(tmp_path: Path) -> None:
    report = replace(fixture.report(), faults=())
    save_parts(tmp_path, report, fixture.strides())
    build_visit(tmp_path, fixture.limits())
    assert "Nofaultwaslookedfor." in body(tmp_path, report)
    assert not any(page.images for page in pdf(tmp_path).pages)


def test_without_kept_frames_the_reason_stands_in_their_place(tmp_path: Path) -> None:
    save_parts(tmp_path, fixture.report(), fixture.strides())
    build_visit(tmp_path, fixture.limits())
    assert body(tmp_path).count("Nokeyframesarestored:theywerenotkeptinthisrun.") == 5


def test_links_lead_to_the_faults_and_none_are_made_without_their_section(tmp_path: Path, visit: Path) -> None:
    assert count_links(pdf(visit)) >= len(fixture.report().faults)
    save_parts(tmp_path / "visit", fixture.report(), fixture.strides())
    folder = tmp_path / "configs"
    folder.mkdir()
    shutil.copy(config_dir() / "sources.toml", folder)
    text = (config_dir() / "report.toml").read_text()
    wanted = 'visit_sections = ["urgent", "cautions", "failures", "summary"]'
    (folder / "report.toml").write_text(re.sub(r"^visit_sections = .*$", wanted, text, flags=re.MULTILINE))
    build_visit(tmp_path / "visit", fixture.limits(), config_folder=folder)
    assert count_links(pdf(tmp_path / "visit")) == 0
    short = body(tmp_path / "visit")
    assert short.index("Clipsthatfailed") < short.index("Summary")
    assert "Eachfault" not in short


def count_links(reader: PdfReader) -> int:
    return sum(
        note.get_object().get("/Subtype") == "/Link" for page in reader.pages for note in page.get("/Annots", [])
    )


# --- text is text


def test_text_from_outside_is_shown_as_text(tmp_path: Path) -> None:
    report = replace(fixture.report(), changes=HOSTILE, notes=(HOSTILE,))
    report = fixture.with_verdict(report, "vaulting", "cannot say", HOSTILE)
    make(tmp_path, report)
    # In the head twice, in the summary, and twice in the part of the fault: as reason, and nowhere read as markup.
    assert body(tmp_path, report).count(squeezed(HOSTILE)) >= 4


@pytest.mark.parametrize(
    ("name", "images"),
    [
        ("visit.typ", {"bytes(image-of.svg)", "frame.file"}),
        ("track.typ", {"bytes(image-of.svg)", "bytes(row.figure.svg)"}),
        ("study.typ", {"bytes(image-of.svg)"}),
    ],
)
def test_the_template_reads_one_file_and_fetches_nothing(name: str, images: set[str]) -> None:
    template = f"{SHARED}\n{(ASSETS / name).read_text(encoding='utf-8')}"
    code = "\n".join(line for line in template.splitlines() if not line.startswith("//"))
    assert re.findall(r"\b(?:json|read|csv|toml|yaml|xml|cbor|plugin)\(([^)]*)\)", code) == ['"data.json"']
    assert re.findall(r"\b(eval|import|include|sys)\b", code) == []
    assert set(re.findall(r"\bimage\(([^,]*),", code)) == images


def test_what_stops_typst_itself_is_a_clear_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class PanicException(BaseException):  # the name and kind that come out of typst
        pass

    def panic(*_: object, **__: object) -> bytes:
        raise PanicException("index out of bounds")

    save_parts(tmp_path, fixture.report(), fixture.strides())
    monkeypatch.setattr(typst, "compile", panic)
    with pytest.raises(StageError, match=r"^visit\.pdf: could not be set \(index out of bounds\)\. Read visit\.html"):
        build_visit(tmp_path, fixture.limits())


def test_a_word_without_end_stays_on_the_page(tmp_path: Path) -> None:
    report = replace(fixture.report(), changes="w" * 400)
    make(tmp_path, report)
    first = pdf(tmp_path).pages[0].extract_text()
    lines = [line for line in first.splitlines() if line.startswith("www")]
    assert sum(line.count("w") for line in lines) == 400
    assert len(lines) > 2 and max(len(line) for line in lines) < 120


def test_letters_of_other_scripts_do_not_stop_the_report(tmp_path: Path) -> None:
    report = replace(fixture.report(), changes="踵を柔らかくした, Ferse weicher, \N{MECHANICAL LEG}")
    make(tmp_path, report)
    assert "Ferseweicher" in body(tmp_path, report)


guarded = pytest.mark.skipif(not socket_guard.is_supported(), reason="written for Linux on x86_64 and aarch64")


@guarded
def test_the_report_opens_no_internet_socket(tmp_path: Path) -> None:
    save_parts(tmp_path / "visit", fixture.report(), fixture.strides())
    program = (
        "import sys; from pathlib import Path; from pipeline.report import build_visit; "
        "from tests import report_fixture; "
        f"print(len(build_visit(Path({str(tmp_path / 'visit')!r}), report_fixture.limits())))"
    )
    (tmp_path / "program.py").write_text(program)
    command = [sys.executable, str(ROOT / "tests" / "socket_guard.py"), str(tmp_path / "program.py")]
    environment = {"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300, check=False)
    assert (done.returncode, done.stdout) == (0, "10\n"), done.stderr


# --- the file


# ISO 216: A4 is 210 x 297 mm. US Letter is 8.5 x 11 in. A point is 1/72 in.
@pytest.mark.parametrize(("paper", "width_mm", "height_mm"), [("A4", 210.0, 297.0), ("Letter", 215.9, 279.4)])
def test_paper_is_the_one_that_was_asked_for(tmp_path: Path, paper: Any, width_mm: float, height_mm: float) -> None:
    save_parts(tmp_path, fixture.report(), fixture.strides())
    fixture.save_frames(tmp_path)
    build_visit(tmp_path, fixture.limits(), paper=paper)
    pages = pdf(tmp_path).pages
    assert len(pages) > 5
    for page in pages:
        assert float(page.mediabox.width) == pytest.approx(width_mm * 72 / 25.4, abs=0.5)
        assert float(page.mediabox.height) == pytest.approx(height_mm * 72 / 25.4, abs=0.5)


def test_every_page_has_something_on_it(visit: Path) -> None:
    assert min(len(text) for text in body_pages(pdf(visit), fixture.report())) > 200


def test_the_same_parts_give_the_same_bytes(tmp_path: Path) -> None:
    first, second = make(tmp_path / "a"), make(tmp_path / "b")
    written = [[path.name for path in paths if path.suffix == ".pdf"] for paths in (first, second)]
    assert written == [["visit.pdf"], ["visit.pdf"]]
    assert (tmp_path / "a" / "visit.pdf").read_bytes() == (tmp_path / "b" / "visit.pdf").read_bytes()


def test_title_and_date_come_from_the_record_and_nothing_from_the_machine(visit: Path, tmp_path: Path) -> None:
    facts = pdf(visit).metadata
    assert facts is not None
    assert (facts.title, facts.author) == ("Visit report: P01, visit 02", None)
    assert facts.creation_date == datetime(2026, 3, 17, 10, 19, tzinfo=UTC)
    assert facts.modification_date == facts.creation_date
    report = fixture.report()
    # A record without an end of its run: the day of the visit.
    make(tmp_path, replace(report, run=replace(report.run, finished=""), visit_date=date(2026, 1, 2)))
    facts = pdf(tmp_path).metadata
    assert facts is not None and facts.creation_date == datetime(2026, 1, 2, tzinfo=UTC)


def test_fonts_are_inside_the_file(visit: Path) -> None:
    names = set()
    for page in pdf(visit).pages:
        for font in fonts_of(page["/Resources"].get_object()):
            inner = font["/DescendantFonts"][0].get_object() if "/DescendantFonts" in font else font
            descriptor = inner["/FontDescriptor"].get_object()
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor), font["/BaseFont"]
            names.add(str(font["/BaseFont"]).split("+")[-1])
    assert any(name.startswith("LibertinusSerif") for name in names)
    assert any(name.startswith("DejaVuSans") for name in names)
    assert all(name.startswith(("LibertinusSerif", "DejaVuSans")) for name in names), names


def fonts_of(resources: DictionaryObject) -> Iterator[DictionaryObject]:
    """Fonts of a page and of the pictures on it."""
    for font in resources.get("/Font", DictionaryObject()).get_object().values():
        yield font.get_object()
    for part in resources.get("/XObject", DictionaryObject()).get_object().values():
        if "/Resources" in part.get_object():
            yield from fonts_of(part.get_object()["/Resources"].get_object())


def test_readers_who_listen_get_language_headings_and_words_for_pictures(visit: Path) -> None:
    reader = pdf(visit)
    root = reader.trailer["/Root"].get_object()
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"].get_object()["/Marked"]
    elements = list(tagged(root["/StructTreeRoot"].get_object()))
    alts = [str(element["/Alt"]) for element in elements if element.get("/S") == "/Figure" and "/Alt" in element]
    assert sorted(alts) == sorted(str(image["alt"]) for image in Page(visit / "visit.html").images())
    kinds = [element.get("/S") for element in elements]
    assert kinds.count("/Table") > 10 and kinds.count("/TH") > 50
    # One part of this standard asks for all of that; the file claims it only when the checks of typst agreed.
    assert b"pdfuaid:part" in reader.trailer["/Root"].get_object()["/Metadata"].get_object().get_data()


def tagged(element: DictionaryObject) -> Iterator[DictionaryObject]:
    """All elements of the tree of tags."""
    yield element
    children = element.get("/K", [])
    for child in children if isinstance(children, list) else [children]:
        child = child.get_object()
        if isinstance(child, DictionaryObject) and child.get("/Type") != "/MCR":
            yield from tagged(child)


# --- parts that are missing or damaged, and rebuilding


def test_a_key_frame_that_is_no_picture_is_a_clear_error(tmp_path: Path) -> None:
    save_parts(tmp_path, fixture.report(), fixture.strides())
    fixture.save_frames(tmp_path)
    (tmp_path / "frames" / "vaulting-3.jpg").write_bytes(b"not a picture")
    with pytest.raises(StageError) as error:
        build_visit(tmp_path, fixture.limits())
    assert str(error.value) == (
        "key frame of 'Sagittal view, picture 3 of 5': is not a picture; expected a JPEG file in the folder frames. "
        "Run the study again into the same folder; what is damaged is made anew."
    )


def test_missing_parts_are_a_clear_error_and_leave_no_pdf(tmp_path: Path) -> None:
    save_parts(tmp_path, fixture.report(), fixture.strides())
    whole = (tmp_path / "curves.npz").read_bytes()
    for content, found in ((None, "no such file"), (whole[:500], "cannot be read"), (b"", "cannot be read")):
        (tmp_path / "curves.npz").unlink()
        if content is not None:
            (tmp_path / "curves.npz").write_bytes(content)
        with pytest.raises(
            StageError, match=rf"^strides\.csv, curves\.npz: {found}.*; expected a saved result\. Run the"
        ):
            build_visit(tmp_path, fixture.limits())
        (tmp_path / "curves.npz").touch()
    assert not (tmp_path / "visit.pdf").exists() and not (tmp_path / "visit.txt").exists()


def test_pdf_and_text_are_made_again_with_the_pages(tmp_path: Path) -> None:
    folder = tmp_path / "out" / "sub-P01" / "ses-02"
    make(folder)
    wanted = {name: (folder / name).read_bytes() for name in ("visit.pdf", "visit.txt")}
    for name in wanted:
        (folder / name).unlink()
    pages, failures = rebuild_reports(tmp_path / "out", limits=fixture.limits())
    assert (pages, failures) == ([folder / "visit.html", tmp_path / "out" / "study.html"], {})
    assert {name: (folder / name).read_bytes() for name in wanted} == wanted
    own = tmp_path / "mine.toml"
    own.write_text('[run]\npaper = "Letter"\n')
    rebuild_reports(tmp_path / "out", limits=fixture.limits(), settings=load_settings(own))
    assert float(pdf(folder).pages[0].mediabox.height) == pytest.approx(11 * 72)
