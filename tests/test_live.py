"""A run as it is seen from outside: record, logs, time left and numbers, kept from what the run hears."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from pipeline import live
from pipeline.causes_file import load_causes
from pipeline.errors import ConfigError
from pipeline.isolate import Outcome
from pipeline.job_process import Failure
from pipeline.judgement import ClipResult, Limits
from pipeline.live import LiveRun, check_metrics_file, work_of
from pipeline.manifest import read_manifest
from pipeline.picture_stages import ClipJob
from pipeline.recorded import load_measures
from pipeline.run_record import RunSummary
from pipeline.runs import RunFolder
from pipeline.stage_record import FolderRecord, StageEnd, StageRecord, write_record
from pipeline.store import OutputTree, read_json
from pipeline.study_result import Progress, VisitResult
from pipeline.thresholds import load_limits
from tests.clip_files import write_clip
from tests.studies import make_study, quick_settings

NO_LIMITS = Limits((), (), {}, "0")


class Stage:
    """A run of two clips and a visit whose events the test sends itself."""

    def __init__(self, folder: Path, metrics_file: Path | None = None) -> None:
        study = make_study(folder / "study", {"a.mp4": "01", "b.mp4": "01", "c.landmarks": "01"})
        for name, last_ms in {"a": 990, "b": 1980}.items():
            write_clip(study / f"{name}.mp4", range(0, last_ms, 33))
        self.tree = OutputTree(folder / "out")
        self.folder = RunFolder(
            self.tree,
            quick_settings(),
            NO_LIMITS,
            load_causes(limits=load_limits()),
            load_measures(),
            visits=[("P01", "01")],
            n_clips=2,
        )
        self.events: list[Progress] = []
        self.live = LiveRun(self.folder, workers=lambda: 1, tell=self.events.append, metrics_file=metrics_file)
        self.jobs = {
            clip.clip_id: ClipJob(clip, self.tree.clip_folder("P01", "01", clip.clip_id), quick_settings())
            for clip in read_manifest(study)
        }
        for name in "ab":
            self.live.will_measure(f"clip {name}", self.jobs[name])

    def end(self, name: str, outcome: Outcome) -> None:
        clip, failure = self.jobs[name].clip, outcome.failure
        result = ClipResult(
            name,
            clip.relative_path,
            "failed" if failure else "done",
            failure.stage if failure else "measures",
            "",
            failure.message if failure else "",
            outcome.seconds,
        )
        self.live.clip_ended(result, outcome, result.message)

    @property
    def summary(self) -> RunSummary:
        return read_json(self.folder.folder / "run.json", RunSummary)


def test_amount_of_a_clip_is_its_frames_or_stands_for_them(tmp_path: Path) -> None:
    stage = Stage(tmp_path)
    assert [(work_of(stage.jobs[name]).kind, work_of(stage.jobs[name]).amount) for name in "abc"] == [
        ("pictures", 30.0),
        ("pictures", 60.0),
        ("landmark file", 1.0),
    ]
    write_record(stage.jobs["a"].folder, FolderRecord("started", stages={"landmarks": StageRecord("", "", 0.0, {})}))
    assert work_of(stage.jobs["a"]).kind == "measures"
    stage.jobs["b"].clip.path.write_bytes(bytes(8000))
    assert work_of(stage.jobs["b"]).amount == 2.0
    stage.jobs["b"].clip.path.unlink()
    assert work_of(stage.jobs["b"]).amount == 0.0


def test_time_left_follows_the_frames_of_the_clips_that_wait(tmp_path: Path) -> None:
    stage = Stage(tmp_path)
    stage.live.hear("clip a", "landmarks", 10, 30)
    assert stage.events[-1] == Progress("clip a", "landmarks", 10, 30)
    stage.end("a", Outcome("clip a", (), None, 3.0, ""))
    # 30 frames took 3 s; the other clip has 60, and no report was made yet.
    assert stage.events[-1] == Progress("clip a", "end", state="done", seconds_left=pytest.approx(6.0))  # type: ignore[arg-type]
    stage.live.hear("clip b", "landmarks", 0, 60)
    stage.live.write()
    summary = stage.summary
    assert [(told.name, told.stage, told.done, told.total) for told in summary.at_work] == [
        ("clip b", "landmarks", 0, 60)
    ]
    assert (summary.clips, summary.frames, summary.n_clips, summary.n_visits) == ({"done": 1}, 10, 2, 1)
    assert summary.seconds_left == pytest.approx(6.0, abs=0.5)
    stage.end("b", Outcome("clip b", None, Failure("landmarks", "VideoError", "clip b: is bad. Copy it."), 1.0, ""))
    visit = VisitResult("P01", "01", tmp_path, tmp_path / "visit.html", None, "")
    stage.live.hear("visit P01-01", "report", 0, 0)
    stage.live.visit_ended(visit, Outcome("visit P01-01", "", None, 2.0, ""), "")
    assert stage.events[-1].seconds_left == 0.0
    stage.folder.finish("done", [], {})
    stage.live.write()
    assert (stage.summary.state, stage.summary.at_work, stage.summary.seconds_left) == ("done", (), None)


def test_time_left_while_no_other_machine_is_there_is_as_if_those_at_work_went_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted: list[int] = []
    monkeypatch.setattr(live, "seconds_left", lambda *arguments: counted.append(arguments[-1]))
    stage = Stage(tmp_path)
    for name in "ab":
        stage.live.hear(f"clip {name}", "landmarks", 0, 30)
    stage.live.workers = lambda: 0
    stage.live.write()
    assert counted == [1, 1, 2]


def test_log_of_a_clip_tells_each_stage_while_it_runs_and_all_at_the_end(tmp_path: Path) -> None:
    stage = Stage(tmp_path)
    log = stage.folder.folder / "clips/a.log"
    for done in range(3):
        stage.live.hear("clip a", "landmarks", done, 30)
    stage.live.hear("clip a", "measures", 0, 0)
    words = [line.split(" ", 1)[1] for line in log.read_text().splitlines()]
    assert words == ["clip a started", "landmarks", "measures"]
    assert log.stat().st_mode & 0o777 == 0o600
    outcome = Outcome(
        "clip a",
        (
            StageEnd("landmarks", "2026-03-01T10:00:00Z"),
            StageEnd("pictures", damaged="pictures.json was changed"),
            StageEnd("measures"),
        ),
        None,
        4.04,
        "chatter\n",
        stages=(("start", 1.5), ("landmarks", 0.25), ("measures", 2.25)),
        peak_bytes=345_600_000,
    )
    stage.end("a", outcome)
    started, *lines, ended, memory, printed, chatter = log.read_text().splitlines()
    assert started.endswith("Z clip a started")
    assert lines == [
        "     1.50 s  start",
        "     0.25 s  landmarks",
        "     2.25 s  measures",
        "landmarks unchanged since 2026-03-01T10:00:00Z",
        "pictures made again: pictures.json was changed",
    ]
    assert ended.endswith("Z done after 4.0 s")
    assert (memory, printed, chatter) == ("most memory: 346 MB", "printed:", "chatter")
    stage.live.write()
    assert stage.summary.peak_bytes == 345_600_000


def test_log_of_a_failed_clip_has_its_message_and_the_traceback(tmp_path: Path) -> None:
    stage = Stage(tmp_path)
    failure = Failure("pylon", "ValueError", "clip a: ValueError in the stage 'pylon'. Report it.", "Traceback:\n  x\n")
    stage.end("a", Outcome("clip a", None, failure, 1.0, ""))
    lines = (stage.folder.folder / "clips/a.log").read_text().splitlines()
    assert lines[1].endswith("Z failed in the stage 'pylon' after 1.0 s")
    assert lines[2:] == [failure.message, "Traceback:", "  x", "most memory: not known"]


def test_an_unchanged_clip_is_counted_and_has_no_log(tmp_path: Path) -> None:
    stage = Stage(tmp_path)
    stage.end("c", Outcome("clip c", (StageEnd("landmarks", "then"),), None, 0.0, ""))
    stage.live.write()
    assert (stage.summary.clips, stage.summary.unchanged, stage.summary.seconds_left) == ({"done": 1}, 1, None)
    assert not (stage.folder.folder / "clips").exists()


def test_a_long_stage_is_no_silence_and_the_thread_ends_with_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "BEAT_S", 0.05)
    stage = Stage(tmp_path, tmp_path / "run.prom")
    with stage.live:
        stage.live.pages("pages of persons")
        end_s = time.monotonic() + 60
        while not stage.summary.at_work and time.monotonic() < end_s:
            time.sleep(0.05)
    assert stage.summary.at_work[0].name == "pages of persons"
    assert not stage.live.thread.is_alive()
    assert 'strideledger_clips{state="waiting"} 2' in (tmp_path / "run.prom").read_text()


def test_a_full_disk_stops_only_the_writing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "BEAT_S", 0.02)
    stage = Stage(tmp_path)
    tries: list[int] = []

    def full(**_: object) -> None:
        tries.append(1)
        if len(tries) > 1:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(stage.folder, "refresh", full)
    with stage.live:
        end_s = time.monotonic() + 60
        while len(tries) < 4 and time.monotonic() < end_s:
            time.sleep(0.02)
    assert len(tries) >= 4


def test_metrics_file_without_its_folder_is_refused(tmp_path: Path) -> None:
    check_metrics_file(None)
    check_metrics_file(tmp_path / "run.prom")
    with pytest.raises(ConfigError, match=r"its folder does not exist; expected a file in the folder"):
        check_metrics_file(tmp_path / "none/run.prom")
