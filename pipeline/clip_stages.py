"""The stages of one clip inside its process: landmarks, what pictures add to them, measures; and their files.

Heavy libraries are imported inside the functions, by the process that needs them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config import Settings
from pipeline.errors import VideoError
from pipeline.isolate import Tell
from pipeline.model import Clip, LandmarkTrack, VideoInfo
from pipeline.models import verify_model
from pipeline.store import (
    FolderRecord,
    file_sha256,
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
    from pipeline.outline import Outlines
    from pipeline.pylon import PylonTrack
    from pipeline.shoes import Shoes
    from pipeline.video import Frame

# Raised when the stage's results change for the same input; earlier results are then computed again.
LANDMARKS_VERSION = 2
PICTURES_VERSION = 1
OUTLINES_VERSION = 1
PYLON_VERSION = 1
SHOES_VERSION = 1

LANDMARKS_FILES = ("video.json", "landmarks.npz")
PICTURES_FILES = ("pictures.json",)
OUTLINES_FILES = ("outlines.npz",)
PYLON_FILES = ("pylon.npz",)
SHOES_FILES = ("shoes.npz",)
MEASURES_FILES = ("events.csv", "strides.csv", "curves.npz", "quality.json")


@dataclass(frozen=True, slots=True)
class ClipJob:
    """One clip, the folder for its results, and the settings."""

    clip: Clip
    folder: Path
    settings: Settings


def landmarks_fingerprint(job: ClipJob) -> str:
    """Everything that a clip's landmarks depend on."""
    from pipeline.landmarks import opencv_version

    return fingerprint(
        version=LANDMARKS_VERSION,
        clip=file_sha256(job.clip.path),
        settings=job.settings.landmarks,
        walker_at=job.clip.walker_at,
        model=verify_model(job.settings.landmarks.model).sha256,
        libraries=[version("mediapipe"), opencv_version()],
    )


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
        # The place of the study folder on this machine changes nothing, nor does what only judges need.
        clip=replace(job.clip, path=Path(job.clip.relative_path), changes="", levels=(), aid=None),
        libraries=[version("numpy"), version("scipy")],
    )


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
    since = {
        "landmarks": run_stage(
            folder,
            "landmarks",
            wanted_fingerprint=landmarks,
            stale=LANDMARKS_FILES,
            work=lambda: _detect(job, tell),
        )
    }
    tell("pictures", 0, 0)
    since["pictures"] = run_stage(
        folder,
        "pictures",
        wanted_fingerprint=fingerprint(version=PICTURES_VERSION, landmarks=landmarks),
        stale=PICTURES_FILES,
        work=lambda: _look(job),
    )
    if clip.view == "sagittal":
        tell("outlines", 0, 0)
        since["outlines"] = run_stage(
            folder,
            "outlines",
            wanted_fingerprint=fingerprint(version=OUTLINES_VERSION, landmarks=landmarks),
            stale=OUTLINES_FILES,
            work=lambda: _trace(job),
        )
        tell("pylon", 0, 0)
        since["pylon"] = run_stage(
            folder,
            "pylon",
            wanted_fingerprint=fingerprint(
                version=PYLON_VERSION,
                outlines=OUTLINES_VERSION,
                landmarks=landmarks,
                settings=job.settings.signals,
                sides=clip.prosthetic_sides,
            ),
            stale=PYLON_FILES,
            work=lambda: _trace_pylon(job),
        )
    if clip.view == "anterior":
        tell("shoes", 0, 0)
        since["shoes"] = run_stage(
            folder,
            "shoes",
            wanted_fingerprint=fingerprint(version=SHOES_VERSION, landmarks=landmarks),
            stale=SHOES_FILES,
            work=lambda: _trace_shoes(job),
        )
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


