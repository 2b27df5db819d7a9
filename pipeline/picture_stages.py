"""The stages that look at the pictures of one clip, or take what they gave from a landmark file; and their files.

Heavy libraries are imported inside the functions, by the process that needs them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config import Settings
from pipeline.job_process import Tell
from pipeline.judgement import RunRecord
from pipeline.landmark_file import RECORD, Made, is_landmark_file, unpack
from pipeline.model import Clip, VideoInfo, View
from pipeline.models import verify_models
from pipeline.stage_record import StageEnd, run_stage
from pipeline.store import fingerprint, read_json, write_json

if TYPE_CHECKING:
    from pipeline.outline import Outlines
    from pipeline.pylon import PylonTrack
    from pipeline.shoes import Shoes
    from pipeline.video import Frame

# Raised when the stage's results change for the same input; earlier results are then computed again.
LANDMARKS_VERSION = 3
PICTURES_VERSION = 1
OUTLINES_VERSION = 1
PYLON_VERSION = 1
SHOES_VERSION = 1

LANDMARKS_FILES = ("video.json", "landmarks.npz")
PICTURES_FILES = ("pictures.json",)
OUTLINES_FILES = ("outlines.npz",)
PYLON_FILES = ("pylon.npz",)
SHOES_FILES = ("shoes.npz",)
STAGE_VERSIONS = {
    "landmarks": LANDMARKS_VERSION,
    "pictures": PICTURES_VERSION,
    "outlines": OUTLINES_VERSION,
    "pylon": PYLON_VERSION,
    "shoes": SHOES_VERSION,
}
ALL_PICTURE_FILES = (*LANDMARKS_FILES, *PICTURES_FILES, *OUTLINES_FILES, *PYLON_FILES, *SHOES_FILES)


@dataclass(frozen=True, slots=True)
class ClipJob:
    """One clip, the folder for its results, and the settings."""

    clip: Clip
    folder: Path
    settings: Settings


def picture_stages(view: View) -> dict[str, tuple[str, ...]]:
    """The stages that look at a clip's pictures, with the files that they write."""
    stages = {"landmarks": LANDMARKS_FILES, "pictures": PICTURES_FILES}
    if view == "sagittal":
        stages |= {"outlines": OUTLINES_FILES, "pylon": PYLON_FILES}
    if view == "anterior":
        stages |= {"shoes": SHOES_FILES}
    return stages


def picture_files(view: View) -> tuple[str, ...]:
    """The files that a clip's measures are computed from."""
    return tuple(name for names in picture_stages(view).values() for name in names)


def landmarks_fingerprint(job: ClipJob, clip_sha256: str) -> str:
    """Everything that a clip's landmarks depend on; the clip's file by its hash."""
    if is_landmark_file(job.clip.path):
        return fingerprint(landmark_file=clip_sha256)
    return fingerprint(
        version=LANDMARKS_VERSION,
        clip=clip_sha256,
        settings=job.settings.landmarks,
        walker_at=job.clip.walker_at,
        models=_models_sha256(job.settings.landmarks.model),
        libraries=_libraries(),
    )


@cache
def _libraries() -> list[str]:
    """Versions of what reads pictures; looking one up reads a file."""
    from pipeline.video import opencv_version

    return [version("mediapipe"), opencv_version()]


@cache
def _models_sha256(name: str) -> list[str]:
    """Hashes of the pose models' files, taken once a process; what reads the models checks them again."""
    return [model.sha256 for model in verify_models(name)]


def picture_fingerprints(job: ClipJob, landmarks: str) -> dict[str, str]:
    """Everything that each stage of this clip depends on that looks at pictures; `landmarks` is that of its first.

    A landmark file is one stage: it holds the files of all.
    """
    if is_landmark_file(job.clip.path):
        return {"landmarks": fingerprint(landmarks=landmarks, view=job.clip.view, sides=job.clip.prosthetic_sides)}
    wanted = {
        "landmarks": landmarks,
        "pictures": fingerprint(version=PICTURES_VERSION, landmarks=landmarks),
        "outlines": fingerprint(version=OUTLINES_VERSION, landmarks=landmarks),
        "pylon": fingerprint(
            version=PYLON_VERSION,
            outlines=OUTLINES_VERSION,
            landmarks=landmarks,
            settings=job.settings.signals,
            sides=job.clip.prosthetic_sides,
        ),
        "shoes": fingerprint(version=SHOES_VERSION, landmarks=landmarks),
    }
    return {stage: wanted[stage] for stage in picture_stages(job.clip.view)}


