"""From faults to what to examine: candidate causes in the prosthesis and in the person, ordered by a sum that is shown.

Nothing here says what a person has. A candidate is something to consider, with the lines of its sum, how to examine it
and what to mind. `configs/causes.toml` holds all of it, the points too; `causes_file` reads it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.judgement import Candidate, CauseGroup, Fault, Line, Verdict

# What may be missing or in doubt stays between what is seen and what is not.
WEAKEST_FIRST: tuple[Verdict, ...] = ("not seen", "cannot say", "borderline", "present")


@dataclass(frozen=True, slots=True)
class Sign:
    """A fault as a cause names it: the whole of it, or one of its checks.

    Attributes
    ----------
    check : str
        Id of the check that counts, where only one direction does; empty is the whole fault.
    weak : bool
        The cause explains it seldom, or only in part.
    expected : bool
        Clearly not seen, it speaks against the cause.
    """

    fault: str
    check: str
    words: str
    weak: bool = False
    expected: bool = False


@dataclass(frozen=True, slots=True)
class Cause:
    """Something to consider. `sources` are keys of the bibliography, each with how well it is known."""

    id: str
    group: CauseGroup
    title: str
    explains: tuple[Sign, ...]
    against: tuple[Sign, ...]
    examine: tuple[str, ...]
    caution: str
    changes: tuple[str, ...]
    sources: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class TellApart:
    """Causes that must be told apart before anything is altered, where one of the faults is seen (empty: anywhere)."""

    causes: tuple[str, ...]
    where: tuple[Sign, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Points:
    """What a line adds (`not_seen` and `contradicted`: takes off), none below 0, and the source of these numbers."""

    present: int
    borderline: int
    weakly: int
    not_seen: int
    contradicted: int
    changed: int
    source: str


@dataclass(frozen=True, slots=True)
class Causes:
    """All causes in the order of their file, what to tell apart, the points, and the file's name and hash."""

    causes: tuple[Cause, ...]
    tell_apart: tuple[TellApart, ...]
    points: Points
    file: str
    sha256: str


def candidates(
    faults: tuple[Fault, ...], causes: Causes, changes: str, *, has_prosthesis: bool = True
) -> tuple[Candidate, ...]:
    """Return the causes to consider, highest sum first; equal sums in the order of the file.

    A cause is listed when it explains a fault that is present, or an urgent one that is borderline. Severity does not
    count: how large a fault is does not tell where it comes from.

    Parameters
    ----------
    faults : tuple of Fault
        From `checks.judge`.
    causes : Causes
    changes : str
        What the manifest says was changed on the prosthesis since the last visit; may be empty.
    has_prosthesis : bool
        Nothing is listed for a person without one: the causes are those of people who walk on a prosthesis.
    """
    if not has_prosthesis:
        return ()
    by_name = {fault.name: fault for fault in faults}
    listed = [cause for cause in causes.causes if any(_lists(sign, by_name) for sign in cause.explains)]
    sums = [(cause, _lines(cause, by_name, causes.points, changes)) for cause in listed]
    scores = {cause.id: sum(line.amount for line in lines) for cause, lines in sums}
    traps = _seen_traps(causes.tell_apart, by_name, set(scores))
    found = [
        Candidate(
            cause=cause.id,
            group=cause.group,
            title=cause.title,
            rank=1 + sum(other > scores[cause.id] for other in scores.values()),
            score=scores[cause.id],
            lines=lines,
            open=_open(cause, by_name),
            examine=cause.examine,
            cautions=(*filter(None, [cause.caution]), *(trap.text for trap in traps if cause.id in trap.causes)),
            sources=cause.sources,
        )
        for cause, lines in sums
    ]
    return tuple(sorted(found, key=lambda candidate: candidate.rank))


def verdict_of(sign: Sign, faults: dict[str, Fault]) -> Verdict:
    """Return the verdict of a sign: its fault's, or that of its check, never above its fault's.

    Of two limbs the stronger verdict counts; a check that applies to neither cannot say.
    """
    fault = faults.get(sign.fault)
    if fault is None:
        return "cannot say"
    if not sign.check:
        return fault.verdict
    found = [one.verdict for one in fault.findings if one.check == sign.check and one.applies]
    if not found or (strongest := max(found, key=WEAKEST_FIRST.index)) == "cannot say":
        return "cannot say"
    return min(strongest, fault.verdict, key=WEAKEST_FIRST.index)


def _lists(sign: Sign, faults: dict[str, Fault]) -> bool:
    """Whether a sign is enough to list its cause."""
    verdict = verdict_of(sign, faults)
    return verdict == "present" or (verdict == "borderline" and faults[sign.fault].urgent)


def _lines(cause: Cause, faults: dict[str, Fault], points: Points, changes: str) -> tuple[Line, ...]:
    """The lines of a cause's sum, those that add first: what it explains, what was changed, what speaks against it."""
    amounts = {"present": points.present, "borderline": points.borderline}
    against = [(sign, verdict) for sign in cause.against if (verdict := verdict_of(sign, faults)) in amounts]
    lines = []
    for sign in cause.explains:
        verdict = verdict_of(sign, faults)
        if verdict in amounts:
            amount = min(amounts[verdict], points.weakly) if sign.weak else amounts[verdict]
            words = f"{sign.words}: {verdict}{', explained seldom or in part' if sign.weak else ''}"
            lines.append(Line(words, amount, "explained", sign.fault))
        # One reading is not held against a cause twice: too high is also not too low.
        elif verdict == "not seen" and sign.expected and sign.fault not in {other.fault for other, _ in against}:
            words = f"{sign.words}: not seen, though this would show it"
            lines.append(Line(words, -points.not_seen, "missing", sign.fault))
    for sign, verdict in against:
        amount = points.contradicted if verdict == "present" else min(points.contradicted, points.borderline)
        words = f"{sign.words}: {verdict}, which speaks against it"
        lines.append(Line(words, -amount, "contradicted", sign.fault))
    named = _named_in(changes, cause.changes)
    if named:
        lines.append(Line(f"Change log: the word {named!r} stands there", points.changed, "changed"))
    return tuple(sorted(lines, key=lambda line: line.amount < 0))


def _open(cause: Cause, faults: dict[str, Fault]) -> tuple[str, ...]:
    """What could not be judged of all that would count."""
    signs = (*cause.explains, *cause.against)
    return tuple(dict.fromkeys(sign.words for sign in signs if verdict_of(sign, faults) == "cannot say"))


def _seen_traps(traps: tuple[TellApart, ...], faults: dict[str, Fault], listed: set[str]) -> list[TellApart]:
    """What must be told apart here."""
    return [
        trap
        for trap in traps
        if len(listed & set(trap.causes)) > 1
        and (not trap.where or any(verdict_of(sign, faults) in ("present", "borderline") for sign in trap.where))
    ]


def _named_in(changes: str, words: Iterable[str]) -> str:
    """The first word of the change log that one of a cause's words names, as it is written; empty for none.

    A cause's word counts as the beginning of a word; with a full stop behind it, as the whole of one.
    """
    for word in words:
        pattern = r"\s+".join(re.escape(part) for part in word.removesuffix(".").split())
        end = r"(?!\w)" if word.endswith(".") else r"\w*"
        found = re.search(rf"(?<!\w){pattern}{end}", changes, re.IGNORECASE)
        if found:
            return " ".join(found.group().split())
    return ""
