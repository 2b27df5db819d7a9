"""Text from outside, made safe to show: marks that cannot be seen are written out, so that none of them acts.

A mark that turns the direction of reading reorders what stands beside it, an escape sequence steers a terminal, and a
line break begins a new line of a log. Words that are read from right to left need none of these marks.
"""

from __future__ import annotations

import json
import re
from typing import Any

# Control characters but tab and line ends; marks of direction; spaces and joiners of no width, but the two that Persian
# and Indic words need; marks of annotation and tags; halves of a character (Unicode, chapters 3 and 23; from memory).
UNSEEN = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ud800-\udfff"
    "\ufeff\ufff9-\ufffb\ufffe\uffff\U000e0000-\U000e007f]"
)
LINE_ENDS = re.compile("[\t\n\r]")
# A message is read by a person: far more than the longest one that is meant. Own choice. [characters]
LONGEST_MESSAGE = 4000


def visible(text: str) -> str:
    r"""Return the text with every unseen mark as its escape, such as ``\u202e``; tabs and line ends stay."""
    return UNSEEN.sub(_escape, text)


def one_line(text: str) -> str:
    """Return the text in one line, unseen marks and line ends as their escapes, cut where it is no message any more."""
    shown = LINE_ENDS.sub(_escape, visible(text[:LONGEST_MESSAGE]))
    return f"{shown} ... ({len(text)} characters)" if len(text) > LONGEST_MESSAGE else shown


def natural_key(text: str) -> tuple[tuple[int, int, str], ...]:
    """Return the sort key by which P2 comes before P10."""
    parts = re.findall(r"[0-9]+|[^0-9]+", text)
    return tuple((0, int(part), part) if part[0] in "0123456789" else (1, 0, part) for part in parts)


def unseen_in(text: str) -> str:
    """Return the code of the first unseen mark of a text, such as U+202E; empty where there is none."""
    found = UNSEEN.search(text)
    return f"U+{ord(found[0]):04X}" if found else ""


def visible_json(data: bytes) -> bytes:
    """Return JSON whose texts hold no unseen mark; what holds none comes back as it is.

    Raises
    ------
    ValueError
        It is no JSON, as far as that was looked at.
    """
    # A mark is written as an escape, or as bytes beyond ASCII; hardly a record holds either.
    if b"\\u" not in data and (data.isascii() or not UNSEEN.search(data.decode("utf-8"))):
        return data
    try:
        return json.dumps(_all_visible(json.loads(data)), ensure_ascii=False).encode("utf-8")
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def _all_visible(value: Any) -> Any:
    """A value of JSON with all texts in it made visible."""
    if isinstance(value, str):
        return visible(value)
    if isinstance(value, list):
        return [_all_visible(one) for one in value]
    if isinstance(value, dict):
        return {visible(key): _all_visible(one) for key, one in value.items()}
    return value


def _escape(found: re.Match[str]) -> str:
    """A mark as the escape by which programs name it."""
    return found[0].encode("unicode_escape").decode("ascii")
