"""A run of a study: what goes wrong with one clip stays with that clip. Real child processes, small work."""

from __future__ import annotations

import csv
import inspect
import json
import multiprocessing
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from markupsafe import escape

from pipeline import isolate, jobs, stages
from pipeline.batch import run_study
from pipeline.clip_stages import measures_fingerprint
from pipeline.config import Settings
from pipeline.judgement import Limits, VisitReport
from pipeline.manifest import read_manifest
from pipeline.picture_stages import ClipJob, landmarks_fingerprint
from pipeline.run_record import RunSummary
from pipeline.stage_record import read_record
from pipeline.store import file_sha256, read_json
from pipeline.study_result import Progress, StudyResult
from tests import standins
from tests.studies import ROOT, make_study, quick_settings

NO_LIMITS = Limits((), (), {}, "0")


def run_standins(folder: Path, names: dict[str, str], **options: Any) -> StudyResult:
    """Run a study whose clips behave as the last part of their names says."""
    study = make_study(folder / "study", {f"{name}.mp4": visit for name, visit in names.items()})
    return run_study(
        study,
        folder / "out",
        **{
            "settings": quick_settings(),
            "limits": NO_LIMITS,
            "clip_work": standins.behave_as_named,
            "visit_work": standins.report_plainly,
        }
        | options,
    )


LOG_HINT = "this is a fault of the program. Report it with the log of this run."
MESSAGES = {
    "a-one": "",
    "a-abort": "clip a-abort: the process ended with signal 6. "
    "The file may be damaged: play it to the end, or export it again.",
    "a-kill": "clip a-kill: the process ended with signal 9. "
    "Often the memory ran out: use fewer --workers, or a shorter clip.",
    "a-leave": "clip a-leave: the process ended with exit code 3 and without a result. "
    "The log of this run holds its last output.",
    "a-error": "clip a-error: ZeroDivisionError (division by zero) in the stage 'landmarks'; " + LOG_HINT,
    "a-full": "clip a-full: strides.csv cannot be read or written (No space left on device). "
    "Check free space, memory and the right to write into the results folder.",
    "a-hang": "clip a-hang: no result within 10 s. "
    "Cut the clip shorter, or raise run.clip_time_limit_s in the settings.",
    "a-refuse": "clip a-refuse: the walker fills 4% of the picture; at least 15% is needed. Go closer.",
    "a-linger": "",
    "b-two": "",
}


@pytest.fixture(scope="module")
def isolated(tmp_path_factory: pytest.TempPathFactory) -> tuple[StudyResult, Path]:
    """A run in which seven clips of one visit end badly or late, one well, and one of the next visit well."""
    folder = tmp_path_factory.mktemp("isolated")
    names = {name: "01" if name.startswith("a") else "02" for name in MESSAGES}
    return run_standins(folder, names, settings=quick_settings(clip_time_limit_s=10.0)), folder / "out"


def test_crash_hang_and_exception_leave_the_other_clips_untouched(isolated: tuple[StudyResult, Path]) -> None:
    result, out = isolated
    assert {clip.clip_id: clip.message for clip in result.clips} == MESSAGES
    assert [clip.clip_id for clip in result.clips] == list(MESSAGES)
    done = [clip.clip_id for clip in result.clips if clip.state == "done"]
    assert done == ["a-one", "a-linger", "b-two"]
    assert all((out / f"sub-P01/ses-0{1 + (name[0] == 'b')}/{name}/strides.csv").exists() for name in done)
    assert not result.all_done


def test_failed_clip_says_in_which_stage_it_was(isolated: tuple[StudyResult, Path]) -> None:
    for clip in isolated[0].clips:
        assert clip.stage == ("landmarks" if clip.state == "failed" else "measures")


def test_every_failure_is_in_the_report_of_its_visit(isolated: tuple[StudyResult, Path]) -> None:
    result, out = isolated
    report = read_json(out / "sub-P01/ses-01/visit.json", VisitReport)
    assert {clip.clip_id: clip.message for clip in report.clips} == {
        name: message for name, message in MESSAGES.items() if name.startswith("a")
    }
    assert [visit.visit for visit in result.visits] == ["01", "02"]


def test_page_of_the_study_holds_every_failure(isolated: tuple[StudyResult, Path]) -> None:
    result, out = isolated
    assert result.page == out / "study.html"
    html = result.page.read_text(encoding="utf-8")
    assert all(escape(message) in html for message in MESSAGES.values() if message)
    assert html.count('class="failure"') == 7


def test_failed_clip_keeps_its_message_beside_its_results(isolated: tuple[StudyResult, Path]) -> None:
    folder = isolated[1] / "sub-P01/ses-01/a-abort"
    assert (folder / "error.txt").read_text() == MESSAGES["a-abort"] + "\n"
    assert read_record(folder).state == "failed"


