"""A person's names as they stand in results, and how they are told from those of others.

`P1` is not in `P10`, and not in `A2-P1-side`, the clip of somebody else. A name that is too common to tell anything,
such as the subject `01` or the clip `side`, is looked for only in the forms in which the results write it.
"""

from __future__ import annotations

import mmap
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from html import escape
from pathlib import Path
from urllib.parse import quote

from pipeline.config import config_dir

# What a name in a record is replaced by.
REMOVED = b"[removed]"
WORD, NAME_SIGN = rb"A-Za-z0-9", rb"A-Za-z0-9_-"
# The bytes before and behind a plain letter's own in codings of text.
WIDE = {"utf-8": (b"", b""), "utf-16-le": (b"", b"\0"), "utf-16-be": (b"\0", b""), "utf-32-le": (b"", b"\0\0\0")}
TOKEN = re.compile(rb"[A-Za-z0-9_-]+")
# A name of n bytes is met by chance once in 256^n bytes of pictures or numbers: of 6 once in 280 TB. [bytes]
LONG_ENOUGH = 6
Content = bytes | mmap.mmap


@dataclass(frozen=True, slots=True)
class Names:
    """What a person is called in results: pseudonym, visits, ids of clips and their paths in the study."""

    subject: str
    visits: tuple[str, ...] = ()
    clip_ids: tuple[str, ...] = ()
    paths: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Form:
    """One spelling, and the signs that must not stand before and after it."""

    text: str
    before: bytes
    after: bytes


class Pattern:
    """How a person's names are recognised.

    Parameters
    ----------
    names : Names
    others : iterable of str
        Subjects, visits as `P01-01` and ids of clips of everybody else: a place that is inside one of them is not this
        person's, and a name that both have is not looked for.
    """

    def __init__(self, names: Names, others: Iterable[str] = ()) -> None:
        self.others = frozenset(others)
        self.shared = tuple(name for name in names.clip_ids if name in self.others)
        forms, self.narrow = _forms(names, self.others)
        self.forms = tuple(dict.fromkeys(form.text for form in forms))
        self._text = _Wanted(forms, "utf-8")
        # Text in numbers and pictures is in other codings too: arrays of text have four bytes a letter.
        long = [form for form in forms if len(form.text.encode()) >= LONG_ENOUGH]
        self.has_short = len(long) < len(forms)
        self._binary = [_Wanted(long, "utf-8")]
        self._binary += [_Wanted(forms, coding) for coding in ("utf-16-le", "utf-16-be", "utf-32-le")]

    def in_text(self, data: Content, hidden: tuple[tuple[int, int], ...] = ()) -> list[str]:
        """Return the names that stand in a text, each once; `hidden` are stretches that hold no text."""
        spans = [match.span() for match in self._own(data)]
        shown = [span for span in spans if not any(start <= span[0] < end for start, end in hidden)]
        return list(dict.fromkeys(data[start:end].decode("utf-8", "replace") for start, end in shown))

    def in_binary(self, data: Content) -> list[str]:
        """Return the names that stand in numbers or a picture: long ones, and all in the wide codings of text."""
        found = [
            match.group().replace(b"\0", b"").decode("utf-8", "replace")
            for pattern in self._binary
            for match in pattern.finditer(data)
        ]
        return list(dict.fromkeys(found))

    def replaced(self, text: bytes) -> bytes:
        """Return a text with each of the names replaced."""
        parts, last = [], 0
        for match in self._own(text):
            parts += [text[last : match.start()], REMOVED]
            last = match.end()
        return b"".join([*parts, text[last:]])

    def _own(self, data: Content) -> Iterator[re.Match[bytes]]:
        """Places in a text that are not inside a name of somebody else."""
        for match in self._text.finditer(data):
            start, end = match.span()
            while start > 0 and TOKEN.match(data[start - 1 : start]):
                start -= 1
            while end < len(data) and TOKEN.match(data[end : end + 1]):
                end += 1
            if data[start:end].decode("utf-8", "replace") not in self.others:
                yield match


def _forms(names: Names, others: frozenset[str]) -> tuple[list[_Form], tuple[str, ...]]:
    """The spellings to look for, and the names that are too common to be looked for alone."""
    subject, narrow = names.subject, []
    forms = [_Form(f"sub-{subject}", WORD, WORD)]
    if subject.isdigit() or _is_common(subject):
        narrow.append(subject)
        keys = [f"{subject}-{visit}" for visit in names.visits]
        forms += [_Form(key, NAME_SIGN, NAME_SIGN) for key in keys if not _is_common(key)]
        written = (f'"subject": "{subject}"', f'"subject":"{subject}"', f'data-subject="{subject.lower()}"')
        forms += [_Form(text, b"", b"") for text in written]
    else:
        forms.append(_Form(subject, WORD, WORD))
    for name in names.clip_ids:
        if name in others:
            continue
        if _is_telling(name) and not _is_common(name):
            forms.append(_Form(name, NAME_SIGN, NAME_SIGN))
        else:
            narrow.append(name)
            written = (f"clip {name}", f'"clip_id": "{name}"', f"/{name}/")
            forms += [_Form(text, b"", NAME_SIGN) for text in written if not _is_common(text)]
    for path in names.paths:
        if Path(path).stem not in others:
            spelt = dict.fromkeys((path, quote(path), escape(path)))
            forms += [_Form(text, b"/" + NAME_SIGN, WORD) for text in spelt]
    return forms, tuple(narrow)


def _is_telling(name: str) -> bool:
    """Whether the name of a clip is more than a word or a number."""
    return any(sign.isalpha() for sign in name) and not name.isalpha()


def _is_common(name: str) -> bool:
    """Whether a name stands in what every page is made from, as A4 does."""
    wanted = _Wanted([_Form(name, WORD, WORD)], "utf-8")
    return any(True for text in _own_texts() for _ in wanted.finditer(text))


@cache
def _own_texts() -> tuple[bytes, ...]:
    """The templates, scripts and settings that pages and records are made with."""
    assets = [path for path in (Path(__file__).parent / "report" / "assets").rglob("*") if path.is_file()]
    settings = [*config_dir().glob("*.toml"), *config_dir().glob("checks/*.toml")]
    return tuple(path.read_bytes() for path in sorted([*assets, *settings]))


class _Wanted:
    """Spellings in one coding. A search for their shortest parts comes first, which is a hundred times as fast."""

    def __init__(self, forms: Iterable[_Form], coding: str) -> None:
        front, back = WIDE[coding]
        parts = []
        # The longest first, so that a clip's name is told, not the subject in it.
        for form in sorted(forms, key=lambda form: -len(form.text)):
            before = b"(?<!%s[%s]%s)" % (front, form.before, back) if form.before else b""
            after = b"(?!%s[%s]%s)" % (front, form.after, back) if form.after else b""
            parts.append(before + re.escape(form.text.encode(coding)) + after)
        self.pattern = re.compile(b"|".join(parts))
        texts = {form.text for form in forms}
        self.shortest = [one.encode(coding) for one in texts if not any(two in one for two in texts - {one})]

    def finditer(self, data: Content) -> Iterator[re.Match[bytes]]:
        """Places where one of the spellings stands."""
        if any(data.find(part) >= 0 for part in self.shortest):
            yield from self.pattern.finditer(data)
