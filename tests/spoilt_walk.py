"""Captured walking with its legs lost or exchanged on purpose, and its outline drawn from limbs of known width.

The walk is the pybullet wheel's (see captured_walk.py); only what is done to it here is invented. Places in a leg are
in the pipeline's order: hip, knee, ankle, heel, foot tip.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from pipeline.model import SIDES, BoolArray, FloatArray, LandmarkTrack, Pass, Side
from pipeline.outline import Outlines, bits_of
from tests.captured_walk import SHANK_M, THIGH_M, captured_walk, side_track
from tests.walker import INDEX

PX_PER_M = 150.0
LEG_PX = PX_PER_M * (THIGH_M + SHANK_M)
WALK = captured_walk()
TRUE = side_track(WALK, px_per_m=PX_PER_M)
N_FRAMES = len(WALK.time_s)
PARTS = ("hip", "knee", "ankle", "heel", "foot_index")
LEG: dict[Side, list[int]] = {side: [INDEX[f"{side}_{part}"] for part in PARTS] for side in SIDES}
# Half widths of thigh, shank, foot and sole [legs], and of the same with a pylon of 45 mm for a shank. Own choice.
LIMB, PYLON = (0.09, 0.05, 0.035, 0.045), (0.08, 0.02, 0.03, 0.045)
BONES = ((0, 1), (1, 2), (2, 4), (3, 4))
# Size of the grid and of its cells, as the outline's documentation gives them.
ROWS, COLUMNS, CELLS_A_LEG = 136, 176, 96

Spans = Iterable[tuple[int, int]]


def whole_pass(direction: int = 1) -> list[Pass]:
    return [Pass(0, N_FRAMES, direction, "right" if direction > 0 else "left")]


def spoil(
    track: LandmarkTrack, *, exchanged: Spans = (), collapsed: Spans = (), stump: Spans = (), side: Side = "right"
) -> LandmarkTrack:
    """The track with 1 % of a leg of noise and with spans in which the estimator errs.

    In `collapsed` one leg from the knee down lies on the other, in `stump` its foot and ankle lie at its knee, and in
    `exchanged` the legs bear each other's names. `side` is the leg that is lost.
    """
    rng = np.random.default_rng(5)
    xy = track.xy_px + rng.normal(0.0, 0.01 * LEG_PX, track.xy_px.shape)
    lost, other = LEG[side], LEG["left" if side == "right" else "right"]
    for start, stop in collapsed:
        xy[start:stop, lost[1:]] = xy[start:stop, other[1:]] + rng.normal(0, 0.01 * LEG_PX, (stop - start, 4, 2))
    for start, stop in stump:
        knee = xy[start:stop, lost[1:2]]
        xy[start:stop, lost[2:]] = knee + rng.normal(0, 0.02 * LEG_PX, (stop - start, 3, 2))
    for start, stop in exchanged:
        xy[start:stop, LEG["left"] + LEG["right"]] = xy[start:stop, LEG["right"] + LEG["left"]]
    return replace(track, xy_px=xy)


def drawn(track: LandmarkTrack, *, pylon: Side | None = None) -> Outlines:
    """The outline of the track's legs, each bone a capsule."""
    hips = (track.xy_px[:, INDEX["left_hip"]] + track.xy_px[:, INDEX["right_hip"]]) / 2
    cell_px = np.full(len(hips), LEG_PX / CELLS_A_LEG)
    origin_px = hips - np.array([COLUMNS / 2 * cell_px[0], 0.12 * LEG_PX])
    masks = np.zeros((len(hips), ROWS, COLUMNS), dtype=bool)
    for frame in range(len(hips)):
        for side in SIDES:
            points = (track.xy_px[frame, LEG[side]] - origin_px[frame]) / cell_px[frame]
            for (first, last), half in zip(BONES, PYLON if side == pylon else LIMB, strict=True):
                masks[frame] |= capsule(points[first], points[last], half * CELLS_A_LEG)
    return Outlines(bits_of(masks), origin_px, cell_px)


def capsule(start: FloatArray, end: FloatArray, radius: float) -> BoolArray:
    """Cells of the grid within a radius of a line."""
    y, x = np.mgrid[:ROWS, :COLUMNS].astype(float)
    along = end - start
    share = ((x - start[0]) * along[0] + (y - start[1]) * along[1]) / max(float(along @ along), 1e-9)
    share = np.clip(share, 0, 1)
    return np.asarray(np.hypot(x - start[0] - share * along[0], y - start[1] - share * along[1]) < radius)


def legs_of(track: LandmarkTrack, *, direction: int = 1) -> FloatArray:
    """Both legs about the middle of the hips, (n_frames, 2, 5, 2), x along the direction of travel, y down. [legs]"""
    hips = (track.xy_px[:, INDEX["left_hip"]] + track.xy_px[:, INDEX["right_hip"]]) / 2
    both = np.stack([track.xy_px[:, LEG["left"]], track.xy_px[:, LEG["right"]]], axis=1)
    return np.asarray((both - hips[:, None, None]) * np.array([direction, 1.0]) / LEG_PX)


def knee_deg(track: LandmarkTrack, side: Side) -> FloatArray:
    """Angle between thigh and shank by the law of cosines, (n_frames,): 0 straight, never negative. [deg]"""
    hip, knee, ankle = (track.xy_px[:, LEG[side][index]] for index in (0, 1, 2))
    a, b, c = (np.linalg.norm(v, axis=1) for v in (knee - hip, ankle - knee, ankle - hip))
    return np.asarray(180.0 - np.degrees(np.arccos(np.clip((a**2 + b**2 - c**2) / (2 * a * b), -1, 1))))
