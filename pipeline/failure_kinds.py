"""What failed, by the kind of failure: how often, for example where, and what to do about it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

# Clips named beside a kind of failure. Own choice.
MOST_EXAMPLES = 3
# What differs between two failures of one kind: numbers, and names in brackets or quotes.
VARYING = re.compile(r"\([^()]*\)|\"[^\"]*\"|'[^']*'|\d+(?:[.,]\d+)?")


@dataclass(frozen=True, slots=True)
class FailureKind:
    """Failures of one kind: how many, what was found, what to do, some that it befell, and one whole message.

    Where they differ `found` holds N for a number and (...) for a name.
    """

    count: int
    found: str
    do: str
    examples: tuple[str, ...]
    message: str


def _pattern(text: str) -> str:
    """The text without what differs between two failures of one kind."""
    return VARYING.sub(lambda found: "N" if found[0][0].isdigit() else f"{found[0][0]}...{found[0][-1]}", text)


def parts_of(message: str) -> tuple[str, str, str]:
    """The item of a message, what was found and expected, and what to do; of `errors.PipelineError` or alike.

    The item ends at the first colon. What to do begins with the first sentence after what was found.
    """
    first, *more = message.strip().splitlines() or [""]
    item, colon, rest = first.partition(": ")
    if not colon:
        item, rest = "", first
    found, _, do = re.sub(r"\.\s+(?=[A-Z])", ".\0", rest, count=1).partition("\0")
    return item, found.strip().rstrip("."), " ".join([do.strip(), *(line.strip() for line in more)]).strip()


def failure_kinds(messages: Iterable[str]) -> tuple[FailureKind, ...]:
    """Group messages by their kind, the most frequent first, else in their order."""
    groups: dict[tuple[str, str], list[tuple[str, str, str]]] = {}
    for message in messages:
        item, found, do = parts_of(message)
        key = (_pattern(found), _pattern(do))
        groups.setdefault(key, []).append((item, found, message))
    kinds = []
    for (pattern, _), members in groups.items():
        item, found, message = members[0]
        same = all(other == found for _, other, _ in members)
        items = tuple(dict.fromkeys(item for item, _, _ in members if item))
        kinds.append(
            FailureKind(len(members), found if same else pattern, parts_of(message)[2], items[:MOST_EXAMPLES], message)
        )
    return tuple(sorted(kinds, key=lambda kind: -kind.count))
