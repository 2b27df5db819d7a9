"""Clips that a benchmark measures without a run: the files of a run, and what was refused."""

from __future__ import annotations

import shutil
from pathlib import Path

from pipeline.batch import run_study
from pipeline.bench.clips_alone import measure_clips
from pipeline.config import load_settings
from tests.studies import make_study

EXAMPLE = Path(__file__).parents[1] / "example_data/study/sub-P01/ses-03"
FILES = ("events.csv", "strides.csv", "quality.json")


def test_clips_give_what_a_run_gives_once_and_refusals_are_told(tmp_path: Path) -> None:
    study = make_study(
        tmp_path / "study", {"good.landmarks": "01", "gone.mp4": "01"}, prosthetic_side="right", height_m="1.78"
    )
    shutil.copy(EXAMPLE / "sub-P01_ses-03_task-walk_acq-sagittal_run-1_video.landmarks", study / "good.landmarks")
    settings = load_settings()

    refused = measure_clips(study, tmp_path / "alone", settings)
    run = run_study(study, tmp_path / "run", settings=settings)
    assert refused == {one.clip_id: one.message for one in run.clips if one.state == "failed"}
    assert list(refused) == ["gone"]

    own = Path("sub-P01/ses-01/good")
    for name in FILES:
        assert (tmp_path / "alone" / own / name).read_bytes() == (tmp_path / "run" / own / name).read_bytes()
    assert not list((tmp_path / "alone").rglob("*.html"))

    written_ns = (tmp_path / "alone" / own / "strides.csv").stat().st_mtime_ns
    assert measure_clips(study, tmp_path / "alone", settings) == refused
    assert (tmp_path / "alone" / own / "strides.csv").stat().st_mtime_ns == written_ns
