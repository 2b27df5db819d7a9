"""Print how often rendered heads are hidden whole: `python -m tests.measure_heads SEED`, for pipeline/docs/privacy.md.

56 scenes of 7 frames: 14 places of the head in the picture, each from both sides, the front and behind; distance,
camera roll, bowed and turned heads, bodies, light and compression are drawn. About four minutes.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from pipeline.heads import head_sightings, may_be_stored
from pipeline.landmarks import detect_landmarks
from pipeline.model import View
from pipeline.pictures import blur_faces
from tests.filmed_heads import Scene, film

VIEWS: tuple[tuple[View, bool], ...] = (
    ("sagittal", False),
    ("sagittal", True),
    ("anterior", False),
    ("posterior", False),
)
PLACES = (
    (0.5, 0.25), (0.5, 0.06), (0.5, 0.03), (0.5, 0.0), (0.5, -0.03), (0.5, -0.10), (0.05, 0.3),
    (0.0, 0.3), (-0.04, 0.3), (0.95, 0.3), (1.0, 0.3), (1.04, 0.3), (0.02, 0.03), (0.5, 0.8),
)  # fmt: skip


def varied_scenes(seed: int) -> list[Scene]:
    """Scenes drawn from a seed."""
    rng = np.random.default_rng(seed)
    scenes = []
    for place in PLACES:
        for view, leftward in VIEWS:
            far, poor = rng.random() < 0.3, rng.random() < 0.3
            scenes.append(
                Scene(
                    view=view,
                    leftward=leftward,
                    head_at=place,
                    bow_deg=float(rng.choice([0, 0, 25, 50])),
                    turn_deg=float(rng.choice([0, 0, -70, 70, 40])),
                    distance_m=float(rng.choice([7.0, 9.0] if far else [2.6, 3.2, 4.75])),
                    roll_deg=float(rng.choice([0, 0, -10, 12])),
                    light=str(rng.choice(["even", "dim"])) if poor else "even",
                    crf=38 if poor else None,
                    size_px=(640, 360) if poor and rng.random() < 0.5 else (1280, 720),
                    build=str(rng.choice(["man", "woman"])),
                    height_m=float(rng.choice([1.6, 1.74, 1.9])),
                    palette=str(rng.choice(["blue", "red", "green"])),
                    n_frames=7,
                    seed=int(rng.integers(1000)),
                )
            )
    return scenes


def main(seed: int) -> None:
    """Film, find, hide and count."""
    n_frames = n_stored = n_with_head = n_whole = 0
    for scene in varied_scenes(seed):
        with tempfile.TemporaryDirectory() as folder:
            filmed = film(scene, Path(folder))
        track = detect_landmarks(filmed.frames, model="heavy")
        for frame, head in enumerate(filmed.heads):
            n_frames += 1
            if not may_be_stored(track, frame):
                continue
            n_stored += 1
            n_with_head += bool(head.any())
            # A pixel of noise is hidden when its value is another one afterwards.
            noise = np.random.default_rng(frame).integers(0, 256, (*head.shape, 3), dtype=np.uint8)
            shows = (blur_faces(noise, head_sightings(track, frame)) == noise).all(axis=2) & head
            n_whole += bool(head.any()) and not shows.any()
    print(f"frames: {n_frames}, may be stored: {n_stored}, with a head in the picture: {n_with_head}, whole: {n_whole}")


if __name__ == "__main__":
    main(int(sys.argv[1]))
