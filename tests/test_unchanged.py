"""What is unchanged is told without a process of its own; and whatever changed is not taken for unchanged."""

from __future__ import annotations

import shutil
from collections import deque
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from pipeline import batch, study_run
from pipeline.batch import run_study
from pipeline.clip_stages import unchanged_clip
from pipeline.config import Settings
from pipeline.isolate import Job, Outcome
from pipeline.manifest import read_manifest
from pipeline.picture_stages import ClipJob
from pipeline.review import Correction
from pipeline.review_files import landmarks_of, save_corrections
from pipeline.store import OutputTree, write_text
from tests.review_fixture import SmallStudy, small_study
from tests.studies import quick_settings

Change = Callable[[SmallStudy, Path], None]


@pytest.fixture
def study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> SmallStudy:
    made = small_study(tmp_path, monkeypatch)
    made.run()
    return made


def first_job(study: SmallStudy, settings: Settings | None = None) -> ClipJob:
    """The job of the first clip."""
    clip = read_manifest(study.folder / "study")[0]
    folder = OutputTree(study.results).clip_folder(clip.subject, clip.visit, clip.clip_id)
    return ClipJob(clip, folder, settings or quick_settings(keep_pictures="none"))


def test_a_measured_clip_is_unchanged_since_each_of_its_stages_ended(study: SmallStudy) -> None:
    lines = unchanged_clip(first_job(study))
    assert lines is not None
    stages = ["landmarks", "pictures", "outlines", "pylon", "measures"]
    assert [end.stage for end in lines] == stages
    assert all(end.since and not end.damaged for end in lines)


def other_clip(study: SmallStudy, _: Path) -> None:
    write_text(study.folder / "study" / "a-side.mp4", "another walk")


def no_clip(study: SmallStudy, _: Path) -> None:
    (study.folder / "study" / "a-side.mp4").unlink()


def damaged_file(_: SmallStudy, folder: Path) -> None:
    (folder / "strides.csv").write_text("cut")


def missing_file(_: SmallStudy, folder: Path) -> None:
    (folder / "landmarks.npz").unlink()


def failed_before(_: SmallStudy, folder: Path) -> None:
    write_text(folder / "error.txt", "disk full")


def no_record(_: SmallStudy, folder: Path) -> None:
    (folder / "record.json").write_text("{")


def gone(_: SmallStudy, folder: Path) -> None:
    shutil.rmtree(folder)


def corrected(study: SmallStudy, folder: Path) -> None:
    landmarks = landmarks_of(folder.parent, [folder.name])[folder.name]
    record = Correction(
        "20260301T120000000000Z-AB-abcdef", "2026-03-01T12:00:00Z", "AB", "none there", "add event", "P01", "01",
        clip_id=folder.name, side="left", kind="contact", time_s=1.0, landmarks_sha256=landmarks,
    )  # fmt: skip
    save_corrections(study.results, [record])


@pytest.mark.parametrize(
    "change", [other_clip, no_clip, damaged_file, missing_file, failed_before, no_record, gone, corrected]
)
def test_whatever_changed_is_not_taken_for_unchanged(study: SmallStudy, change: Change) -> None:
    job = first_job(study)
    change(study, job.folder)
    assert unchanged_clip(job) is None


def test_other_settings_of_a_stage_are_a_change(study: SmallStudy) -> None:
    settings = quick_settings(keep_pictures="none")
    strides = settings.strides.model_copy(update={"min_stride_s": 0.7})
    assert unchanged_clip(first_job(study, settings.model_copy(update={"strides": strides}))) is None


def test_a_run_with_nothing_to_do_starts_no_process(study: SmallStudy, monkeypatch: pytest.MonkeyPatch) -> None:
    """The first run makes the visits' reports, in this process here; the second finds all unchanged."""
    started: list[str] = []

    def here(queue: deque[Job], **_: object) -> Iterator[Outcome]:
        while queue:
            job = queue.popleft()
            started.append(job.name)
            yield Outcome(job.name, job.function(*job.arguments, lambda *_: None), None, 0.0, "")

    monkeypatch.setattr(study_run, "run_jobs", here)
    monkeypatch.setattr(batch, "make_person_pages", lambda *_, **__: ([], {}))
    for wanted in (["visit P01-01", "visit P01-02"], []):
        started.clear()
        done = run_study(study.folder / "study", study.results, settings=quick_settings(keep_pictures="none"))
        assert started == wanted
        assert [clip.state for clip in done.clips] == ["done"] * 3
        assert all("measures unchanged since" in clip.reused[-1] for clip in done.clips)
    assert all(visit.unchanged_since and not visit.message for visit in done.visits)
    (study.visit("02") / "faults.csv").unlink()
    run_study(study.folder / "study", study.results, settings=quick_settings(keep_pictures="none"))
    assert started == ["visit P01-02"]
