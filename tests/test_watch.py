"""An incoming folder: what is measured when. Real files, a clock of the test's own, and measuring that only notes."""

from __future__ import annotations

import os
import shutil
from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from pipeline.errors import StageError
from pipeline.judgement import RunRecord
from pipeline.model import Clip
from pipeline.recorded import load_measures
from pipeline.stage_record import FolderRecord, StageRecord, write_record
from pipeline.study_result import StudyResult
from pipeline.watch import Watch
from pipeline.watch_record import read_watch, watch_state
from pipeline.watch_tables import StudyTables, Tables
from tests.clip_files import write_clip
from tests.studies import make_study

CLIPS = {"a.mp4": "01", "b.mp4": "01", "c.mp4": "02"}
SETTLE_S = 10.0


@dataclass
class Clinic:
    """A clinic's folder and a watch of it; `passes` are the clips of each pass."""

    folder: Path
    clip: Path
    passes: list[list[str]] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    done: set[str] = field(default_factory=set)
    now_s: float = 100.0
    error: Exception | None = None

    def __post_init__(self) -> None:
        tables = Tables(self.folder / "study", load_measures(), SETTLE_S, self.told.append)
        self.watch = Watch(
            tables,
            self.folder / "out",
            settle_s=SETTLE_S,
            has_work=self.has_work,
            measure=self.measure,
            tell=self.told.append,
        )

    def has_work(self, tables: StudyTables, clips: list[Clip]) -> bool:
        return any(self.mark(clip.path) not in self.done for clip in clips)

    def mark(self, path: Path) -> str:
        """Stands for the hash of a clip's content."""
        return f"{path.name} {hash(path.read_bytes()) if path.exists() else ''}"

    def measure(self, clips: Collection[str]) -> StudyResult:
        if self.error is not None:
            raise self.error
        self.passes.append(list(clips))
        self.done |= {self.mark(self.path(f"{clip}.mp4")) for clip in clips}
        record = RunRecord("r", "", "", "", {}, "", "", "", "")
        return StudyResult(record, self.folder, (), ())

    def path(self, name: str) -> Path:
        return self.folder / "study" / name

    def copy(self, name: str) -> None:
        shutil.copyfile(self.clip, self.path(name))

    def wait(self, seconds: float = SETTLE_S) -> list[list[str]]:
        """Look, let the time pass, look again; return the passes of that time."""
        before = len(self.passes)
        self.watch.step(self.now_s)
        self.now_s += seconds
        self.watch.step(self.now_s)
        return self.passes[before:]


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("clip") / "walk.mp4"
    write_clip(path, range(0, 1400, 33))
    return path


@pytest.fixture
def clinic(tmp_path: Path, clip: Path) -> Clinic:
    make_study(tmp_path / "study", CLIPS)
    (tmp_path / "out").mkdir()
    return Clinic(tmp_path, clip)


