"""Frames in, the subject's 33 landmarks out. Only this module uses MediaPipe.

The estimator runs in its video mode with two poses allowed. That is less for the second person than for
the first: with one pose the estimator smooths its landmarks and trails the truth by up to 1.5 frames,
most at the heel, which is more than a gait event may be off. With two it does not smooth; the detector
then runs on every frame, at its cost. Smoothing without lag is done later, in `motion.py`.
"""

from __future__ import annotations

import os
import sys
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import mediapipe
import numpy as np
from mediapipe.tasks.python import BaseOptions, vision

from pipeline.errors import ModelError, StageError, VideoError
from pipeline.model import LANDMARK_NAMES, FloatArray, LandmarkTrack
from pipeline.models import verify_model
from pipeline.store import shown_path, write_arrays
from pipeline.subject import Detection, drop_duplicates, follow_subject
from pipeline.video import OPENCV_VERSION, Frame, read_frames

DEFAULT_MODEL = "heavy"
# See the module's first paragraph: 1 would switch the estimator's smoothing on.
NUM_POSES = 2

ARRAY_FIELDS = ("time_s", "xy_px", "visibility", "world_m", "n_people")
NUMBER_FIELDS = ("width_px", "height_px")
TEXT_FIELDS = ("model", "model_sha256", "mediapipe_version", "opencv_version")


def detect_landmarks(
    source: Path | Iterable[Frame],
    *,
    model: str = DEFAULT_MODEL,
    num_poses: int = NUM_POSES,
    on_frame: Callable[[int], None] | None = None,
    item: str = "",
) -> LandmarkTrack:
    """The subject's landmarks in each frame of a clip.

    Parameters
    ----------
    source : Path or iterable of Frame
        A clip, or its frames in order: upright, of one size, times increasing.
    model : str
        ``"heavy"`` (the default) or ``"full"`` (about half of the time, larger errors).
    num_poses : int
        Poses looked for in a frame. 1 switches on the estimator's own smoothing, with its lag.
    on_frame : callable, optional
        Called after each frame with the number of frames done.
    item : str
        How messages name the clip; by default its file name.

    Returns
    -------
    LandmarkTrack
        One row per frame. ``xy_px`` and ``world_m`` are NaN, ``visibility`` 0 where the subject was
        not seen; landmarks outside of the picture are the estimator's guess, with low visibility.
        ``n_people`` counts everyone seen, after second poses of one person were dropped.

    Raises
    ------
    VideoError
        The clip cannot be opened or has no frame.
    ModelError
        The model file is missing, not the one that was shipped, or does not load.

    Notes
    -----
    Coordinates are kept in the estimator's single precision, so that a saved track equals this one.
    The same clip, model and library versions give the same numbers.
    """
    if isinstance(source, Path):
        item = item or source.name
        source = read_frames(source, item=item)
    item = item or "clip"
    model_file = verify_model(model)
    times_s: list[float] = []
    people: list[list[Detection]] = []
    shape = (0, 0)
    with _landmarker(model_file.path, num_poses) as landmarker:
        stamp_ms = -1
        for frame in source:
            # Whole milliseconds that increase strictly, or the estimator refuses the frame.
            stamp_ms = max(stamp_ms + 1, round(frame.time_s * 1000))
            # It logs on its first frame and on the first person, never later.
            with _quiet_stderr(active=not any(people)):
                found = _detect(landmarker, frame.image, stamp_ms)
            shape = frame.image.shape[:2]
            times_s.append(frame.time_s)
            people.append(drop_duplicates(found))
            if on_frame is not None:
                on_frame(len(times_s))
    if not times_s:
        raise VideoError(item, "no frame was decoded", "expected at least one", "Record the clip again.")
    time_s = np.asarray(times_s, dtype=np.float64)
    subject = follow_subject(people, time_s)
    n_landmarks = len(LANDMARK_NAMES)
    return LandmarkTrack(
        time_s=time_s,
        xy_px=_stack([None if one is None else one.xy_px for one in subject], (n_landmarks, 2), np.nan),
        visibility=_stack([None if one is None else one.visibility for one in subject], (n_landmarks,), 0.0),
        world_m=_stack([None if one is None else one.world_m for one in subject], (n_landmarks, 3), np.nan),
        n_people=np.array([len(found) for found in people], dtype=np.int64),
        width_px=shape[1],
        height_px=shape[0],
        model=model_file.name,
        model_sha256=model_file.sha256,
        mediapipe_version=mediapipe.__version__,
        opencv_version=opencv_version(),
    )


