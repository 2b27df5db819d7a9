"""The PDF of a study says what its page says, is the same each time, and is made again only when that changed."""

from __future__ import annotations

import io
import re
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from pypdf import PdfReader

from pipeline.bench.study_page import save_visits
from pipeline.report import study_pdf
from pipeline.report.layout import load_layout
from pipeline.report.study import build_study
from pipeline.store import write_json, write_text
from pipeline.thresholds import load_limits
from tests import report_fixture as fixture
from tests.test_report_pdf import HOSTILE, squeezed, tagged
from tests.test_report_study import StudyPage, done_clips, save

# Sign and letter of each verdict's mark, in the order of the counts on the page.
SIGNS = {"present": "■", "borderline": "◧", "cannot say": "?", "not seen": "–"}


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """Two people, three visits, one failed clip."""
    save(tmp_path, "P1", "01", date(2026, 3, 1), changes=HOSTILE)
    save(tmp_path, "P1", "02", date(2026, 4, 1), clips=done_clips())
    calm = fixture.with_verdict(fixture.report(), "knee_instability", "cannot say", "no side view")
    save(tmp_path, "P2", "01", date(2026, 3, 8), faults=calm.faults, clips=done_clips(), aid="stick")
    return tmp_path


def made(out: Path, **options: str) -> PdfReader:
    build_study(out, fixture.limits(), **options)  # type: ignore[arg-type]
    return PdfReader(io.BytesIO((out / "study.pdf").read_bytes()))


def text_of(reader: PdfReader) -> str:
    return squeezed("".join(page.extract_text() for page in reader.pages))


def test_every_verdict_and_every_word_of_the_visits_is_on_paper(out: Path) -> None:
    text = text_of(made(out))
    page = StudyPage(out)
    for section in ("study_urgent", "study_visits", "study_failures"):
        missing = [words for words in page.sections[section] if squeezed(words) not in text]
        # Folded on the screen, a heading on paper; and there is no filter.
        assert [words for words in missing if not re.search(r"earlier visit \(|the filter", words)] == [], section
    for name in ("study_urgent", "study_grid", "study_visits", "study_failures", "study_made"):
        assert squeezed(load_layout().section[name].title) in text
    assert "Eachmarkleads" not in text
    verdicts = Counter(fault.verdict for fault in fixture.report().faults)
    shown = {word: 3 * verdicts[word] for word in SIGNS}
    shown["borderline"] -= 1
    shown["cannot say"] += 1
    # Every sign stands once more in the key; a dash or a question mark also in words.
    for word in ("present", "borderline"):
        assert text.count(SIGNS[word]) == shown[word] + 1, word
    for word in ("cannot say", "not seen"):
        assert text.count(SIGNS[word]) > shown[word], word


def test_rows_of_the_grid_are_those_of_the_page(out: Path) -> None:
    """Signs of a row, as they stand beside its visit, are those of the saved verdicts."""
    lines = "\n".join(page.extract_text() for page in made(out).pages)
    row = StudyPage(out).table("study_grid")[-1]
    # A star stands beside what a person corrected, on the page too.
    signs = "".join(SIGNS[re.split(r"[,*]", cell)[0]] + "*" * cell.endswith("*") for cell in row[1:])
    assert signs.count("*") == 1
    assert signs in squeezed(lines), row


def test_the_paper_is_landscape_and_made_for_readers_who_listen(out: Path) -> None:
    reader = made(out, paper="Letter")
    # US Letter is 8.5 x 11 in.
    assert all((float(one.mediabox.width), float(one.mediabox.height)) == (792.0, 612.0) for one in reader.pages)
    root = reader.trailer["/Root"].get_object()
    assert root["/Lang"] == "en" and b"pdfuaid:part" in root["/Metadata"].get_object().get_data()
    kinds = Counter(one.get("/S") for one in tagged(root["/StructTreeRoot"].get_object()))
    assert kinds["/Table"] >= 3 and kinds["/TH"] > len(fixture.report().faults)
    facts = reader.metadata
    assert facts is not None and facts.title == load_layout().study.kind
    assert facts.creation_date == datetime(2026, 3, 17, 10, 19, tzinfo=UTC)


def test_it_is_made_again_only_when_what_it_says_has_changed(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made(out)
    first = (out / "study.pdf").read_bytes()
    count = 0
    original = study_pdf.typeset

    def counted(*arguments: object) -> bytes:
        nonlocal count
        count += 1
        return original(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(study_pdf, "typeset", counted)
    # A run that found nothing to do leaves another record of a run, and the same PDF.
    run = replace(fixture.report().run, run_id="20270101T000000Z_000000")
    write_json(out / "runs/20270101T000000Z_000000/run.json", {"state": "done", "run": run, "clips": {}, "visits": {}})
    made(out)
    assert count == 0
    (out / "study.pdf").write_bytes(b"damaged")
    made(out)
    assert count == 1 and (out / "study.pdf").read_bytes() == first
    save(out, "P2", "01", date(2026, 3, 8), clips=done_clips())
    made(out)
    assert count == 2 and (out / "study.pdf").read_bytes() != first
    made(out, language="de")
    assert count == 3


def test_many_visits_keep_their_grid_and_leave_their_list_on_the_page(tmp_path: Path) -> None:
    limits = load_limits()
    save_visits(tmp_path, study_pdf.MOST_LISTED + 4, limits)
    build_study(tmp_path, limits)
    reader = PdfReader(io.BytesIO((tmp_path / "study.pdf").read_bytes()))
    text = text_of(reader)
    assert squeezed("304 visits are too many for a list on paper") in text
    # Every visit has its row, and no person's name stands at the foot of a page without one.
    assert set(re.findall(r"(S\d{4})0[1-4],2026-", text)) == {f"S{number:04}" for number in range(1, 77)}
    assert len(re.findall(r"0[1-4],2026-\d\d-\d\d(?=[■◧?–])", text)) == 304
    assert 10 < len(reader.pages) < 40


def test_a_study_without_any_readable_visit_has_its_paper(tmp_path: Path) -> None:
    write_text(tmp_path / "sub-P01/ses-01/error.txt", "visit P01-01: the process ended with signal 6.\n")
    text = text_of(made(tmp_path))
    assert squeezed(load_layout().study.no_visits) in text and "theprocessendedwithsignal6." in text


def test_text_from_outside_is_shown_as_text(out: Path) -> None:
    assert squeezed(HOSTILE) in text_of(made(out))