def test_run_record_and_table_hold_every_clip(isolated: tuple[StudyResult, Path]) -> None:
    result, out = isolated
    assert result.folder.parent == out / "runs"
    summary = json.loads((result.folder / "run.json").read_text())
    assert summary["state"] == "done"
    assert summary["clips"] == {"done": 3, "failed": 7}
    assert summary["visits"] == {"done": 2}
    assert summary["run"]["model"] == "full"
    assert summary["run"]["package_versions"]["mediapipe"]
    with (result.folder / "clips.csv").open(newline="") as file:
        assert {row["clip_id"]: row["message"] for row in csv.DictReader(file)} == MESSAGES


def test_traceback_and_last_words_are_in_the_log_only(isolated: tuple[StudyResult, Path]) -> None:
    log = (isolated[0].folder / "log.txt").read_text()
    assert "ZeroDivisionError: division by zero" in log
    assert "clip a-abort printed:\n    last words of a native library" in log
    assert "clip b-two printed:\n    chatter on the screen" in log
    assert str(Path.home()) not in log
    assert "Traceback" not in "".join(clip.message for clip in isolated[0].clips)


def test_each_clip_has_a_log_that_its_owner_alone_reads(isolated: tuple[StudyResult, Path]) -> None:
    folder = isolated[0].folder / "clips"
    assert {path.stem for path in folder.iterdir()} == set(MESSAGES)
    if os.name == "posix":
        assert {path.stat().st_mode & 0o777 for path in folder.iterdir()} == {0o600}
    log = (folder / "a-abort.log").read_text()
    line = r"[0-9T:-]{19}Z "
    assert re.fullmatch(
        rf"{line}clip a-abort started\n +\d+\.\d\d s  start\n +\d+\.\d\d s  landmarks\n"
        rf"{line}failed in the stage 'landmarks' after \d+\.\d s\n{re.escape(MESSAGES['a-abort'])}\n"
        r"most memory: \d+ MB\nprinted:\nlast words of a native library\n",
        log,
    )
    log = (folder / "a-error.log").read_text()
    assert "ZeroDivisionError: division by zero" in log
    assert str(Path.home()) not in log


def test_record_and_tables_tell_how_clips_and_visits_ended(isolated: tuple[StudyResult, Path]) -> None:
    summary = read_json(isolated[0].folder / "run.json", RunSummary)
    assert (summary.n_clips, summary.n_visits, summary.pid) == (10, 2, os.getpid())
    assert (summary.at_work, summary.seconds_left, summary.unchanged) == ((), None, 0)
    assert summary.frames == 10 * 3
    assert summary.alive >= summary.news >= summary.run.started
    assert summary.peak_bytes > 10_000_000
    rows = (isolated[0].folder / "visits.csv").read_text().splitlines()
    assert rows == ["subject,visit,state,message", "P01,01,done,", "P01,02,done,"]


def test_what_a_clip_tells_just_before_its_end_is_heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    has_ended = isolate._has_ended

    def ended_long_ago(item: Any) -> bool:
        item.process.join()
        return has_ended(item)

    # The run looks at the clip's process once, before it can have told anything, and once more after its end.
    monkeypatch.setattr(isolate, "POLL_S", 0.0)
    monkeypatch.setattr(isolate, "_has_ended", ended_long_ago)
    result = run_standins(tmp_path, {"a-kill": "01"})
    assert read_json(result.folder / "run.json", RunSummary).frames == 3


def test_no_process_and_no_temporary_file_is_left(isolated: tuple[StudyResult, Path]) -> None:
    assert multiprocessing.active_children() == []
    assert sorted(path.name for path in isolated[0].folder.iterdir()) == [
        "clips",
        "clips.csv",
        "config.toml",
        "log.txt",
        "run.json",
        "visits.csv",
    ]


def test_nothing_that_the_work_prints_reaches_the_screen(tmp_path: Path, capfd: Any) -> None:
    run_standins(tmp_path, {"a-one": "01", "a-abort": "01", "a-error": "01"})
    assert capfd.readouterr() == ("", "")


def test_visit_whose_clips_all_failed_still_has_a_report(tmp_path: Path) -> None:
    result = run_standins(tmp_path, {"a-refuse": "01"})
    (visit,) = result.visits
    assert visit.page is not None and visit.page.exists()
    assert visit.report is not None
    assert [clip.message for clip in visit.report.clips] == [MESSAGES["a-refuse"]]


def test_one_visit_alone_is_measured_when_it_is_named(tmp_path: Path) -> None:
    names = {"a-one": "01", "b-one": "02"}
    result = run_standins(tmp_path, names, subject="P01", visit="02")
    assert [clip.clip_id for clip in result.clips] == ["b-one"]
    assert [(visit.subject, visit.visit) for visit in result.visits] == [("P01", "02")]


