"""Broken clips as users meet them: each has its message, the others are measured, the command fails."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from pipeline import load_visit
from pipeline.judgement import VisitReport
from pipeline.store import read_json
from pipeline.video import read_frames
from tests.clip_files import example_clip, write_clip, write_sound
from tests.studies import ROOT, make_study, run_command

OTHER_FILE = "Check that the manifest names the right file."
COPY_AGAIN = "Copy the clip from the camera again."
DECODABLE = "expected a video that can be decoded, such as MP4 with H.264."


def empty(path: Path) -> None:
    path.write_bytes(b"")


def text(path: Path) -> None:
    path.write_text("Clip of the second visit: still on the phone.\n", encoding="utf-8")


def cut_off(path: Path) -> None:
    write_clip(path, range(0, 3000, 33))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def grey(path: Path) -> None:
    """A room without anybody."""
    write_clip(path, range(0, 1400, 33), pictures=[np.full((240, 320, 3), 128, np.uint8)] * 43)


def ten_frames(path: Path) -> None:
    write_clip(path, range(0, 330, 33))


def no_frames(path: Path) -> None:
    """A container with a video stream that holds no frame."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        container.start_encoding()


BROKEN: dict[str, tuple[Callable[[Path], Any] | None, str]] = {
    "none": (
        None,
        "clip none: no such file (clips/none.mp4); expected a video file. Check the file's path in the manifest.",
    ),
    "empty": (empty, f"clip empty: the file is empty (0 bytes); expected a video file. {COPY_AGAIN}"),
    "text": (text, f"clip text: it is a text file; {DECODABLE} {OTHER_FILE}"),
    "cut": (
        cut_off,
        f"clip cut: the recording is cut off: its index is missing; {DECODABLE} {COPY_AGAIN}",
    ),
    "sound": (
        write_sound,
        f"clip sound: it has sound but no video stream; {DECODABLE} {OTHER_FILE}",
    ),
    "noframes": (
        no_frames,
        f"clip noframes: its video stream is damaged or of an unknown kind; {DECODABLE} "
        "Export the clip as MP4 with H.264.",
    ),
    "tenframes": (
        ten_frames,
        "clip tenframes: has 10 frames; at least 30 are needed. Film three strides of each foot or more.",
    ),
    "nobody": (
        grey,
        "clip nobody: a person is seen in 0% of 43 frames; at least 60% are needed. "
        "Keep the whole body in view, well lit, against a plain wall.",
    ),
}


def write_broken(clips: Path) -> None:
    clips.mkdir(parents=True)
    for name, (write, _) in BROKEN.items():
        if write is not None:
            write(clips / f"{name}.mp4")


def test_each_broken_file_has_its_message_and_the_command_fails(tmp_path: Path) -> None:
    write_broken(tmp_path / "study/clips")
    make_study(tmp_path / "study", {f"clips/{name}.mp4": "01" for name in BROKEN})
    done = run_command("run", "study", "--out", "out", "--model", "full", folder=tmp_path)
    report = read_json(tmp_path / "out/sub-P01/ses-01/visit.json", VisitReport)
    found = {clip.clip_id: clip.message for clip in report.clips}
    assert found == {name: message for name, (_, message) in BROKEN.items()}
    assert done.returncode == 1
    assert "Traceback" not in done.stdout + done.stderr
    for message in found.values():
        assert message in done.stdout
    assert {fault.verdict for fault in report.faults} == {"cannot say"}

    page = tmp_path / "out/sub-P01/ses-01/visit.html"
    made = page.read_bytes()
    page.unlink()
    again = run_command("report", "out", folder=tmp_path)
    assert (again.returncode, again.stdout, again.stderr) == (0, "out/sub-P01/ses-01/visit.html\nout/study.html\n", "")
    assert page.read_bytes() == made
    (page.parent / "visit.json").write_text("{")
    damaged = run_command("report", "out", folder=tmp_path)
    assert (damaged.returncode, damaged.stdout) == (1, "out/study.html\n")
    assert damaged.stderr.startswith("failed: out/sub-P01/ses-01/visit.json: cannot be read (")


