"""The status of a run: its state, counts, failures and what has no report; from records on disk, and as a command."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from pipeline.console_status import status_lines
from pipeline.errors import ConfigError
from pipeline.judgement import ClipResult, RunRecord
from pipeline.metrics_text import metrics_text
from pipeline.results_lock import hold_results, read_holder
from pipeline.run_record import AtWork, RunSummary, host_mark, state_of
from pipeline.runs import CLIPS, VISITS
from pipeline.status import LOW_SPACE, read_status
from pipeline.store import now_text, write_json, write_text
from pipeline.watch_record import new_watch, write_watch
from tests.studies import ROOT, run_command

RECORD = RunRecord("20260301T100000Z_abc", "2026-03-01T10:00:00Z", "", "0.1.0", {}, "full", "", "", "")
GONE_PID = 2**22 + 1


def summary(state: str = "started", **changes: object) -> RunSummary:
    run = RunSummary(state, RECORD, {}, {}, 10, 4, pid=os.getpid(), host=host_mark(), alive=now_text())
    return replace(run, **changes)  # type: ignore[arg-type]


def row(clip: ClipResult) -> str:
    return f'{clip.clip_id},{clip.relative_path},{clip.state},{clip.stage},,"{clip.message}",1.0,,\n'


def save(out: Path, run: RunSummary, clips: str = "", visits: str = "") -> Path:
    folder = out / "runs" / run.run.run_id
    write_json(folder / "run.json", run)
    write_text(folder / "clips.csv", ",".join(column.name for column in CLIPS) + "\n" + clips)
    write_text(folder / "visits.csv", ",".join(column.name for column in VISITS) + "\n" + visits)
    return folder


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({}, "at work"),
        ({"state": "done"}, "done"),
        ({"state": "interrupted"}, "interrupted"),
        ({"pid": GONE_PID}, "killed"),
        ({"alive": "2026-03-01T10:00:00Z"}, "killed"),
        # Another computer's process cannot be asked: its signs of life count.
        ({"pid": GONE_PID, "host": "0" * 16}, "at work"),
        ({"host": "0" * 16, "alive": "2026-03-01T10:00:00Z"}, "killed"),
        ({"alive": ""}, "killed"),
    ],
)
def test_a_run_that_was_killed_is_told_from_one_at_work(changes: dict[str, object], state: str) -> None:
    assert state_of(replace(summary(), **changes)) == state  # type: ignore[arg-type]


def test_mark_of_the_computer_does_not_name_it() -> None:
    assert len(host_mark()) == 16 and os.uname().nodename not in host_mark()


def failed(name: str, message: str) -> ClipResult:
    return ClipResult(name, f"{name}.mp4", "failed", "landmarks", "VideoError", message, 1.0)


def test_status_counts_groups_and_names_what_is_missing(tmp_path: Path) -> None:
    clips = "".join(
        row(failed(f"c{i}", f"clip c{i}: no such file (c{i}.mp4); expected a video file. Copy it.")) for i in range(3)
    )
    clips += row(ClipResult("d", "d.mp4", "done", "measures", "", "", 1.0)) + 'half,"a row that is wri'
    visits = "P01,01,waiting,\nP01,02,waiting,\nP02,01,waiting,\nP01,01,done,\n"
    visits += 'P02,01,failed,"visit P02-01: the process ended with signal 6. Play it."\n'
    at_work = (AtWork("clip e", "landmarks", 30, 300, now_text()),)
    save(tmp_path, summary(at_work=at_work, seconds_left=7200.0, frames=900, peak_bytes=5 * 10**8), clips, visits)
    (tmp_path / "sub-P09/ses-01").mkdir(parents=True)
    status = read_status(tmp_path)
    assert status.clips == {"done": 1, "unchanged": 0, "failed": 3, "at work": 1, "not ended": 5}
    assert status.visits == {"done": 1, "failed": 1, "waiting": 1}
    assert [(kind.count, kind.do) for kind in status.failures] == [(3, "Copy it."), (1, "Play it.")]
    assert [(one.name, one.why) for one in status.without_report] == [
        ("P01-02", "waits for its turn"),
        ("P02-01", "visit P02-01: the process ended with signal 6. Play it."),
        ("P09-01", "an earlier run stopped before its turn"),
    ]
    lines = list(status_lines(status))
    assert lines[0].startswith(f"run {RECORD.run_id}: at work since 2026-03-01T10:00:00Z, about 2 h 00 min left")
    assert lines[1] == "clips: 1 done, 3 failed, 1 at work, 5 waiting"
    assert lines[2] == "visits: 1 reports, 1 failed, 1 waiting"
    assert lines[3] == "frames looked at: 900, most memory of one process 500 MB"
    assert not status.all_well


def test_all_is_well_only_when_nothing_failed_or_died(tmp_path: Path) -> None:
    save(tmp_path, summary("done"), visits="P01,01,done,\n")
    (tmp_path / "sub-P01/ses-01").mkdir(parents=True)
    (tmp_path / "sub-P01/ses-01/visit.json").touch()
    assert read_status(tmp_path).all_well
    save(tmp_path, summary(), visits="P01,01,done,\nP01,02,waiting,\n")
    assert read_status(tmp_path).all_well
    for run in (summary("interrupted"), summary(pid=GONE_PID), summary("done", messages={"study.html": "no."})):
        save(tmp_path, run, visits="P01,01,done,\n")
        assert not read_status(tmp_path).all_well


def test_a_watch_that_died_before_the_latest_run_is_no_news(tmp_path: Path) -> None:
    save(tmp_path, summary("done"))
    died = replace(new_watch(), pid=GONE_PID, alive="2026-01-01T10:00:00Z", unreadable={"a": "clip a: cut off"})
    write_watch(tmp_path, died)
    assert RECORD.started > died.alive and read_status(tmp_path).all_well
    write_watch(tmp_path, replace(died, alive="2026-12-01T10:00:00Z"))
    assert not read_status(tmp_path).all_well


@pytest.mark.parametrize("header", ["clip_id;state;message", "clip_id,condition,message"])
def test_a_table_that_was_saved_in_another_form_is_passed_over(tmp_path: Path, header: str) -> None:
    save(tmp_path, summary("done"), row(failed("a", "clip a: is bad. Copy it.")))
    (table,) = tmp_path.glob("runs/*/clips.csv")
    _, rest = table.read_text(encoding="utf-8").split("\n", 1)
    write_text(table, f"{header}\n{rest}")
    assert read_status(tmp_path).clips["failed"] == 0


def test_little_disk_space_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    save(tmp_path, summary("done"))
    monkeypatch.setattr("shutil.disk_usage", lambda _: type("Usage", (), {"free": LOW_SPACE - 1}))
    status = read_status(tmp_path)
    assert status.low_space
    assert list(status_lines(status))[-1] == ("free disk space: 1.0 GB; that is little: make room before it is used up")


def test_the_latest_run_counts_and_a_damaged_record_is_passed_over(tmp_path: Path) -> None:
    save(tmp_path, summary("done"))
    later = replace(RECORD, run_id="20260302T100000Z_abc")
    save(tmp_path, summary("interrupted", run=later))
    assert read_status(tmp_path).state == "interrupted"
    write_text(tmp_path / "runs/20260303T100000Z_abc/run.json", "{")
    assert read_status(tmp_path).run_id == later.run_id


def test_command_prints_the_same_as_one_object_and_writes_nothing(tmp_path: Path) -> None:
    out = tmp_path / "out"
    save(out, summary(pid=GONE_PID), row(failed("a", "clip a: is bad. Copy it.")), "P01,01,waiting,\n")
    before = sorted((path, path.stat().st_mtime_ns) for path in out.rglob("*"))
    done = run_command("status", "out", "--json", folder=tmp_path)
    assert done.returncode == 1, done.stderr
    found = json.loads(done.stdout)
    assert (found["state"], found["clips"]["failed"], found["failures"][0]["do"]) == ("killed", 1, "Copy it.")
    text = run_command("status", "out", folder=tmp_path)
    assert text.returncode == 1
    assert "killed: no sign of life since" in text.stdout
    assert "P01-01: the run was killed before its turn" in text.stdout
    assert before == sorted((path, path.stat().st_mtime_ns) for path in out.rglob("*"))
    none = run_command("status", "nothing", folder=tmp_path)
    assert (none.returncode, none.stdout) == (2, "")
    assert none.stderr.startswith("error: nothing: no run has written there; expected runs/*/run.json.")


def test_numbers_for_a_monitoring_system_are_read_by_an_independent_reader() -> None:
    at_work = (AtWork("clip P01-a", "landmarks", 30, 300, now_text()),)
    run = summary(
        clips={"done": 3, "failed": 1}, visits={"done": 1}, frames=900, seconds_left=61.5, at_work=at_work,
        alive="2026-03-01T10:01:00Z", peak_bytes=123456789,
    )  # fmt: skip
    text = metrics_text(run, waiting_files=2)
    found = {
        (sample.name, sample.labels.get("state", "")): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    for state, count in {"done": 3, "failed": 1, "at_work": 1, "waiting": 5}.items():
        assert found["strideledger_clips", state] == count
    assert found["strideledger_visits", "waiting"] == 3
    assert found["strideledger_frames_total", ""] == 900
    assert found["strideledger_time_left_seconds", ""] == 61.5
    assert found["strideledger_duration_seconds", ""] == 60.0
    # 2026-03-01T10:01:00Z: 20,513 days after 1970-01-01, and 36,060 s.
    assert found["strideledger_alive_timestamp_seconds", ""] == 20513 * 86400 + 36060
    assert found["strideledger_clip_peak_memory_bytes", ""] == 123456789
    assert found["strideledger_watch_waiting_files", ""] == 2
    assert "P01" not in text and text.endswith("\n")
    assert "time_left" not in metrics_text(replace(run, seconds_left=None))
    for family in text_string_to_metric_families(text):
        assert family.type in ("gauge", "counter") and family.documentation


def test_two_at_once_in_one_folder_are_refused_and_a_killed_one_leaves_no_lock(tmp_path: Path) -> None:
    script = (
        "import sys, time\nfrom pathlib import Path\nfrom pipeline.results_lock import hold_results\n"
        "with hold_results(Path(sys.argv[1]), 'watch'):\n    print('held', flush=True)\n    time.sleep(600)\n"
    )
    out = tmp_path / "out"
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(out)], stdout=subprocess.PIPE, text=True, env={"PYTHONPATH": str(ROOT)}
    )
    try:
        assert holder.stdout is not None and holder.stdout.readline() == "held\n"
        with pytest.raises(ConfigError) as caught, hold_results(out, "run"):
            pass
        message = str(caught.value)
        assert "in use by `strideledger watch` since 20" in message
        assert f"process {holder.pid} of this computer; expected a results folder in which" in message
        assert message.endswith(
            "Wait until it has ended, or stop it with Ctrl-C; `strideledger status` shows what it does."
        )
    finally:
        holder.kill()
        holder.wait()
    with hold_results(out, "run") as caution:
        assert caution == ""
        held = read_holder(out)
        assert held is not None and (held.work, held.pid) == ("run", os.getpid())
    assert read_holder(out) is None


def test_what_killed_runs_left_is_cleared_but_not_what_this_one_put_there(tmp_path: Path) -> None:
    """Beside the results lie what workers hand over, in the folder of a run what its processes do."""
    left = [tmp_path / ".cluster-dead" / "1", tmp_path / "runs" / "20260301T100000Z" / ".jobs-dead" / "x"]
    own, kept = tmp_path / ".cluster-mine", tmp_path / "sub-P01" / ".cluster-no"
    for folder in (*left, own, kept):
        folder.mkdir(parents=True)
    with hold_results(tmp_path, "run", own=own):
        assert own.is_dir() and kept.is_dir()
        assert not any(folder.parent.exists() for folder in left)
    with hold_results(tmp_path, "forget"):
        assert not own.exists() and kept.is_dir()


def test_ten_thousand_failures_of_one_kind_are_one_line(tmp_path: Path) -> None:
    clips = "".join(row(failed(f"c{i}", f"clip c{i}: has {i} frames; 30 are needed. Film.")) for i in range(10_000))
    save(tmp_path, summary(), clips, "".join(f"P{i:04},01,waiting,\n" for i in range(3333)))
    status = read_status(tmp_path)
    assert [(kind.count, kind.found) for kind in status.failures] == [(10_000, "has N frames; N are needed")]
    assert len(status.without_report) == 3333
