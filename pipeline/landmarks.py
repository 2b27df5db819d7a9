"""Frames in, the subject's 33 landmarks out. Only this module uses MediaPipe.

Each clip is looked at twice: in whole pictures now and then, to find people and choose the subject, and in crops
that follow him in every frame, because a far walker is too small in the whole picture (see `crops.py`). The
estimator takes each picture by itself. Its video mode gives the same landmarks where all goes well, but smooths and
trails by up to 1.5 frames when asked for one pose, and keeps ghosts where a crop has moved on. Smoothing without lag
is done in `motion.py`.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import mediapipe
import numpy as np
from mediapipe.tasks.python import BaseOptions, vision

from pipeline.crops import (
    Crop,
    crops_on_subject,
    frames_beside,
    frames_to_search,
    tile_crops,
    whole_picture,
)
from pipeline.errors import ModelError, QualityError, VideoError
from pipeline.model import LANDMARK_NAMES, FloatArray, LandmarkTrack
from pipeline.models import verify_model
from pipeline.subject import Detection, drop_duplicates, follow_subject, merge_looks, rival_share
from pipeline.video import Frame, UInt8Array, opencv_version, probe_video, read_frames

DEFAULT_MODEL = "heavy"
# The walker and one more, so that a helper is noticed.
NUM_POSES = 2
# Whole pictures are looked at further apart than this: a tenth of a second of walking is 7 % of the body height,
# little for a crop. [s]
LOOK_EVERY_S = 0.09


def detect_landmarks(
    source: Path | Iterable[Frame],
    *,
    model: str = DEFAULT_MODEL,
    num_poses: int = NUM_POSES,
    walker_at: tuple[float, float, float] | None = None,
    on_frame: Callable[[int], None] | None = None,
    item: str = "",
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

    Returns
    -------
    LandmarkTrack
        One row per frame. ``xy_px`` and ``world_m`` are NaN, ``visibility`` 0 where the subject was
        not seen; landmarks outside of the picture are the estimator's guess, with low visibility.
        ``n_people`` counts everyone in the crop or in the last whole picture looked at, whichever is more,
        second poses of one person dropped.

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
    frames, item = _rereadable(source, item)
    model_file = verify_model(model)
    with _estimator(model_file.path, num_poses) as estimator:
        times_s: list[float] = []
        looked: list[int] = []
        people: list[list[Detection]] = []
        shape = (0, 0)
        for number, frame in enumerate(frames()):
            shape = frame.image.shape[:2]
            times_s.append(frame.time_s)
            due = not looked or frame.time_s - times_s[looked[-1]] > LOOK_EVERY_S
            looked += [number] if due else []
            people.append(estimator.people(frame.image, [whole_picture(shape[1], shape[0])] if due else []))
        if not times_s:
            raise VideoError(item, "no frame was decoded", "expected at least one", "Record the clip again.")
        time_s = np.asarray(times_s, dtype=np.float64)
        _search_tiles(estimator, frames(), people, time_s, walker_at)
        first = follow_subject(people, time_s, walker_at)
        if walker_at is not None and not any(first):
            raise _nobody_there(item, walker_at)
        crops = crops_on_subject(first, time_s, width_px=shape[1], height_px=shape[0])
        closer: list[list[Detection]] = []
        for frame, crop in zip(frames(), crops, strict=True):
            closer.append(estimator.people(frame.image, [] if crop is None else [crop]))
            if on_frame is not None:
                on_frame(len(closer))
        looks = [merge_looks(*both) for both in zip(closer, first, strict=True)]
        subject = _follow_on(estimator, frames, looks, time_s, walker_at)
    n_whole = np.repeat([len(people[number]) for number in looked], np.diff([*looked, len(people)]))
    n_landmarks = len(LANDMARK_NAMES)
    return LandmarkTrack(
        time_s=time_s,
        xy_px=_stack([None if one is None else one.xy_px for one in subject], (n_landmarks, 2), np.nan),
        visibility=_stack([None if one is None else one.visibility for one in subject], (n_landmarks,), 0.0),
        world_m=_stack([None if one is None else one.world_m for one in subject], (n_landmarks, 3), np.nan),
        n_people=np.maximum(n_whole, [len(found) for found in closer]).astype(np.int64),
        width_px=shape[1],
        height_px=shape[0],
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


def _rereadable(source: Path | Iterable[Frame], item: str) -> tuple[Callable[[], Iterable[Frame]], str]:
    """What gives the frames from the start each time it is called, and the clip's name in messages."""
    if isinstance(source, Path):
        path, item = source, item or source.name
        info = probe_video(path, item=item)
        return lambda: read_frames(path, info=info, item=item), item
    kept = list(source)
    return lambda: kept, item or "clip"


def _follow_on(
    estimator: _Estimator,
    frames: Callable[[], Iterable[Frame]],
    looks: list[list[Detection]],
    time_s: FloatArray,
    walker_at: tuple[float, float, float] | None,
) -> list[Detection | None]:
    """The subject in each frame, looked for again and again beside the frames in which it was found."""
    subject = follow_subject(looks, time_s, walker_at)
    tried: set[int] = set()
    while wanted := set(frames_beside(subject, time_s)) - tried:
        tried |= wanted
        crops: list[Crop | None] = []
        for number, frame in enumerate(frames()):
            height_px, width_px = frame.image.shape[:2]
            crops = crops or crops_on_subject(subject, time_s, width_px=width_px, height_px=height_px)
            crop = crops[number]
            if number in wanted and crop is not None:
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


def _search_tiles(
    estimator: _Estimator,
    frames: Iterable[Frame],
    people: list[list[Detection]],
    time_s: FloatArray,
    walker_at: tuple[float, float, float] | None,
) -> None:
    """Look for people in tiles of the frames about which no walker was seen for long; adds them to `people`."""
    wanted = set(frames_to_search(follow_subject(people, time_s, walker_at), time_s))
    if not wanted:
        return
    for number, frame in enumerate(frames):
        if number in wanted:
            height_px, width_px = frame.image.shape[:2]
            found = estimator.people(frame.image, tile_crops(width_px, height_px))
            people[number] = drop_duplicates([*people[number], *found])


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
