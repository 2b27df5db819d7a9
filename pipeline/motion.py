"""From raw landmarks to smooth, evenly timed tracks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.config import SignalSettings
from pipeline.geometry import INDEX, knee_flexion_deg, median_leg_px, middle, point
from pipeline.model import BoolArray, FloatArray, LandmarkTrack, Side
from pipeline.signals import fill_gaps, lowpass, resample, sample_rate, uniform_grid
from pipeline.smoothing import outliers, position_noise_gain, residual_analysis, speed_noise_gain

# Landmark noise is taken as no less than this when outliers are looked for, in leg lengths; three times as much is let
# pass. Own choice on rendered clips. For positions: twice the estimator's usual jitter; half as much again lets wrong
# frames of a pylon through (knee 8.1 to 8.8 deg RMSE). For events a foot that stops dead between two frames must stay:
# captured feet at 30 frames a second leave a smooth curve by up to a tenth of a leg.
SMALLEST_SD_LEGS = 0.013
EVENT_SMALLEST_SD_LEGS = 0.04


@dataclass(frozen=True, slots=True)
class Motion:
    """Landmarks on an even clock, outliers dropped, gaps filled, low-passed without lag.

    Attributes
    ----------
    time_s : (n_frames,)
        [s]
    fps : float
        [1/s]
    xy_px : (n_frames, 33, 2)
        Low-passed at `cutoff_hz`: for angles and positions. [px]
    fast_xy_px : (n_frames, 33, 2)
        Low-passed at `event_cutoff_hz`: for event times and quick movements. [px]
    seen : (n_frames, 33)
        True where the landmark was seen well enough, not in doubt and no large outlier; before any filling. Small
        outliers are bridged and do not count.
    cutoff_hz : (33,)
        By residual analysis, within the bounds of the settings. [Hz]
    event_cutoff_hz : float
        [Hz]
    noise_px : (33,)
        Standard deviation of the raw jitter along one axis; NaN where the landmark was seen too little. [px]
    """

    time_s: FloatArray
    fps: float
    xy_px: FloatArray
    fast_xy_px: FloatArray
    seen: BoolArray
    cutoff_hz: FloatArray
    event_cutoff_hz: float
    noise_px: FloatArray


def prepare(track: LandmarkTrack, settings: SignalSettings, doubtful: BoolArray | None = None) -> Motion:
    """Return the track on an even clock with outliers and noise removed and short gaps filled.

    Parameters
    ----------
    track : LandmarkTrack
    settings : SignalSettings
        A landmark below `min_visibility` counts as not seen; gaps longer than `max_gap_s` stay empty, for event times
        those longer than `event_max_gap_s`.
    doubtful : (n_frames, 33), optional
        Landmarks not to be used for positions and angles. Event times still use them: they hang on the course of a
        foot over many frames, and a long gap would cost the event. Of outliers they leave out only the large ones.
    """
    seen = np.isfinite(track.xy_px[:, :, 0]) & (track.visibility >= settings.min_visibility)
    for_events = seen & ~_outlying(track, seen, EVENT_SMALLEST_SD_LEGS)
    certain = seen if doubtful is None else seen & ~doubtful
    for_positions = certain & ~_outlying(track, certain, SMALLEST_SD_LEGS)
    time_s = uniform_grid(track.time_s)
    fps = sample_rate(time_s)
    event_px = _filled(track, for_events, time_s, settings.event_max_gap_s)
    position_px = _filled(track, for_positions, time_s, settings.max_gap_s)
    found = residual_analysis(
        position_px,
        for_positions,
        fps=fps,
        lowest_hz=settings.lowest_cutoff_hz,
        highest_hz=settings.highest_cutoff_hz,
        usual_hz=settings.cutoff_hz,
    )
    return Motion(
        time_s=time_s,
        fps=fps,
        xy_px=_smooth(position_px, fps, found.cutoff_hz),
        fast_xy_px=_smooth(event_px, fps, np.full(seen.shape[1], settings.event_cutoff_hz)),
        seen=certain & for_events,
        cutoff_hz=found.cutoff_hz,
        event_cutoff_hz=settings.event_cutoff_hz,
        noise_px=found.noise,
    )


def _outlying(track: LandmarkTrack, seen: BoolArray, smallest_legs: float) -> BoolArray:
    """Where a landmark leaves its own smooth course by more than noise and movement explain."""
    visible = np.where(seen[:, :, None], track.xy_px, np.nan)
    leg_px = median_leg_px(visible)
    if len(track.time_s) < 3 or not np.isfinite(leg_px):
        return np.zeros(seen.shape, dtype=bool)
    return outliers(visible, fps=sample_rate(track.time_s), smallest=smallest_legs * leg_px)


def _filled(track: LandmarkTrack, use: BoolArray, time_s: FloatArray, max_gap_s: float) -> FloatArray:
    """The landmarks to be used, gaps filled, on the even clock, (n_frames, 33, 2). [px]"""
    n_frames = len(time_s)
    signals = np.where(use[:, :, None], track.xy_px, np.nan).reshape(n_frames, -1)
    filled, _ = fill_gaps(signals, track.time_s, max_gap_s=max_gap_s)
    return resample(filled, track.time_s, time_s).reshape(n_frames, -1, 2)


def _smooth(points_px: FloatArray, fps: float, cutoff_hz: FloatArray) -> FloatArray:
    """The landmarks, each low-passed at its own cut-off, (n_frames, 33, 2). [px]"""
    smooth = np.empty_like(points_px)
    for one_hz in np.unique(cutoff_hz):
        here = cutoff_hz == one_hz
        part = points_px[:, here]
        smooth[:, here] = lowpass(part.reshape(len(part), -1), fps=fps, cutoff_hz=float(one_hz)).reshape(part.shape)
    return smooth


def position_noise_px(motion: Motion) -> FloatArray:
    """Return the jitter left in `xy_px` as a standard deviation along one axis, (33,); NaN where unknown. [px]"""
    gain = [position_noise_gain(fps=motion.fps, cutoff_hz=float(one_hz)) for one_hz in motion.cutoff_hz]
    return np.asarray(motion.noise_px * np.array(gain))


def event_speed_noise_px_s(motion: Motion) -> FloatArray:
    """Return the jitter of the rate of change of `fast_xy_px`, standard deviation along one axis, (33,). [px/s]"""
    return motion.noise_px * speed_noise_gain(fps=motion.fps, cutoff_hz=motion.event_cutoff_hz)


def knee_noise_deg(motion: Motion, side: Side) -> FloatArray:
    """Return what the landmarks' jitter does to the knee flexion of a side view, as a standard deviation.

    Parameters
    ----------
    motion : Motion
    side : "left" or "right"

    Returns
    -------
    (n_frames,)
        NaN where the leg was not seen. [deg]

    Notes
    -----
    Linear error propagation for independent noise of hip h, knee k and ankle a, thigh length t, shank length s and
    flexion f: var = h^2 / t^2 + a^2 / s^2 + k^2 (1 / t^2 + 1 / s^2 + 2 cos(f) / (t s)), in radians. Only the jitter
    that is left after smoothing: slow errors of the estimator are several times as large and not in it.
    """
    hip, knee, ankle = (point(motion.xy_px, side, part) for part in ("hip", "knee", "ankle"))
    noise_px = position_noise_px(motion)
    hip_px, knee_px, ankle_px = (noise_px[INDEX[f"{side}_{part}"]] for part in ("hip", "knee", "ankle"))
    thigh_px = np.linalg.norm(knee - hip, axis=1)
    shank_px = np.linalg.norm(ankle - knee, axis=1)
    # The cosine is the same in image axes as in body axes: a mirror turns the sign of the angle only.
    bend = 2 * np.cos(np.radians(knee_flexion_deg(hip, knee, ankle))) / (thigh_px * shank_px)
    variance = (hip_px / thigh_px) ** 2 + (ankle_px / shank_px) ** 2
    variance = variance + knee_px**2 * (1 / thigh_px**2 + 1 / shank_px**2 + bend)
    return np.asarray(np.degrees(np.sqrt(variance)))


def body_leg_px(motion: Motion) -> float:
    """Return the median leg length over both limbs and all frames. [px]"""
    return median_leg_px(motion.xy_px)


def trunk_px(motion: Motion) -> FloatArray:
    """Return the length from mid-shoulder to mid-hip in each frame, (n_frames,). [px]"""
    along = middle(motion.xy_px, "shoulder") - middle(motion.xy_px, "hip")
    return np.hypot(along[:, 0], along[:, 1])
