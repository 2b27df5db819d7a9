"""The viewer's saved clips: one array file a clip, `frames/<clip>.npz`, and their index, `frames/viewer.json`.

Arrays of a clip's file: `time_s`, `xy_px`, `is_grey` and `cut_s` as in `ViewerClip`; `pictures` holds the WebP files
one after the other as bytes, and `ends` where each of them ends.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import StageError
from pipeline.kept import FRAMES_FOLDER, VIEWER_NAME
from pipeline.model import SIDES, BoolArray, FloatArray
from pipeline.outside import DAMAGED, outside_arrays
from pipeline.store import read_json, write_arrays

PARTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "foot_index")
# Width and height of a picture. Own choice: the walker is as tall as in a usual clip of 1280 x 720. [px]
SIZE_PX = (336, 448)
POINTS = tuple(f"{side}_{part}" for side in SIDES for part in PARTS)


@dataclass(frozen=True, slots=True)
class ViewerClip:
    """One clip as the viewer shows it.

    Attributes
    ----------
    time_s : (n_pictures,)
        From the clip's first frame. [s]
    xy_px : (n_pictures, 16, 2)
        Joints of `POINTS` in the small picture, x right, y down; NaN where not seen or in doubt. [px]
    is_grey : (n_pictures,)
        A plain grey picture stands in place of one that may not be stored or is not there.
    pictures : tuple of bytes
        WebP files.
    cut_s : float
        Measured walking that is left out, because the clip is long. [s]
    """

    time_s: FloatArray
    xy_px: FloatArray
    is_grey: BoolArray
    pictures: tuple[bytes, ...]
    cut_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ViewerIndex:
    """File of each clip that is stored, by clip, and why one is not."""

    files: dict[str, str] = field(default_factory=dict)
    left_out: dict[str, str] = field(default_factory=dict)


def load_viewer_index(visit_folder: Path) -> ViewerIndex:
    """Return which clips are stored; an empty index where none were kept."""
    path = visit_folder / FRAMES_FOLDER / VIEWER_NAME
    return read_json(path, ViewerIndex) if path.is_file() else ViewerIndex()


def save_viewer_clip(path: Path, clip: ViewerClip) -> None:
    """Write one clip's array file."""
    arrays: dict[str, NDArray[Any]] = {
        "time_s": clip.time_s,
        "xy_px": clip.xy_px.astype(np.float32),
        "is_grey": clip.is_grey,
        "pictures": np.frombuffer(b"".join(clip.pictures), dtype=np.uint8),
        "ends": np.cumsum([len(picture) for picture in clip.pictures]),
        "cut_s": np.array(clip.cut_s),
    }
    write_arrays(path, arrays, private=True)


def load_viewer_clip(path: Path) -> ViewerClip:
    """Read back one clip's array file.

    Raises
    ------
    StageError
        The file is missing or damaged.
    """
    try:
        with outside_arrays(path) as stored:
            ends = stored["ends"]
            content = stored["pictures"].tobytes()
            starts = [0, *ends[:-1]]
            return ViewerClip(
                time_s=stored["time_s"],
                xy_px=stored["xy_px"],
                is_grey=stored["is_grey"],
                pictures=tuple(content[start:end] for start, end in zip(starts, ends, strict=True)),
                cut_s=float(stored["cut_s"]),
            )
    except FileNotFoundError:
        found = "no such file"
    except DAMAGED as error:
        found = f"cannot be read ({error})"
    do = "Run the study again into the same folder; what is missing is made anew."
    raise StageError(f"{FRAMES_FOLDER}/{path.name}", found, "expected a clip for the viewer", do)
