"""Words of the pages in other languages: one gettext catalogue a language, English for what it does not hold.

What is measured is saved in English, whatever the language of the pages, so that records can be compared and pages made
again in another language. `say` turns a text of this code or of the settings into the language asked for,
`say_saved` a sentence of a record. `configs/languages/texts.pot` lists every English text
(`python -m pipeline.texts` writes it anew); a new language is a copy of it, filled in with any gettext editor.
"""

from __future__ import annotations

import gettext
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import polib

from pipeline.config import ENGLISH, config_dir, languages
from pipeline.errors import ConfigError

# Context of an entry that is no text but how numbers are written.
NUMBERS = "how numbers are written"
# Context of the sentences that measuring saves with their places filled.
SAVED = "saved sentence"
PLACE = re.compile(r"\{(\w+)\}")
A_NUMBER = re.compile(r"[−-]?\d+\.\d+")
A_WORD = re.compile(r"[A-Za-z]")
# Places of saved sentences that hold figures; those of `reason` may hold a whole sentence, others no semicolon.
FIGURES = frozenset(
    ("n", "least", "rate", "low", "high", "speed", "number", "cadence", "percent", "time", "left_out", "all", "value")
)


@dataclass(frozen=True)
class Language:
    """One language: its catalogue, and patterns for the sentences of it that have places to fill."""

    code: str
    catalogue: gettext.NullTranslations
    decimal_sign: str = "."
    patterns: tuple[tuple[re.Pattern[str], str], ...] = field(default=(), repr=False)


PLAIN_ENGLISH = Language(ENGLISH, gettext.NullTranslations())
_spoken: ContextVar[Language] = ContextVar("language of the pages", default=PLAIN_ENGLISH)


@contextmanager
def speaking(code: str, folder: Path | None = None) -> Iterator[Language]:
    """Make all words of the pages in a language, until the end of the block.

    Raises
    ------
    ConfigError
        There is no catalogue for the language, or it is damaged.
    """
    language = PLAIN_ENGLISH if code == ENGLISH else _load(code, _folder(folder))
    token = _spoken.set(language)
    try:
        yield language
    finally:
        _spoken.reset(token)


def spoken() -> Language:
    """Return the language that is spoken now."""
    return _spoken.get()


def say(text: str, **values: object) -> str:
    """Return a text in the language spoken, its {places} filled.

    Parameters
    ----------
    text : str
        English, as it stands in the catalogue.
    **values
        What stands in the places, in the language spoken already.
    """
    found = _spoken.get().catalogue.gettext(text) if text else ""
    return found.format(**values) if values else found


def say_count(singular: str, plural: str, count: int, **values: object) -> str:
    """Return a text with a number in it, in the form that the number asks for; {n} is the number."""
    return _spoken.get().catalogue.ngettext(singular, plural, count).format(n=count, **values)


def say_saved(sentence: str) -> str:
    """Return a sentence of a record in the language spoken; English where no pattern of the catalogue fits.

    A record holds sentences whose places are filled: `only 2 whole strides were found`. Among the texts with places
    the one that fits with the longest fixed part gives the words; what stands in its places is looked up in turn.
    """
    if _spoken.get() is PLAIN_ENGLISH or not sentence:
        return sentence
    single = _single(sentence)
    return _joined(sentence) if single is None else single


def _single(sentence: str) -> str | None:
    """A sentence that is a text of the catalogue, or fits one with places; None where it is neither."""
    language = _spoken.get()
    whole = language.catalogue.gettext(sentence)
    if whole != sentence:
        return whole
    for pattern, translation in language.patterns:
        match = pattern.fullmatch(sentence)
        if match:
            values = {name: _part(value) for name, value in match.groupdict().items()}
            return translation.format(**values)
    return None


def _joined(sentence: str) -> str:
    """Several sentences with semicolons between them: the shortest beginning that is known, then the rest."""
    for mark in re.finditer("; ", sentence):
        # Not taken apart itself: no shorter beginning is known. Doing so doubled the time with each semicolon.
        beginning = sentence[: mark.start()]
        head = _single(beginning) if beginning else None
        if head is not None and head != beginning:
            return f"{head}; {say_saved(sentence[mark.end() :])}"
    return sentence


def in_sentence(title: str) -> str:
    """A title as it stands inside a sentence: English titles begin small there; other languages keep theirs."""
    return title.lower() if _spoken.get().code == ENGLISH else title


def localised(number: str) -> str:
    """A number in figures with the decimal sign of the language spoken."""
    return number.replace(".", _spoken.get().decimal_sign)


def _part(value: str) -> str:
    """What stands in a place of a sentence: a number, a text of the catalogue, or a list of such."""
    if not A_WORD.search(value):
        return A_NUMBER.sub(lambda found: localised(found.group()), value)
    whole = say_saved(value)
    if whole != value:
        return whole
    for mark in ("; ", ", ", " or "):
        parts = value.split(mark)
        if len(parts) > 1:
            return say(mark).join(_part(part) for part in parts)
    return value


def _folder(folder: Path | None) -> Path:
    """Folder of the catalogues."""
    return folder or config_dir() / "languages"


@lru_cache(maxsize=8)
def _load(code: str, folder: Path) -> Language:
    """A language from its file."""
    known = languages(folder)
    path = folder / f"{code}.po"
    if code not in known:
        raise ConfigError("run.language", f"found {code!r}", f"expected one of: {', '.join(known)}")
    try:
        file = polib.pofile(str(path), encoding="utf-8")
        catalogue = gettext.GNUTranslations(io.BytesIO(file.to_binary()))
    except (OSError, ValueError) as error:
        raise ConfigError(f"configs/languages/{path.name}", f"cannot be read ({error})") from None
    problems = _places_that_differ(file)
    if problems:
        raise ConfigError(
            f"configs/languages/{path.name}",
            f"{len(problems)} entries differ from the English in their {{places}}: {'; '.join(problems[:5])}",
            "expected the same names in braces in both",
        )
    sign = catalogue.pgettext(NUMBERS, ".")
    return Language(code, catalogue, sign, _patterns(file))


def _places_that_differ(file: polib.POFile) -> list[str]:
    """Entries whose translation would lose a value, or ask for one that is not there."""
    wrong = []
    for entry in file.translated_entries():
        english = set(PLACE.findall(entry.msgid))
        texts = [entry.msgstr] if entry.msgstr else list(entry.msgstr_plural.values())
        if any(set(PLACE.findall(text)) != english for text in texts) or (
            entry.msgid_plural and set(PLACE.findall(entry.msgid_plural)) != english
        ):
            wrong.append(repr(entry.msgid))
    return wrong


def _patterns(file: polib.POFile) -> tuple[tuple[re.Pattern[str], str], ...]:
    """Saved sentences as patterns, those with the longest fixed part first."""
    saved = [entry for entry in file.translated_entries() if entry.msgctxt == SAVED]
    saved.sort(key=lambda entry: -len(PLACE.sub("", entry.msgid)))
    return tuple((_pattern(entry.msgid), entry.msgstr) for entry in saved)


def _pattern(english: str) -> re.Pattern[str]:
    """A pattern that a filled sentence fits."""
    parts = PLACE.split(english)
    return re.compile(
        "".join(_place(part) if number % 2 else re.escape(part) for number, part in enumerate(parts)), re.DOTALL
    )


def _place(name: str) -> str:
    """The pattern of one place of a sentence."""
    held = r"[\d.,−-]+" if name in FIGURES else ".+?" if name == "reason" else "[^;]+?"
    return f"(?P<{name}>{held})"
