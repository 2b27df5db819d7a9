"""What a run shows where its output goes to a file, and what failed in a table."""

from __future__ import annotations

import pytest

from pipeline import console
from pipeline.console import follow_run, show_failures
from pipeline.failure_kinds import failure_kinds
from pipeline.study_result import Progress


def test_in_a_file_the_whole_run_has_a_line_once_a_minute(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = [1000.0]
    monkeypatch.setattr(console.time, "monotonic", lambda: now_s[0])
    with follow_run(3) as progress:
        for second in range(150):
            now_s[0] = 1000.0 + second
            if second == 70:
                progress(Progress("clip a", "end", state="failed", message="clip a: is bad.", seconds_left=90.0))
            progress(Progress("clip b", "landmarks", second, 300, seconds_left=90.0 if second > 70 else None))
    assert capsys.readouterr().err.splitlines() == [
        "0 of 3 clips ended; time left not known yet",
        "failed  clip a: is bad.",
        "1 of 3 clips ended, 1 of them failed; about 2 min left",
    ]


def test_one_reason_of_many_clips_is_a_row_with_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    messages = [f"clip c{i}: no such file (c{i}.mp4); expected a video file. Copy it." for i in range(5)]
    show_failures(failure_kinds([*messages, "clip d: is [bad]. Look."]))
    header, row, single = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    assert header.split() == ["failed", "what", "was", "found", "for", "example", "what", "to", "do"]
    assert row.startswith("5       no such file (...); expected a video file  clip c0, clip c1, clip c2  Copy it.")
    assert single == "failed: clip d: is [bad]. Look."
