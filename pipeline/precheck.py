"""Which clips of a study can be measured, from a sample of their frames, before anything heavy runs."""

from __future__ import annotations

import tempfile
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.config import Settings, load_settings
from pipeline.isolate import Job, Outcome, run_jobs
from pipeline.job_process import Tell
from pipeline.landmark_file import is_landmark_file
from pipeline.manifest import read_manifest
from pipeline.model import Clip, FloatArray, LandmarkTrack, QualityNote, VideoInfo
from pipeline.models import verify_model
from pipeline.picture_stages import unpack_clip
from pipeline.pixels import PictureFacts
from pipeline.quality import Usable, recording_notes, usability
from pipeline.shown import Shown
from pipeline.store import read_json
from pipeline.track_file import load_track

# The quick model, whatever the settings say: where a body is in the picture it knows as well as the heavy one.
MODEL = "full"


@dataclass(frozen=True, slots=True)
class ClipCheck(Shown):
    """What is known of one clip; without notes there is a message that says why."""

    clip: Clip
    usable: Usable
    notes: tuple[QualityNote, ...]
    message: str
    seconds: float


def check_study(
    study: Path | str, *, settings: Settings | None = None, workers: int | None = None
) -> Iterator[ClipCheck]:
    """Yield how far each clip can be used, in the manifest's order; one clip's fault never stops the others.

    Parameters
    ----------
    study : Path or str
        Folder with `manifest.csv` and the clips.
    settings : Settings, optional
        By default those that ship with the package.
    workers : int, optional
        Clips at the same time; by default the setting run.workers. [1]

    Yields
    ------
    ClipCheck

    Raises
    ------
    PipelineError
        The manifest, the settings or the pose model are wrong: no clip is looked at.
    """
    clips = {f"clip {clip.clip_id}": clip for clip in read_manifest(study)}
    settings = settings or load_settings()
    verify_model(MODEL)
    limit_s = settings.run.clip_time_limit_s
    queue = deque(Job(name, check_clip, (clip, settings), limit_s) for name, clip in clips.items())
    outcomes: dict[str, Outcome] = {}
    waiting = deque(clips)
    with tempfile.TemporaryDirectory() as scratch:
        for outcome in run_jobs(queue, scratch=Path(scratch), workers=workers or settings.run.workers):
            outcomes[outcome.name] = outcome
            while waiting and waiting[0] in outcomes:
                name = waiting.popleft()
                yield _result(clips[name], outcomes.pop(name))


def check_clip(clip: Clip, settings: Settings, tell: Tell) -> tuple[QualityNote, ...]:
    """Return the notes of one clip from a sample of its frames; runs in a process of its own.

    Raises
    ------
    VideoError
        The clip is missing or cannot be decoded, or its landmark file not be used.
    """
    from pipeline.landmarks import detect_landmarks
    from pipeline.pixels import luma, picture_facts, sample_numbers
    from pipeline.video import Frame, probe_times, read_frames

    item = f"clip {clip.clip_id}"
    tell("file", 0, 0)
    if is_landmark_file(clip.path):
        info, track, pictures = _from_landmark_file(clip)
        return _notes(clip, info, track, settings, track.time_s, pictures)
    info, time_s = probe_times(clip.path, item=item)
    greys = []

    def frames() -> Iterator[Frame]:
        for frame in read_frames(clip.path, info=info, item=item, wanted=set(sample_numbers(info.n_frames))):
            greys.append(luma(frame.image))
            yield frame

    tell("landmarks", 0, 0)
    track = detect_landmarks(
        frames(), model=MODEL, num_poses=settings.landmarks.num_poses, walker_at=clip.walker_at, item=item
    )
    tell("notes", 0, 0)
    return _notes(clip, info, track, settings, time_s, picture_facts(zip(greys, track.xy_px, strict=True)))


def _from_landmark_file(clip: Clip) -> tuple[VideoInfo, LandmarkTrack, PictureFacts]:
    """What a landmark file tells of a recording."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        unpack_clip(clip, folder)
        info = read_json(folder / "video.json", VideoInfo)
        return info, load_track(folder / "landmarks.npz"), read_json(folder / "pictures.json", PictureFacts)


def _notes(
    clip: Clip, info: VideoInfo, track: LandmarkTrack, settings: Settings, time_s: FloatArray, pictures: PictureFacts
) -> tuple[QualityNote, ...]:
    """The notes of a recording."""
    visible = settings.signals.min_visibility
    return recording_notes(
        clip, info, track, settings.quality, min_visibility=visible, time_s=time_s, pictures=pictures
    )


def _result(clip: Clip, outcome: Outcome) -> ClipCheck:
    """How one clip ended."""
    if outcome.failure is not None:
        return ClipCheck(clip, "not usable", (), outcome.failure.message, outcome.seconds)
    return ClipCheck(clip, usability(outcome.value), outcome.value, "", outcome.seconds)
