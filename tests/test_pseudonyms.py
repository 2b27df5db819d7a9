"""Subject ids that may tell who it is are named in words and not refused; columns that do are refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import ManyProblems
from pipeline.manifest import read_manifest
from pipeline.pseudonyms import pseudonym_cautions
from tests.studies import make_study, run_command


def cautions(folder: Path, subject: str) -> list[str]:
    return pseudonym_cautions(
        read_manifest(make_study(folder / "study", {"a.mp4": "01", "b.mp4": "02"}, subject=subject))
    )


@pytest.mark.parametrize(
    ("subject", "looks_like"),
    [
        ("JohnSmith", "a name"),
        ("Smith01", "a name"),
        ("SMITHJ", "a name"),
        ("P01anna", "a name"),
        # The same day in the orders in which it is written; with two digits it may be one of 1949 too.
        ("P19490307", "a date of birth"),
        ("07031949", "a date of birth"),
        ("X070349", "a date of birth"),
        ("490307", "a date of birth"),
        ("P4711081512", "the number of a record"),
    ],
)
def test_an_id_that_may_tell_who_it_is_is_named_once(tmp_path: Path, subject: str, looks_like: str) -> None:
    assert cautions(tmp_path, subject) == [
        f'manifest.csv, column subject: "{subject}" looks like {looks_like}; a pseudonym is expected, as P01. It names '
        "folders and stands on every page: change it before you pass results on, and run again into an empty folder."
    ]


@pytest.mark.parametrize(
    "subject", ["P01", "S003", "TFA12", "subject7", "Patient12", "pilot2", "control04", "991399", "A1B2C3"]
)
def test_a_usual_pseudonym_passes_without_a_word(tmp_path: Path, subject: str) -> None:
    assert cautions(tmp_path, subject) == []


def test_check_and_run_say_it_and_go_on(tmp_path: Path) -> None:
    make_study(tmp_path / "study", {"a.mp4": "01"}, subject="JohnSmith")
    for arguments in (("check", "study"), ("run", "study", "--out", "out", "--pictures", "none")):
        done = run_command(*arguments, folder=tmp_path)
        assert done.returncode == 1
        assert 'caution: manifest.csv, column subject: "JohnSmith" looks like a name;' in done.stderr
        assert "clip a: no such file" in done.stdout


@pytest.mark.parametrize("column", ["name", "last_name", "Surname", "birth_date", "dob", "patient", "email", "MRN"])
def test_a_column_that_says_who_it_is_is_refused_and_nothing_of_it_repeated(tmp_path: Path, column: str) -> None:
    path = make_study(tmp_path / "study", {"a.mp4": "01"}) / "manifest.csv"
    header, row = path.read_text(encoding="utf-8").splitlines()
    path.write_text(f"{header},{column}\n{row},Ada Example\n", encoding="utf-8")
    with pytest.raises(ManyProblems) as caught:
        read_manifest(tmp_path / "study")
    assert caught.value.problems == (
        f'manifest.csv row 1: column "{column}" is unknown; take it out: nothing here may tell who it is; '
        "the pseudonym goes into subject.",
    )
