"""`strideledger check`: what it says of good, broken and swapped clips, and how it ends."""

from __future__ import annotations

import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.cli import main
from pipeline.console import show_check, show_check_counts
from pipeline.landmarks import detect_landmarks
from pipeline.manifest_row import COLUMN_NAMES
from pipeline.model import QualityNote
from pipeline.pixels import luma, picture_facts, sample_numbers
from pipeline.precheck import ClipCheck, check_study
from pipeline.quality import Usable
from pipeline.video import Frame, probe_video, read_frames
from pipeline.walkway import walker_path
from tests.clip_files import example_clip, write_clip
from tests.studies import make_study, run_command
from tests.walker import make_clip

BLUR = QualityNote("blur", 0.93, "% body height", 0.6, False, "Put the camera on a stand.")
SEEN = QualityNote("walker seen", 0.25, "1", 0.6, False, "Keep the whole body in view.")
FINE = QualityNote("frames", 360, "1", 30, True, "Film more.")


def lines(capsys: pytest.CaptureFixture[str]) -> list[str]:
    return [line.rstrip() for line in capsys.readouterr().out.splitlines()]


def test_a_clip_reads_well_in_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    show_check(ClipCheck(make_clip(name="a"), "usable", (FINE,), "", 2.04))
    show_check(ClipCheck(make_clip(name="b"), "not usable", (FINE, BLUR, SEEN), "", 3.0))
    show_check(ClipCheck(make_clip(name="c"), "not usable", (), "clip c: no [such] file.", 0.5))
    assert lines(capsys) == [
        "a: usable (2.0 s)",
        "b: not usable (3.0 s)",
        "  looked at    value              limit                      next time",
        "  blur         0.9 % body height  at most 0.6 % body height  Put the camera on a stand.",
        "  walker seen  0.25               at least 0.60              Keep the whole body in view.",
        "c: not usable (0.5 s)",
        "  clip c: no [such] file.",
    ]


@pytest.mark.parametrize(
    ("item", "value", "unit", "limit", "shown"),
    [
        ("signs against the view", 1.0, "1", 0.0, "1                at most 0"),
        ("frames lost in decoding", 40.0, "1", 1.0, "40               at most 1"),
        ("resolution, shorter side", 240.0, "px", 480.0, "240 px           at least 480 px"),
        ("second person", 1.0, "1", 0.2, "1.00             at most 0.20"),
        ("camera angle to the walkway", 20.44, "deg", 15.0, "20.4 deg         at most 15.0 deg"),
        ("camera angle to the walkway", -20.44, "deg", -15.0, "-20.4 deg        at least -15.0 deg"),
    ],
)
def test_each_amount_has_its_unit(
    capsys: pytest.CaptureFixture[str], item: str, value: float, unit: str, limit: float, shown: str
) -> None:
    show_check(
        ClipCheck(make_clip(), "usable with care", (QualityNote(item, value, unit, limit, False, "Do."),), "", 1)
    )
    assert lines(capsys)[2].split() == [*item.split(), *shown.split(), "Do."]


def test_counts_at_the_end(capsys: pytest.CaptureFixture[str]) -> None:
    kinds: tuple[Usable, ...] = ("usable", "not usable", "usable")
    show_check_counts([ClipCheck(make_clip(), kind, (), "", 1.0) for kind in kinds])
    assert lines(capsys) == ["", "clips: 2 usable, 0 usable with care, 1 not usable"]