def cut_at_the_knees(example: Path, path: Path, truth: dict[str, Any]) -> None:
    """Filmed too high: the picture ends above the knees."""
    knees_px = np.array([truth["joints_px"]["left_knee"], truth["joints_px"]["right_knee"]])
    bottom = int(np.nanmin(knees_px[..., 1])) // 2 * 2
    frames = list(read_frames(example))
    write_clip(
        path,
        [round(1000 * frame.time_s) for frame in frames],
        pictures=[np.ascontiguousarray(frame.image[:bottom]) for frame in frames],
    )


def two_walkers(example: Path, path: Path, truth: dict[str, Any]) -> None:
    """The walker and a helper beside: a window that goes with the walker, and the same backwards in time."""
    frames = list(read_frames(example))
    hip_px = np.array(truth["joints_px"]["left_hip"])[:, 0]
    starts = np.clip(hip_px - 320, 0, frames[0].image.shape[1] - 640).astype(int)
    windows = [frame.image[:, start : start + 640] for frame, start in zip(frames, starts, strict=True)]
    write_clip(
        path,
        [round(1000 * frame.time_s) for frame in frames],
        pictures=[np.hstack(pair) for pair in zip(windows, reversed(windows), strict=True)],
    )


@pytest.mark.slow
def test_good_clip_is_measured_beside_broken_ones_and_taken_over_in_the_next_run(tmp_path: Path) -> None:
    example = example_clip("sagittal")
    study_folder = ROOT / "example_data/study"
    truth_path = ROOT / "example_data/truth" / example.relative_to(study_folder).with_suffix(".truth.json")
    truth = json.loads(truth_path.read_text(encoding="utf-8"))
    write_broken(tmp_path / "study/clips")
    shutil.copy(example, tmp_path / "study/clips/good.mp4")
    cut_at_the_knees(example, tmp_path / "study/clips/knees.mp4", truth)
    two_walkers(example, tmp_path / "study/clips/two.mp4", truth)
    names = ["good", *BROKEN, "knees", "two"]
    make_study(tmp_path / "study", {f"clips/{name}.mp4": "01" for name in names}, prosthetic_side="right")

    first = run_command("run", "study", "--out", "out", "--model", "full", folder=tmp_path)
    folder = tmp_path / "out/sub-P01/ses-01"
    report = read_json(folder / "visit.json", VisitReport)
    found = {clip.clip_id: clip for clip in report.clips}
    assert first.returncode == 1
    assert "Traceback" not in first.stdout + first.stderr
    assert [clip.clip_id for clip in report.clips if clip.state == "done"] == ["good"]
    assert {name: found[name].message for name in BROKEN} == {name: message for name, (_, message) in BROKEN.items()}
    # The share of the frames is the estimator's guess about what is outside of the picture.
    assert re.fullmatch(
        r"clip knees: the feet are inside the picture in \d+% of the frames; at least 60% are needed\. "
        r"Step back or tilt the camera until both feet stay in view\.",
        found["knees"].message,
    )
    assert re.fullmatch(
        r"clip two: it cannot be told who is the walker: somebody else comes to \d+% of the first one's weight; "
        r"at most 50% is safe, weight being height times way times time in view\. "
        r"Film the walker alone, or point at the walker in the manifest's column walker_at\.",
        found["two"].message,
    )
    _, strides = load_visit(folder)
    assert set(strides.table["clip_id"]) == {"good"}
    assert strides.table["use"].any()
    assert "out/sub-P01/ses-01/visit.html" in first.stdout.splitlines()
    page = (folder / "visit.html").read_text(encoding="utf-8")
    assert all(name in page for name in names)

    before = {path: path.read_bytes() for path in (folder / "good").iterdir() if path.name != "record.json"}
    (tmp_path / "mine.toml").write_text('[landmarks]\nmodel = "full"\n[strides]\nmin_stride_s = 0.61\n')
    second = run_command("run", "study", "--out", "out", "--settings", "mine.toml", folder=tmp_path)
    good = next(c for c in read_json(folder / "visit.json", VisitReport).clips if c.clip_id == "good")
    assert second.returncode == 1
    kept = ["landmarks unchanged", "pictures unchanged", "outlines unchanged", "pylon unchanged"]
    assert [reason.split(" since ")[0] for reason in good.reused] == kept
    assert {path: path.read_bytes() for path in before} == before
