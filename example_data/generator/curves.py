"""Smooth one-dimensional curves that the walker is made of."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.interpolate import BPoly, CubicHermiteSpline, CubicSpline

from .skeleton import FloatArray


def smoothstep(share: FloatArray | float) -> FloatArray:
    """Rise from 0 to 1 with zero velocity and acceleration at both ends.

    Parameters
    ----------
    share : array or float
        Position in the rise; below 0 gives 0, above 1 gives 1. [1]

    Returns
    -------
    array, same shape
        6 s^5 - 15 s^4 + 10 s^3 (definition). [1]
    """
    s = np.clip(np.asarray(share, dtype=float), 0.0, 1.0)
    return np.asarray(s**3 * (10.0 + s * (6.0 * s - 15.0)))


def bump(time_s: FloatArray, start_s: float, peak_s: float, end_s: float) -> FloatArray:
    """Smooth hump: 0 before the start, 1 at the peak, 0 after the end.

    Parameters
    ----------
    time_s : array, any shape
        Times. [s]
    start_s, peak_s, end_s : float
        Increasing times. [s]

    Returns
    -------
    array, same shape
        Height of the hump. [1]
    """
    rise = smoothstep((time_s - start_s) / (peak_s - start_s))
    fall = smoothstep((time_s - peak_s) / (end_s - peak_s))
    return np.asarray(rise - fall)


def quintic(times_s: tuple[float, float], start: Sequence[float], end: Sequence[float]) -> BPoly:
    """Polynomial of degree five through value, velocity and acceleration at both ends.

    Parameters
    ----------
    times_s : tuple of two floats
        Start and end. [s]
    start, end : sequence of three floats
        Value, first and second derivative in time.

    Returns
    -------
    BPoly
        Callable on times.
    """
    return BPoly.from_derivatives(list(times_s), [list(start), list(end)])


def clamped(times_s: FloatArray, values: FloatArray, slopes: tuple[float, float]) -> CubicSpline:
    """Cubic spline through values with given slopes at both ends.

    Parameters
    ----------
    times_s, values : array, (n,)
        Knots, times increasing. [s] and any unit
    slopes : tuple of two floats
        Rates at the first and last knot. [unit/s]

    Returns
    -------
    CubicSpline
    """
    first, last = np.asarray(slopes[0], dtype=float), np.asarray(slopes[1], dtype=float)
    return CubicSpline(times_s, values, bc_type=((1, first), (1, last)))


def through_extremes(segments: Sequence[Sequence[tuple[float, ...]]], first_slope: float) -> CubicHermiteSpline:
    """Curve made of segments that meet at extremes, so that nothing rings from one segment into the next.

    Parameters
    ----------
    segments : sequence of knot lists, each knot (time, value) or (time, value, slope)
        The last knot of a segment is the first one of the next. Slopes at all junctions and at the end are
        zero; a segment of bare (time, value) knots gets its inner slopes from a cubic spline.
    first_slope : float
        Slope at the first knot. [unit/s]

    Returns
    -------
    CubicHermiteSpline
        Callable on times; `derivative()` gives the rate.
    """
    times: list[float] = []
    values: list[float] = []
    slopes: list[float] = []
    for number, segment in enumerate(segments):
        columns = np.array(segment, dtype=float).T
        skip = 0 if number == 0 else 1
        if len(columns) == 2:
            left = first_slope if number == 0 else 0.0
            spline = clamped(columns[0], columns[1], (left, 0.0))
            columns = np.vstack([columns, spline(columns[0], 1)])
        times.extend(columns[0, skip:])
        values.extend(columns[1, skip:])
        slopes.extend(columns[2, skip:])
    return CubicHermiteSpline(times, values, slopes)


def add_curves(one: CubicHermiteSpline, other: CubicHermiteSpline) -> CubicHermiteSpline:
    """Return the exact sum of two curves over the same time: cubics between the knots of both."""
    times = np.union1d(one.x, other.x)
    return CubicHermiteSpline(times, one(times) + other(times), one(times, 1) + other(times, 1))


def rotation_x(angle_rad: FloatArray | float) -> FloatArray:
    """Rotations about x (forward), positive lifts the left side, (..., 3, 3)."""
    return _axis_rotation(angle_rad, 0)


def rotation_y(angle_rad: FloatArray | float) -> FloatArray:
    """Rotations about y (left), positive turns the front down, (..., 3, 3)."""
    return _axis_rotation(angle_rad, 1)


def rotation_z(angle_rad: FloatArray | float) -> FloatArray:
    """Rotations about z (up), positive turns the front to the left, (..., 3, 3)."""
    return _axis_rotation(angle_rad, 2)


def _axis_rotation(angle_rad: FloatArray | float, axis: int) -> FloatArray:
    """Right-handed rotations about one coordinate axis."""
    angle = np.asarray(angle_rad, dtype=float)
    matrix = np.zeros((*angle.shape, 3, 3))
    one, two = (axis + 1) % 3, (axis + 2) % 3
    matrix[..., axis, axis] = 1.0
    matrix[..., one, one] = matrix[..., two, two] = np.cos(angle)
    matrix[..., two, one] = np.sin(angle)
    matrix[..., one, two] = -np.sin(angle)
    return matrix


def rotation_about(axis: FloatArray, angle_rad: FloatArray) -> FloatArray:
    """Rotations about unit axes.

    Parameters
    ----------
    axis : array, (n, 3)
        Unit vectors. [1]
    angle_rad : array, (n,)
        Right-handed angles. [rad]

    Returns
    -------
    array, (n, 3, 3)
        Rodrigues' formula. [1]
    """
    x, y, z = axis.T
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(-1, 3, 3)
    sine = np.sin(angle_rad)[:, None, None]
    rest = (1.0 - np.cos(angle_rad))[:, None, None]
    return np.asarray(np.eye(3) + sine * cross + rest * (cross @ cross))
