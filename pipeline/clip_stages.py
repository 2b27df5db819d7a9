"""The stages of one clip inside its process: what looks at its pictures, then its measures; and their files.

Heavy libraries are imported inside the functions, by the process that needs them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, replace
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.config import Settings
from pipeline.errors import PipelineError, VideoError
from pipeline.job_process import Tell
from pipeline.model import Clip, LandmarkTrack, VideoInfo
from pipeline.picture_stages import (
    OUTLINES_VERSION,
    PICTURES_VERSION,
    PYLON_VERSION,
    SHOES_VERSION,
    ClipJob,
    landmarks_fingerprint,
    picture_fingerprints,
    run_picture_stages,
    saved_outlines,
    saved_pylon,
    saved_shoes,
)
from pipeline.review import Correction
from pipeline.review_files import APPLIED_NAME, FOUND_EVENTS_NAME, clip_corrections
from pipeline.stage_record import StageEnd, finish, is_unchanged, known_sha256, read_record, run_stage, see
from pipeline.store import fingerprint, read_json, write_json, write_table

if TYPE_CHECKING:
    from pipeline.legs import RightedLegs

MEASURES_FILES = ("events.csv", "strides.csv", "curves.npz", "quality.json")
# There only where a person corrected something.
CORRECTED_FILES = (FOUND_EVENTS_NAME, APPLIED_NAME)


def measures_fingerprint(job: ClipJob, landmarks: str, corrections: Sequence[Correction] = ()) -> str:
    """Everything that a clip's events and strides depend on; of corrections those that count for this clip."""
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
        libraries=_libraries(),
        # Without any, the fingerprint is that of a version that knew none: nothing is measured again for their sake.
        **({"corrections": list(corrections)} if corrections else {}),
    )


@cache
def _libraries() -> list[str]:
    """Versions of what computes the measures; looking one up reads a file."""
    return [version("numpy"), version("scipy")]


def _as_measured(clip: Clip) -> dict[str, Any]:
    """What measuring needs of a clip: not the place of the study folder on this machine, nor what only judges need.

    Of the latter, what a clip had from the beginning is emptied and what came later is left out, so that results of
    earlier versions stay valid.
    """
    parts = asdict(replace(clip, path=Path(clip.relative_path), changes="", levels=(), aid=None))
    del parts["footwear"]
    return parts


def unchanged_clip(job: ClipJob) -> tuple[StageEnd, ...] | None:
    """Tell since when every stage of a clip is unchanged; None where something is to be done.

    Only reads. It saves a process for each clip of a run that has little or nothing to do.
    """
    try:
        record = read_record(job.folder)
        if record.state != "done" or (job.folder / "error.txt").exists():
            return None
        landmarks = landmarks_fingerprint(job, known_sha256(job.clip.path, record.clip))
        wanted = picture_fingerprints(job, landmarks)
        wanted["measures"] = measures_fingerprint(job, landmarks, clip_corrections(job.folder))
        stages = {stage: record.stages.get(stage) for stage in wanted}
        if not all(is_unchanged(job.folder, stages[stage], wanted[stage]) for stage in wanted):
            return None
    except (OSError, PipelineError):
        # The clip's own process meets it again, and says it.
        return None
    return tuple(StageEnd(stage, since=entry.finished) for stage, entry in stages.items() if entry)


def measure_clip_files(job: ClipJob, tell: Tell) -> tuple[StageEnd, ...]:
    """Run the stages of one clip; return how each ended.

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
    clip_sha256, seen = see(clip.path)
    landmarks = landmarks_fingerprint(job, clip_sha256)
    ends = run_picture_stages(job, landmarks, tell)
    tell("measures", 0, 0)
    corrections = clip_corrections(folder)
    measures = run_stage(
        folder,
        "measures",
        wanted_fingerprint=measures_fingerprint(job, landmarks, corrections),
        stale=(*MEASURES_FILES, *CORRECTED_FILES),
        work=lambda: _measure(job, corrections),
    )
    finish(folder, seen)
    return (*ends, measures)


def _measure(job: ClipJob, corrections: Sequence[Correction]) -> Iterable[str]:
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
    measures = measure_clip(job.clip, info, track, job.settings, pictures, outlines, pylon, shoes, corrections)
    write_table(job.folder / "events.csv", check_table(measures.events, EVENTS, "events"))
    write_json(job.folder / "quality.json", measures.quality)
    strides.save(measures.strides, job.folder)
    if not corrections:
        return MEASURES_FILES
    write_table(job.folder / FOUND_EVENTS_NAME, check_table(measures.found_events, EVENTS, "events"))
    write_json(job.folder / APPLIED_NAME, measures.applied)
    return (*MEASURES_FILES, *CORRECTED_FILES)


def saved_legs(clip: Clip, folder: Path, settings: Settings) -> tuple[LandmarkTrack, RightedLegs]:
    """A measured clip's landmarks, as the estimator gave them and with the legs put right, by a person too."""
    from pipeline.review_apply import with_swapped_legs
    from pipeline.stages import righted
    from pipeline.track_file import load_track

    track = load_track(folder / "landmarks.npz")
    legs = righted(clip, track, settings, saved_outlines(clip, folder), saved_pylon(clip, folder))
    return track, with_swapped_legs(legs, clip_corrections(folder), clip.view)
