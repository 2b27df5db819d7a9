"""How much to smooth, and what noise is left: outliers, residual analysis, white noise through the filter.

Noise here is the fast jitter of the pose estimator, from one frame to the next. Its slow errors, a joint that is seen
in the wrong place for a tenth of a second or for a whole clip, look like movement and cannot be told from the track
alone: on rendered clips the error below 4 Hz is three to ten times as dense as the jitter. They belong to the
measurement error of a metric (`configs/measurement_error.toml`), not to what is computed here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

from pipeline.model import BoolArray, FloatArray
from pipeline.signals import HIGHEST_CUTOFF_SHARE, TWO_PASS_CORRECTION, lowpass

# A walker's landmarks move below this; what leaves a robust curve of this cut-off by far is no movement. Own choice:
# on rendered clips 3 to 5 Hz reject nearly the same frames.
OUTLIER_CUTOFF_HZ = 4.0
# Tukey's biweight gets to no weight at this many standard deviations; a sample of less than the least weight is
# dropped, which is 2.9 standard deviations from the curve. Own choice: the usual constant for clean noise is 4.685
# (holland_welsch_1977, from memory), but the estimator's errors have long tails: on rendered clips 3.5 does better.
BIWEIGHT_SD = 3.5
LEAST_WEIGHT = 0.1
# Rounds of reweighting; a fifth changes hardly anything. Own choice.
ROUNDS = 4
# Median distance from the centre of a round cloud of points of standard deviation 1 in x and in y: sqrt(2 ln 2).
MEDIAN_DISTANCE = 1.1774
# Differences of this order are kept small: a parabola passes unchanged.
ORDER = 3
# Cut-offs at which only noise is left over, as far as the sample rate goes: walking ends at about 8 Hz. Own choice.
NOISE_BAND_HZ = (8.0, 12.0)
# A shorter record gives no steady residual curve. Own choice: about two strides.
SHORTEST_S = 2.0
CUTOFF_STEP_HZ = 0.25
N_FREQUENCIES = 1024


@dataclass(frozen=True, slots=True)
class Smoothness:
    """What residual analysis found for each landmark.

    Attributes
    ----------
    cutoff_hz : (n_points,)
        Cut-off of the low-pass, within the bounds. [Hz]
    noise : (n_points,)
        Standard deviation of the raw jitter along one axis, in the unit of the points; NaN where the record is too
        short.
    """

    cutoff_hz: FloatArray
    noise: FloatArray


def outliers(points: FloatArray, *, fps: float, smallest: float) -> BoolArray:
    """Return where a track leaves the smooth course of the frames around it.

    Parameters
    ----------
    points : (n_frames, n_points, 2)
        Evenly sampled, NaN where not seen.
    fps : float
        [1/s]
    smallest : float
        The standard deviation is taken as no less than this, in the unit of the points: what is nearer to the curve
        than 2.9 times this is never an outlier.

    Returns
    -------
    (n_frames, n_points)
        False where not seen.

    Notes
    -----
    Penalised least squares (eilers_2003) with Tukey's biweight: the curve is fitted again with less weight on frames
    that lie far from it, so that a run of wrong frames does not draw it along.

    References
    ----------
    eilers_2003; holland_welsch_1977 (both from memory)
    """
    found = np.zeros(points.shape[:2], dtype=bool)
    # The gain of the penalty is 1 / (1 + stiffness (2 sin(pi f / fps))^(2 ORDER)): -3 dB at the cut-off.
    stiffness = (2**0.5 - 1) / (2 * np.sin(np.pi * OUTLIER_CUTOFF_HZ / fps)) ** (2 * ORDER)
    gain = 1 / (1 + stiffness * (2 * np.sin(np.pi * _frequencies(fps) / fps)) ** (2 * ORDER))
    # Median distance from the curve for noise of standard deviation 1: the curve follows the noise a little way.
    usual_distance = MEDIAN_DISTANCE * float(np.sqrt(np.mean((1 - gain) ** 2)))
    for i in range(points.shape[1]):
        seen = np.flatnonzero(np.isfinite(points[:, i]).all(axis=1))
        if len(seen) > 2 * ORDER:
            part = slice(seen[0], seen[-1] + 1)
            found[part, i] = _far_from_curve(points[part, i], stiffness, usual_distance, smallest)
    return found


def _far_from_curve(track: FloatArray, stiffness: float, usual_distance: float, smallest: float) -> BoolArray:
    """Where one landmark's track (n, 2) ends with hardly any weight."""
    seen = np.asarray(np.isfinite(track).all(axis=1))
    weight = seen.astype(np.float64)
    for _ in range(ROUNDS):
        off = track - stiff_curve(track, weight, stiffness)
        away = np.hypot(off[:, 0], off[:, 1])
        limit = BIWEIGHT_SD * max(float(np.nanmedian(away)) / usual_distance, smallest)
        weight = np.where(seen, np.clip(1 - (away / limit) ** 2, 0.0, None) ** 2, 0.0)
    return np.asarray(seen & (weight < LEAST_WEIGHT))


