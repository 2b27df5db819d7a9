"""From landmarks to motion: outliers out, gaps bridged, noise known and carried to speeds and the knee angle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.config import load_settings
from pipeline.geometry import INDEX, LEG_PARTS, knee_flexion_deg, point
from pipeline.model import SIDES, FloatArray, LandmarkTrack
from pipeline.motion import event_speed_noise_px_s, knee_noise_deg, position_noise_px, prepare
from pipeline.signals import derivative
from tests.captured_walk import captured_walk, side_track
from tests.walker import LEG_PX, Walker, make_track

SIGNALS = load_settings().signals
ANKLE = INDEX["left_ankle"]


def with_noise(track: LandmarkTrack, noise_px: FloatArray | float, *, seed: int = 1) -> LandmarkTrack:
    """White noise of its own standard deviation for each landmark."""
    noise = np.random.default_rng(seed).standard_normal(track.xy_px.shape)
    return replace(track, xy_px=track.xy_px + np.broadcast_to(noise_px, 33)[:, None] * noise)


def standing(noise_px: FloatArray | float, *, n_frames: int = 4000) -> LandmarkTrack:
    """The bent leg of one captured frame, held still for long: what moves is noise."""
    pose = side_track(captured_walk()).xy_px[20]
    return with_noise(make_track(np.arange(n_frames) / 30.0, np.tile(pose, (n_frames, 1, 1))), noise_px)


def test_jitter_of_a_walking_person_is_found_whatever_jumps_there_are() -> None:
    """Truth by construction: 2 px of white noise; an ankle that is 0.3 legs away in 5 % of the frames."""
    clean = Walker(duration_s=10.0).track()
    noisy = with_noise(clean, 2.0)
    jumps = np.random.default_rng(2).random(len(noisy.time_s)) < 0.05
    noisy.xy_px[jumps, ANKLE, 1] -= 0.3 * LEG_PX
    motion = prepare(noisy, SIGNALS)
    assert motion.noise_px[ANKLE] == pytest.approx(2.0, rel=0.15)
    assert np.median(motion.noise_px) == pytest.approx(2.0, rel=0.1)
    errors = (motion.xy_px - clean.xy_px)[30:-30, ANKLE]
    assert np.sqrt(np.mean(errors**2)) < 2.0, "less than without jumps and without smoothing"


def test_a_jump_is_dropped_and_bridged_and_a_small_one_still_counts_as_seen() -> None:
    """By hand: 0.05 legs are more than 2.9 times the 0.013 of positions, less than 2.9 times the 0.04 of events."""
    track = Walker().track()
    track.xy_px[100:103, ANKLE, 1] -= 0.5 * LEG_PX
    track.xy_px[200, ANKLE, 1] -= 0.05 * LEG_PX
    motion, clean = prepare(track, SIGNALS), prepare(Walker().track(), SIGNALS)
    assert not motion.seen[100:103, ANKLE].any() and motion.seen[200, ANKLE]
    assert np.allclose(motion.xy_px[95:108, ANKLE], clean.xy_px[95:108, ANKLE], atol=0.01 * LEG_PX)
    assert np.allclose(motion.xy_px[195:206, ANKLE], clean.xy_px[195:206, ANKLE], atol=0.01 * LEG_PX)
    assert np.allclose(motion.fast_xy_px[95:108, ANKLE], clean.fast_xy_px[95:108, ANKLE], atol=0.01 * LEG_PX)


def test_gaps_are_bridged_up_to_their_own_limits() -> None:
    """By hand: at 60 frames a second 0.2 s lie between frames 12 apart, 0.3 s between frames 18 apart; one frame less
    is bridged, two more are not."""
    track = Walker().track()
    track.xy_px[100:110, ANKLE] = np.nan
    track.xy_px[200:216, ANKLE] = np.nan
    track.xy_px[280:299, ANKLE] = np.nan
    motion = prepare(track, SIGNALS)
    assert np.isfinite(motion.xy_px[100:110, ANKLE]).all() and np.isnan(motion.xy_px[200:216, ANKLE]).all()
    assert np.isfinite(motion.fast_xy_px[200:216, ANKLE]).all() and np.isnan(motion.fast_xy_px[280:299, ANKLE]).all()
    assert not motion.seen[100:110, ANKLE].any()


def test_landmarks_in_doubt_are_left_to_event_times() -> None:
    doubtful = np.zeros((360, 33), dtype=bool)
    doubtful[100:130, ANKLE] = True
    motion = prepare(Walker().track(), SIGNALS, doubtful)
    assert np.isnan(motion.xy_px[100:130, ANKLE]).all() and np.isfinite(motion.fast_xy_px[:, ANKLE]).all()
    assert not motion.seen[100:130, ANKLE].any() and motion.seen[:, INDEX["left_heel"]].all()


def test_cutoffs_stay_within_the_bounds_and_equal_bounds_fix_them() -> None:
    noisy = with_noise(side_track(captured_walk()), np.linspace(0.05, 20.0, 33))
    cutoff_hz = prepare(noisy, SIGNALS).cutoff_hz
    assert cutoff_hz.min() >= 5.0 and cutoff_hz.max() <= 8.0 and len(np.unique(cutoff_hz)) > 1
    fixed = SIGNALS.model_copy(update={"lowest_cutoff_hz": 6.0, "highest_cutoff_hz": 6.0})
    assert (prepare(noisy, fixed).cutoff_hz == 6.0).all()


def test_noise_of_positions_and_speeds_is_that_of_a_trial() -> None:
    """Monte Carlo: 130 s of a person who stands still. Tolerance: 3 % of the noise estimate, 2 % of the trial."""
    motion = prepare(standing(1.5), SIGNALS)
    inner = slice(50, -50)
    legs = [INDEX[f"{side}_{part}"] for side in SIDES for part in LEG_PARTS]
    found_px = motion.xy_px[inner, legs].std(axis=0).mean(axis=1)
    assert np.allclose(found_px, position_noise_px(motion)[legs], rtol=0.06)
    speed = derivative(motion.fast_xy_px, fps=motion.fps)[inner, legs].std(axis=0).mean(axis=1)
    assert np.allclose(speed, event_speed_noise_px_s(motion)[legs], rtol=0.06)


@pytest.mark.parametrize("noise_px", [(1.0, 1.0, 1.0), (2.0, 0.5, 0.5), (0.5, 2.0, 0.5), (0.5, 0.5, 2.0)])
@pytest.mark.parametrize("side", SIDES)
def test_noise_of_the_knee_angle_is_that_of_a_trial(side: str, noise_px: tuple[float, float, float]) -> None:
    """Monte Carlo: hip, knee and ankle with noise of their own, linear to 2 % at these sizes."""
    sizes = np.ones(33)
    for part, size_px in zip(("hip", "knee", "ankle"), noise_px, strict=True):
        sizes[INDEX[f"{side}_{part}"]] = size_px
    motion = prepare(standing(sizes), SIGNALS)
    flexion_deg = knee_flexion_deg(*(point(motion.xy_px, side, part) for part in ("hip", "knee", "ankle")))
    inner = slice(50, -50)
    assert np.mean(knee_noise_deg(motion, side)[inner]) == pytest.approx(flexion_deg[inner].std(), rel=0.06)
