"""The stages of one clip inside its process: what looks at its pictures, then its measures; and their files.

Heavy libraries are imported inside the functions, by the process that needs them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.config import Settings
from pipeline.errors import VideoError
from pipeline.isolate import Tell
from pipeline.model import Clip, LandmarkTrack, VideoInfo
from pipeline.picture_stages import (
    OUTLINES_VERSION,
    PICTURES_VERSION,
    PYLON_VERSION,
    SHOES_VERSION,
    ClipJob,
    landmarks_fingerprint,
    run_picture_stages,
    saved_outlines,
    saved_pylon,
    saved_shoes,
)
from pipeline.store import (
    FolderRecord,
    fingerprint,
    read_json,
    read_record,
    run_stage,
    write_json,
    write_record,
    write_table,
)

if TYPE_CHECKING:
    from pipeline.legs import RightedLegs

MEASURES_FILES = ("events.csv", "strides.csv", "curves.npz", "quality.json")


def measures_fingerprint(job: ClipJob, landmarks: str) -> str:
    """Everything that a clip's events and strides depend on."""
    from pipeline.stages import MEASURES_VERSION

    settings = job.settings
    return fingerprint(
        version=MEASURES_VERSION,
        landmarks=landmarks,
        pictures=PICTURES_VERSION,
        outlines=OUTLINES_VERSION,
        pylon=PYLON_VERSION,
        shoes=SHOES_VERSION,
        settings=[settings.signals, settings.strides, settings.quality],
        clip=_as_measured(job.clip),
        libraries=[version("numpy"), version("scipy")],
    )


def _as_measured(clip: Clip) -> dict[str, Any]:
    """What measuring needs of a clip: not the place of the study folder on this machine, nor what only judges need.

    Of the latter, what a clip had from the beginning is emptied and what came later is left out, so that results of
    earlier versions stay valid.
    """
    parts = asdict(replace(clip, path=Path(clip.relative_path), changes="", levels=(), aid=None))
    del parts["footwear"]
    return parts


def measure_clip_files(job: ClipJob, tell: Tell) -> tuple[str, ...]:
    """Run the stages of one clip; return a line for each stage that was taken over from an earlier run.

    Raises
    ------
    VideoError, QualityError
        The clip cannot be decoded, or not measured.
    """
    clip, folder = job.clip, job.folder
    tell("landmarks", 0, 0)
    if not clip.path.is_file():
        raise VideoError(
            f"clip {clip.clip_id}",
            f"no such file ({clip.relative_path})",
            "expected a video file",
            "Check the file's path in the manifest.",
        )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "error.txt").unlink(missing_ok=True)
    landmarks = landmarks_fingerprint(job)
    since = run_picture_stages(job, landmarks, tell)
    tell("measures", 0, 0)
    since["measures"] = run_stage(
        folder,
        "measures",
        wanted_fingerprint=measures_fingerprint(job, landmarks),
        stale=MEASURES_FILES,
        work=lambda: _measure(job),
    )
    write_record(folder, FolderRecord("done", stages=read_record(folder).stages))
    return tuple(f"{stage} unchanged since {time}" for stage, time in since.items() if time)


def _measure(job: ClipJob) -> Iterable[str]:
    """The stage measures. It opens no video: what pictures tell lies in the files of the stages before."""
    from pipeline import strides
    from pipeline.pixels import PictureFacts
    from pipeline.stages import measure_clip
    from pipeline.tables import EVENTS, check_table
    from pipeline.track_file import load_track

    info = read_json(job.folder / "video.json", VideoInfo)
    track = load_track(job.folder / "landmarks.npz")
    pictures = read_json(job.folder / "pictures.json", PictureFacts)
    outlines, pylon = saved_outlines(job.clip, job.folder), saved_pylon(job.clip, job.folder)
    shoes = saved_shoes(job.clip, job.folder)
    measures = measure_clip(job.clip, info, track, job.settings, pictures, outlines, pylon, shoes)
    write_table(job.folder / "events.csv", check_table(measures.events, EVENTS, "events"))
    write_json(job.folder / "quality.json", measures.quality)
    strides.save(measures.strides, job.folder)
    return MEASURES_FILES


def saved_legs(clip: Clip, folder: Path, settings: Settings) -> tuple[LandmarkTrack, RightedLegs]:
    """A measured clip's landmarks, as the estimator gave them and with the legs put right."""
    from pipeline.stages import righted
    from pipeline.track_file import load_track

    track = load_track(folder / "landmarks.npz")
    return track, righted(clip, track, settings, saved_outlines(clip, folder), saved_pylon(clip, folder))