def stiff_curve(track: FloatArray, weight: FloatArray, stiffness: float) -> FloatArray:
    """Return the curve with the least weighted squared error plus stiffness times its squared third differences.

    Parameters
    ----------
    track : (n, 2)
        NaN where the weight is 0.
    weight : (n,)
        [1]
    stiffness : float
        [1]

    Returns
    -------
    (n, 2)
        Also where the weight is 0: a parabola-like bridge.

    References
    ----------
    eilers_2003 (from memory)
    """
    n = len(track)
    difference = np.array([-1.0, 3.0, -3.0, 1.0])
    bands = np.zeros((ORDER + 1, n))
    for offset in range(ORDER + 1):
        for j in range(ORDER + 1 - offset):
            bands[ORDER - offset, offset + j : n - ORDER + offset + j] += difference[j] * difference[j + offset]
    bands *= stiffness
    # A trace of weight everywhere keeps the equations solvable across long gaps.
    bands[ORDER] += weight + 1e-6
    return np.asarray(solveh_banded(bands, weight[:, None] * np.nan_to_num(track)))


def residual_analysis(
    points: FloatArray, use: BoolArray, *, fps: float, lowest_hz: float, highest_hz: float, usual_hz: float
) -> Smoothness:
    """Return the cut-off of each landmark with the least expected error, and the noise.

    Parameters
    ----------
    points : (n_frames, n_points, 2)
        Evenly sampled, short gaps filled, outliers dropped; NaN in long gaps.
    use : (n_frames, n_points)
        Frames that were really seen. Filled ones are smoother and would hide noise.
    fps : float
        [1/s]
    lowest_hz, highest_hz : float
        Bounds of the cut-off. [Hz]
    usual_hz : float
        Cut-off of a landmark that was seen for less than two seconds. [Hz]

    Notes
    -----
    The residual R(f) is the root mean square of raw minus low-passed at cut-off f, x and y together. Where only noise
    is left over it falls along a known line: R^2 = noise^2 times the share of white noise that the filter takes away
    (`removed_share`), which goes to 1 at 0 Hz. That line, fitted between 8 and 12 Hz, gives the noise at 0 Hz. (Winter
    fits a straight line to R itself, which is the same to the eye.)

    Winter's cut-off is where R falls to the noise. It is known to smooth too much: on signals of known best cut-off
    its error is a third above the least, and on rendered clips it lies at or below 5 Hz and takes 6 % more off the
    speed of the knee. Here the cut-off is the one with the least R^2 + 2 noise^2 mean gain(f), which is the expected
    squared error of the low-passed path but for a constant (Mallows' criterion): on such signals within 3 % of the
    least.

    References
    ----------
    winter_2009 (read second hand); mallows_1973 (from memory)
    """
    signals = points.reshape(len(use), -1)
    top_hz = HIGHEST_CUTOFF_SHARE * fps
    band_hz = np.linspace(min(NOISE_BAND_HZ[0], 0.7 * top_hz), min(NOISE_BAND_HZ[1], top_hz), 5)
    power = np.array([_residual_power(signals, use, fps, cutoff_hz) for cutoff_hz in band_hz])
    share = np.array([[removed_share(fps=fps, cutoff_hz=cutoff_hz)] for cutoff_hz in band_hz])
    noise_power = (power * share).sum(axis=0) / (share**2).sum()
    long_enough = use.sum(axis=0) >= SHORTEST_S * fps
    tried_hz = np.arange(lowest_hz, highest_hz + 1e-9, CUTOFF_STEP_HZ)
    expected = [
        _residual_power(signals, use, fps, cutoff_hz) + 2 * noise_power * _mean_gain(fps=fps, cutoff_hz=cutoff_hz)
        for cutoff_hz in tried_hz
    ]
    cutoff_hz = tried_hz[np.argmin(expected, axis=0)]
    return Smoothness(
        cutoff_hz=np.where(long_enough, cutoff_hz, usual_hz),
        noise=np.where(long_enough, np.sqrt(noise_power), np.nan),
    )


