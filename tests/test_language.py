"""Pages in another language: nothing is lost, nothing is left in English by oversight, and numbers stay the same.

Catalogues follow GNU gettext's format; polib reads it, the standard library's gettext looks it up.
"""

from __future__ import annotations

import html
import re
from pathlib import Path

import polib
import pytest

from pipeline.config import ENGLISH, config_dir, languages
from pipeline.errors import ConfigError
from pipeline.language import NUMBERS, SAVED, in_sentence, localised, say, say_count, say_saved, speaking
from pipeline.report.page import write_visit
from pipeline.texts import TEMPLATE_TEXTS, all_texts, write_catalogues
from tests import report_fixture as fixture
from tests.test_report import make

CATALOGUES = config_dir() / "languages"
TEXTS = all_texts()
HEADER = {"Content-Type": "text/plain; charset=utf-8", "Plural-Forms": "nplurals=2; plural=(n != 1);"}
# What pages show besides words: names, numbers, hashes, the clinic's own notes, and the bibliography.
NOT_OF_THE_PAGE = (
    r"[0-9a-f]{12,}|SHA-256|https?:\S+|<script>.*?</script>|=cmd\(\)|P01(?:-\w+)*(?::left|:right)?|\w+\.(?:toml|mp4)|\w+_\w+|heavy"
    r"|mediapipe|numpy|20260317T\S+|Sagittal view, picture \d of 5"
)


def write_language(folder: Path, code: str, entries: list[polib.POEntry]) -> Path:
    file = polib.POFile()
    file.metadata = HEADER
    file.extend(entries)
    file.save(str(folder / f"{code}.po"))
    return folder


def marked_entries() -> list[polib.POEntry]:
    """Every text of the pages in marks, so that what stands outside of marks went past the catalogue."""
    entries = [polib.POEntry(msgctxt=NUMBERS, msgid=".", msgstr=",")]
    for context, text, plural in TEXTS:
        if plural:
            forms = {"msgid_plural": plural, "msgstr_plural": {0: f"⟦{text}⟧", 1: f"⟦{plural}⟧"}}
            entries.append(polib.POEntry(msgid=text, **forms))
        elif context != NUMBERS:
            entries.append(polib.POEntry(msgid=text, msgctxt=context or None, msgstr=f"⟦{text}⟧"))
    return entries


def without_marked(text: str) -> str:
    """Text without all that stands in marks, however deep."""
    while (shorter := re.sub(r"⟦[^⟦⟧]*⟧", "", text)) != text:
        text = shorter
    return text


@pytest.fixture(scope="module")
def marked_visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("marked")
    write_language(folder, "qq", marked_entries())
    make(folder / "visit")
    with speaking("qq", folder):
        write_visit(folder / "visit", fixture.limits())
    return folder / "visit"


# --- the list of texts, and the catalogues that ship


def test_the_list_of_texts_is_the_one_that_the_code_gives() -> None:
    listed = polib.pofile(str(CATALOGUES / TEMPLATE_TEXTS), encoding="utf-8")
    found = [(entry.msgctxt or "", entry.msgid, entry.msgid_plural) for entry in listed]
    assert found == TEXTS, "run python -m pipeline.texts, and translate what it names"


@pytest.mark.parametrize("code", languages()[1:])
def test_a_language_that_ships_has_every_text(code: str) -> None:
    file = polib.pofile(str(CATALOGUES / f"{code}.po"), encoding="utf-8")
    assert {(entry.msgctxt or "", entry.msgid) for entry in file} == {(context, text) for context, text, _ in TEXTS}
    assert file.untranslated_entries() == file.fuzzy_entries() == file.obsolete_entries() == []
    with speaking(code) as language:
        assert language.code == code


def test_a_new_language_is_a_copy_of_the_list(tmp_path: Path) -> None:
    (tmp_path / "fr.po").write_text('msgid ""\nmsgstr "Content-Type: text/plain; charset=utf-8\\n"\n', encoding="utf-8")
    missing = write_catalogues(tmp_path)
    assert len(missing) == len(TEXTS)
    assert missing[1].startswith("fr.po: ")
    assert languages(tmp_path) == (ENGLISH, "fr")
    with speaking("fr", tmp_path):
        assert say("Key frames") == "Key frames"


def test_translations_survive_a_new_list(tmp_path: Path) -> None:
    kept = polib.POEntry(msgid="Key frames", msgstr="Images")
    gone = polib.POEntry(msgid="A text of an earlier version", msgstr="Un texte")
    write_language(tmp_path, "fr", [kept, gone])
    write_catalogues(tmp_path)
    file = polib.pofile(str(tmp_path / "fr.po"), encoding="utf-8")
    assert file.find("Key frames").msgstr == "Images"
    assert file.find("A text of an earlier version") is None


# --- looking up


@pytest.fixture
def some(tmp_path: Path) -> Path:
    return write_language(
        tmp_path,
        "qq",
        [
            polib.POEntry(msgctxt=NUMBERS, msgid=".", msgstr=","),
            polib.POEntry(msgid="left", msgstr="links"),
            polib.POEntry(msgid="{low} to {high}", msgstr="{low} bis {high}"),
            polib.POEntry(
                msgid="{n} stride", msgid_plural="{n} strides", msgstr_plural={0: "{n} Zyklus", 1: "{n} Zyklen"}
            ),
            polib.POEntry(msgctxt=SAVED, msgid="{side} limb: {reason}", msgstr="Seite {side}: {reason}"),
            polib.POEntry(msgctxt=SAVED, msgid="{speed} m/s", msgstr="{speed} m/s"),
            polib.POEntry(msgctxt=SAVED, msgid="Walked at {list}.", msgstr="Gegangen mit {list}."),
        ],
    )


