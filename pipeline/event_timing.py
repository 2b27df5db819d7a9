"""What the rules for events share: clear peaks, crossings beside them, and how sure an event is."""

from __future__ import annotations

from dataclasses import dataclass
from math import erf, hypot, sqrt

import numpy as np
from scipy.signal import find_peaks

from pipeline.model import BoolArray, FloatArray, Pass, Side
from pipeline.motion import Motion
from pipeline.signals import crossing, lowpass, parabola_peak, runs

# Speeds of the feet are taken from tracks smoothed this much. Own choice: oconnor_2007 smooth at 7 Hz (from memory);
# on rendered clips 6 to 12 Hz time contacts alike, and toe-off is best at 6 Hz (17.0 ms, 18.5 ms at 10 Hz).
EVENT_CUTOFF_HZ = 6.0
# A swing that is smaller than this share of the usual one is a ripple. Own choice.
SMALLEST_SWING_SHARE = 0.4
# A landmark counts as seen at an event when it was seen this long before and after. Own choice: about half a double
# support.
SEEN_WINDOW_S = 0.1
# Confidence is the chance of being nearer than this: a frame at 30 a second, the error allowed by zeni_2008.
NEAR_S = 1 / 30
# Standard deviations that are added to a rule's own, own choice on rendered clips so that the stated chance comes
# true: half of what two rules disagree by, and 20 ms for a foot that was not seen at all, only bridged or rebuilt.
SHARE_OF_DISAGREEMENT = 0.5
UNSEEN_SD_S = 0.02


@dataclass(frozen=True, slots=True)
class Event:
    """One contact or toe-off.

    Attributes
    ----------
    side : Side
    kind : str
        contact or toe_off.
    frame : float
        Fractional index into the motion. [frames]
    confidence : float
        Estimated chance that the event is within 33 ms. [1]
    method : str
    """

    side: Side
    kind: str
    frame: float
    confidence: float
    method: str


def smooth_for_events(motion: Motion, stretch: Pass) -> FloatArray:
    """Return the landmarks of one pass low-passed for events, (n_frames of the pass, 33, 2). [px]"""
    points_px = motion.fast_xy_px
    flat = points_px.reshape(len(points_px), -1)
    smooth = lowpass(flat, fps=motion.fps, cutoff_hz=EVENT_CUTOFF_HZ).reshape(points_px.shape)
    return smooth[stretch.start : stretch.stop]


def clear_peaks(signal: FloatArray, distance: float) -> list[int]:
    """Return the indices of the clear maxima of each unbroken run of a signal, `distance` frames apart or more."""
    if not np.isfinite(signal).any():
        return []
    usual = float(np.subtract(*np.nanpercentile(signal, [95, 5])))
    return peaks_in_runs(signal, distance, SMALLEST_SWING_SHARE * usual)


def peaks_in_runs(signal: FloatArray, distance: float, prominence: float) -> list[int]:
    """Return the indices of the maxima of each unbroken run, `distance` frames apart or more, that stand out so far."""
    found: list[int] = []
    for start, stop in runs(np.isfinite(signal)):
        peaks, _ = find_peaks(signal[start:stop], distance=max(1.0, distance), prominence=prominence)
        found += [start + int(peak) for peak in peaks]
    return found


def nearest_fall(values: FloatArray, index: int, before: int, after: int) -> float:
    """Return where values fall through 0 nearest to an index, within frames before and after; NaN if nowhere."""
    low, high = max(0, index - before), min(len(values) - 1, index + after)
    part = values[low : high + 1]
    falls = low + np.flatnonzero((part[:-1] > 0) & (part[1:] <= 0))
    if not len(falls):
        return float("nan")
    return crossing(values, 0.0, int(falls[np.argmin(np.abs(falls + 0.5 - index))]))


def highest(values: FloatArray, index: int, before: int, after: int) -> float:
    """Return the place of the highest value within frames before and after an index; NaN where none is known."""
    low = max(0, index - before)
    part = values[low : index + after + 1]
    if not np.isfinite(part).any():
        return float("nan")
    return parabola_peak(values, low + int(np.nanargmax(part)))


def seen_around(seen: BoolArray, frame: float, fps: float) -> float:
    """Return the share of frames around an event in which all its landmarks were really seen. [1]

    Parameters
    ----------
    seen : (n_frames, n_landmarks)
    """
    half = round(SEEN_WINDOW_S * fps)
    near = seen[max(0, round(frame) - half) : round(frame) + half + 1]
    return float(near.all(axis=1).mean())


def confidence(own_sd_s: float, disagreement_s: float, seen_share: float) -> float:
    """Return the estimated chance that an event lies within 33 ms of the true one.

    Parameters
    ----------
    own_sd_s : float
        Error of the rule where all is well, on rendered clips. [s]
    disagreement_s : float
        Between two rules for the same event. [s]
    seen_share : float
        Share of frames around the event in which the foot was seen. [1]
    """
    unseen_s = UNSEEN_SD_S * (1.0 - seen_share)
    sd_s = hypot(own_sd_s, SHARE_OF_DISAGREEMENT * disagreement_s, unseen_s)
    return erf(NEAR_S / (sd_s * sqrt(2)))
