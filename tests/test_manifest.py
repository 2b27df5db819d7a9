"""The manifest: what spreadsheets write is read, and every mistake is named with its row and column."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some

from pipeline.errors import ManifestError, ManyProblems
from pipeline.manifest import clips_of, read_manifest
from pipeline.manifest_row import COLUMN_NAMES, COLUMNS, NEEDED_NAMES, ManifestRow
from pipeline.model import Clip

HEADER = ",".join(NEEDED_NAMES)
GOOD = {
    "subject": "P01",
    "visit": "01",
    "date": "2026-03-14",
    "clip": "clips/walk.mp4",
    "view": "sagittal",
    "prosthetic_side": "left",
    "height_m": "1.72",
    "known_length_m": "2.00",
    "known_length_px": "412",
    "changes": "heel softer",
}


def study(folder: Path, *rows: dict[str, str]) -> Path:
    """A study folder whose manifest has these rows."""
    names = [name for name in COLUMN_NAMES if any(name in GOOD | row for row in rows)]
    lines = [",".join(names)] + [",".join((GOOD | row).get(name, "") for name in names) for row in rows]
    (folder / "manifest.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def problems_of(folder: Path) -> list[str]:
    with pytest.raises(ManyProblems) as caught:
        read_manifest(folder)
    return list(caught.value.problems)


def test_row_becomes_a_clip(tmp_path: Path) -> None:
    assert read_manifest(study(tmp_path, {})) == [
        Clip(
            clip_id="walk",
            path=tmp_path.resolve() / "clips/walk.mp4",
            relative_path="clips/walk.mp4",
            subject="P01",
            visit="01",
            visit_date=date(2026, 3, 14),
            view="sagittal",
            prosthetic_sides=("left",),
            height_m=1.72,
            known_length_m=2.0,
            known_length_px=412.0,
            changes="heel softer",
        )
    ]


def test_each_example_of_the_help_is_allowed(tmp_path: Path) -> None:
    (clip,) = read_manifest(study(tmp_path, {column.name: column.example for column in COLUMNS}))
    assert clip.subject == "P01"


@pytest.mark.parametrize(("word", "sides"), [("right", ("right",)), ("both", ("left", "right")), ("none", ())])
def test_prosthetic_side_becomes_anatomical_sides(tmp_path: Path, word: str, sides: tuple[str, ...]) -> None:
    (clip,) = read_manifest(study(tmp_path, {"prosthetic_side": word}))
    assert clip.prosthetic_sides == sides


def test_last_four_cells_may_be_empty(tmp_path: Path) -> None:
    row = {"height_m": "", "known_length_m": "", "known_length_px": "", "changes": ""}
    (clip,) = read_manifest(study(tmp_path, row))
    assert (clip.height_m, clip.known_length_m, clip.known_length_px, clip.changes) == (None, None, None, "")


def test_the_walker_can_be_pointed_at(tmp_path: Path) -> None:
    places = {"a": "2.5 640 410", "b": "3 0 7", "c": ""}
    clips = read_manifest(study(tmp_path, *({"clip": f"{name}.mp4", "walker_at": at} for name, at in places.items())))
    assert [clip.walker_at for clip in clips] == [(2.5, 640.0, 410.0), (3.0, 0.0, 7.0), None]


@pytest.mark.parametrize("text", ["640 410", "2.0 640 -1", "2 s 640 410", "left"])
def test_a_place_that_cannot_be_read_is_told(tmp_path: Path, text: str) -> None:
    assert problems_of(study(tmp_path, {"walker_at": text})) == [
        f'manifest.csv row 2, column walker_at: found "{text}"; expected seconds, x and y with spaces between, '
        "as 2.0 640 410."
    ]


def test_semicolons_byte_order_mark_and_decimal_commas_of_a_spreadsheet_are_read(tmp_path: Path) -> None:
    text = (
        "\ufeff" + HEADER.replace(",", ";") + ";;\r\n"
        'P01;01;2026-03-14;clips/walk.mp4;sagittal;left;1,72;2,5;412,5;"heel; softer";;\r\n;;;;;;;;;;;\r\n'
    )
    (tmp_path / "manifest.csv").write_bytes(text.encode("utf-8"))
    (clip,) = read_manifest(tmp_path)
    assert (clip.height_m, clip.known_length_m, clip.known_length_px) == (1.72, 2.5, 412.5)
    assert clip.changes == "heel; softer"


def test_columns_may_stand_in_any_order(tmp_path: Path) -> None:
    names = list(reversed(NEEDED_NAMES))
    text = ",".join(names) + "\n" + ",".join(GOOD[name] for name in names) + "\n"
    (tmp_path / "manifest.csv").write_text(text, encoding="utf-8")
    assert read_manifest(tmp_path) == read_manifest(study(tmp_path, {}))


def test_clip_without_its_file_is_no_problem_of_the_manifest(tmp_path: Path) -> None:
    (clip,) = read_manifest(study(tmp_path, {}))
    assert not clip.path.exists()


INSIDE = "expected a path inside the study folder, as clips/P01-01-side.mp4."


@pytest.mark.parametrize(
    ("column", "cell", "text"),
    [
        ("subject", "Jane Doe", 'found "Jane Doe"; expected letters and digits only, as P01.'),
        ("subject", "", 'found ""; expected letters and digits only, as P01.'),
        ("visit", "../1", 'found "../1"; expected letters and digits only, as P01.'),
        ("date", "14.03.2026", 'found "14.03.2026"; expected a day as 2026-03-14.'),
        ("date", "2026-02-30", 'found "2026-02-30"; expected a day as 2026-03-14.'),
        ("date", "20260314", 'found "20260314"; expected a day as 2026-03-14.'),
        ("view", "side", 'found "side"; allowed: sagittal, anterior, posterior.'),
        (
            "view",
            "Sagital",
            'found "Sagital"; allowed: sagittal, anterior, posterior. Did you mean sagittal?',
        ),
        ("prosthetic_side", "Left", 'found "Left"; allowed: left, right, both, none. Did you mean left?'),
        ("prosthetic_side", "", 'found ""; allowed: left, right, both, none.'),
        ("height_m", "172", 'found "172"; expected a number from 0.5 to 2.5 [m].'),
        ("height_m", "0", 'found "0"; expected a number from 0.5 to 2.5 [m].'),
        ("height_m", "-1.7", 'found "-1.7"; expected a number from 0.5 to 2.5 [m].'),
        ("height_m", "nan", 'found "nan"; expected a number from 0.5 to 2.5 [m].'),
        ("height_m", "1.72 m", 'found "1.72 m"; expected a number from 0.5 to 2.5 [m].'),
        ("known_length_px", "0", 'found "0"; expected a number from 5 to 10000 [px].'),
        ("known_length_px", "", "known_length_m is given but this is empty; expected both or neither."),
        ("known_length_m", "", "known_length_px is given but this is empty; expected both or neither."),
        ("clip", "", f'found ""; {INSIDE}'),
        ("clip", "/walk.mp4", f'found "/walk.mp4"; {INSIDE}'),
        ("clip", "C:/walk.mp4", f'found "C:/walk.mp4"; {INSIDE}'),
        ("clip", "clips/../../walk.mp4", f'found "clips/../../walk.mp4"; {INSIDE}'),
        ("clip", "clips\\walk.mp4", 'found "clips\\walk.mp4"; expected / between folders.'),
        ("clip", "walk 1.mp4", 'found the name "walk 1.mp4"; expected letters, digits, - and _ only.'),
        ("clip", "clips/Frames.mp4", 'found the name "Frames.mp4"; it is taken by the results.'),
    ],
)
def test_wrong_cell_is_named_with_its_row_and_column(tmp_path: Path, column: str, cell: str, text: str) -> None:
    rows = [{"clip": "clips/a.mp4"}, {"subject": "P02", "clip": "clips/b.mp4"} | {column: cell}]
    assert problems_of(study(tmp_path, *rows)) == [f"manifest.csv row 3, column {column}: {text}"]


def test_rows_are_counted_as_a_spreadsheet_does(tmp_path: Path) -> None:
    # Row 2 holds a line break inside quotes, row 3 is empty: the wrong cell stands in row 4.
    text = "\n".join(
        [
            HEADER,
            'P01,01,2026-03-14,a.mp4,sagittal,left,,,,"heel softer\nfoot turned out"',
            ",,,,,,,,,",
            "P01,01,2026-03-14,b.mp4,front,left,,,,",
        ]
    )
    (tmp_path / "manifest.csv").write_text(text, encoding="utf-8")
    assert problems_of(tmp_path) == [
        'manifest.csv row 4, column view: found "front"; allowed: sagittal, anterior, posterior.'
    ]


def test_link_that_leads_outside_is_refused(tmp_path: Path) -> None:
    inside, outside = tmp_path / "study", tmp_path / "outside"
    inside.mkdir()
    outside.mkdir()
    (inside / "clips").symlink_to(outside, target_is_directory=True)
    assert problems_of(study(inside, {})) == [
        f'manifest.csv row 2, column clip: "clips/walk.mp4" is a link that leads outside; {INSIDE}'
    ]


def test_clips_that_stand_twice_are_named_with_both_rows(tmp_path: Path) -> None:
    rows = [{}, {"view": "anterior"}, {"clip": "other/WALK.mov"}]
    assert problems_of(study(tmp_path, *rows)) == [
        'manifest.csv row 3, column clip: "clips/walk.mp4" stands already in row 2.',
        'manifest.csv row 4, column clip: "other/WALK.mov" has the same file name as "clips/walk.mp4" '
        "in row 2; expected a different one.",
    ]


def test_rows_of_one_visit_must_agree(tmp_path: Path) -> None:
    rows = [
        {"changes": ""},
        {"clip": "b.mp4", "changes": "heel softer"},
        {
            "clip": "c.mp4",
            "date": "2026-03-15",
            "prosthetic_side": "right",
            "height_m": "1.80",
            "changes": "foot turned",
        },
        {"clip": "d.mp4", "visit": "02", "date": "2026-04-01", "prosthetic_side": "right"},
        {"clip": "e.mp4", "subject": "p01", "visit": "03"},
    ]
    assert problems_of(study(tmp_path, *rows)) == [
        'manifest.csv row 4, column date: found "2026-03-15"; row 2 of the same visit has "2026-03-14".',
        'manifest.csv row 4, column prosthetic_side: found "right"; row 2 of the same visit has "left".',
        'manifest.csv row 4, column height_m: found "1.8"; row 2 of the same visit has "1.72".',
        'manifest.csv row 4, column changes: found "foot turned"; row 3 of the same visit has "heel softer".',
        'manifest.csv row 6, column subject: found "p01"; row 2 of the same person has "P01".',
    ]


def test_columns_are_checked_before_any_cell(tmp_path: Path) -> None:
    header = HEADER.replace("visit", "visits").replace(",height_m", "").replace("changes", "view,clothes")
    (tmp_path / "manifest.csv").write_text(f"{header}\n1,2,3\n", encoding="utf-8")
    known = ", ".join(COLUMN_NAMES)
    assert problems_of(tmp_path) == [
        'manifest.csv row 1: column "visits" is unknown; did you mean visit?',
        'manifest.csv row 1: column "view" stands 2 times.',
        f'manifest.csv row 1: column "clothes" is unknown; known: {known}.',
        'manifest.csv row 1: column "visit" is missing; expected letters and digits.',
        'manifest.csv row 1: column "height_m" is missing; expected 0.5 to 2.5, cells may be empty.',
        'manifest.csv row 1: column "changes" is missing; expected any text, cells may be empty.',
    ]


def test_separator_in_a_text_without_quotes_is_explained(tmp_path: Path) -> None:
    assert problems_of(study(tmp_path, {"changes": "socket, heel"})) == [
        'manifest.csv row 2: found 11 cells; expected 10. Text that holds the separator needs quotes: "socket, heel".'
    ]


HELP = "`strideledger manifest` lists the columns and what goes into them."


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (
            None,
            f"manifest.csv: no such file in the study folder; expected columns: {', '.join(NEEDED_NAMES)}. {HELP}",
        ),
        (b"", f"manifest.csv: is empty; expected columns: {', '.join(NEEDED_NAMES)}. {HELP}"),
        (
            HEADER.encode() + b"\n",
            f"manifest.csv: no clips are listed; expected one row for each clip. {HELP}",
        ),
        (
            "Größe".encode("cp1252"),
            "manifest.csv: is not UTF-8 text; expected a table with commas or "
            'semicolons. Save it from the spreadsheet as "CSV UTF-8".',
        ),
        (
            HEADER.encode() + b'\n"P01',
            f"manifest.csv: is not a table (unexpected end of data); expected one row for each clip. {HELP}",
        ),
    ],
)
def test_file_that_is_no_manifest_is_explained(tmp_path: Path, content: bytes | None, message: str) -> None:
    if content is not None:
        (tmp_path / "manifest.csv").write_bytes(content)
    with pytest.raises(ManifestError) as caught:
        read_manifest(tmp_path)
    assert str(caught.value) == message


def test_study_that_is_no_folder_is_explained(tmp_path: Path) -> None:
    with pytest.raises(ManifestError) as caught:
        read_manifest(tmp_path / "studdy")
    assert str(caught.value) == f"studdy: no such folder; expected a study folder with manifest.csv. {HELP}"


@given(cells=some.fixed_dictionaries({name: some.text(max_size=12) for name in COLUMN_NAMES}))
def test_any_cells_give_a_clip_or_a_reason(cells: dict[str, str]) -> None:
    row = ManifestRow(2, cells, ",")
    clip = row.clip(Path("study"))
    assert (clip is None) == bool(row.problems)


def test_level_and_aid_are_optional_and_of_the_visit(tmp_path: Path) -> None:
    rows = (
        {"clip": "a.mp4", "level": "knee disarticulation", "aid": "stick"},
        {"clip": "b.mp4"},
        {"clip": "c.mp4", "subject": "P02", "prosthetic_side": "both", "level": "transfemoral / transtibial"},
    )
    clips = read_manifest(study(tmp_path, *rows))
    assert [clip.levels for clip in clips] == [("knee disarticulation",), (), ("transfemoral", "transtibial")]
    assert [clip.aid for clip in clips] == ["stick", None, None]


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        ({"level": "transfemorall"}, 'column level: found "transfemorall"; allowed: partial foot'),
        (
            {"level": "transfemoral / transtibial"},
            'column level: found "transfemoral / transtibial"; expected one level.',
        ),
        ({"level": "transtibial", "prosthetic_side": "both"}, "expected two, left / right."),
        ({"level": "transtibial", "prosthetic_side": "none"}, "expected nothing without a prosthesis."),
        ({"aid": "sticks"}, "Did you mean stick?"),
    ],
)
def test_a_wrong_level_or_aid_says_what_was_expected(tmp_path: Path, row: dict[str, str], problem: str) -> None:
    (found,) = problems_of(study(tmp_path, row))
    assert problem in found


def test_footwear_is_optional_free_text_and_of_the_visit(tmp_path: Path) -> None:
    rows = ({"clip": "a.mp4", "footwear": " own   trainers "}, {"clip": "b.mp4"})
    assert [clip.footwear for clip in read_manifest(study(tmp_path, *rows))] == ["own trainers", ""]
    assert [clip.footwear for clip in read_manifest(study(tmp_path, {}))] == [""]
    rows = (rows[0], {"clip": "b.mp4", "footwear": "clinic shoes"}, {"clip": "c.mp4", "footwear": "x" * 61})
    assert problems_of(study(tmp_path, *rows)) == [
        "manifest.csv row 4, column footwear: found 61 characters; expected up to 60.",
        'manifest.csv row 3, column footwear: found "clinic shoes"; row 2 of the same visit has "own trainers".',
    ]


def test_level_and_aid_of_one_visit_must_agree(tmp_path: Path) -> None:
    rows = ({"clip": "a.mp4", "aid": "stick"}, {"clip": "b.mp4", "aid": "crutch"})
    (found,) = problems_of(study(tmp_path, *rows))
    assert found == 'manifest.csv row 3, column aid: found "crutch"; row 2 of the same visit has "stick".'


def test_clips_of_one_person_or_visit_are_chosen(tmp_path: Path) -> None:
    rows = [("P01", "01", "a"), ("P01", "02", "b"), ("P02", "01", "c")]
    cells = [{"subject": subject, "visit": visit, "clip": f"{clip}.mp4"} for subject, visit, clip in rows]
    clips = read_manifest(str(study(tmp_path, *cells)))
    assert [one.clip_id for one in clips_of(clips, None, None)] == ["a", "b", "c"]
    assert [one.clip_id for one in clips_of(clips, "P01", None)] == ["a", "b"]
    assert [one.clip_id for one in clips_of(clips, None, "01")] == ["a", "c"]
    assert [one.clip_id for one in clips_of(clips, "P01", "02")] == ["b"]
    with pytest.raises(ManifestError) as caught:
        clips_of(clips, "P02", "02")
    assert str(caught.value) == (
        "manifest.csv: has no clip of subject P02 visit 02; expected one of: P01-01, P01-02, P02-01."
    )
