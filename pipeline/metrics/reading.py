"""Reading a stretch of many strides' curves at once. A row without any seen value gives NaN."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.model import BoolArray, FloatArray, StrideSet

# A point of a mean curve is drawn from two strides on; one stride alone has no spread. [strides]
MIN_STRIDES_DRAWN = 2


def window(strides: StrideSet, curve: str, start_pct: pd.Series | float, end_pct: pd.Series | float) -> FloatArray:
    """Return a curve inside a stretch of each stride; NaN outside it.

    Parameters
    ----------
    strides : StrideSet
    curve : str
        Name of a quantity, such as `knee_flexion_deg`.
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
    """Return the highest value of each row.

    Parameters
    ----------
    values : (n_strides, n_points)
        NaN where not seen.

    Returns
    -------
    (n_strides,)
        In the unit of the values; NaN for a row without any.
    """
    highest = np.max(np.where(np.isfinite(values), values, -np.inf), axis=1, initial=-np.inf)
    return np.where(np.isfinite(highest), highest, np.nan)


def average(values: FloatArray) -> FloatArray:
    """Return the mean of each row over its finite values.

    Parameters
    ----------
    values : (n_strides, n_points)
        NaN where not seen.

    Returns
    -------
    (n_strides,)
        In the unit of the values; NaN for a row without any.
    """
    finite = np.isfinite(values)
    total = np.where(finite, values, 0.0).sum(axis=1)
    return np.where(finite.any(axis=1), total / np.maximum(1, finite.sum(axis=1)), np.nan)


def percent_of_stride(table: pd.DataFrame, event: str) -> pd.Series:
    """Return when an event happens, in percent of its stride.

    Parameters
    ----------
    table : DataFrame, one row per stride
        Columns of `tables.STRIDES`.
    event : str
        Column of the event: `opposite_toe_off_s`, `opposite_contact_s` or `toe_off_s`.

    Returns
    -------
    Series, same index
        Time since the first contact over the time of the stride. [%] NaN where the event was not found.

    References
    ----------
    definition
    """
    return 100.0 * (table[event] - table["start_s"]) / (table["end_s"] - table["start_s"])


def usable_strides(values: FloatArray) -> BoolArray:
    """Say which strides have anything to draw.

    Parameters
    ----------
    values : (n_strides, 101)
        One quantity; NaN where it was not seen.

    Returns
    -------
    (n_strides,)
        True where at least half of the stride was seen. Own choice: less than half a curve shifts the mean
        without showing a shape.
    """
    return np.asarray(np.isfinite(values).mean(axis=1) >= 0.5)


def mean_and_spread(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean curve and the standard deviation over strides.

    Parameters
    ----------
    values : (n_strides, 101)
        One quantity; NaN where it was not seen.

    Returns
    -------
    mean, spread : (101,), (101,)
        NaN at points that fewer than two strides show, and everywhere for empty input.

    Notes
    -----
    Standard deviation with n - 1. Definition.
    """
    seen = np.isfinite(values)
    count = seen.sum(axis=0)
    filled = np.where(seen, values, 0.0)
    enough = count >= MIN_STRIDES_DRAWN
    safe_count = np.where(enough, count, MIN_STRIDES_DRAWN)
    mean = filled.sum(axis=0) / safe_count
    squares = np.where(seen, (values - mean) ** 2, 0.0).sum(axis=0)
    spread = np.sqrt(squares / (safe_count - 1))
    return np.where(enough, mean, np.nan), np.where(enough, spread, np.nan)
