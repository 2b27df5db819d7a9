"""Outliers, residual analysis and white noise through the filter."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.random import Generator
from scipy import signal
from scipy.interpolate import make_smoothing_spline
from scipy.special import gamma

from pipeline.config import load_settings
from pipeline.errors import ManyProblems
from pipeline.geometry import INDEX, LEG_PARTS, median_leg_px
from pipeline.model import SIDES, BoolArray, FloatArray
from pipeline.signals import TWO_PASS_CORRECTION, derivative, lowpass
from pipeline.smoothing import (
    outliers,
    position_noise_gain,
    removed_share,
    residual_analysis,
    speed_noise_gain,
    stiff_curve,
    two_pass_gain,
)
from tests.captured_walk import captured_walk, side_track

NOISE = 1.5
LEGS = [INDEX[f"{side}_{part}"] for side in SIDES for part in LEG_PARTS]


def band_limited(random: Generator, fps: float, highest_hz: float, *, duration_s: float = 8.0) -> FloatArray:
    """A smooth path (n_frames, 1, 2): sines of random phase up to a frequency, falling as movement does."""
    time_s = np.arange(round(duration_s * fps)) / fps
    path = np.zeros((len(time_s), 1, 2))
    for frequency_hz in np.arange(0.8, highest_hz + 0.01, 0.8):
        for axis in (0, 1):
            phase = random.uniform(0, 2 * np.pi)
            path[:, 0, axis] += 30 / frequency_hz**1.5 * np.sin(2 * np.pi * frequency_hz * time_s + phase)
    return path


def everywhere(path: FloatArray) -> BoolArray:
    return np.ones(path.shape[:2], dtype=bool)


@pytest.mark.parametrize(("fps", "cutoff_hz"), [(25.0, 8.0), (30.0, 6.0), (120.0, 10.0)])
def test_gain_is_that_of_the_filter_in_use(fps: float, cutoff_hz: float) -> None:
    """The response of `lowpass` to one impulse, by scipy.signal.freqz."""
    impulse = np.zeros((4001, 1))
    impulse[2000] = 1.0
    frequencies_hz = np.linspace(0.0, 0.49 * fps, 40)
    _, response = signal.freqz(lowpass(impulse, fps=fps, cutoff_hz=cutoff_hz)[:, 0], worN=frequencies_hz, fs=fps)
    assert np.allclose(np.abs(response), two_pass_gain(frequencies_hz, fps=fps, cutoff_hz=cutoff_hz), atol=1e-6)


@pytest.mark.parametrize(("fps", "cutoff_hz"), [(30.0, 6.0), (30.0, 10.0), (60.0, 6.0), (240.0, 10.0)])
def test_noise_left_by_the_filter_is_that_of_a_trial(fps: float, cutoff_hz: float) -> None:
    """Monte Carlo: 400 000 samples leave a chance error of less than 0.7 % at the strongest smoothing."""
    raw = np.random.default_rng(1).standard_normal((100_000, 4))
    smooth = lowpass(raw, fps=fps, cutoff_hz=cutoff_hz)[100:-100]
    assert smooth.std() == pytest.approx(position_noise_gain(fps=fps, cutoff_hz=cutoff_hz), rel=0.01)
    speed = derivative(smooth, fps=fps)[1:-1]
    assert speed.std() == pytest.approx(speed_noise_gain(fps=fps, cutoff_hz=cutoff_hz), rel=0.01)
    left_over = raw[100:-100] - smooth
    assert left_over.var() == pytest.approx(removed_share(fps=fps, cutoff_hz=cutoff_hz), rel=0.01)


def test_noise_gains_follow_the_precision_limit_of_the_literature() -> None:
    """Lanshammar 1982 (from memory): an ideal filter of band w leaves noise^2 w^(2k+1) / ((2k+1) pi fps) in the
    derivative of order k. The filter here passes more, by its gain 1 / (1 + x^4) with x = 0.802 f / cutoff: by hand,
    the integrals of gain^2 and x^2 gain^2 over all x are gamma functions."""
    fps, cutoff_hz = 2000.0, 6.0
    band = 2 * np.pi * cutoff_hz
    square_integral = gamma(1 / 4) * gamma(7 / 4) / (4 * gamma(2))
    moment_integral = gamma(3 / 4) * gamma(5 / 4) / (4 * gamma(2))
    position = band / (np.pi * fps) * square_integral / TWO_PASS_CORRECTION
    speed = band**3 / (3 * np.pi * fps) * 3 * moment_integral / TWO_PASS_CORRECTION**3
    assert position_noise_gain(fps=fps, cutoff_hz=cutoff_hz) ** 2 == pytest.approx(position, rel=0.01)
    assert speed_noise_gain(fps=fps, cutoff_hz=cutoff_hz) ** 2 == pytest.approx(speed, rel=0.01)
    assert 1.0 < position / (band / (np.pi * fps)) < 1.1 and 1.0 < speed / (band**3 / (3 * np.pi * fps)) < 2.0


@pytest.mark.parametrize("fps", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("highest_hz", [3.0, 5.0])
def test_noise_is_found_under_a_movement(fps: float, highest_hz: float) -> None:
    """Truth by construction. 8 s of two axes at 30 frames a second, of which the filter leaves a third, know a
    standard deviation to 5 %; the mean of nine trials to 2 %."""
    random = np.random.default_rng(2)
    found = []
    for _ in range(9):
        path = band_limited(random, fps, highest_hz)
        noisy = path + NOISE * random.standard_normal(path.shape)
        settings = {"lowest_hz": 2.0, "highest_hz": 10.0, "usual_hz": 6.0}
        found.append(residual_analysis(noisy, everywhere(path), fps=fps, **settings).noise[0])
    assert np.mean(found) == pytest.approx(NOISE, rel=0.06)
    assert np.max(np.abs(np.array(found) / NOISE - 1)) < 0.2


@pytest.mark.parametrize("fps", [30.0, 60.0])
@pytest.mark.parametrize("highest_hz", [3.0, 5.0])
def test_chosen_cutoff_is_near_the_best_one(fps: float, highest_hz: float) -> None:
    """The best cut-off is known by trying all of them against the clean path.

    Tolerance: the error as a function of the cut-off is flat about its least, so that a quarter off in the cut-off is
    a few per cent in the error; one of six trials may miss by more. scipy's smoothing spline with generalised
    cross-validation, which knows nothing of the noise either, is the outside yardstick.
    """
    random = np.random.default_rng(3)
    time_s = np.arange(round(8 * fps)) / fps
    ratios, spline_ratios = [], []
    for _ in range(6):
        path = band_limited(random, fps, highest_hz)
        noisy = path + NOISE * random.standard_normal(path.shape)
        tried_hz = np.arange(1.0, 11.0, 0.25)
        errors = np.array([rms(smoothed(noisy, fps, cutoff_hz) - path) for cutoff_hz in tried_hz])
        best_hz = tried_hz[np.argmin(errors)]
        found = residual_analysis(noisy, everywhere(path), fps=fps, lowest_hz=1.0, highest_hz=11.0, usual_hz=6.0)
        assert 0.75 * best_hz <= found.cutoff_hz[0] <= 1.33 * best_hz
        error = rms(smoothed(noisy, fps, found.cutoff_hz[0]) - path)
        spline = np.stack([make_smoothing_spline(time_s, noisy[:, 0, axis])(time_s) for axis in (0, 1)], axis=1)
        assert error < 0.9 * NOISE, "clearly better than no smoothing"
        ratios.append(error / errors.min())
        spline_ratios.append(error / rms(spline - path[:, 0]))
    assert np.mean(ratios) < 1.03 and max(ratios) < 1.1
    assert np.mean(spline_ratios) < 1.1


def smoothed(path: FloatArray, fps: float, cutoff_hz: float) -> FloatArray:
    return lowpass(path[:, 0], fps=fps, cutoff_hz=cutoff_hz)[:, None]


def rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def test_more_noise_asks_for_a_lower_cutoff_within_the_bounds() -> None:
    random = np.random.default_rng(4)
    path = np.repeat(band_limited(random, 60.0, 5.0), 3, axis=1)
    noisy = path + np.array([0.01, 2.0, 60.0])[:, None] * random.standard_normal(path.shape)
    found = residual_analysis(noisy, everywhere(path), fps=60.0, lowest_hz=3.0, highest_hz=7.0, usual_hz=6.0)
    assert found.cutoff_hz[0] == 7.0 and 3.0 < found.cutoff_hz[1] < 7.0 and found.cutoff_hz[2] == 3.0


def test_a_landmark_seen_too_little_gets_the_usual_cutoff_and_no_noise() -> None:
    """By hand: 59 frames at 30 a second are less than two seconds, 60 are not."""
    random = np.random.default_rng(5)
    path = np.repeat(band_limited(random, 30.0, 3.0), 2, axis=1) + random.standard_normal((240, 2, 2))
    use = everywhere(path)
    use[59:, 0], use[60:, 1] = False, False
    path[~use] = np.nan
    found = residual_analysis(path, use, fps=30.0, lowest_hz=3.0, highest_hz=5.0, usual_hz=6.0)
    assert found.cutoff_hz[0] == 6.0 and np.isnan(found.noise[0])
    assert 3.0 <= found.cutoff_hz[1] <= 5.0 and np.isfinite(found.noise[1])


def test_filled_frames_do_not_hide_noise() -> None:
    """Every fifth frame lies on the line between its neighbours, which hides a part of their noise too: 10 % at most,
    against more when the filled frames are counted."""
    random = np.random.default_rng(6)
    path = NOISE * random.standard_normal((1200, 1, 2))
    path[2:-2:5] = (path[1:-3:5] + path[3:-1:5]) / 2
    use = everywhere(path)
    use[2:-2:5] = False
    settings = {"fps": 60.0, "lowest_hz": 3.0, "highest_hz": 8.0, "usual_hz": 6.0}
    assert residual_analysis(path, use, **settings).noise[0] == pytest.approx(NOISE, rel=0.1)
    assert residual_analysis(path, everywhere(path), **settings).noise[0] < 0.85 * NOISE


def test_stiff_curve_solves_its_equations() -> None:
    """Against numpy's dense solver: (W + stiffness D'D) z = W y, with D the third differences."""
    random = np.random.default_rng(7)
    track, weight = random.standard_normal((40, 2)), random.uniform(0.1, 1.0, 40)
    weight[10:14], track[10:14] = 0.0, np.nan
    difference = np.diff(np.eye(40), 3, axis=0)
    dense = np.linalg.solve(
        np.diag(weight + 1e-6) + 50.0 * difference.T @ difference, weight[:, None] * np.nan_to_num(track)
    )
    assert np.allclose(stiff_curve(track, weight, 50.0), dense)


@pytest.mark.parametrize("fps", [30.0, 60.0, 240.0])
def test_wrong_frames_are_found_and_few_others(fps: float) -> None:
    """Truth by construction: a run of a fifteenth of a second, 15 standard deviations away, and one single frame.

    Beyond 2.9 standard deviations of a round cloud lie 1.5 % of noise; dropping those narrows the limit a little.
    """
    random = np.random.default_rng(8)
    path = band_limited(random, fps, 2.4) + NOISE * random.standard_normal((round(8 * fps), 1, 2))
    wrong = np.zeros(len(path), dtype=bool)
    wrong[round(2 * fps) : round(2 * fps + fps / 15)] = wrong[round(5 * fps)] = True
    path[wrong, 0, 1] += 15 * NOISE
    path[round(6 * fps) : round(6.2 * fps)] = np.nan
    found = outliers(path, fps=fps, smallest=0.0)[:, 0]
    assert found[wrong].all()
    assert found[~wrong].mean() < 0.05
    assert not outliers(path, fps=fps, smallest=10 * NOISE).any(), "within 2.9 times the smallest noise"


def test_a_foot_that_stops_is_no_large_outlier() -> None:
    """Captured motion of the pybullet wheel at 30 frames a second: its feet stop within a frame."""
    track = side_track(captured_walk())
    leg_px = median_leg_px(track.xy_px)
    assert not outliers(track.xy_px, fps=30.0, smallest=0.04 * leg_px)[:, LEGS].any()
    assert outliers(track.xy_px, fps=30.0, smallest=0.013 * leg_px)[:, LEGS].mean() < 0.03


def test_a_track_that_was_hardly_seen_has_no_outliers() -> None:
    path = np.full((50, 2, 2), np.nan)
    path[10:15, 1] = 1.0
    assert not outliers(path, fps=30.0, smallest=0.1).any()


def test_bounds_the_wrong_way_round_are_refused(tmp_path: Path) -> None:
    own = tmp_path / "mine.toml"
    own.write_text("[signals]\nlowest_cutoff_hz = 9.0\n")
    with pytest.raises(ManyProblems) as caught:
        load_settings(own)
    assert str(caught.value).splitlines()[1:] == [
        "  mine.toml: signals.lowest_cutoff_hz: found 9.0; "
        "expected no more than signals.highest_cutoff_hz, which is 8.0 [Hz]"
    ]
