"""Frames in, the subject's 33 landmarks out. Only this module uses MediaPipe.

Each clip is looked at twice: in whole pictures now and then, by the lighter model, to find people and choose the
subject, and in crops that follow him in every frame, because a far walker is too small in the whole picture (see
`crops.py`). The estimator takes each picture by itself. Its video mode gives the same landmarks where all goes well,
but smooths and trails by up to 1.5 frames when asked for one pose, and keeps ghosts where a crop has moved on.
Smoothing without lag is done in `motion.py`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mediapipe
import numpy as np
from mediapipe.tasks.python import BaseOptions, vision

from pipeline.crops import (
    Crop,
    crops_on_subject,
    frames_beside,
    frames_to_look_at,
    frames_to_search,
    tile_crops,
    whole_picture,
)
from pipeline.errors import ModelError, QualityError, VideoError
from pipeline.model import LANDMARK_NAMES, FloatArray, LandmarkTrack, VideoInfo
from pipeline.models import ModelFile, verify_models
from pipeline.subject import Detection, drop_duplicates, follow_subject, merge_looks, rival_share
from pipeline.video import Frame, UInt8Array, opencv_version, probe_times, read_frames

DEFAULT_MODEL = "heavy"
# The walker and one more, so that a helper is noticed.
NUM_POSES = 2


def detect_landmarks(
    source: Path | Iterable[Frame],
    *,
    model: str = DEFAULT_MODEL,
    num_poses: int = NUM_POSES,
    walker_at: tuple[float, float, float] | None = None,
    on_frame: Callable[[int], None] | None = None,
    item: str = "",
    probed: tuple[VideoInfo, FloatArray] | None = None,
) -> LandmarkTrack:
    """The subject's landmarks in each frame of a clip.

    Parameters
    ----------
    source : Path or iterable of Frame
        A clip, or its frames in order: upright, of one size, times increasing; these are kept in memory.
    model : str
        ``"heavy"`` (the default) or ``"full"`` (about half of the time, larger errors).
    num_poses : int
        Poses looked for in a picture or crop.
    walker_at : time [s], x and y [px], optional
        Where the subject is at one time, for clips in which the rule takes somebody else.
    on_frame : callable, optional
        Called after each frame of the second look, which is most of the work, with the number of frames done.
    item : str
        How messages name the clip; by default its file name.
    probed : VideoInfo and (n_frames,) times [s], optional
        What `probe_times` gave for a clip; without it the clip is probed here, which decodes it once more.

    Returns
    -------
    LandmarkTrack
        One row per frame. ``xy_px`` and ``world_m`` are NaN, ``visibility`` 0 where the subject was
        not seen; landmarks outside of the picture are the estimator's guess, with low visibility.
        ``n_people`` counts everyone in the crop or in the last whole picture looked at, whichever is more,
        second poses of one person dropped. Where the crop missed the subject, the pose of the first look stands.

    Raises
    ------
    VideoError
        The clip cannot be opened or has no frame.
    ModelError
        The model file is missing, not the one that was shipped, or does not load.
    QualityError
        Nobody was found at the place that `walker_at` names.

    Notes
    -----
    Coordinates are kept in the estimator's single precision, so that a saved track equals this one.
    The same clip, model and library versions give the same numbers.
    """
    finder, model_file = verify_models(model)
    clip = _source(source, item, probed)
    people, looked = _first_look(clip, finder, num_poses, walker_at)
    first = follow_subject(people, clip.time_s, walker_at)
    if walker_at is not None and not any(first):
        raise _nobody_there(clip.item, walker_at)
    crops = crops_on_subject(first, clip.time_s, width_px=clip.width_px, height_px=clip.height_px)
    closer: list[list[Detection]] = []
    with _estimator(model_file.path, num_poses) as estimator:
        for (_, frame), crop in zip(clip.read(None), crops, strict=False):
            closer.append(estimator.people(frame.image, [] if crop is None else [crop]))
            if on_frame is not None:
                on_frame(len(closer))
        if not closer:
            raise _nothing_decoded(clip.item)
        # Now and then a picture that was counted cannot be read: the clip ends there.
        time_s = clip.time_s[: len(closer)]
        looks = [merge_looks(*both) for both in zip(closer, first, strict=False)]
        subject = _follow_on(estimator, clip, looks, time_s, walker_at)
    looked = [number for number in looked if number < len(looks)]
    n_whole = np.repeat([len(people[number]) for number in looked], np.diff([*looked, len(looks)]))
    n_landmarks = len(LANDMARK_NAMES)
    return LandmarkTrack(
        time_s=time_s,
        xy_px=_stack([None if one is None else one.xy_px for one in subject], (n_landmarks, 2), np.nan),
        visibility=_stack([None if one is None else one.visibility for one in subject], (n_landmarks,), 0.0),
        world_m=_stack([None if one is None else one.world_m for one in subject], (n_landmarks, 3), np.nan),
        n_people=np.maximum(n_whole, [len(found) for found in closer]).astype(np.int64),
        width_px=clip.width_px,
        height_px=clip.height_px,
        model=model_file.name,
        model_sha256=model_file.sha256,
        mediapipe_version=mediapipe.__version__,
        opencv_version=opencv_version(),
        # Whoever was pointed at has no rival.
        rival_share=0.0
        if walker_at
        else rival_share([people[i] for i in looked], [subject[i] for i in looked], time_s[looked]),
    )


def _stack(rows: list[FloatArray | None], shape: tuple[int, ...], missing: float) -> FloatArray:
    """(n_frames, *shape) from one array per frame; frames without one are filled with `missing`."""
    result = np.full((len(rows), *shape), missing)
    for index, row in enumerate(rows):
        if row is not None:
            result[index] = row
    return result


@dataclass(frozen=True, slots=True)
class _Source:
    """A clip's name in messages, the time of each frame (n_frames,) [s], the size of its pictures, and its frames.

    `read` gives them with their numbers from the start each time it is called, all or those that are wanted.
    """

    item: str
    time_s: FloatArray
    width_px: int
    height_px: int
    read: Callable[[Container[int] | None], Iterable[tuple[int, Frame]]]


def _source(source: Path | Iterable[Frame], item: str, probed: tuple[VideoInfo, FloatArray] | None) -> _Source:
    """The frames to look at."""
    if isinstance(source, Path):
        path, item = source, item or source.name
        info, time_s = probed or probe_times(path, item=item)

        def read(wanted: Container[int] | None) -> Iterator[tuple[int, Frame]]:
            return ((frame.index, frame) for frame in read_frames(path, info=info, item=item, wanted=wanted))

        return _Source(item, time_s, info.width_px, info.height_px, read)
    kept, item = list(source), item or "clip"
    if not kept:
        raise _nothing_decoded(item)
    height_px, width_px = kept[0].image.shape[:2]
    time_s = np.array([frame.time_s for frame in kept], dtype=np.float64)

    def chosen(wanted: Container[int] | None) -> Iterator[tuple[int, Frame]]:
        return ((number, frame) for number, frame in enumerate(kept) if wanted is None or number in wanted)

    return _Source(item, time_s, width_px, height_px, chosen)


def _nothing_decoded(item: str) -> VideoError:
    """The refusal of a clip without a picture."""
    return VideoError(item, "no frame was decoded", "expected at least one", "Record the clip again.")


def _first_look(
    clip: _Source, finder: ModelFile, num_poses: int, walker_at: tuple[float, float, float] | None
) -> tuple[list[list[Detection]], list[int]]:
    """Everyone in whole pictures now and then, and in tiles where no walker was seen; and which pictures were whole."""
    people: list[list[Detection]] = [[] for _ in clip.time_s]
    looked = frames_to_look_at(clip.time_s)
    with _estimator(finder.path, num_poses) as estimator:
        for number, frame in clip.read(set(looked)):
            people[number] = estimator.people(frame.image, [whole_picture(clip.width_px, clip.height_px)])
        search = set(frames_to_search(follow_subject(people, clip.time_s, walker_at), clip.time_s))
        for number, frame in clip.read(search) if search else ():
            found = estimator.people(frame.image, tile_crops(clip.width_px, clip.height_px))
            people[number] = drop_duplicates([*people[number], *found])
    return people, looked


def _follow_on(
    estimator: _Estimator,
    clip: _Source,
    looks: list[list[Detection]],
    time_s: FloatArray,
    walker_at: tuple[float, float, float] | None,
) -> list[Detection | None]:
    """The subject in each frame, looked for again and again beside the frames in which it was found."""
    subject = follow_subject(looks, time_s, walker_at)
    tried: set[int] = set()
    while wanted := set(frames_beside(subject, time_s)) - tried:
        tried |= wanted
        crops = crops_on_subject(subject, time_s, width_px=clip.width_px, height_px=clip.height_px)
        for number, frame in clip.read(wanted):
            if (crop := crops[number]) is not None:
                looks[number] = drop_duplicates([*looks[number], *estimator.people(frame.image, [crop])])
        subject = follow_subject(looks, time_s, walker_at)
    return subject


def _nobody_there(item: str, walker_at: tuple[float, float, float]) -> QualityError:
    """The refusal of a clip whose walker is not where the manifest says."""
    at_s, x_px, y_px = walker_at
    return QualityError(
        item,
        f"nobody is seen near x {x_px:.0f} px, y {y_px:.0f} px at {at_s:.1f} s",
        "the manifest's walker_at should point at the walker's body",
        "Correct walker_at: a time in seconds, then x and y from the picture's upper left corner.",
    )


class _Estimator:
    """The pose estimator, one picture at a time."""

    def __init__(self, landmarker: Any) -> None:
        self._landmarker = landmarker
        self._quiet = True

    def people(self, image: UInt8Array, crops: Sequence[Crop]) -> list[Detection]:
        """Everyone who stands wholly inside one of the crops, once, in pixels of the picture."""
        height_px, width_px = image.shape[:2]
        found: list[Detection] = []
        for crop in crops:
            # It logs on its first picture and on the first person, never later.
            with _quiet_stderr(active=self._quiet):
                inside = self._detect(image, crop)
            self._quiet = self._quiet and not inside
            found += [one for one in inside if crop.holds(one.xy_px, width_px=width_px, height_px=height_px)]
        return drop_duplicates(found)

    def _detect(self, image: UInt8Array, crop: Crop) -> list[Detection]:
        """Everyone found in one crop, in pixels of the picture."""
        # Other strides are misread without an error.
        part = np.ascontiguousarray(image[crop.top : crop.bottom, crop.left : crop.right])
        result = self._landmarker.detect(mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=part))
        people = []
        for points, world in zip(result.pose_landmarks, result.pose_world_landmarks, strict=True):
            xy_px = crop.to_picture(np.array([(point.x, point.y) for point in points]))
            visibility = np.array([point.visibility for point in points])
            world_m = np.array([(point.x, point.y, point.z) for point in world])
            people.append(Detection(*(_single(values) for values in (xy_px, visibility, world_m))))
        return people


def _single(values: FloatArray) -> FloatArray:
    """The values in the estimator's single precision, which is how they are saved."""
    return values.astype(np.float32).astype(np.float64)


@contextmanager
def _estimator(path: Path, num_poses: int) -> Iterator[_Estimator]:
    """The estimator; closed before the interpreter exits, or it hangs there."""
    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=str(path)),
        running_mode=vision.RunningMode.IMAGE,
        num_poses=num_poses,
    )
    try:
        with _quiet_stderr():
            landmarker = vision.PoseLandmarker.create_from_options(options)
    except (RuntimeError, ValueError) as error:
        raise ModelError(
            f"model file {path.name}",
            f"the pose estimator does not load it ({error})",
            f"expected a model for mediapipe {mediapipe.__version__}",
            "Install the package again, with the versions that it asks for.",
        ) from error
    try:
        yield _Estimator(landmarker)
    finally:
        with _quiet_stderr():
            landmarker.close()


@contextmanager
def _quiet_stderr(*, active: bool = True) -> Iterator[None]:
    """Send file descriptor 2 nowhere: the native log lines obey no setting, and no one can act on them."""
    if not active:
        yield
        return
    if sys.stderr is not None:
        sys.stderr.flush()
    try:
        saved = os.dup(2)
    except OSError:
        # No standard error at all, as in a windowed program: nothing to silence.
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(saved, 2)
        os.close(nowhere)
        os.close(saved)
