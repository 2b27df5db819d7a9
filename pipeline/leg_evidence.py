"""What the outline says about legs at a place: how far bones lie outside of it, and what no leg covers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from pipeline.leg_shape import BONES
from pipeline.model import BoolArray, FloatArray
from pipeline.outline import LegOutlines

# Half the width of thigh, shank and foot [legs]: limbs in clothes. Own choice.
HALF_WIDTHS = (0.11, 0.065, 0.04, 0.05)
# Pictures count less than landmarks: neighbouring cells share their errors. Own choice.
COVER_WEIGHT = 0.35
MOST_CELLS = 100
# Where along thigh, shank and foot the outline is asked for.
INSIDE_AT = ((0, (0.7, 0.95)), (1, (0.1, 0.3, 0.5, 0.7, 0.9)), (3, (0.1, 0.35, 0.6, 0.9)))


class Evidence:
    """The outline as distances from it, and as cells to be covered."""

    def __init__(self, outlines: LegOutlines, n_frames: int) -> None:
        masks = outlines.masks
        self.outlines = outlines
        self.known: BoolArray = np.asarray(masks.any(axis=(1, 2)))
        # Squared distances are whole numbers below 2^16, a quarter of the memory: whole minutes can be one pass.
        self.distance2 = np.zeros(masks.shape, dtype=np.uint16)
        self.cells = np.zeros((n_frames, MOST_CELLS, 2))
        self.weight = np.zeros((n_frames, MOST_CELLS))
        for frame in np.flatnonzero(self.known):
            self.distance2[frame] = np.rint(distance_transform_edt(~masks[frame]) ** 2)
            cells = outlines.cells(int(frame))
            cells = cells[np.linspace(0, len(cells) - 1, min(len(cells), MOST_CELLS)).astype(int)]
            self.cells[frame, : len(cells)] = cells
            self.weight[frame, : len(cells)] = COVER_WEIGHT

    def inside(self, points: FloatArray) -> FloatArray:
        """Distance from the outline of points along the bones, (n_frames, 2, n_points), 0 inside. [legs]"""
        along = []
        for bone, shares in INSIDE_AT:
            start, end = (points[:, :, index] for index in BONES[bone])
            along += [start + share * (end - start) for share in shares]
        at = self.outlines.to_cells(np.stack(along, axis=2))
        height, width = self.outlines.masks.shape[1:]
        x, y = np.clip(at[..., 0], 0, width - 1.001), np.clip(at[..., 1], 0, height - 1.001)
        column, row = x.astype(int), y.astype(int)
        right, below = x - column, y - row
        upper = self._distance(row, column) * (1 - right) + self._distance(row, column + 1) * right
        lower = self._distance(row + 1, column) * (1 - right) + self._distance(row + 1, column + 1) * right
        return np.asarray(upper * (1 - below) + lower * below)

    def _distance(self, row: NDArray[np.int_], column: NDArray[np.int_]) -> FloatArray:
        """Distance of cells from the outline, as (n_frames, 2, n_points) as their places. [legs]"""
        frame = np.arange(len(self.distance2))[:, None, None]
        cells = np.sqrt(self.distance2[frame, row, column].astype(np.float64))
        return np.asarray(cells * self.outlines.cell_legs[:, None, None])

    def uncovered(self, points: FloatArray) -> FloatArray:
        """Distance of each cell beyond each leg's limbs, (n_frames, 2, n_cells), 0 on the limb. [legs]"""
        nearest = np.full((*points.shape[:2], MOST_CELLS), np.inf)
        # x and y by themselves: sums along a last axis of two take three times as long.
        cells_x, cells_y = (np.ascontiguousarray(self.cells[:, None, :, axis]) for axis in (0, 1))
        for (first, last), half_width in zip(BONES, HALF_WIDTHS, strict=True):
            start, end = points[:, :, first, None], points[:, :, last, None]
            bone_x, bone_y = end[..., 0] - start[..., 0], end[..., 1] - start[..., 1]
            from_x, from_y = cells_x - start[..., 0], cells_y - start[..., 1]
            length2 = np.maximum(bone_x**2 + bone_y**2, 1e-9)
            share = np.clip((from_x * bone_x + from_y * bone_y) / length2, 0, 1)
            away2 = (from_x - share * bone_x) ** 2 + (from_y - share * bone_y) ** 2
            nearest = np.minimum(nearest, np.sqrt(away2) - half_width)
        return np.maximum(nearest, 0.0)