def test_texts_counts_and_numbers_follow_the_language_inside_the_block_only(some: Path) -> None:
    with speaking("qq", some):
        assert say("left") == "links"
        assert say("{low} to {high}", low="1,0", high="{odd}") == "1,0 bis {odd}"
        assert (say_count("{n} stride", "{n} strides", 1), say_count("{n} stride", "{n} strides", 0)) == (
            "1 Zyklus",
            "0 Zyklen",
        )
        assert localised("-1.5") == "-1,5"
        assert in_sentence("Knee Flexion") == "Knee Flexion"
        assert say("not in the catalogue") == "not in the catalogue"
    assert say("left") == "left"
    assert localised("1.5") == "1.5"
    assert in_sentence("Knee Flexion") == "knee flexion"


@pytest.mark.parametrize(
    ("saved", "shown"),
    [
        ("left limb: no such reason", "Seite links: no such reason"),
        ("Walked at 1.09 m/s, 12 of something.", "Gegangen mit 1,09 m/s, 12 of something."),
        ("a sentence that nobody translated", "a sentence that nobody translated"),
        ("nobody; knows; these", "nobody; knows; these"),
        ("left; left limb: no; left", "links; Seite links: no; links"),
        ("nobody; knows; left", "nobody; knows; left"),
        ("; left", "; left"),
        ("", ""),
    ],
)
def test_saved_sentences_are_recognised_with_what_fills_them(some: Path, saved: str, shown: str) -> None:
    with speaking("qq", some):
        assert say_saved(saved) == shown
    assert say_saved(saved) == saved


def test_a_long_list_that_nobody_translated_takes_no_more_than_a_few_looks(
    some: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with speaking("qq", some) as language:
        looked: list[str] = []
        plain = language.catalogue.gettext

        def look_up(text: str) -> str:
            looked.append(text)
            return plain(text)

        monkeypatch.setattr(language.catalogue, "gettext", look_up)
        for start in ("", "left; ", "left limb: "):
            looked.clear()
            say_saved(start + "; ".join(["nobody knows"] * 16))
            assert len(looked) < 16 * 16


def test_a_language_that_is_not_there_names_those_that_are(some: Path) -> None:
    with pytest.raises(ConfigError, match=r"run.language: found 'xx'; expected one of: en, qq"), speaking("xx", some):
        pass


def test_a_translation_that_would_lose_a_value_is_refused(tmp_path: Path) -> None:
    write_language(tmp_path, "qq", [polib.POEntry(msgid="{low} to {high}", msgstr="{low} bis {hoch}")])
    with (
        pytest.raises(ConfigError, match=r"qq.po: 1 entries differ .* '\{low\} to \{high\}'"),
        speaking("qq", tmp_path),
    ):
        pass


def test_a_damaged_catalogue_is_named(tmp_path: Path) -> None:
    (tmp_path / "qq.po").write_text("this is no catalogue\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"configs/languages/qq.po: cannot be read"), speaking("qq", tmp_path):
        pass


# --- pages


@pytest.mark.parametrize("name", ["visit.html", "fault-medial_whip.html", "fault-vaulting.html", "visit.txt"])
def test_every_word_of_a_page_comes_from_the_catalogue(marked_visit: Path, name: str) -> None:
    page = (marked_visit / name).read_text(encoding="utf-8")
    shown = [page]
    if name.endswith(".html"):
        page = re.sub(r"<(style|script)\b.*?</\1>", "", page, flags=re.DOTALL)
        alts = re.findall(r'(?:alt|title|aria-label|data-label)="([^"]*)"', page)
        shown = [html.unescape(text) for text in (re.sub(r"<[!/a-z][^>]*>", "", page), *alts)]
    known_texts = fixture_texts()
    for text in shown:
        rest = " ".join(without_marked(text).split())
        for known in known_texts:
            rest = rest.replace(" ".join(known.split()), " ")
        rest = re.sub(NOT_OF_THE_PAGE, " ", rest)
        assert re.findall(r"[A-Za-z]{3,}", rest) == [], f"not given to say(): {rest!r}"


def fixture_texts() -> list[str]:
    """What the invented visit says itself, and the bibliography: longest first."""
    from pipeline.report.layout import load_sources

    report = fixture.report()
    own = [report.changes, *report.notes, fixture.FAILED_MESSAGE]
    own += [reason for reason in (fixture.TOO_SLOW, fixture.TOO_FEW, fixture.NO_REAR_CLIP)]
    own += [
        text
        for fault in fixture.limits().faults
        for text in (fault.seen, fault.cannot_tell, fault.phase, fault.caution)
    ]
    own += [check.note for check in fixture.limits().checks]
    for notes in report.quality.values():
        own += [text for note in notes for text in (note.item.capitalize().replace("_", " "), note.advice)]
    for source in load_sources().values():
        own += [source.words().split(" Known here")[0], source.reason, f"{source.authors} ({source.year})"]
    return sorted({text for text in own if text}, key=len, reverse=True)
