"""Everything of one person taken out of results: what goes, what stays to the byte, and the search that proves it."""

from __future__ import annotations

import base64
import csv
import gzip
import hashlib
import io
import json
import os
import re
import shutil
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from typer.testing import CliRunner

from pipeline import forget as forgetting
from pipeline.batch import run_study
from pipeline.cli import app
from pipeline.errors import ConfigError
from pipeline.forget import Forgotten, forget_subject
from pipeline.forget_plan import plan_forget
from pipeline.manifest_row import COLUMN_NAMES
from pipeline.name_search import search_folder
from pipeline.person_names import Names, Pattern
from pipeline.rebuild import make_study_page, rebuild_reports
from pipeline.results_lock import LOCK_NAME, hold_results
from pipeline.store import write_arrays, write_json, write_text
from pipeline.study_tables import study_tables
from pipeline.thresholds import load_limits
from tests.standins import behave_as_named, report_plainly
from tests.studies import quick_settings

# As a name of its own, and not in the clip of somebody else.
OWN = re.compile(rb"(?<![A-Za-z0-9])(?<!cross-)P1(?![A-Za-z0-9])")
CLIPS = {
    "clips/P1-01-side.mp4": ("P1", "01"),
    "clips/walk.mp4": ("P1", "02"),
    "clips/P1-02-refuse.mp4": ("P1", "02"),
    "clips/P10-01-side.mp4": ("P10", "01"),
    "clips/cross-P1-side.mp4": ("P10", "01"),
}


