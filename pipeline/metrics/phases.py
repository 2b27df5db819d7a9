"""Parts of a side-view stride that several metrics read: single supports, speeds, lowest values."""

from __future__ import annotations

import numpy as np

from pipeline.metrics.reading import peak, percent_of_stride, window
from pipeline.metrics.temporal import stride_time
from pipeline.model import FloatArray, StrideSet, View

SIDE_VIEW: tuple[View, ...] = ("sagittal",)
# A heel that vaults rises before the last third of single support, in which every heel leaves the floor.
VAULT_SHARE = 2 / 3


def own_support(strides: StrideSet, curve: str, start: float = 0.0, end: float = 1.0) -> FloatArray:
    """Return a curve while this limb stands alone, NaN outside, (n_strides, 101).

    Parameters
    ----------
    start, end : float
        Bounds as shares of single support, from the other foot's toe-off to its contact. [1]
    """
    first = percent_of_stride(strides.table, "opposite_toe_off_s")
    whole = percent_of_stride(strides.table, "opposite_contact_s") - first
    return window(strides, curve, first + start * whole, first + end * whole)


def other_support(strides: StrideSet, curve: str) -> FloatArray:
    """Return a curve while the other limb stands alone, from this foot's toe-off on, NaN before, (n_strides, 101)."""
    return window(strides, curve, percent_of_stride(strides.table, "toe_off_s"), 100.0)


def lowest(values: FloatArray) -> FloatArray:
    """Return the lowest value of each row, NaN for a row without any, (n_strides,)."""
    return -peak(-values)


def speed(strides: StrideSet, curve: str) -> FloatArray:
    """Return the rate of change of a curve, by central differences, (n_strides, 101). [its unit/s]"""
    return np.asarray(np.gradient(strides.curves[curve], axis=1) * 100.0 / stride_time(strides)[:, None])