def test_crash_of_one_report_leaves_the_other_reports(tmp_path: Path) -> None:
    names = {"a-one": "01", "b-two": "02", "c-three": "03"}
    result = run_standins(tmp_path, names, visit_work=standins.abort_on_visit_02)
    assert [visit.page is not None for visit in result.visits] == [True, False, True]
    assert result.visits[1].message.startswith("visit P01-02: the process ended with signal 6.")
    assert result.page is not None
    assert "visit P01-02: the process ended with signal 6." in result.page.read_text(encoding="utf-8")
    assert not result.all_done


def test_record_of_the_run_is_there_before_the_first_clip_ends(tmp_path: Path) -> None:
    seen: list[str] = []

    def look(event: Progress) -> None:
        if event.state == "running" and not seen:
            (path,) = (tmp_path / "out/runs").glob("*/run.json")
            seen.append(json.loads(path.read_text())["state"])

    result = run_standins(tmp_path, {"a-linger": "01"}, progress=look)
    assert seen == ["started"]
    assert json.loads((result.folder / "run.json").read_text())["state"] == "done"


def test_progress_counts_frames_of_each_clip(tmp_path: Path) -> None:
    events: list[Progress] = []
    run_standins(tmp_path, {"a-linger": "01"}, progress=events.append)
    assert Progress("clip a-linger", "landmarks", 3, 10) in events
    assert [(event.name, event.state) for event in events if event.state != "running"] == [
        ("clip a-linger", "done"),
        ("visit P01-01", "done"),
    ]


def test_record_tells_what_is_at_work_and_the_tables_what_ended(tmp_path: Path) -> None:
    seen: list[tuple[RunSummary, list[str], list[str]]] = []

    def look(event: Progress) -> None:
        if event.name == "clip b-hang" and event.stage == "landmarks":
            (folder,) = (tmp_path / "out/runs").iterdir()
            until_s = time.monotonic() + 60
            while not (summary := read_json(folder / "run.json", RunSummary)).at_work and time.monotonic() < until_s:
                time.sleep(0.2)
            tables = [(folder / name).read_text().splitlines() for name in ("clips.csv", "visits.csv")]
            seen.append((summary, *tables))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_standins(tmp_path, {"a-one": "01", "b-hang": "02"}, progress=look, settings=quick_settings(workers=1))
    ((summary, clips, visits),) = seen
    assert summary.state == "started"
    assert [(told.name, told.stage, told.done, told.total) for told in summary.at_work] == [
        ("clip b-hang", "landmarks", 3, 10)
    ]
    assert clips[1].startswith("a-one,a-one.mp4,done,")
    assert visits[1:] == ["P01,01,waiting,", "P01,02,waiting,", "P01,01,done,"]


def test_only_the_clips_that_are_named_are_measured(tmp_path: Path) -> None:
    result = run_standins(tmp_path, {"a-one": "01", "b-one": "01", "c-one": "02"}, only={"b-one"})
    assert [clip.clip_id for clip in result.clips] == ["b-one"]
    assert [visit.visit for visit in result.visits] == ["01"]


def test_run_that_is_interrupted_says_so_and_stops_its_processes(tmp_path: Path) -> None:
    def stop(event: Progress) -> None:
        if event.name == "clip a-one" and event.state == "done":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_standins(tmp_path, {"a-one": "01", "a-hang": "01"}, progress=stop)
    (path,) = (tmp_path / "out/runs").glob("*/run.json")
    summary = json.loads(path.read_text())
    assert (summary["state"], summary["clips"]) == ("interrupted", {"done": 1})
    html = (tmp_path / "out/study.html").read_text(encoding="utf-8")
    assert "No report was saved: the run stopped before this visit was judged." in html and "interrupted" in html
    assert multiprocessing.active_children() == []


def test_process_of_a_killed_run_stops_though_it_has_nothing_to_tell(tmp_path: Path) -> None:
    beats = tmp_path / "beats"
    script = tmp_path / "script.py"
    script.write_text(
        "from collections import deque\nfrom pathlib import Path\n"
        "from pipeline.isolate import Job, run_jobs\n"
        "from tests import standins\nif __name__ == '__main__':\n"
        f"    job = Job('job', standins.beat, (Path({str(beats)!r}),), 60.0)\n"
        f"    list(run_jobs(deque([job]), scratch=Path({str(tmp_path)!r}), workers=1))\n"
    )
    run = subprocess.Popen([sys.executable, str(script)], cwd=ROOT, env={"PYTHONPATH": str(ROOT)})
    deadline_s = time.monotonic() + 60.0
    while not beats.exists() and time.monotonic() < deadline_s:
        time.sleep(0.1)
    run.kill()
    run.wait()
    time.sleep(1.0)
    last = beats.read_text()
    time.sleep(1.0)
    assert beats.read_text() == last


