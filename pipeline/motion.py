"""From raw landmarks to smooth, evenly timed tracks, and the straight passes in them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.config import SignalSettings
from pipeline.geometry import median_leg_px, middle, smooth_size_px
from pipeline.model import BoolArray, FloatArray, LandmarkTrack, Pass, Side, View
from pipeline.signals import derivative, fill_gaps, jumps, lowpass, resample, runs, sample_rate, uniform_grid

# Slower than this is standing or turning, not a pass. Own choice: a third of a slow walk, about
# 0.2 m/s for a leg of 0.85 m; and the shortest stretch worth calling a pass.
STANDING_LEGS_PER_S = 0.25
SHORTEST_PASS_S = 1.0
# Own choice: a foot that stops dead leaves the median of its neighbours by half of this at 30 frames a second.
LARGEST_JUMP_LEGS = 0.12


@dataclass(frozen=True, slots=True)
class Motion:
    """Landmarks on an even clock, gaps filled, low-passed without lag.

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
        True where the landmark was seen well enough, without doubt and before any filling.
    """

    time_s: FloatArray
    fps: float
    xy_px: FloatArray
    fast_xy_px: FloatArray
    seen: BoolArray


def prepare(track: LandmarkTrack, settings: SignalSettings, doubtful: BoolArray | None = None) -> Motion:
    """Return the track on an even clock with short gaps filled and noise removed.

    Parameters
    ----------
    track : LandmarkTrack
    settings : SignalSettings
        A landmark below `min_visibility` counts as not seen; gaps longer than `max_gap_s` stay empty.
    doubtful : (n_frames, 33), optional
        Landmarks not to be used for positions and angles. Event times still use them: they hang on the course of a
        foot over many frames, and a long gap would cost the event. The same holds for a landmark that jumps away
        from where it is just before and after.
    """
    seen = np.isfinite(track.xy_px[:, :, 0]) & (track.visibility >= settings.min_visibility)
    sure = seen & ~_jumps(track, seen)
    if doubtful is not None:
        sure &= ~doubtful
    time_s = uniform_grid(track.time_s)
    return Motion(
        time_s=time_s,
        fps=sample_rate(time_s),
        xy_px=_smooth(track, sure, time_s, settings.max_gap_s, settings.cutoff_hz),
        fast_xy_px=_smooth(track, seen, time_s, settings.max_gap_s, settings.event_cutoff_hz),
        seen=sure,
    )


def _jumps(track: LandmarkTrack, seen: BoolArray) -> BoolArray:
    """Where a landmark jumps by more than any part of a walking body does between frames."""
    visible = np.where(seen[:, :, None], track.xy_px, np.nan)
    return jumps(visible, limit=LARGEST_JUMP_LEGS * median_leg_px(visible))


def _smooth(track: LandmarkTrack, use: BoolArray, time_s: FloatArray, max_gap_s: float, cutoff_hz: float) -> FloatArray:
    """The landmarks to be used, gaps filled, on the even clock, low-passed, (n_frames, 33, 2). [px]"""
    n_frames = len(time_s)
    signals = np.where(use[:, :, None], track.xy_px, np.nan).reshape(n_frames, -1)
    filled, _ = fill_gaps(signals, track.time_s, max_gap_s=max_gap_s)
    even = resample(filled, track.time_s, time_s)
    return lowpass(even, fps=sample_rate(time_s), cutoff_hz=cutoff_hz).reshape(n_frames, -1, 2)


def body_leg_px(motion: Motion) -> float:
    """Return the median leg length over both limbs and all frames. [px]"""
    return median_leg_px(motion.xy_px)


def trunk_px(motion: Motion) -> FloatArray:
    """Return the length from mid-shoulder to mid-hip in each frame, (n_frames,). [px]"""
    along = middle(motion.xy_px, "shoulder") - middle(motion.xy_px, "hip")
    return np.hypot(along[:, 0], along[:, 1])


def find_passes(motion: Motion, view: View) -> list[Pass]:
    """Return the straight stretches of a clip, split where the direction of travel changes.

    Sagittal: the mid-hip moves along the picture faster than a quarter leg length a second. Anterior and
    posterior: the body grows (anterior) or shrinks (posterior); frames that do the opposite are no part of
    a pass.
    """
    if view == "sagittal":
        hip_px = lowpass(middle(motion.xy_px, "hip"), fps=motion.fps, cutoff_hz=1.0)[:, 0]
        pace = derivative(hip_px, fps=motion.fps) / body_leg_px(motion)
        found = []
        for direction in (1, -1):
            near: Side = "right" if direction > 0 else "left"
            for start, stop in runs(direction * pace > STANDING_LEGS_PER_S):
                found.append(Pass(start, stop, direction, near))
        found.sort(key=lambda item: item.start)
    else:
        size = lowpass(trunk_px(motion)[:, None], fps=motion.fps, cutoff_hz=0.5)[:, 0]
        grows = derivative(np.log(size), fps=motion.fps) * (1 if view == "anterior" else -1)
        found = [Pass(start, stop, 1, None) for start, stop in runs(grows > 0)]
    return [item for item in found if (item.stop - item.start) / motion.fps >= SHORTEST_PASS_S]


def size_in_pass_px(motion: Motion, stretch: Pass) -> FloatArray:
    """Return the trunk length along a frontal pass, free of jitter, (n_frames of the pass,). [px]"""
    part = slice(stretch.start, stretch.stop)
    return smooth_size_px(trunk_px(motion)[part], motion.time_s[part])