def save_track(path: Path, track: LandmarkTrack) -> None:
    """Write a track as compressed npz; equal tracks give equal bytes, and the file is whole or not there.

    Coordinates are stored in single precision, the precision that the estimator gives.
    """
    arrays: dict[str, Any] = {name: getattr(track, name) for name in ARRAY_FIELDS}
    for name in ("xy_px", "visibility", "world_m"):
        arrays[name] = arrays[name].astype(np.float32)
    arrays |= {name: np.int64(getattr(track, name)) for name in NUMBER_FIELDS}
    arrays |= {name: np.str_(getattr(track, name)) for name in TEXT_FIELDS}
    write_arrays(path, arrays)


def load_track(path: Path) -> LandmarkTrack:
    """The track that `save_track` wrote.

    Raises
    ------
    StageError
        The file is missing, damaged, or of another form.
    """
    expected = "expected saved landmarks"
    do = "Run the study again into the same folder; what is missing is made anew."
    try:
        with np.load(path, allow_pickle=False) as stored:
            values: dict[str, Any] = {name: stored[name] for name in ARRAY_FIELDS}
            values |= {name: int(stored[name]) for name in NUMBER_FIELDS}
            values |= {name: str(stored[name]) for name in TEXT_FIELDS}
    except FileNotFoundError:
        raise StageError(shown_path(path), "no such file", expected, do) from None
    # An empty file, no archive, a broken archive, an array that is missing from it.
    except (OSError, EOFError, ValueError, zipfile.BadZipFile, KeyError) as error:
        raise StageError(shown_path(path), f"cannot be read ({error})", expected, do) from error
    for name in ("xy_px", "visibility", "world_m"):
        values[name] = values[name].astype(np.float64)
    return LandmarkTrack(**values)


def opencv_version() -> str:
    """Release of the installed OpenCV package, to the last figure: its video decoder changes with it."""
    for package in ("opencv-python-headless", "opencv-python"):
        try:
            return version(package)
        except PackageNotFoundError:
            continue
    return OPENCV_VERSION


def _stack(rows: list[FloatArray | None], shape: tuple[int, ...], missing: float) -> FloatArray:
    """(n_frames, *shape) from one array per frame; frames without one are filled with `missing`."""
    result = np.full((len(rows), *shape), missing)
    for index, row in enumerate(rows):
        if row is not None:
            result[index] = row
    return result


@contextmanager
def _landmarker(path: Path, num_poses: int) -> Iterator[Any]:
    """The estimator in video mode; closed before the interpreter exits, or it hangs there."""
    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=str(path)),
        running_mode=vision.RunningMode.VIDEO,
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
        yield landmarker
    finally:
        with _quiet_stderr():
            landmarker.close()


def _detect(landmarker: Any, image: Any, stamp_ms: int) -> list[Detection]:
    """Everyone found in one frame, in pixels of the frame."""
    height_px, width_px = image.shape[:2]
    # Other strides are misread without an error.
    picture = mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=np.ascontiguousarray(image))
    result = landmarker.detect_for_video(picture, stamp_ms)
    people = []
    for points, world in zip(result.pose_landmarks, result.pose_world_landmarks, strict=True):
        xy = np.array([(point.x * width_px, point.y * height_px) for point in points], dtype=np.float32)
        visibility = np.array([point.visibility for point in points], dtype=np.float32)
        world_m = np.array([(point.x, point.y, point.z) for point in world], dtype=np.float32)
        people.append(Detection(xy.astype(float), visibility.astype(float), world_m.astype(float)))
    return people


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