def test_script_without_a_main_guard_is_told_and_leaves_no_chain_of_processes(tmp_path: Path) -> None:
    study = make_study(tmp_path / "study", {"a-one.mp4": "01"})
    script = tmp_path / "script.py"
    script.write_text(
        "from pathlib import Path\nfrom tests import standins\nfrom pipeline import run_study\n"
        "from pipeline.judgement import Limits\n"
        f"result = run_study(Path({str(study)!r}), Path({str(tmp_path / 'out')!r}), "
        "limits=Limits((), (), {}, '0'), clip_work=standins.behave_as_named, "
        "visit_work=standins.report_plainly)\nprint(result.clips[0].message)\n"
    )
    started_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, str(script)],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
        check=False,
    )
    assert "without a result" in done.stdout
    assert 'Put it under `if __name__ == "__main__":`' in done.stderr
    assert len(list((tmp_path / "out/runs").iterdir())) == 1
    assert time.monotonic() - started_s < 60


def job_of(folder: Path, settings: Settings) -> ClipJob:
    """A job on a file that stands for a clip."""
    (folder / "study").mkdir(exist_ok=True)
    (folder / "study/walk.mp4").write_bytes(b"a clip")
    (clip,) = read_manifest(make_study(folder / "study", {"walk.mp4": "01"}))
    return ClipJob(clip, folder / "out", settings)


def fingerprints(job: ClipJob) -> tuple[str, str]:
    landmarks = landmarks_fingerprint(job, file_sha256(job.clip.path))
    return landmarks, measures_fingerprint(job, landmarks)


@pytest.mark.parametrize(
    ("section", "values", "landmarks_change", "measures_change"),
    [
        ("landmarks", {"model": "heavy"}, True, True),
        ("landmarks", {"num_poses": 3}, True, True),
        ("signals", {"cutoff_hz": 5.0}, False, True),
        ("strides", {"min_stride_s": 0.7}, False, True),
        ("quality", {"min_fps": 20.0}, False, True),
        ("metrics", {"min_strides": 4}, False, False),
        ("run", {"workers": 1}, False, False),
        ("run", {"paper": "Letter"}, False, False),
    ],
)
def test_setting_makes_only_those_stages_run_again_that_read_it(
    tmp_path: Path, section: str, values: dict[str, Any], landmarks_change: bool, measures_change: bool
) -> None:
    settings = quick_settings()
    before = fingerprints(job_of(tmp_path, settings))
    part = getattr(settings, section).model_copy(update=values)
    after = fingerprints(job_of(tmp_path, settings.model_copy(update={section: part})))
    assert (before[0] != after[0], before[1] != after[1]) == (landmarks_change, measures_change)


def test_stage_reads_no_section_of_the_settings_that_its_fingerprint_lacks() -> None:
    def sections(function: Callable[..., Any]) -> set[str]:
        return set(re.findall(r"\bsettings\.(\w+)", inspect.getsource(function)))

    assert sections(stages.measure_clip) == sections(measures_fingerprint)
    assert sections(stages.judge_visit) == sections(jobs.wanted_report) - {"run"}


def test_clip_row_and_place_of_the_study_in_the_fingerprints(tmp_path: Path) -> None:
    job = job_of(tmp_path, quick_settings())
    before = fingerprints(job)
    moved = replace(job, clip=replace(job.clip, path=tmp_path / "moved.mp4"))
    (tmp_path / "moved.mp4").write_bytes(b"a clip")
    assert fingerprints(moved) == before
    taller = fingerprints(replace(job, clip=replace(job.clip, height_m=1.8)))
    assert (taller[0] == before[0], taller[1] == before[1]) == (True, False)
    (tmp_path / "moved.mp4").write_bytes(b"another clip")
    assert fingerprints(moved)[0] != before[0]


def test_clip_that_takes_too_much_memory_is_stopped_and_says_how_much(tmp_path: Path) -> None:
    settings = quick_settings(clip_memory_limit_mb=300.0)
    result = run_standins(tmp_path, {"a-grow": "01", "b-one": "01"}, settings=settings)
    assert [clip.state for clip in result.clips] == ["failed", "done"]
    found = re.fullmatch(
        r"clip a-grow: took (\d+) MB of memory; at most 300 MB are allowed\. "
        r"Use a clip with smaller pictures, or raise run\.clip_memory_limit_mb in the settings\.",
        result.clips[0].message,
    )
    assert found and 300 < int(found[1]) < 900