def test_a_clip_is_measured_once_it_no_longer_changes(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    assert clinic.wait(SETTLE_S - 0.1) == []
    assert clinic.wait(0.2) == [["a"]]
    assert clinic.wait() == []


def test_a_clip_that_is_copied_in_pieces_is_never_measured_half(clinic: Clinic) -> None:
    content = clinic.clip.read_bytes()
    with clinic.path("a.mp4").open("wb") as file:
        for start in range(0, len(content), len(content) // 5):
            file.write(content[start : start + len(content) // 5])
            file.flush()
            if start + len(content) // 5 < len(content):
                assert clinic.wait(SETTLE_S - 1) == []
    assert clinic.wait() == [["a"]]


def test_a_copy_that_pauses_is_told_and_measured_when_it_is_whole(clinic: Clinic) -> None:
    content = clinic.clip.read_bytes()
    clinic.path("a.mp4").write_bytes(content[: len(content) // 2])
    assert clinic.wait() == clinic.wait() == []
    (line,) = [line for line in clinic.told if line.startswith("clip a")]
    assert (
        line
        == (
            "clip a: the file is cut off: it should be longer; it is measured once it has changed. "
            "Copy the clip from the camera again."
        )
        or "index is missing" in line
    )
    with clinic.path("a.mp4").open("ab") as file:
        file.write(content[len(content) // 2 :])
    assert clinic.wait() == [["a"]]


def test_a_file_that_is_no_clip_is_told_once_and_again_after_a_change(clinic: Clinic) -> None:
    for text in ("no clip\n", "no clip either\n"):
        clinic.path("a.mp4").write_text(text)
        for _ in range(3):
            clinic.wait()
    assert [line for line in clinic.told if line.startswith("clip a: it is a text file; ")] == [
        "clip a: it is a text file; it is measured once it has changed. Check that the manifest names the right file."
    ] * 2
    assert clinic.passes == []


def test_a_clip_that_is_renamed_into_place_is_measured(clinic: Clinic) -> None:
    clinic.copy("a.mp4.part")
    assert clinic.wait() == []
    clinic.path("a.mp4.part").rename(clinic.path("a.mp4"))
    assert clinic.wait() == [["a"]]


def test_another_clip_of_equal_size_and_date_in_its_place_is_measured(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    assert clinic.wait() == [["a"]]
    path = clinic.path("a.mp4")
    before = path.stat()
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    for replace in (True, False):
        # In place of the file, and into the same file.
        content[-1] ^= 3
        target = clinic.path("new") if replace else path
        target.write_bytes(bytes(content))
        os.utime(target, ns=(before.st_atime_ns, before.st_mtime_ns))
        target.rename(path)
        after = path.stat()
        assert (after.st_size, after.st_mtime_ns) == (before.st_size, before.st_mtime_ns)
        assert clinic.wait() == [["a"]]


def test_a_clip_that_was_only_touched_makes_no_run(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    clinic.wait()
    clinic.path("a.mp4").touch()
    assert clinic.wait() == []


def test_a_report_is_made_again_when_another_clip_of_the_visit_arrives(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    clinic.copy("c.mp4")
    assert clinic.wait() == [["a", "c"]]
    clinic.copy("b.mp4")
    assert clinic.wait() == [["a", "b"]]


def test_clips_that_are_not_there_wait_and_do_not_fail(clinic: Clinic) -> None:
    clinic.copy("c.mp4")
    with clinic.watch:
        assert clinic.wait() == [["c"]]
        record = read_watch(clinic.folder / "out")
        assert record is not None and watch_state(record) == "at work"
        assert (record.waiting["not there"], record.names) == (2, ("a", "b"))
    assert "waiting: 2 not there, 1 being copied" in clinic.told
    record = read_watch(clinic.folder / "out")
    assert record is not None and watch_state(record) == "ended"


def test_rows_may_come_after_the_files(clinic: Clinic) -> None:
    make_study(clinic.folder / "study", {"a.mp4": "01"})
    for name in CLIPS:
        clinic.copy(name)
    assert clinic.wait() == [["a"]]
    make_study(clinic.folder / "study", CLIPS)
    # The manifest is read once it is saved, and the files are looked at from then on.
    clinic.wait()
    assert clinic.wait() == [["a", "b", "c"]]


def test_a_row_that_changes_is_measured_again(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    clinic.copy("c.mp4")
    clinic.wait()
    clinic.done.clear()
    make_study(clinic.folder / "study", CLIPS, height_m="1.81")
    clinic.wait()
    assert clinic.passes[1:] == [["a", "c"]]


def test_a_clip_that_moves_to_another_visit_is_taken_out_of_the_first(clinic: Clinic) -> None:
    for name in CLIPS:
        clinic.copy(name)
    assert clinic.wait() == [["a", "b", "c"]]
    clinic.done.clear()
    make_study(clinic.folder / "study", CLIPS | {"b.mp4": "02"})
    clinic.wait()
    assert clinic.passes[1:] == [["a", "b", "c"]]
    clinic.done.clear()
    make_study(clinic.folder / "study", {"a.mp4": "01", "c.mp4": "02"})
    clinic.wait()
    assert clinic.passes[2:] == [["c"]]


def test_a_manifest_that_is_half_saved_is_told_once_and_the_last_good_one_holds(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    assert clinic.wait() == [["a"]]
    manifest = clinic.path("manifest.csv")
    whole = manifest.read_text()
    manifest.write_text(whole[:-20])
    clinic.copy("c.mp4")
    assert clinic.wait() == [["c"]]
    clinic.wait()
    problems = [line for line in clinic.told if "manifest.csv" in line]
    assert len(problems) == 1 and problems[0].endswith("Until this is mended, the last good tables hold.")
    manifest.write_text(whole)
    clinic.copy("b.mp4")
    clinic.wait()
    assert "the tables are in order again." in clinic.told
    assert clinic.passes[2:] == [["a", "b"]]


def test_a_manifest_may_come_later(clinic: Clinic) -> None:
    manifest = clinic.path("manifest.csv")
    text = manifest.read_text()
    manifest.unlink()
    clinic.copy("a.mp4")
    assert clinic.wait() == []
    assert clinic.told[-1].endswith("Until this is mended, nothing is measured.")
    manifest.write_text(text)
    clinic.wait()
    assert clinic.wait() == [["a"]]


def test_a_clip_that_goes_after_its_measurement_makes_no_run_and_its_report_knows_of_it(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    clinic.wait()
    clinic.path("a.mp4").unlink()
    assert clinic.wait() == []
    folder = clinic.watch.tree.clip_folder("P01", "01", "a")
    write_record(folder, FolderRecord("done", stages={"landmarks": StageRecord("", "", 0.0, {})}))
    clinic.copy("b.mp4")
    assert clinic.wait() == [["a", "b"]]


def test_a_clip_that_goes_while_it_is_measured_is_measured_when_it_is_back(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    inner = clinic.watch.measure

    def measure(clips: Collection[str]) -> StudyResult:
        clinic.path("a.mp4").unlink()
        clinic.watch.measure = inner
        return inner(clips)

    clinic.watch.measure = measure
    assert clinic.wait() == [["a"]]
    assert clinic.wait() == []
    clinic.copy("a.mp4")
    assert clinic.wait() == [["a"]]


def test_a_clip_that_changes_while_it_is_measured_is_measured_again(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    inner = clinic.watch.measure

    def measure(clips: Collection[str]) -> StudyResult:
        result = inner(clips)
        content = bytearray(clinic.clip.read_bytes())
        content[-1] ^= 1
        clinic.path("a.mp4").write_bytes(bytes(content))
        clinic.watch.measure = inner
        return result

    clinic.watch.measure = measure
    assert clinic.wait() == [["a"]]
    assert clinic.wait() == [["a"]]


def test_what_keeps_a_pass_from_its_work_is_told_once_and_tried_again(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    clinic.error = StageError("out", "no space", "", "Make room.")
    for _ in range(3):
        assert clinic.wait() == []
    assert clinic.told.count("out: no space. Make room.") == 1
    clinic.error = None
    clinic.watch.step(clinic.now_s)
    assert clinic.passes == [["a"]]


def test_after_a_run_that_was_killed_all_is_gone_through_once(clinic: Clinic) -> None:
    for name in CLIPS:
        clinic.copy(name)
        clinic.done.add(clinic.mark(clinic.path(name)))
    assert clinic.wait() == []
    clinic.watch.seen.clear()
    clinic.watch.finish_first = True
    assert clinic.wait() == [["a", "b", "c"]]
    assert clinic.wait() == []


def test_a_new_watch_does_not_measure_again_what_is_unchanged(clinic: Clinic) -> None:
    clinic.copy("a.mp4")
    clinic.wait()
    again = Clinic(clinic.folder, clinic.clip, done=clinic.done)
    assert again.wait() == []
    again.copy("b.mp4")
    assert again.wait() == [["a", "b"]]


def test_a_link_or_a_folder_in_place_of_a_clip_is_waited_for(clinic: Clinic) -> None:
    clinic.path("a.mp4").mkdir()
    clinic.path("b.mp4").symlink_to(clinic.path("nowhere.mp4"))
    assert clinic.wait() == []
    assert clinic.told[-1] == "waiting: 3 not there"
