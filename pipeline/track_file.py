"""A clip's landmarks on disk."""

from __future__ import annotations

import tokenize
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import StageError
from pipeline.model import LandmarkTrack
from pipeline.store import shown_path, write_arrays

ARRAY_FIELDS = ("time_s", "xy_px", "visibility", "world_m", "n_people")
NUMBER_FIELDS = ("width_px", "height_px", "rival_share")
TEXT_FIELDS = ("model", "model_sha256", "mediapipe_version", "opencv_version")
# What reading an npz file raises: an empty file, no archive, a broken archive or array, an array that is missing.
DAMAGED = (
    OSError,
    EOFError,
    ValueError,
    zipfile.BadZipFile,
    zlib.error,
    NotImplementedError,
    tokenize.TokenError,
    KeyError,
)


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
        with np.load(path, allow_pickle=False) as stored:
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
    with stored_arrays(path, "landmarks") as stored:
        values: dict[str, Any] = {name: stored[name] for name in ARRAY_FIELDS}
        values |= {name: stored[name].item() for name in NUMBER_FIELDS}
        values |= {name: str(stored[name]) for name in TEXT_FIELDS}
    for name in ("xy_px", "visibility", "world_m"):
        values[name] = values[name].astype(np.float64)
    return LandmarkTrack(**values)
