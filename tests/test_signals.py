"""Gaps, smoothing and derivatives."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from pipeline.signals import (
    TWO_PASS_CORRECTION,
    derivative,
    fill_gaps,
    lowpass,
    parabola_peak,
    resample,
    runs,
    uniform_grid,
)


@pytest.mark.parametrize(("fps", "cutoff_hz"), [(30.0, 6.0), (60.0, 6.0), (120.0, 10.0)])
def test_two_passes_are_three_db_down_at_the_cutoff(fps: float, cutoff_hz: float) -> None:
    """Winter 2009 (from memory): the cut-off means -3 dB of the two passes together; the response is scipy's."""
    impulse = np.zeros((4001, 1))
    impulse[2000] = 1.0
    response = lowpass(impulse, fps=fps, cutoff_hz=cutoff_hz)[:, 0]
    _, gain = signal.freqz(response, worN=[cutoff_hz], fs=fps)
    assert 20 * np.log10(abs(gain[0])) == pytest.approx(-3.01, abs=0.01)


def test_correction_is_the_handbook_factor() -> None:
    """Winter 2009 (from memory) prints 0.802 for two passes of a filter of order 2."""
    assert round(TWO_PASS_CORRECTION, 3) == 0.802


def test_lowpass_does_not_delay() -> None:
    """By hand: a slow wave keeps its peak where it was."""
    time_s = np.arange(300) / 30.0
    wave = np.sin(2 * np.pi * 1.0 * time_s)[:, None]
    smooth = lowpass(wave, fps=30.0, cutoff_hz=6.0)
    shift = signal.correlation_lags(300, 300)[np.argmax(signal.correlate(smooth[:, 0], wave[:, 0]))]
    assert shift == 0
    assert np.max(np.abs(smooth - wave)[30:-30]) < 0.01


def test_lowpass_keeps_missing_samples_missing_and_treats_each_run_alone() -> None:
    values = np.ones((40, 1))
    values[20] = np.nan
    values[21:] = 5.0
    smooth = lowpass(values, fps=30.0, cutoff_hz=6.0)
    assert np.isnan(smooth[20, 0]) and np.isfinite(np.delete(smooth, 20)).all()
    assert smooth[19, 0] == pytest.approx(1.0) and smooth[21, 0] == pytest.approx(5.0)


def test_gap_up_to_the_limit_is_filled_and_a_longer_one_is_not() -> None:
    """By hand: on a straight line the filled values lie on the line; 0.2 s spans five frames at 30 fps."""
    time_s = np.arange(30) / 30.0
    line = 2.0 * time_s[:, None]
    short, long = line.copy(), line.copy()
    short[10:15] = np.nan
    long[10:16] = np.nan
    filled, interpolated = fill_gaps(short, time_s, max_gap_s=0.2001)
    assert np.allclose(filled, line) and interpolated[:, 0].sum() == 5
    filled, interpolated = fill_gaps(long, time_s, max_gap_s=0.2001)
    assert np.isnan(filled[10:16]).all() and not interpolated.any()


def test_ends_are_never_filled() -> None:
    time_s = np.arange(20) / 30.0
    values = np.arange(20.0)[:, None]
    values[[0, 1, 18, 19]] = np.nan
    filled, _ = fill_gaps(values, time_s, max_gap_s=1.0)
    assert np.isnan(filled[[0, 1, 18, 19]]).all()


def test_uneven_clock_becomes_even_and_signals_follow() -> None:
    """By hand: a straight line stays the same line on the new clock."""
    time_s = np.array([0.0, 0.03, 0.08, 0.10, 0.15])
    even = uniform_grid(time_s)
    assert np.allclose(np.diff(even), 0.0375)
    assert np.allclose(resample(3.0 * time_s[:, None], time_s, even), 3.0 * even[:, None])


@given(shift_s=st.floats(-100, 100), slope=st.floats(-50, 50))
def test_derivative_of_a_line_is_its_slope_whatever_the_clock(shift_s: float, slope: float) -> None:
    line = slope * (np.arange(20) / 25.0 + shift_s)
    assert np.allclose(derivative(line, fps=25.0), slope, atol=1e-6)


def test_parabola_finds_the_peak_between_samples() -> None:
    """By hand: 1 - (x - 3.3)^2 has its peak at 3.3, and a parabola through three samples is exact."""
    samples = 1 - (np.arange(7) - 3.3) ** 2
    assert parabola_peak(samples, 3) == pytest.approx(3.3)


def test_runs_are_listed_with_exclusive_ends() -> None:
    assert runs(np.array([True, True, False, True, False, False, True])) == [(0, 2), (3, 4), (6, 7)]
    assert runs(np.zeros(3, dtype=bool)) == []
