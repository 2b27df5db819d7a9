"""The study's manifest: one row per clip, read from the CSV that a spreadsheet writes.

Two rounds: the columns first, then each cell and the rows of one visit against each other. Every problem
is reported at once, with the row number that a spreadsheet shows. Synonyms are not guessed.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import ManifestError, ManyProblems
from pipeline.filled_table import read_filled
from pipeline.manifest_row import COLUMNS, MANIFEST_NAME, ManifestRow
from pipeline.model import SIDES, Clip
from pipeline.store import shown_path

HELP = "`strideledger manifest` lists the columns and what goes into them."


def read_manifest(study: Path | str) -> list[Clip]:
    """Return the clips of a study, in the order of its manifest.

    Parameters
    ----------
    study : Path or str
        Folder with `manifest.csv`. Whether the clips exist is not looked at: a clip without its file
        fails alone, later.

    Returns
    -------
    list of Clip

    Raises
    ------
    ManifestError
        There is no manifest, or it is not a table in UTF-8.
    ManyProblems
        Columns or cells are wrong: all of them at once.
    """
    study = Path(study)
    if not study.is_dir():
        raise ManifestError(shown_path(study), "no such folder", f"expected a study folder with {MANIFEST_NAME}", HELP)
    table = read_filled(study / MANIFEST_NAME, COLUMNS, one_row="clip", do=HELP, inside=study)
    problems = table.column_problems(COLUMNS)
    if problems:
        raise ManyProblems(MANIFEST_NAME, problems, HELP)
    if not table.rows:
        raise ManifestError(MANIFEST_NAME, "no clips are listed", "expected one row for each clip", HELP)
    clips: list[tuple[int, Clip]] = []
    for number, where, cells in table.cells(problems):
        row = ManifestRow(where, cells, table.separator)
        clip = row.clip(study)
        problems += row.problems
        if clip is not None:
            clips.append((number, clip))
    problems += _duplicates(clips) + _contradictions(clips)
    if problems:
        raise ManyProblems(MANIFEST_NAME, problems, HELP)
    return [clip for _, clip in clips]


def clips_of(clips: list[Clip], subject: str | None, visit: str | None) -> list[Clip]:
    """Return the clips of a person and a visit; None stands for all of them.

    Raises
    ------
    ManifestError
        There is no such clip.
    """
    chosen = [clip for clip in clips if subject in (None, clip.subject) and visit in (None, clip.visit)]
    if not chosen:
        wanted = " ".join(f"{kind} {name}" for kind, name in (("subject", subject), ("visit", visit)) if name)
        known = ", ".join(dict.fromkeys(f"{clip.subject}-{clip.visit}" for clip in clips))
        raise ManifestError(MANIFEST_NAME, f"has no clip of {wanted}", f"expected one of: {known}")
    return chosen


def _duplicates(clips: list[tuple[int, Clip]]) -> list[str]:
    """Clips that stand twice, by path or by id; folders of some systems ignore upper and lower case."""
    problems = []
    first: dict[str, tuple[int, Clip]] = {}
    for number, clip in clips:
        earlier_number, earlier = first.setdefault(clip.clip_id.lower(), (number, clip))
        if earlier_number == number:
            continue
        if earlier.relative_path == clip.relative_path:
            problems.append(
                f'{MANIFEST_NAME} row {number}, column clip: "{clip.relative_path}" stands already '
                f"in row {earlier_number}."
            )
        else:
            problems.append(
                f'{MANIFEST_NAME} row {number}, column clip: "{clip.relative_path}" has the same file name '
                f'as "{earlier.relative_path}" in row {earlier_number}; expected a different one.'
            )
    return problems


def _contradictions(clips: list[tuple[int, Clip]]) -> list[str]:
    """Rows of one visit that differ in what a visit has once. Empty cells contradict nothing.

    Names are compared in lower case: `P01` and `p01` are one folder on some systems and two on others.
    """
    problems = []
    first: dict[tuple[str, str, str], tuple[int, str]] = {}
    for number, clip in clips:
        person, visit = clip.subject.lower(), clip.visit.lower()
        sides = "both" if clip.prosthetic_sides == SIDES else "".join(clip.prosthetic_sides) or "none"
        height = "" if clip.height_m is None else f"{clip.height_m:g}"
        facts = (
            (person, "", "subject", clip.subject),
            (person, visit, "visit", clip.visit),
            (person, visit, "date", clip.visit_date.isoformat()),
            (person, visit, "prosthetic_side", sides),
            (person, visit, "level", " / ".join(clip.levels)),
            (person, visit, "aid", clip.aid or ""),
            (person, visit, "footwear", clip.footwear),
            (person, visit, "height_m", height),
            (person, visit, "changes", clip.changes),
        )
        for *scope, column, text in facts:
            earlier_number, earlier = first.setdefault((scope[0], scope[1], column), (number, text))
            if text and not earlier:
                first[scope[0], scope[1], column] = (number, text)
            elif text and text != earlier:
                same = "visit" if scope[1] else "person"
                problems.append(
                    f'{MANIFEST_NAME} row {number}, column {column}: found "{text}"; row {earlier_number} '
                    f'of the same {same} has "{earlier}".'
                )
    return problems