def make_manifest(folder: Path) -> Path:
    folder.mkdir()
    with (folder / "manifest.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMN_NAMES, restval="")
        writer.writeheader()
        for clip, (subject, visit) in CLIPS.items():
            cells = {"subject": subject, "visit": visit, "clip": clip, "date": f"2026-03-{visit}"}
            writer.writerow(cells | {"view": "sagittal", "prosthetic_side": "left"})
    return folder


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_manifest(tmp_path_factory.mktemp("forget") / "study")


@pytest.fixture(scope="module")
def measured(study: Path) -> Path:
    """Results of P1 and P10, made by a real run with stand-ins for the measurement, and what else a folder holds."""
    out = study.parent / "results"
    run_study(study, out, settings=quick_settings(), clip_work=behave_as_named, visit_work=report_plainly)
    for subject in ("P1", "P10"):
        visit = out / f"sub-{subject}/ses-01"
        page = base64.b64encode(np.random.default_rng(7).bytes(200_000)).decode()
        write_text(visit / "visit.html", f'<title>{subject}-01</title><img src="data:image/webp;base64,{page}">')
        write_arrays(visit / "curves.npz", {"stride_id": np.array([f"{subject}-01-side_L1"]), "knee": np.arange(9.0)})
        write_text(visit / "corrections/20260301T000000Z_ab.json", "{}")
        write_text(visit / "frames/vaulting-1.jpg", "a picture")
    return out


@pytest.fixture
def out(measured: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(measured, tmp_path / "results", symlinks=True))


def hashes(folder: Path) -> dict[str, str]:
    files = sorted(
        path for path in folder.rglob("*") if path.is_file() and path.name != LOCK_NAME and not path.is_symlink()
    )
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def own_names(folder: Path) -> list[str]:
    """Files that name P1 by a search of the test's own, pictures in pages left out."""
    found = []
    for path in sorted(folder.rglob("*")):
        data = path.read_bytes() if path.is_file() else b""
        if OWN.search(re.sub(rb"base64,[^\"]+", b"", data)) or OWN.search(path.name.encode()):
            found.append(path.relative_to(folder).as_posix())
    return found


def run_of(out: Path) -> Path:
    (run,) = (out / "runs").iterdir()
    return run


# --- what goes and what stays


def test_everything_of_the_person_goes_and_is_proved(out: Path) -> None:
    assert {"study.html", "sub-P1", f"runs/{run_of(out).name}/log.txt"} <= set(own_names(out))
    before = hashes(out / "sub-P10")
    done = forget_subject(out, "P1")
    assert done.is_clean and own_names(out) == []
    assert hashes(out / "sub-P10") == before
    assert sorted(path.name for path in out.iterdir()) == [
        ".in-use",
        "record.json",
        "runs",
        "study.html",
        "study.pdf",
        "sub-P10",
    ]
    words = " ".join(page.extract_text() for page in PdfReader(out / "study.pdf").pages)
    assert "P10" in words and not OWN.search(words.encode())
    assert set(study_tables(out).visits["subject"]) == {"P10"}
    plan = done.plan
    assert (plan.visits, plan.corrections, plan.pictures) == (("sub-P1/ses-01", "sub-P1/ses-02"), 1, 1)
    everything = [path for path in out.rglob("*") if path.is_file()]
    assert done.searched.files == len(everything)
    # While it is held, the folder says by whom.
    held = done.searched.size_bytes - sum(path.stat().st_size for path in everything)
    assert 0 < held < 200


def test_rows_and_entries_of_others_stay_to_the_byte(out: Path) -> None:
    run = run_of(out)
    table, log, record = ((run / name).read_bytes() for name in ("clips.csv", "log.txt", "run.json"))
    done = forget_subject(out, "P1")
    own = (b"P1-01-side,", b"walk,", b"P1-02-refuse,")
    kept = [line for line in table.splitlines(keepends=True) if not line.startswith(own)]
    assert (run / "clips.csv").read_bytes() == b"".join(kept) and len(kept) == 3
    about = re.compile(rb"^\S+ (clip (P1-|walk )|visit P1-|subject P1:)")
    entries = [entry for entry in re.split(rb"(?m)^(?=2\d{3}-)", log) if entry and not about.match(entry)]
    after = (run / "log.txt").read_bytes()
    assert after.startswith(b"".join(entries))
    assert after.decode().splitlines()[-1].endswith("a person was forgotten: rows of tables 5, entries of this log 8")
    # A message about the page of the person's visits loses the name; all else stays.
    before, now = json.loads(record), json.loads((run / "run.json").read_bytes())
    assert before.pop("messages").keys() != now.pop("messages").keys() and before == now
    assert [(one.rows, one.entries) for one in done.runs] == [(5, 8)]


def test_a_name_in_a_record_of_others_is_replaced(out: Path) -> None:
    run = run_of(out)
    record = json.loads((run / "run.json").read_text())
    record["run"]["causes_file"] = "causes_P1.toml"
    (run / "run.json").write_text(json.dumps(record))
    with (run / "log.txt").open("a") as log:
        log.write("2026-03-01T00:00:00Z clip P10-01-side done after 1.0 s. as P1, unlike P10 and cross-P1-side\n")
    assert forget_subject(out, "P1").is_clean
    assert json.loads((run / "run.json").read_text())["run"]["causes_file"] == "causes_[removed].toml"
    assert (
        "clip P10-01-side done after 1.0 s. as [removed], unlike P10 and cross-P1-side\n"
        in (run / "log.txt").read_text()
    )


def test_what_killed_writes_and_runs_left_goes(out: Path) -> None:
    left = [out / ".study.html.ab12.part", run_of(out) / ".clips.csv.ab12.part"]
    for path in left:
        path.write_text("P1")
    (run_of(out) / ".jobs-ab12/x").mkdir(parents=True)
    (run_of(out) / ".jobs-ab12/x/output").write_text("P1")
    (out / ".cluster-ab12/1").mkdir(parents=True)
    (out / ".cluster-ab12/1/0f").write_text("P1")
    assert forget_subject(out, "P1").is_clean
    assert not any(path.exists() for path in left) and not (run_of(out) / ".jobs-ab12").exists()
    assert not (out / ".cluster-ab12").exists()


def test_with_the_last_person_the_study_s_pages_go(out: Path) -> None:
    forget_subject(out, "P1")
    done = forget_subject(out, "P10")
    assert done.is_clean and done.page is None and not done.page_message
    assert sorted(path.name for path in out.iterdir()) == [".in-use", "record.json", "runs"]


def test_what_killed_writes_of_a_clip_s_log_left_goes(out: Path) -> None:
    left = run_of(out) / "clips/.P1-01-side.log.ab12.part"
    write_text(left, "P1")
    assert forget_subject(out, "P1").is_clean and not left.exists()


def test_nothing_is_changed_through_links_in_the_results(out: Path, tmp_path: Path) -> None:
    theirs, run = tmp_path / "elsewhere", run_of(out)
    for name in ("evil/.jobs-x/file", "clips/P1-01-side.log", "log.txt"):
        write_text(theirs / name, "theirs")
    shutil.rmtree(run / "clips", ignore_errors=True)
    (run / "log.txt").unlink()
    for link in (out / "runs/evil", run / "clips", run / "log.txt"):
        link.symlink_to(theirs / link.name)
    before = {path: path.read_text() for path in theirs.rglob("*") if path.is_file()}
    assert len(before) == 3
    forget_subject(out, "P1")
    assert {path: path.read_text() for path in theirs.rglob("*") if path.is_file()} == before


def test_clips_whose_names_nobody_knows_are_asked_for(out: Path) -> None:
    """The folder was deleted by hand: the records of runs still name clips, which no person stands beside."""
    shutil.rmtree(out / "sub-P1")
    with pytest.raises(ConfigError, match=r"names of the person's clips.*--study"):
        forget_subject(out, "P1")
    assert b"P1-01-side" in (run_of(out) / "clips.csv").read_bytes()


@pytest.mark.skipif(os.name != "posix", reason="names of files are bytes here")
def test_a_folder_whose_name_is_no_text_goes_too(out: Path) -> None:
    (out / "sub-P1/ses-01" / os.fsdecode(b"Gr\xfc\xdfe")).mkdir()
    assert forget_subject(out, "P1").is_clean
    assert not (out / "sub-P1").exists()


def test_a_damaged_note_of_an_earlier_attempt_does_not_stop_the_next(out: Path) -> None:
    """As a power cut may leave it."""
    (out / "forgetting-P1.json").write_bytes(b"")
    assert forget_subject(out, "P1").is_clean and not (out / "forgetting-P1.json").exists()


def test_an_attempt_that_was_cut_off_is_finished_though_the_person_had_no_clips(out: Path) -> None:
    shutil.rmtree(out / "sub-P1")
    write_json(out / "forgetting-P1.json", Names("P1", ("01",)))
    assert forget_subject(out, "P1").plan.resumed


@pytest.mark.parametrize(
    ("start", "unread"), [(b"SQLite format 3\0", True), (b"\x89PNG\r\n\x1a\n\0", False), (b"\0\0\0\x18ftypmp42", False)]
)
def test_a_short_name_is_not_said_to_be_gone_from_a_file_of_an_unknown_kind(
    out: Path, start: bytes, unread: bool
) -> None:
    (out / "export").write_bytes(start + b"\0\0P1\0\0")
    done = forget_subject(out, "P1")
    assert done.is_clean is not unread
    assert ("export" in done.searched.unread) is unread


def test_a_lock_that_is_a_link_is_refused(out: Path, tmp_path: Path) -> None:
    write_text(tmp_path / "victim.txt", "theirs")
    (out / LOCK_NAME).unlink()
    (out / LOCK_NAME).symlink_to(tmp_path / "victim.txt")
    with pytest.raises(ConfigError, match=r"\.in-use.*is a link"):
        forget_subject(out, "P1")
    assert (tmp_path / "victim.txt").read_text() == "theirs"


def test_pages_are_not_made_again_while_somebody_is_forgotten(out: Path) -> None:
    """They would bring back what was deleted."""
    with hold_results(out, "forget"), pytest.raises(ConfigError, match="in use by `strideledger forget`"):
        rebuild_reports(out)


def test_links_are_deleted_and_not_followed(out: Path, tmp_path: Path) -> None:
    outside = tmp_path / "elsewhere"
    write_text(outside / "walk.mp4", "theirs")
    (out / "sub-P1/ses-01/video").symlink_to(outside)
    (out / "sub-P1/ses-09").symlink_to(outside)
    (out / "runs/kept").symlink_to(outside)
    done = forget_subject(out, "P1")
    assert done.plan.links == ("sub-P1/ses-01/video", "sub-P1/ses-09")
    assert (outside / "walk.mp4").read_text() == "theirs" and not (out / "sub-P1").exists()


# --- the proof


def test_what_still_holds_a_name_is_told_until_it_is_gone(out: Path) -> None:
    page = out / "sub-P10/ses-01/visit.txt"
    page.write_text("Heel cushion as for P1 last week.\n")
    done = forget_subject(out, "P1")
    assert not done.is_clean and done.searched.found == {"sub-P10/ses-01/visit.txt": ("P1",)}
    assert page.read_text() == "Heel cushion as for P1 last week.\n"
    assert json.loads((out / "forgetting-P1.json").read_text())["subject"] == "P1"
    assert not forget_subject(out, "P1").is_clean
    page.write_text("Heel cushion as before.\n")
    assert forget_subject(out, "P1").is_clean and not (out / "forgetting-P1.json").exists()
    with pytest.raises(ConfigError, match="holds nothing of"):
        forget_subject(out, "P1")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("P1", True),
        ("as P1, once", True),
        ("sub-P1/ses-01", True),
        ("P1-03-front", True),
        ("my_P1_notes.txt", True),
        ("P10", False),
        ("sub-P10", False),
        ("P1a", False),
        ("XP1", False),
        ("p1", False),
        ("cross-P1-side", False),
        ("clips/cross-P1-side.mp4", False),
        ("cross-P1-side-2", True),
        ("clip walk done", True),
        ("clips/walk.mp4", True),
        ("the walk was slow", False),
        ("clips/cakewalk.mp4", False),
    ],
)
def test_a_name_is_told_from_those_like_it(text: str, found: bool) -> None:
    names = Names("P1", ("01",), ("P1-01-side", "walk"), ("clips/P1-01-side.mp4", "clips/walk.mp4"))
    pattern = Pattern(names, ("P10", "P10-01", "cross-P1-side"))
    assert bool(pattern.in_text(text.encode())) == found
    assert pattern.narrow == ("walk",)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("2026-01-02 and 0.01 and 101", False),
        ("visit 01-02 done", True),
        ("2026-01-02T00:00:00Z", False),
        ('"subject": "01"', True),
        ("sub-01", True),
        ("sub-011", False),
    ],
)
def test_a_number_is_looked_for_only_as_the_results_write_it(text: str, found: bool) -> None:
    pattern = Pattern(Names("01", ("02",)))
    assert bool(pattern.in_text(text.encode())) == found and pattern.narrow == ("01",)


