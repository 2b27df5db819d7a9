"""A clip's landmarks on disk."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import StageError
from pipeline.model import LANDMARK_NAMES, FloatArray, LandmarkTrack
from pipeline.outside import DAMAGED, outside_arrays
from pipeline.store import shown_path, write_arrays

ARRAY_FIELDS = ("time_s", "xy_px", "visibility", "world_m", "n_people")
NUMBER_FIELDS = ("width_px", "height_px", "rival_share")
TEXT_FIELDS = ("model", "model_sha256", "mediapipe_version", "opencv_version")


def save_track(path: Path, track: LandmarkTrack) -> None:
    """Write a track as compressed npz; equal tracks give equal bytes, and the file is whole or not there.

    Coordinates are stored in single precision, the precision that the estimator gives.
    """
    arrays: dict[str, Any] = {name: getattr(track, name) for name in ARRAY_FIELDS}
    for name in ("xy_px", "visibility", "world_m"):
        arrays[name] = arrays[name].astype(np.float32)
    arrays |= {name: np.asarray(getattr(track, name)) for name in NUMBER_FIELDS}
    arrays |= {name: np.str_(getattr(track, name)) for name in TEXT_FIELDS}
    write_arrays(path, arrays)


@contextmanager
def stored_arrays(path: Path, what: str) -> Iterator[Any]:
    """Give the arrays of an npz file by name; `what` names its content in words.

    Raises
    ------
    StageError
        The file is missing, damaged, or of another form; also when that shows while the arrays are read.
    """
    expected = f"expected saved {what}"
    do = "Run the study again into the same folder; what is missing is made anew."
    try:
        with outside_arrays(path) as stored:
            yield stored
    except FileNotFoundError:
        raise StageError(shown_path(path), "no such file", expected, do) from None
    except DAMAGED as error:
        raise StageError(shown_path(path), f"cannot be read ({error})", expected, do) from error


def load_track(path: Path) -> LandmarkTrack:
    """The track that `save_track` wrote.

    Raises
    ------
    StageError
        The file is missing, damaged, or of another form.
    """
    n, points = None, len(LANDMARK_NAMES)
    with stored_arrays(path, "landmarks") as stored:
        time_s = numbers(stored, "time_s", (n,))
        n = len(time_s)
        if not np.all(np.diff(time_s) > 0) or not np.isfinite(time_s).all():
            raise ValueError("its times do not increase")
        values: dict[str, Any] = {name: stored[name].item() for name in NUMBER_FIELDS}
        values |= {name: str(stored[name]) for name in TEXT_FIELDS}
        return LandmarkTrack(
            time_s=time_s,
            xy_px=numbers(stored, "xy_px", (n, points, 2)),
            visibility=numbers(stored, "visibility", (n, points)),
            world_m=numbers(stored, "world_m", (n, points, 3)),
            n_people=numbers(stored, "n_people", (n,)).astype(np.int64),
            **values,
        )


def numbers(stored: Mapping[str, Any], name: str, shape: tuple[int | None, ...]) -> FloatArray:
    """Return one of the arrays as floats.

    Parameters
    ----------
    stored : mapping of name to array
    name : str
    shape : tuple of int or None
        The shape that it must have; None stands for any length.

    Raises
    ------
    KeyError
        There is no such array.
    ValueError
        It has another shape, or holds no numbers.
    """
    array = stored[name]
    same = len(array.shape) == len(shape) and all(w in (None, h) for w, h in zip(shape, array.shape, strict=True))
    if not same or array.dtype.kind not in "biuf":
        raise ValueError(f"{name} has the shape {array.shape} of {array.dtype}")
    return np.asarray(array, dtype=np.float64)