@pytest.mark.parametrize(("kind", "code"), [("usable", 0), ("usable with care", 0), ("not usable", 1)])
def test_exit_code(kind: Usable, code: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    given: dict[str, object] = {}

    def stand_in(study: Path, **options: object) -> list[ClipCheck]:
        given.update(options, study=study)
        return [ClipCheck(make_clip(), kind, (), "", 1.0)]

    monkeypatch.setattr("pipeline.precheck.check_study", stand_in)
    monkeypatch.setattr("pipeline.cli.read_manifest", lambda study: [])
    monkeypatch.setattr("sys.argv", ["strideledger", "check", str(tmp_path), "--workers", "3"])
    with pytest.raises(SystemExit) as caught:
        main()
    assert (caught.value.code or 0) == code
    assert given["workers"] == 3


def test_wrong_study_ends_with_2_and_no_traceback(tmp_path: Path) -> None:
    done = run_command("check", "nothing", folder=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("error: nothing: no such folder; expected a study folder with manifest.csv.")
    study = make_study(tmp_path / "study", {"a.mp4": "01"}, view="from above")
    done = run_command("check", str(study), folder=tmp_path)
    assert done.returncode == 2
    assert "view" in done.stderr and "Traceback" not in done.stderr


def test_broken_files_are_told_each_and_the_others_go_on(tmp_path: Path) -> None:
    names = {"missing.mp4": "01", "empty.mp4": "02", "text.mp4": "03", "cut.mp4": "04"}
    study = make_study(tmp_path / "study", names)
    (study / "empty.mp4").touch()
    (study / "text.mp4").write_text("no video at all")
    whole = write_clip(tmp_path / "whole.mp4", range(0, 2000, 33)).read_bytes()
    (study / "cut.mp4").write_bytes(whole[: len(whole) // 2])
    done = run_command("check", "study", "--workers", "1", folder=tmp_path)
    assert done.returncode == 1
    assert done.stderr == ""
    assert "Traceback" not in done.stdout
    text = [line.strip() for line in done.stdout.splitlines()]
    names_told = [line.split(":")[0] for line in text if ": not usable" in line]
    assert names_told == ["missing", "empty", "text", "cut"]
    assert "clip missing: no such file; expected a video file. Check the file's path in the manifest." in text
    assert any(line.startswith("clip empty: the file is empty (0 bytes);") for line in text)
    assert any(line.startswith("clip text: ") for line in text)
    assert any(line.startswith("clip cut: ") for line in text)
    assert text[-1] == "clips: 0 usable, 0 usable with care, 4 not usable"
    # Nothing was written beside the clips.
    assert {path.name for path in study.iterdir()} == {"manifest.csv", "empty.mp4", "text.mp4", "cut.mp4"}


@pytest.mark.slow
def test_example_clips_under_their_own_view_and_under_a_wrong_one(tmp_path: Path) -> None:
    # The example study is rendered with the views that its manifest says.
    study = tmp_path / "study"
    study.mkdir()
    header = ",".join(COLUMN_NAMES) + "\n"
    rows = []
    for name, kind, view in (
        ("right", "sagittal", "sagittal"),
        ("side", "sagittal", "anterior"),
        ("front", "anterior", "posterior"),
        ("back", "posterior", "sagittal"),
    ):
        shutil.copyfile(example_clip(kind), study / f"{name}.mp4")
        rows.append(f"P01,01,2026-03-10,{name}.mp4,{view},right,,,,\n")
    (study / "manifest.csv").write_text(header + "".join(rows))
    checks = {checked.clip.clip_id: checked for checked in check_study(study, workers=1)}
    assert list(checks) == ["right", "side", "front", "back"]
    assert [checked.usable for checked in checks.values()] == ["usable", "not usable", "not usable", "not usable"]
    found = {"side": "sagittal", "front": "anterior", "back": "posterior"}
    for name, view in found.items():
        (note,) = (note for note in checks[name].notes if note.item == "signs against the view")
        assert note.value == 2.0
        assert f"as in the {view} view" in note.advice
    items = {note.item for note in checks["right"].notes if not note.ok}
    assert items <= {"frame rate for quick movements", "left leg seen, far side", "right leg seen, far side"}


@pytest.mark.slow
def test_a_turned_camera_and_a_lens_out_of_focus_are_measured_from_the_pixels() -> None:
    """The example clip as seen by a camera turned by 20 deg about its lens, and softened by 4 px, both by OpenCV.

    A turn about the lens is the homography K R K^-1 (Hartley & Zisserman, section 8.4, from memory); the example's
    lens has 880 px (scene.py of the generator). Its picture has a sharpness of its own, 0.1 to 0.2 %.
    """
    clip, lens_px = example_clip(), 880.0
    info = probe_video(clip)
    camera = np.array([[lens_px, 0, info.width_px / 2], [0, lens_px, info.height_px / 2], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(np.array([0.0, np.radians(-20.0), 0.0]))
    warp = camera @ turn @ np.linalg.inv(camera)
    size = (info.width_px, info.height_px)
    frames = [
        Frame(
            frame.index,
            frame.time_s,
            cv2.GaussianBlur(
                cv2.warpPerspective(frame.image, warp, size, borderMode=cv2.BORDER_REPLICATE), (0, 0), 4.0
            ),
        )
        for frame in read_frames(clip, info=info, wanted=set(sample_numbers(info.n_frames)))
    ]
    track = detect_landmarks(frames, model="full")
    path = walker_path(track, lens_px)
    assert path is not None and path.angle_deg == pytest.approx(20.0, abs=3.0)
    facts = picture_facts((luma(frame.image), xy_px) for frame, xy_px in zip(frames, track.xy_px, strict=True))
    heights_px = np.nanmedian(np.ptp(track.xy_px[:, :, 1], axis=1))
    assert facts.blur_pct == pytest.approx(100 * 4.0 / heights_px, rel=0.2)


@pytest.mark.slow
def test_a_clip_without_a_person_is_not_usable(tmp_path: Path) -> None:
    study = make_study(tmp_path / "study", {"empty-room.mp4": "01"})
    write_clip(study / "empty-room.mp4", range(0, 5000, 33))
    done = run_command("check", "study", folder=tmp_path)
    assert done.returncode == 1
    assert "empty-room: not usable" in done.stdout
    assert "walker seen" in done.stdout and "0.00" in done.stdout