def test_a_word_of_the_pages_themselves_is_no_evidence() -> None:
    # The pages' styles say `size: A4`.
    pattern = Pattern(Names("A4", ("01",)))
    assert pattern.narrow == ("A4",) and not pattern.in_text(b"@page { size: A4 }")
    assert pattern.in_text(b"sub-A4/ses-01") and pattern.in_text(b"A4-01 done")


def test_a_clip_s_name_that_somebody_else_has_too_is_not_evidence() -> None:
    pattern = Pattern(Names("P1", ("01",), ("walk-1",), ("a/walk-1.mp4",)), ("walk-1",))
    assert pattern.shared == ("walk-1",) and not pattern.in_text(b"clip walk-1, a/walk-1.mp4")


def zipped(name: str, data: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(name, data)
    return buffer.getvalue()


def saved(*arrays: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    np.savez_compressed(buffer, *arrays)
    return buffer.getvalue()


TITLE = zlib.compress(b"/Title (P1-01-side)")
HELD: dict[str, bytes] = {
    "text": b"P1",
    "latin": b"caf\xe9 P1",
    "zip": zipped("a.txt", b"about P1"),
    "zip-name": zipped("P1.txt", b""),
    "zip-zip": zipped("b.zip", zipped("a.txt", b"about P1")),
    "npz": saved(np.array(["P1"])),
    "gzip": gzip.compress(b"about P1"),
    "pdf": b"%PDF-1.7\n1 0 obj\nstream\n" + TITLE + b"\nendstream",
    "utf-16": "about P1".encode("utf-16"),
    "binary": b"\0\1P1-01-side\0",
    "page": b'<img src="data:image/jpeg;base64,' + base64.b64encode(b"\0" * 900 + b"P1-01-side") + b'">',
}
# Letters that come about by chance, in pictures and numbers.
CHANCE = base64.b64encode(bytes(300)).replace(b"AAAA", b"A/P1", 1)
NOT_HELD: dict[str, bytes] = {
    "page": b'<img src="data:image/jpeg;base64,' + CHANCE + b'">',
    "numbers": b"\x93NUMPY\0 P1 \0",
    "pdf": b"%PDF-1.7\n/P1 12 Tf",
    "zip": zipped("a.txt", b"about P10"),
    "npz": saved(np.array(["P10"]), np.frombuffer(b" P1 " * 8, dtype=np.uint8)),
}


@pytest.mark.parametrize("name", HELD)
def test_names_are_found_in_what_is_packed(name: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(HELD[name])
    searched = search_folder(tmp_path, Pattern(Names("P1", ("01",), ("P1-01-side",))))
    assert [place.partition("!")[0] for place in searched.found] == ["file"], searched
    assert searched.files == 1 and not searched.unread


@pytest.mark.parametrize("name", NOT_HELD)
def test_letters_that_come_about_by_chance_are_no_name(name: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(NOT_HELD[name])
    assert search_folder(tmp_path, Pattern(Names("P1", ("01",), ("P1-01-side",)))).is_clean


def test_what_cannot_be_searched_is_told(out: Path) -> None:
    os.mkfifo(out / "pipe")
    (out / "broken.zip").write_bytes(b"PK\x03\x04 and no more")
    (out / "broken.gz").write_bytes(gzip.compress(bytes(900))[:-9])
    (out / "table.parquet").write_bytes(b"PAR1 and more PAR1")
    done = forget_subject(out, "P1")
    assert set(done.searched.unread) == {"pipe", "broken.zip", "broken.gz", "table.parquet"} and not done.is_clean


def test_names_of_folders_and_targets_of_links_are_searched(tmp_path: Path) -> None:
    (tmp_path / "tables-P1").mkdir()
    (tmp_path / "link").symlink_to("../sub-P1")
    searched = search_folder(tmp_path, Pattern(Names("P1")))
    assert searched.found == {"link": ("sub-P1",), "tables-P1": ("P1",)}


# --- cut off in the middle


def cut(name: str) -> Callable[..., None]:
    def stopped(*arguments: object, **_: object) -> None:
        if name == "_delete" and isinstance(arguments[0], Path) and arguments[0].is_dir():
            next(path for path in sorted(arguments[0].rglob("*")) if path.is_file()).unlink()
            raise KeyboardInterrupt
        if name != "_delete":
            raise KeyboardInterrupt

    return stopped


@pytest.mark.parametrize("step", ["_delete", "clean_run", "remove_leftovers", "make_study_page", "search_folder"])
def test_cut_off_anywhere_the_same_command_finishes(step: str, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = hashes(out / "sub-P10")
    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(forgetting, step, cut(step))
        forget_subject(out, "P1")
    # No reader takes what is left of the person for results, and no page shows them.
    assert set(study_tables(out).visits["subject"]) == {"P10"}
    assert "study.html" not in own_names(out)
    make_study_page(out, load_limits())
    assert "study.html" not in own_names(out)
    assert plan_forget(out, "P1").resumed
    assert forget_subject(out, "P1").is_clean and own_names(out) == []
    assert hashes(out / "sub-P10") == before


def test_before_anything_is_noted_nothing_has_changed(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = hashes(out)
    monkeypatch.setattr(forgetting, "write_json", cut("write_json"))
    with pytest.raises(KeyboardInterrupt):
        forget_subject(out, "P1")
    assert hashes(out) == before


# --- what is refused


def test_a_run_at_work_is_not_disturbed(out: Path) -> None:
    before = hashes(out)
    with hold_results(out, "run"), pytest.raises(ConfigError, match="in use by `strideledger run`"):
        forget_subject(out, "P1")
    assert hashes(out) == before


def test_logs_and_tables_of_a_run_and_the_watch_s_record_lose_the_person(out: Path) -> None:
    run = run_of(out)
    (run / "visits.csv").write_text("subject,visit,state,message\nP1,01,done,\nP10,01,done,\n")
    clips = ["P1-01-side", "P1-02-refuse"]
    shutil.rmtree(run / "clips")
    (run / "clips").mkdir()
    for name in (*clips, "another"):
        (run / "clips" / f"{name}.log").write_text(f"2026-03-01T10:00:00Z clip {name} started")
    (out / "watch.json").write_text('{"names": ["P1-side"]}')
    assert forget_subject(out, "P1").is_clean
    assert (run / "visits.csv").read_text() == "subject,visit,state,message\nP10,01,done,\n"
    assert [path.name for path in (run / "clips").iterdir()] == ["another.log"]
    assert not (out / "watch.json").exists()


def test_a_person_s_folder_that_is_a_link_is_refused(out: Path, tmp_path: Path) -> None:
    (out / "sub-P1").rename(tmp_path / "moved")
    (out / "sub-P1").symlink_to(tmp_path / "moved")
    with pytest.raises(ConfigError, match="is a link"):
        forget_subject(out, "P1")
    assert (tmp_path / "moved/ses-01/visit.json").is_file()


@pytest.mark.parametrize("subject", ["../study", "P1/ses-01", "", "P*", "P1\n"])
def test_what_is_no_pseudonym_is_refused(subject: str, out: Path) -> None:
    before = hashes(out)
    with pytest.raises(ConfigError, match="expected a pseudonym"):
        forget_subject(out, subject)
    assert hashes(out) == before


# --- the command


def command(*arguments: str, answer: str = "") -> tuple[int, str]:
    done = CliRunner().invoke(app, ["forget", *arguments], input=answer)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.output


def test_the_command_shows_first_and_asks(out: Path) -> None:
    before = hashes(out)
    code, text = command(str(out), "P1", answer="n\n")
    assert (code, hashes(out)) == (1, before) and text.endswith("Nothing was deleted.\n")
    assert "P1: visits 2, files " in text and "CORRECTIONS BY HAND, which nobody can make again: 1" in text
    assert f"runs/{run_of(out).name}: rows of tables 5, entries of log.txt 8" in text
    code, text = command(str(out), "P1", answer="y\n")
    assert code == 0 and "found: nothing" in text and "Not reached, and yours to delete: the study's folder" in text


def test_the_command_says_what_the_study_still_names(out: Path, study: Path) -> None:
    code, text = command(str(out), "P1", "--yes", "--study", str(study))
    assert code == 0 and "manifest.csv of the study still names P1 in 3 rows." in text
    assert "the next `strideledger run` measures the person again" in text


def test_the_command_ends_with_1_while_a_name_is_left(out: Path) -> None:
    (out / "sub-P10/note.txt").write_text("P1")
    code, text = command(str(out), "P1", "--yes")
    assert code == 1 and "still holds P1: sub-P10/note.txt" in text and "found: nothing" not in text


def test_an_unknown_person_is_told_with_names_like_it(out: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        command(str(out), "p1", "--yes")
    assert str(caught.value).endswith(
        "holds nothing of 'p1'; expected one of: P1, P10. Nothing was deleted. Upper and lower case count."
    )


def test_a_person_whose_folder_was_deleted_by_hand_is_taken_out_of_the_records(out: Path, study: Path) -> None:
    shutil.rmtree(out / "sub-P1")
    done = forget_subject(out, "P1", study=study)
    assert done.is_clean and own_names(out) == [] and b"walk" not in (run_of(out) / "clips.csv").read_bytes()


def check_example(results: Path) -> Forgotten:
    """Forget one of the example's people; every byte of the others' folders stays."""
    before = {name: hashes(results / name) for name in ("sub-P01", "sub-P03", "sub-P04")}
    done = forget_subject(results, "P02")
    assert done.is_clean and not (results / "sub-P02").exists()
    assert {name: hashes(results / name) for name in before} == before
    words = " ".join(page.extract_text() for page in PdfReader(results / "study.pdf").pages)
    assert "P01" in words and "P02" not in words
    return done


@pytest.mark.slow
def test_a_person_of_the_example_study_is_forgotten(results: Path, tmp_path: Path) -> None:
    # The benchmark's own table of visits, which another test leaves there, is none of the study's files.
    copy = shutil.copytree(results, tmp_path / "example", ignore=shutil.ignore_patterns("values.csv"))
    assert check_example(Path(copy)).plan.pictures > 100