def _residual_power(signals: FloatArray, use: BoolArray, fps: float, cutoff_hz: float) -> FloatArray:
    """Mean square of raw minus low-passed over the frames in use, along one axis, (n_points,)."""
    left_over = (signals - lowpass(signals, fps=fps, cutoff_hz=cutoff_hz)).reshape(*use.shape, 2)
    squares = np.where(use, np.nan_to_num(left_over**2).mean(axis=2), 0.0)
    return np.asarray(squares.sum(axis=0) / np.maximum(use.sum(axis=0), 1))


def two_pass_gain(frequency_hz: FloatArray, *, fps: float, cutoff_hz: float) -> FloatArray:
    """Return the gain of `signals.lowpass` at some frequencies, from 0 Hz to half the sample rate. [1]

    1 / (1 + w^4), where w is the frequency over the one-pass cut-off after the warping of the bilinear transform.
    """
    cutoff_hz = min(cutoff_hz, HIGHEST_CUTOFF_SHARE * fps)
    warped = np.tan(np.pi * cutoff_hz / fps) / TWO_PASS_CORRECTION
    return np.asarray(1.0 / (1.0 + (np.tan(np.pi * frequency_hz / fps) / warped) ** 4))


def removed_share(*, fps: float, cutoff_hz: float) -> float:
    """Return the share of white noise's power that is in raw minus low-passed. [1]"""
    return float(np.mean((1.0 - two_pass_gain(_frequencies(fps), fps=fps, cutoff_hz=cutoff_hz)) ** 2))


def _mean_gain(*, fps: float, cutoff_hz: float) -> float:
    """Mean of the gain over all frequencies: how far the filter follows white noise. [1]"""
    return float(np.mean(two_pass_gain(_frequencies(fps), fps=fps, cutoff_hz=cutoff_hz)))


def position_noise_gain(*, fps: float, cutoff_hz: float) -> float:
    """Return the standard deviation of low-passed white noise over that of the raw noise. [1]

    The root of the mean of gain^2 over all frequencies; about sqrt(2.08 cutoff / fps).
    """
    return float(np.sqrt(np.mean(two_pass_gain(_frequencies(fps), fps=fps, cutoff_hz=cutoff_hz) ** 2)))


def speed_noise_gain(*, fps: float, cutoff_hz: float) -> float:
    """Return the standard deviation of the rate of change of low-passed white noise over that of the raw noise. [1/s]

    The root of the mean of (gain D)^2, where D = fps sin(2 pi f / fps) is the central difference of
    `signals.derivative`. Grows with the cut-off to the power 1.5, as in lanshammar_1982 (from memory).
    """
    frequency_hz = _frequencies(fps)
    difference = fps * np.sin(2 * np.pi * frequency_hz / fps)
    gain = two_pass_gain(frequency_hz, fps=fps, cutoff_hz=cutoff_hz)
    return float(np.sqrt(np.mean((gain * difference) ** 2)))


def _frequencies(fps: float) -> FloatArray:
    """Midpoints of equal bands from 0 Hz to half the sample rate. [Hz]"""
    return np.asarray((np.arange(N_FREQUENCIES) + 0.5) / N_FREQUENCIES * fps / 2)