def _detect(job: ClipJob, tell: Tell) -> Iterable[str]:
    """The stage landmarks."""
    from pipeline.landmarks import detect_landmarks
    from pipeline.track_file import save_track
    from pipeline.video import probe_video

    item = f"clip {job.clip.clip_id}"
    info = probe_video(job.clip.path, item=item)
    write_json(job.folder / "video.json", info)
    track = detect_landmarks(
        job.clip.path,
        model=job.settings.landmarks.model,
        num_poses=job.settings.landmarks.num_poses,
        walker_at=job.clip.walker_at,
        on_frame=lambda done: tell("landmarks", done, info.n_frames),
        item=item,
    )
    save_track(job.folder / "landmarks.npz", track)
    return LANDMARKS_FILES


def _look(job: ClipJob) -> Iterable[str]:
    """The stage pictures: what some of the clip's pictures say about the recording."""
    from pipeline.pixels import luma, picture_facts, sample_numbers
    from pipeline.track_file import load_track

    info = read_json(job.folder / "video.json", VideoInfo)
    track = load_track(job.folder / "landmarks.npz")
    frames = _frames(job, set(sample_numbers(info.n_frames)))
    facts = picture_facts((luma(frame.image), track.xy_px[frame.index]) for frame in frames)
    write_json(job.folder / "pictures.json", facts)
    return PICTURES_FILES


def _trace(job: ClipJob) -> Iterable[str]:
    """The stage outlines, of a clip from the side."""
    from pipeline.outline import save_outlines, trace_outlines
    from pipeline.track_file import load_track

    outlines = trace_outlines(lambda: _frames(job), load_track(job.folder / "landmarks.npz"))
    save_outlines(job.folder / "outlines.npz", outlines)
    return OUTLINES_FILES


def _trace_pylon(job: ClipJob) -> Iterable[str]:
    """The stage pylon, of a clip from the side."""
    from pipeline.pylon import save_pylon, trace_pylon
    from pipeline.stages import righted
    from pipeline.track_file import load_track

    track = load_track(job.folder / "landmarks.npz")
    legs = righted(job.clip, track, job.settings, saved_outlines(job.clip, job.folder))
    save_pylon(job.folder / "pylon.npz", trace_pylon(_frames(job), legs.track, legs.pylon))
    return PYLON_FILES


def _trace_shoes(job: ClipJob) -> Iterable[str]:
    """The stage shoes, of a clip from the front."""
    from pipeline.shoes import save_shoes, trace_shoes
    from pipeline.stages import righted
    from pipeline.track_file import load_track

    track = righted(job.clip, load_track(job.folder / "landmarks.npz"), job.settings).track
    shoes = trace_shoes(lambda: _frames(job), track)
    save_shoes(job.folder / "shoes.npz", shoes)
    return SHOES_FILES


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


def _frames(job: ClipJob, wanted: set[int] | None = None) -> Iterable[Frame]:
    """The clip's frames from the start, all or those that are wanted."""
    from pipeline.video import read_frames

    info = read_json(job.folder / "video.json", VideoInfo)
    return read_frames(job.clip.path, info=info, item=f"clip {job.clip.clip_id}", wanted=wanted)


def saved_legs(clip: Clip, folder: Path, settings: Settings) -> tuple[LandmarkTrack, RightedLegs]:
    """A measured clip's landmarks, as the estimator gave them and with the legs put right."""
    from pipeline.stages import righted
    from pipeline.track_file import load_track

    track = load_track(folder / "landmarks.npz")
    return track, righted(clip, track, settings, saved_outlines(clip, folder), saved_pylon(clip, folder))


def saved_outlines(clip: Clip, folder: Path) -> Outlines | None:
    """The outlines of a clip from the side."""
    from pipeline.outline import load_outlines

    return load_outlines(folder / "outlines.npz") if clip.view == "sagittal" else None


def saved_pylon(clip: Clip, folder: Path) -> PylonTrack | None:
    """The near pylon of a clip from the side."""
    from pipeline.pylon import load_pylon

    return load_pylon(folder / "pylon.npz") if clip.view == "sagittal" else None


def saved_shoes(clip: Clip, folder: Path) -> Shoes | None:
    """The shoes of a clip from the front."""
    from pipeline.shoes import load_shoes

    return load_shoes(folder / "shoes.npz") if clip.view == "anterior" else None
