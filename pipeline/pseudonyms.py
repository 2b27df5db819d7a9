"""Does a subject's id look like a person's name or a date of birth? Said as a caution, never refused."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date

from pipeline.model import Clip

# A run of letters this long is a word, and most words of a person are names; all but these. Own choice.
WORD_LETTERS = 4
NO_NAMES = frozenset({
    "anon", "case", "code", "control", "demo", "group", "healthy", "participant", "patient", "person", "pilot",
    "proband", "study", "subj", "subject", "test", "trial", "visit", "volunteer", "walker",
})  # fmt: skip
# Digits in a row that may be a day: year, month and day in either order, with two or four digits of the year.
DAY_FORMS = ((4, 2, 2), (2, 2, 4), (2, 2, 2))
# More digits in a row than a study numbers its people with: a number of a record or an insurance. Own choice.
RECORD_DIGITS = 7
EARLIEST_YEAR = 1900


def pseudonym_cautions(clips: Sequence[Clip]) -> list[str]:
    """Return a line for each subject whose id may tell who it is, in the order of the manifest."""
    lines = []
    for subject in dict.fromkeys(clip.subject for clip in clips):
        looks_like = _looks_like(subject)
        if looks_like:
            lines.append(
                f'manifest.csv, column subject: "{subject}" looks like {looks_like}; a pseudonym is expected, as P01. '
                "It names folders and stands on every page: change it before you pass results on, and run again into "
                "an empty folder."
            )
    return lines


def _looks_like(subject: str) -> str:
    """What an id looks like that is no pseudonym, or ""."""
    words = re.findall(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+", subject)
    if any(len(word) >= WORD_LETTERS and word.lower() not in NO_NAMES for word in words):
        return "a name"
    for digits in re.findall(r"\d+", subject):
        if any(_is_day(digits, form) for form in DAY_FORMS):
            return "a date of birth"
        if len(digits) >= RECORD_DIGITS:
            return "the number of a record"
    return ""


def _is_day(digits: str, form: tuple[int, int, int]) -> bool:
    """Whether digits are a day of the past, read by their lengths: year first or last, two digits either way."""
    if len(digits) != sum(form):
        return False
    ends = (form[0], form[0] + form[1])
    first, middle, last = digits[: ends[0]], digits[ends[0] : ends[1]], digits[ends[1] :]
    orders = {(first, middle, last)} if form[0] == 4 else {(last, middle, first), (last, first, middle)}
    if form == (2, 2, 2):
        orders.add((first, middle, last))
    return any(_day_exists(*order) for order in orders)


def _day_exists(year: str, month: str, day: str) -> bool:
    """Whether a calendar has that day; a year of two digits may lie in either century."""
    for full in [int(year)] if len(year) == 4 else [EARLIEST_YEAR + int(year), EARLIEST_YEAR + 100 + int(year)]:
        try:
            if full >= EARLIEST_YEAR and date(full, int(month), int(day)) <= date.today():
                return True
        except ValueError:
            continue
    return False