def run_picture_stages(job: ClipJob, landmarks: str, tell: Tell) -> tuple[StageEnd, ...]:
    """Run what looks at the clip's pictures; return how each stage ended.

    Raises
    ------
    VideoError
        The clip cannot be decoded, or its landmark file not be used.
    """
    return (_unpacked if is_landmark_file(job.clip.path) else _from_pictures)(job, landmarks, tell)


def _unpacked(job: ClipJob, landmarks: str, tell: Tell) -> tuple[StageEnd, ...]:
    """The stage landmarks of a landmark file, which holds the files of the others too."""
    end = run_stage(
        job.folder,
        "landmarks",
        wanted_fingerprint=picture_fingerprints(job, landmarks)["landmarks"],
        stale=ALL_PICTURE_FILES,
        work=lambda: unpack_clip(job.clip, job.folder),
    )
    return (end,)


def unpack_clip(clip: Clip, folder: Path) -> tuple[str, ...]:
    """Put what a clip's landmark file holds into a folder and return the names of the files.

    Raises
    ------
    VideoError
        The file cannot be used, or was made for another view or side.
    """
    names = picture_files(clip.view)
    sides, item = clip.prosthetic_sides, f"clip {clip.clip_id}"
    unpack(clip.path, folder, names, view=clip.view, prosthetic_sides=sides, stages=STAGE_VERSIONS, item=item)
    return (RECORD, *names)


def _from_pictures(job: ClipJob, landmarks: str, tell: Tell) -> tuple[StageEnd, ...]:
    """The stages that look at the clip's pictures."""
    works: dict[str, Callable[[], Iterable[str]]] = {
        "landmarks": lambda: _detect(job, tell),
        "pictures": lambda: _look(job),
        "outlines": lambda: _trace(job),
        "pylon": lambda: _trace_pylon(job),
        "shoes": lambda: _trace_shoes(job),
    }
    wanted = picture_fingerprints(job, landmarks)
    ends = []
    for stage, files in picture_stages(job.clip.view).items():
        tell(stage, 0, 0)
        stale = (*files, RECORD) if stage == "landmarks" else files
        end = run_stage(job.folder, stage, wanted_fingerprint=wanted[stage], stale=stale, work=works[stage])
        ends.append(end)
    return tuple(ends)


def _detect(job: ClipJob, tell: Tell) -> Iterable[str]:
    """The stage landmarks."""
    from pipeline.landmarks import detect_landmarks
    from pipeline.track_file import save_track
    from pipeline.video import probe_times

    item = f"clip {job.clip.clip_id}"
    info, time_s = probe_times(job.clip.path, item=item)
    write_json(job.folder / "video.json", info)
    track = detect_landmarks(
        job.clip.path,
        model=job.settings.landmarks.model,
        num_poses=job.settings.landmarks.num_poses,
        walker_at=job.clip.walker_at,
        on_frame=lambda done: tell("landmarks", done, info.n_frames),
        item=item,
        probed=(info, time_s),
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


def _frames(job: ClipJob, wanted: set[int] | None = None) -> Iterable[Frame]:
    """The clip's frames from the start, all or those that are wanted."""
    from pipeline.video import read_frames

    info = read_json(job.folder / "video.json", VideoInfo)
    return read_frames(job.clip.path, info=info, item=f"clip {job.clip.clip_id}", wanted=wanted)


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


def landmark_file_notes(clips: Iterable[Clip], visit_folder: Path) -> tuple[str, ...]:
    """What a visit's page says of clips that came as landmark files."""
    made = {
        clip.clip_id: read_json(visit_folder / clip.clip_id / RECORD, Made)
        for clip in clips
        if is_landmark_file(clip.path)
    }
    if not made:
        return ()
    older = [name for name, one in made.items() if any(one.stages[key] < STAGE_VERSIONS[key] for key in one.stages)]
    return (
        f"These clips came as landmark files, without pictures: {', '.join(made)}.",
        *(
            f"The landmark file of clip {name} was made by older calculations (program {made[name].program}): measure "
            "the clip itself again, where it still exists."
            for name in older
        ),
    )


def with_models(run: RunRecord, clips: Iterable[Clip], visit_folder: Path) -> RunRecord:
    """The run's record with the pose models of a visit's clips; landmark files may come from another than the run's."""
    from pipeline.track_file import load_track

    models: dict[str, str] = {}
    for clip in clips:
        if is_landmark_file(clip.path):
            track = load_track(visit_folder / clip.clip_id / "landmarks.npz")
            models[track.model_sha256] = track.model
        else:
            models[run.model_sha256] = run.model
    if not models:
        return run
    return replace(run, model=", ".join(sorted(models.values())), model_sha256=", ".join(sorted(models)))
