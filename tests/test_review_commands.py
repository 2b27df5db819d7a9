"""The commands about corrections, as a user gives them: whole messages, nothing half recorded."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import ManifestError, ManyProblems, PipelineError
from pipeline.review import ACTIONS, SHORT_ID
from pipeline.review_files import read_corrections
from pipeline.review_requests import Request, record
from pipeline.review_saved import clip_events
from pipeline.review_table import ASKED, LISTED, read_requests
from tests import review_fixture
from tests.review_fixture import SmallStudy

HEADER = ",".join(column.name for column in ASKED)
HELP = "`strideledger corrections RESULTS --template FILE` writes a file with the right columns."
Run = Callable[..., tuple[int, str]]


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> SmallStudy:
    folder = tmp_path_factory.mktemp("commands")
    with pytest.MonkeyPatch.context() as patch:
        study = review_fixture.small_study(folder, patch)
        study.run()
    return study


@pytest.fixture
def results(measured: SmallStudy) -> Path:
    """The results without a record."""
    for path in measured.results.glob("sub-*/ses-*/corrections/*.json"):
        path.unlink()
    return measured.results


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str | Path) -> tuple[int, str]:
        done = CliRunner().invoke(app, [str(one) for one in arguments])
        if isinstance(done.exception, PipelineError):
            return 2, str(done.exception)
        return done.exit_code, done.output

    return call


def contacts(results: Path) -> list[float]:
    events = clip_events(results, "P01", "01", "a-side")
    return events.loc[(events["side"] == "left") & (events["kind"] == "contact"), "time_s"].tolist()


def write(folder: Path, *rows: str, header: str = HEADER) -> Path:
    path = folder / "mine.csv"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def saved(results: Path) -> list[str]:
    return [one.action for one in read_corrections(results / "sub-P01/ses-01").records]


def test_a_file_with_every_action_is_recorded_once(results: Path, run: Run, tmp_path: Path) -> None:
    first, second, third, *_ = contacts(results)
    path = write(
        tmp_path,
        f"P01,01,move event,a-side,left,contact,{first:.2f},{first + 0.2:.2f},,,,AB,later",
        f"P01,01,delete event,a-side,left,contact,{second:.2f},,,,,AB,none there",
        f"P01,01,exclude stride,a-side,left,,{third:.2f},,,,,AB,stumbled",
        "P01,01,swap legs,b-side,,,1.0,2.0,,,,AB,wrong way round",
        "P01,01,overrule verdict,,,,,,vaulting,present,,AB,seen by eye",
    )
    code, text = run("correct", results, path)
    assert (code, text.count("recorded 2")) == (0, 5)
    assert "corrections recorded: 5\nApply with `strideledger run STUDY --out" in text
    actions = ["move event", "delete event", "exclude stride", "swap legs", "overrule verdict"]
    assert saved(results) == actions
    code, text = run("correct", results, path)
    assert (code, saved(results)) == (0, actions)
    assert text.count("recorded before as") == 5
    assert text.endswith("corrections recorded: 0\n")
    (moved, *_) = read_corrections(results / "sub-P01/ses-01").records
    # The file names the event to a hundredth of a second; the record holds the event itself.
    assert moved.old_s == moved.found_s == pytest.approx(first, abs=1e-9)


def test_what_a_full_disk_left_out_is_recorded_by_the_same_command(
    results: Path, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second, *_ = contacts(results)
    path = write(
        tmp_path,
        f"P01,01,move event,a-side,left,contact,{first:.2f},{first + 0.2:.2f},,,,AB,later",
        f"P01,01,delete event,a-side,left,contact,{second:.2f},,,,,AB,none there",
        "P01,01,overrule verdict,,,,,,vaulting,present,,AB,seen by eye",
    )
    with monkeypatch.context() as patch:
        review_fixture.fill_disk(patch, after=1)
        assert run("correct", results, path) == (
            2,
            "corrections: 1 of 3 were recorded, then one could not be written (No space left on device). Check free "
            "space and the right to write into the results, then do the same again; nothing is doubled.",
        )
    assert saved(results) == ["move event"]
    code, text = run("correct", results, path)
    assert code == 0 and text.count("nothing added") == 1 and "corrections recorded: 2" in text
    assert saved(results) == ["move event", "delete event", "overrule verdict"]


def test_a_spreadsheet_with_semicolons_and_decimal_commas_is_read(results: Path, run: Run, tmp_path: Path) -> None:
    time = f"{contacts(results)[0]:.2f}".replace(".", ",")
    row = f"P01;01;delete event;a-side;left;contact;{time};;;;;AB;no contact, a scuff"
    assert run("correct", results, write(tmp_path, row, header=HEADER.replace(",", ";")))[0] == 0
    assert [one.reason for one in read_corrections(results / "sub-P01/ses-01").records] == ["no contact, a scuff"]


def test_all_mistakes_are_told_and_nothing_is_recorded(results: Path, run: Run, tmp_path: Path) -> None:
    there = ", ".join(f"{one:.2f}" for one in contacts(results))
    first = contacts(results)[0]
    start, end = "0.00", "5.98"
    path = write(
        tmp_path,
        f"P01,01,delete event,a-side,left,contact,{first:.2f},,,,,AB,right one",
        "P01,01,delete,a-side,left,contact,1.0,,,,,AB,x",
        "P01,01,delete event,a-side,lef,contact,one,,,,,AB,x",
        "P01,01,delete event,a-side,left,contact,99,,,,,AB,x",
        "P01,03,delete event,a-side,left,contact,1.0,,,,,AB,x",
        "P01,01,delete event,a-sid,left,contact,1.0,,,,,AB,x",
        "P01,01,overrule verdict,,,,,,vaultin,present,,AB,x",
        "P01,01,overrule verdict,,,,,,vaulting,,,AB,x",
        f"P01,01,add event,a-side,left,contact,{first + 0.05:.2f},,,,,AB,x",
        "P01,01,add event,a-side,left,contact,99,,,,,AB,x",
        "P01,01,swap legs,a-side,,,2.0,1.0,,,,AB,x",
        "P01,01,undo,,,,,,,,abcdef,AB,x",
        "P01,01,exclude stride,a-side,left,,,,,,,AB,x",
        "P01,01,overrule verdict,,,,,,vaulting,present,,A B,x",
        "P01,01,overrule verdict,,,,,,vaulting,present,,AB,",
    )
    code, text = run("correct", results, path)
    assert (code, saved(results)) == (2, [])
    problems = [line.strip() for line in text.splitlines()[1:-1]]
    assert text.splitlines()[0] == "corrections: 15 problems found."
    assert text.splitlines()[-1] == "Nothing was recorded."
    for part in (
        'mine.csv row 3, column action: found "delete"; allowed: move event, add event, delete event, swap legs, '
        "exclude stride, overrule verdict, undo, confirm. Did you mean delete event?",
        'mine.csv row 4, column limb: found "lef"; allowed: left, right. Did you mean left?',
        'mine.csv row 4, column time_s: found "one"; expected seconds from the clip\'s start, as 1.63.',
        f"mine.csv row 5, column time_s: no contact of the left foot lies within 0.1 s of 99.00 s; there are: {there}.",
        "mine.csv row 6, columns subject and visit: no sub-P01/ses-03; visits in the results: 2. "
        "Did you mean sub-P01/ses-02?",
        'mine.csv row 7, column clip: found "a-sid"; measured clips: a-side, b-side. Did you mean a-side?',
        "mine.csv row 9, column verdict: it is empty; expected present, borderline, not seen or cannot say.",
        f"mine.csv row 10, column time_s: the left foot has a contact at {first:.2f} s already; "
        f"expected none within 0.1 s of {first + 0.05:.2f} s.",
        f"mine.csv row 11, column time_s: 99.00 s lies in no straight walk of the clip ({start} to {end} s).",
        "mine.csv row 12, column to_s: it is no end of a span; expected a time after 2.00 s.",
        'mine.csv row 13, column record: found "abcdef"; expected the id of a record of this visit, or its last six '
        "letters. `strideledger corrections` lists them.",
        "mine.csv row 14, column time_s: it is empty; expected a time in the clip [s].",
        'mine.csv row 15, column initials: found "A B"; expected 1 to 8 letters and digits, as AB.',
        "mine.csv row 16, column reason: it is empty; expected why this is corrected, in a few words.",
    ):
        assert part in problems
    assert any(one.startswith('mine.csv row 8, column fault: found "vaultin"') for one in problems)


def test_columns_are_told_all_at_once(tmp_path: Path) -> None:
    path = write(tmp_path, "P01,01,undo,AB", header="subject,visit,actoin,by,by")
    with pytest.raises(ManyProblems) as problem:
        read_requests(path)
    assert problem.value.problems == tuple(
        f"{path.name} row 1: column {rest}"
        for rest in (
            '"actoin" is unknown; did you mean action?',
            f'"by" is unknown; known: {HEADER.replace(",", ", ")}.',
            f'"action" is missing; expected {", ".join(ACTIONS)}.',
            '"initials" is missing; expected 1 to 8 letters and digits.',
            '"reason" is missing; expected a few words.',
        )
    )


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"", "is empty"),
        (HEADER.encode() + b"\n", "holds no corrections"),
        (b"\xff\xfe\x00", "is not UTF-8 text"),
        (HEADER.encode() + b'\n"P01', "is not a table (unexpected end of data)"),
    ],
)
def test_what_is_no_table_is_told(tmp_path: Path, content: bytes, found: str) -> None:
    path = tmp_path / "mine.csv"
    path.write_bytes(content)
    with pytest.raises(ManifestError) as problem:
        read_requests(path)
    assert problem.value.found == found


def test_undoing_takes_the_short_name_of_a_record(results: Path, run: Run) -> None:
    (made,) = record(
        results, [Request("P01", "01", "overrule verdict", "AB", "x", fault="vaulting", verdict="present")]
    ).new
    code, text = run("undo", results, made.id[-SHORT_ID:], "--by", "CD", "--reason", "looked again")
    assert (code, saved(results)) == (0, ["overrule verdict", "undo"])
    code, text = run("undo", results, made.id, "--by", "CD", "--reason", "looked again")
    assert text.startswith("recorded before as ") and saved(results) == ["overrule verdict", "undo"]
    assert run("undo", results, "zzzzzz", "--by", "CD", "--reason", "x") == (
        2, "record zzzzzz: 0 of 2 records are called so; expected one. `strideledger corrections` lists them."
    )  # fmt: skip
    code, text = run("corrections", results, "P01")
    assert "undone: by record" in text and text.endswith("corrections: 2\n")
    code, text = run("confirm", results, made.id, "--by", "CD", "--reason", "x")
    assert code == 2 and "cannot be confirmed: undone by record" in text


def test_the_list_is_safe_for_a_spreadsheet_and_a_damaged_file_ends_with_code_1(
    results: Path, run: Run, tmp_path: Path
) -> None:
    asked = Request("P01", "01", "overrule verdict", "AB", "=cmd()", fault="vaulting", verdict="present")
    record(results, [asked])
    assert run("corrections", results, "--csv", "list.csv")[0] == 0
    with (tmp_path / "list.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert list(row) == [column.name for column in LISTED]
    assert (row["reason"], row["state"], row["old_verdict"]) == ("'=cmd()", "waiting", "not seen")
    (results / "sub-P01/ses-01/corrections/bad.json").write_text("{", encoding="utf-8")
    code, text = run("corrections", results)
    assert code == 1
    assert "cannot be read: sub-P01/ses-01/corrections/bad.json" in text


def test_a_template_is_never_written_over_a_file(results: Path, run: Run, tmp_path: Path) -> None:
    assert run("corrections", results, "--template", "mine.csv") == (0, "mine.csv\n")
    assert (tmp_path / "mine.csv").read_text(encoding="utf-8") == HEADER + "\n"
    code, text = run("corrections", results, "--template", "mine.csv")
    assert (code, text) == (
        2,
        "mine.csv: is there already; expected a new file. Give another name: what somebody filled in would be lost.",
    )


def test_a_folder_without_results_is_told(run: Run, tmp_path: Path) -> None:
    code, text = run("corrections", tmp_path / "nothing")
    assert code == 2 and "no visit with saved results" in text
    code, text = run("correct", tmp_path / "nothing", write(tmp_path, "P01,01,undo,,,,,,,,x,AB,x"))
    assert code == 2 and "no such folder" in text


@pytest.mark.parametrize("subject", ["**", "*", "", "P01/ses-01", "[P]01", "../sub-P01"])
def test_a_subject_that_is_no_pseudonym_is_told(results: Path, run: Run, subject: str) -> None:
    code, text = run("corrections", results, subject)
    assert (code, text) == (
        2,
        f"subject: found '{subject}'; expected a pseudonym of letters and digits. "
        "Without a subject all corrections are listed.",
    )


def test_the_stance_after_the_last_contact_can_be_left_out(results: Path) -> None:
    strides = contacts(results)
    asked = Request("P01", "01", "exclude stride", "AB", "x", clip_id="a-side", side="left", time_s=strides[-1])
    # The stance after the last contact is read by some measures, so that it can be left out too.
    assert record(results, [asked]).new[0].found_s == pytest.approx(strides[-1])
