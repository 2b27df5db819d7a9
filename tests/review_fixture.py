"""A small measured study without videos: stick walkers in place of the pose model, everything after it is real."""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from pipeline import clip_stages, picture_stages, report, review_files
from pipeline.causes_file import load_causes
from pipeline.checks import Person
from pipeline.clip_stages import measure_clip_files
from pipeline.jobs import VisitJob, report_visit
from pipeline.judgement import ClipResult
from pipeline.manifest import read_manifest
from pipeline.model import VideoInfo
from pipeline.picture_stages import ClipJob
from pipeline.pixels import PictureFacts
from pipeline.store import OutputTree, write_json, write_text
from pipeline.thresholds import load_limits
from pipeline.track_file import save_track
from tests import report_fixture
from tests.studies import make_study, quick_settings
from tests.walker import Walker

CLIPS = {"a-side.mp4": "01", "b-side.mp4": "01", "c-side.mp4": "02"}


@dataclass
class SmallStudy:
    """A study of one person with two visits, and its results."""

    folder: Path
    walkers: dict[str, Walker] = field(default_factory=dict)

    @property
    def results(self) -> Path:
        return self.folder / "out"

    def visit(self, name: str = "01") -> Path:
        return self.results / "sub-P01" / f"ses-{name}"

    def walk(self, **walkers: Walker) -> None:
        """Let a clip show another walk, by its name up to the dash."""
        self.walkers |= walkers
        for name in CLIPS:
            walker = self.walkers.get(name[0], Walker())
            write_text(self.folder / "study" / name, repr(walker))

    def run(self) -> dict[str, list[str]]:
        """Measure all clips and make the reports; return by clip and visit what was done, and not taken over."""
        settings = quick_settings(keep_pictures="none")
        clips = read_manifest(self.folder / "study")
        tree = OutputTree(self.results)
        done: dict[str, list[str]] = {}
        for clip in clips:
            folder = tree.clip_folder(clip.subject, clip.visit, clip.clip_id)
            ends = measure_clip_files(ClipJob(clip, folder, settings), lambda *_: None)
            reused = {end.stage for end in ends if end.since}
            stages = ("landmarks", "pictures", "outlines", "pylon", "measures")
            done[clip.clip_id] = [stage for stage in stages if stage not in reused]
        for name in dict.fromkeys(clip.visit for clip in clips):
            own = tuple(clip for clip in clips if clip.visit == name)
            results = tuple(ClipResult(one.clip_id, one.relative_path, "done", "measures", "", "", 0.0) for one in own)
            limits, causes = load_limits(), load_causes()
            job = VisitJob(
                "P01", name, own[0].visit_date, Person(("left",)), "", own, results, tree.visit_folder("P01", name),
                settings, limits, causes,
                replace(report_fixture.report().run, limits_sha256=limits.sha256, causes_sha256=causes.sha256),
            )  # fmt: skip
            done[name] = [] if report_visit(job, lambda *_: None).since else ["report"]
        return done


def small_study(folder: Path, patch: pytest.MonkeyPatch, *, pages: bool = False) -> SmallStudy:
    """Make the study, not yet measured; without `pages` reports are saved parts alone."""
    study = SmallStudy(folder)

    def detect(job: ClipJob, _: object) -> tuple[str, ...]:
        track = study.walkers.get(job.clip.clip_id[0], Walker()).track()
        n_frames = len(track.time_s)
        info = VideoInfo(track.width_px, track.height_px, n_frames, n_frames, n_frames / 60, 60, 60, 0, False, True)
        write_json(job.folder / "video.json", info)
        save_track(job.folder / "landmarks.npz", track)
        return picture_stages.LANDMARKS_FILES

    def look(job: ClipJob) -> tuple[str, ...]:
        write_json(job.folder / "pictures.json", PictureFacts(1.0, 0.5, 0.5))
        return picture_stages.PICTURES_FILES

    patch.setattr(picture_stages, "_detect", detect)
    patch.setattr(picture_stages, "_look", look)
    for name in ("_trace", "_trace_pylon"):
        patch.setattr(picture_stages, name, lambda _: ())
    for name in ("saved_outlines", "saved_pylon"):
        patch.setattr(clip_stages, name, lambda *_: None)
        patch.setattr(picture_stages, name, lambda *_: None)
    if not pages:
        patch.setattr(report, "build_visit", lambda *_, **__: [])
    make_study(folder / "study", CLIPS)
    study.walk()
    return study


def fill_disk(patch: pytest.MonkeyPatch, *, after: int) -> None:
    """Let the writing of corrections fail, as on a full disk, after so many were written."""
    left = iter(range(after))

    def full(path: Path, value: object, *, lasting: bool = False) -> None:
        if next(left, None) is None:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        write_json(path, value, lasting=lasting)

    patch.setattr(review_files, "write_json", full)
