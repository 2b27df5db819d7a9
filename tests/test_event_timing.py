"""Peaks, crossings and the confidence of events."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from pipeline.event_timing import clear_peaks, confidence, highest, nearest_fall, seen_around


def test_confidence_is_the_chance_of_a_small_error() -> None:
    """Against scipy.stats: a normal error of the root of the summed squares, within 1/30 s."""
    sd_s = np.sqrt(0.02**2 + (0.5 * 0.03) ** 2 + (0.25 * 0.02) ** 2)
    expected = norm.cdf(1 / 30, scale=sd_s) - norm.cdf(-1 / 30, scale=sd_s)
    assert confidence(0.02, 0.03, 0.75) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("disagreement_s", "seen_share"), [(0.05, 1.0), (0.0, 0.5)])
def test_doubt_lowers_confidence(disagreement_s: float, seen_share: float) -> None:
    assert confidence(0.01, disagreement_s, seen_share) < confidence(0.01, 0.0, 1.0) <= 1.0


def test_the_fall_nearest_to_the_place_is_taken() -> None:
    values = np.array([1.0, -1.0, 1.0, 1.0, 3.0, -1.0, 1.0, -1.0])
    assert nearest_fall(values, 4, before=1, after=3) == pytest.approx(4.75)
    assert nearest_fall(values, 0, before=0, after=1) == pytest.approx(0.5)
    assert np.isnan(nearest_fall(values, 2, before=0, after=1))
    assert np.isnan(nearest_fall(np.full(8, np.nan), 4, before=3, after=3))


def test_highest_is_the_top_of_the_parabola() -> None:
    values = -((np.arange(20.0) - 7.3) ** 2)
    assert highest(values, 6, before=3, after=3) == pytest.approx(7.3)
    assert np.isnan(highest(np.full(20, np.nan), 6, before=3, after=3))


def test_ripples_and_the_edges_of_gaps_are_no_peaks() -> None:
    index = np.arange(300)
    signal = np.cos(2 * np.pi * index / 100) + 0.1 * np.cos(2 * np.pi * index / 9)
    signal[150:170] = np.nan
    assert [round(peak / 100) for peak in clear_peaks(signal, 30.0)] == [1, 2]
    assert clear_peaks(np.full(50, np.nan), 30.0) == []


def test_a_frame_counts_as_seen_when_all_its_landmarks_are() -> None:
    seen = np.ones((60, 2), dtype=bool)
    seen[28:31, 0] = False
    # A tenth of a second on either side at 30 frames a second: seven frames, three of them hidden.
    assert seen_around(seen, 29.4, 30.0) == pytest.approx(4 / 7)
