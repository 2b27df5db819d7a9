"""Reading a stretch of many strides' curves at once. A row without any seen value gives NaN."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.model import FloatArray, StrideSet


def window(strides: StrideSet, curve: str, start_pct: pd.Series | float, end_pct: pd.Series | float) -> FloatArray:
    """Return a curve inside a stretch of each stride; NaN outside it.

    Parameters
    ----------
    start_pct, end_pct : float or Series
        Bounds, included; one for all strides or one for each. [%]

    Returns
    -------
    (n_strides, 101)
    """
    percent = np.arange(101)[None, :]
    start = np.broadcast_to(np.asarray(start_pct, dtype=float), len(strides.table))[:, None]
    end = np.broadcast_to(np.asarray(end_pct, dtype=float), len(strides.table))[:, None]
    return np.where((percent >= start) & (percent <= end), strides.curves[curve], np.nan)


def peak(values: FloatArray) -> FloatArray:
    """Return the highest value of each row, NaN for a row without any, (n_strides,)."""
    highest = np.max(np.where(np.isfinite(values), values, -np.inf), axis=1, initial=-np.inf)
    return np.where(np.isfinite(highest), highest, np.nan)


def average(values: FloatArray) -> FloatArray:
    """Return the mean of each row over its finite values, NaN for a row without any, (n_strides,)."""
    finite = np.isfinite(values)
    total = np.where(finite, values, 0.0).sum(axis=1)
    return np.where(finite.any(axis=1), total / np.maximum(1, finite.sum(axis=1)), np.nan)


def percent_of_stride(table: pd.DataFrame, event: str) -> pd.Series:
    """Return when an event happens, in percent of its stride. [%]"""
    return 100.0 * (table[event] - table["start_s"]) / (table["end_s"] - table["start_s"])
