"""A visit with clips for the viewer whose pictures tell their own number by their colour."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.judgement import Recorded
from pipeline.kept import VIEWER_NAME
from pipeline.pictures import webp_picture
from pipeline.report import build_visit, save_parts
from pipeline.report.viewer_files import POINTS, SIZE_PX, ViewerClip, ViewerIndex, save_viewer_clip
from pipeline.store import write_json
from tests import report_fixture as fixture

FPS = 30.0
# The fixture's strides of each clip lie between 1.98 and 7.29 s.
TIMES_S = np.round(1.6 + np.arange(180) / FPS, 3)
GREY_PICTURES = (5, 6)


def coloured(number: int) -> tuple[int, int, int]:
    """The colour that stands for a picture's number; far enough apart to survive WebP."""
    return 40 + 25 * (number % 8), 40 + 9 * (number // 8), 90


def number_of(colour: list[int]) -> int:
    """The number that a colour stands for."""
    return round((colour[0] - 40) / 25) + 8 * round((colour[1] - 40) / 9)


def clip(times_s: np.ndarray = TIMES_S) -> ViewerClip:
    """Pictures of one colour each, and a skeleton that moves to the right."""
    shape = (SIZE_PX[1], SIZE_PX[0], 3)
    pictures = tuple(
        webp_picture(np.full(shape, coloured(number), np.uint8), quality=90) for number in range(len(times_s))
    )
    places = np.linspace((100, 60), (180, 400), len(POINTS))
    xy_px = places + np.stack([np.linspace(0, 60, len(times_s)), np.zeros(len(times_s))], axis=1)[:, None]
    is_grey = np.isin(np.arange(len(times_s)), GREY_PICTURES)
    return ViewerClip(times_s, np.round(xy_px, 1), is_grey, pictures)


def save_clips(folder: Path) -> ViewerIndex:
    """Store two clips, and the reason why a third one is missing."""
    files = {name: f"{name}.npz" for name in ("P01-side-a", "P01-front")}
    save_viewer_clip(folder / "frames" / files["P01-side-a"], clip())
    save_viewer_clip(folder / "frames" / files["P01-front"], clip(TIMES_S[:60]))
    index = ViewerIndex(files, {"P01-side-b": "the file cannot be read."})
    write_json(folder / "frames" / VIEWER_NAME, index)
    return index


def build(folder: Path) -> Path:
    """The whole visit of `report_fixture` with key frames and clips; return its page."""
    comfort = Recorded("socket_comfort", "Socket comfort", "points", 7.0, "warm day", "more", False)
    save_parts(folder, replace(fixture.report(), recorded=(comfort,)), fixture.strides())
    fixture.save_frames(folder)
    save_clips(folder)
    return build_visit(folder, fixture.limits())[0]
