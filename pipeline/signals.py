"""Gaps, smoothing and derivatives of sampled signals. Pure numpy and scipy."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.signal import butter, sosfiltfilt

from pipeline.model import BoolArray, FloatArray

# A filter of order 2 run forwards and backwards is 3 dB down where one pass is 1.5 dB down. The one-pass
# cut-off is therefore raised by 1 / (sqrt(2) - 1)**(1/4) = 1 / 0.802 (Winter 2009; source `winter_2009`).
TWO_PASS_CORRECTION = (2**0.5 - 1) ** 0.25
# Highest cut-off over the sample rate: nearer to half of it the filter no longer works as one. Own choice.
HIGHEST_CUTOFF_SHARE = 0.4


def uniform_grid(time_s: FloatArray) -> FloatArray:
    """Return an evenly spaced clock over the same span, with the same number of samples.

    Parameters
    ----------
    time_s : (n_frames,)
        Frame times, increasing. [s]

    Returns
    -------
    (n_frames,)
        The clip's own times when they are even to within 2 % of a frame, else an even clock at the mean
        rate. [s]
    """
    if len(time_s) < 3:
        return time_s
    even = np.linspace(time_s[0], time_s[-1], len(time_s))
    step = even[1] - even[0]
    return time_s if np.max(np.abs(time_s - even)) < 0.02 * step else even


def sample_rate(time_s: FloatArray) -> float:
    """Return the mean number of samples a second. [1/s]"""
    return (len(time_s) - 1) / float(time_s[-1] - time_s[0])


def fill_gaps(values: FloatArray, time_s: FloatArray, *, max_gap_s: float) -> tuple[FloatArray, BoolArray]:
    """Fill short gaps between seen samples by a monotone cubic; leave longer gaps and the ends empty.

    Parameters
    ----------
    values : (n_frames, n_signals)
        NaN where not seen.
    time_s : (n_frames,)
        [s]
    max_gap_s : float
        Longest time between the two seen samples around a gap that is still bridged. [s]

    Returns
    -------
    filled : (n_frames, n_signals)
    interpolated : (n_frames, n_signals)
        True where a value was filled in.
    """
    filled = values.copy()
    interpolated = np.zeros(values.shape, dtype=bool)
    for column in range(values.shape[1]):
        seen = np.flatnonzero(np.isfinite(values[:, column]))
        if len(seen) < 2 or len(seen) == len(time_s):
            continue
        curve = PchipInterpolator(time_s[seen], values[seen, column])
        gap_s = np.diff(time_s[seen])
        for before, after in zip(seen[:-1][gap_s <= max_gap_s], seen[1:][gap_s <= max_gap_s], strict=True):
            inside = slice(before + 1, after)
            filled[inside, column] = curve(time_s[inside])
            interpolated[inside, column] = True
    return filled, interpolated


def resample(values: FloatArray, time_s: FloatArray, new_time_s: FloatArray) -> FloatArray:
    """Return the signals on another clock by straight lines; NaN next to a missing sample stays NaN.

    Parameters
    ----------
    values : (n_frames, n_signals)
    time_s, new_time_s : (n_frames,), (n_new,)
        [s]
    """
    if new_time_s is time_s:
        return values
    return np.column_stack([np.interp(new_time_s, time_s, values[:, i]) for i in range(values.shape[1])])


def lowpass(values: FloatArray, *, fps: float, cutoff_hz: float) -> FloatArray:
    """Return the signals low-passed without lag: a Butterworth filter of order 2, forwards and backwards.

    Parameters
    ----------
    values : (n_frames, n_signals)
        Evenly sampled. Each unbroken run is filtered alone; NaN stays NaN.
    fps : float
        Samples a second. [1/s]
    cutoff_hz : float
        Where the two passes together are 3 dB down; held below 0.4 fps. [Hz]

    Notes
    -----
    The one-pass cut-off is corrected in the warped domain of the bilinear transform, so that the -3 dB point
    is exact at any rate.

    References
    ----------
    winter_2009 (from memory).
    """
    cutoff_hz = min(cutoff_hz, HIGHEST_CUTOFF_SHARE * fps)
    warped = np.tan(np.pi * cutoff_hz / fps) / TWO_PASS_CORRECTION
    one_pass_hz = fps / np.pi * np.arctan(warped)
    sections = butter(2, one_pass_hz, fs=fps, output="sos")
    smooth = values.copy()
    pad = int(fps / cutoff_hz) * 3
    masks, group = np.unique(np.isfinite(values), axis=1, return_inverse=True)
    for i in range(masks.shape[1]):
        columns = group == i
        for start, stop in runs(masks[:, i]):
            if stop - start > 3:
                part = values[start:stop, columns]
                padlen = min(pad, len(part) - 1)
                smooth[start:stop, columns] = sosfiltfilt(sections, part, axis=0, padlen=padlen)
    return smooth


def derivative(values: FloatArray, *, fps: float) -> FloatArray:
    """Return the central-difference rate of change along the first axis, per second.

    One-sided at the ends of the array; NaN next to a missing sample.
    """
    return np.gradient(values, 1.0 / fps, axis=0)


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """Return (start, stop) of each unbroken run of True; `stop` is exclusive."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in zip(edges[::2], edges[1::2], strict=True)]


def step_numbers(indices: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the number of each of a walk's steps from 0, given when they happen, (n_steps,).

    A gap of about two usual steps counts two, so that left and right still alternate after a step that was missed.
    """
    steps = np.diff(indices)
    whole = np.maximum(1, np.round(steps / np.median(steps))) if len(steps) else steps
    return np.concatenate([[0], np.cumsum(whole)]).astype(np.int64)


def parabola_peak(values: FloatArray, index: int) -> float:
    """Return the fractional index of an extremum from the parabola through it and its two neighbours."""
    if index <= 0 or index >= len(values) - 1:
        return float(index)
    before, here, after = values[index - 1 : index + 2]
    bend = before - 2 * here + after
    if not np.isfinite(bend) or bend == 0:
        return float(index)
    return index + float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def crossing(values: FloatArray, level: float, index: int) -> float:
    """Return the fractional index at which a straight line from `index` to the next sample meets `level`."""
    here, after = values[index], values[index + 1]
    return index + float(np.clip((level - here) / (after - here), 0.0, 1.0)) if after != here else float(index)
