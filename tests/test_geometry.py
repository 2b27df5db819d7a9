"""Angles, lengths and scale, against numbers that can be redone in a minute."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.geometry import (
    HIP_TO_ANKLE_OF_HEIGHT,
    ankle_dorsiflexion_deg,
    body_axes,
    foot_direction_deg,
    from_vertical_deg,
    knee_flexion_deg,
    robust_line,
    scale_of,
    smooth_size_px,
    trunk_lean_deg,
)
from pipeline.model import Clip


def at(*points: tuple[float, float]) -> list[np.ndarray]:
    """One-frame tracks of points in body axes (x forward, y up)."""
    return [np.array([point], dtype=float) for point in points]


def test_knee_flexion_by_hand() -> None:
    """Upright thigh, shank pointing straight back: 90 deg. Straight leg: 0. Shank 30 deg forward: -30."""
    assert knee_flexion_deg(*at((0, 2), (0, 1), (-1, 1)))[0] == pytest.approx(90)
    assert knee_flexion_deg(*at((0, 2), (0, 1), (0, 0)))[0] == pytest.approx(0)
    forward = (np.sin(np.radians(30)), 1 - np.cos(np.radians(30)))
    assert knee_flexion_deg(*at((0, 2), (0, 1), forward))[0] == pytest.approx(-30)


def test_knee_flexion_is_180_minus_the_angle_between_segments() -> None:
    """3-4-5 triangle: hip (0,4), knee (0,0), ankle (-3,-4): the segments meet at 180 - atan(3/4) = 143.13 deg."""
    assert knee_flexion_deg(*at((0, 4), (0, 0), (-3, -4)))[0] == pytest.approx(36.87, abs=0.01)


def test_ankle_trunk_and_arm_angles_by_hand() -> None:
    """Level foot under an upright shank 0; toe up 45 deg is 45 of dorsiflexion; arms and trunk against vertical."""
    assert ankle_dorsiflexion_deg(*at((0, 2), (0, 0), (-1, 0), (1, 0)))[0] == pytest.approx(0)
    assert ankle_dorsiflexion_deg(*at((0, 2), (0, 0), (0, 0), (1, 1)))[0] == pytest.approx(45)
    assert trunk_lean_deg(*at((0, 0), (1, 1)))[0] == pytest.approx(45)
    assert from_vertical_deg(*at((0, 0), (1, -1)))[0] == pytest.approx(45)
    assert from_vertical_deg(*at((0, 0), (-1, -1)))[0] == pytest.approx(-45)


def test_body_axes_turn_the_picture_to_forward_and_up() -> None:
    assert body_axes(np.array([[10.0, 20.0]]), 1).tolist() == [[10.0, -20.0]]
    assert body_axes(np.array([[10.0, 20.0]]), -1).tolist() == [[-10.0, -20.0]]


@given(angle=st.floats(-60, 120), size=st.floats(0.1, 1000), x=st.floats(-1e4, 1e4), direction=st.sampled_from([1, -1]))
def test_knee_flexion_ignores_scale_place_and_direction(angle: float, size: float, x: float, direction: int) -> None:
    """Law: a picture made larger, moved or mirrored with its direction of travel has the same knee."""
    shank = np.radians(angle)
    image = np.array([[0.0, -2.0], [0.0, -1.0], [-np.sin(shank), -1.0 + np.cos(shank)]])
    image = image * size * np.array([direction, 1.0]) + x
    hip, knee, ankle = (body_axes(point[None], direction) for point in image)
    assert knee_flexion_deg(hip, knee, ankle)[0] == pytest.approx(angle, abs=1e-4)


def test_foot_direction_by_hand() -> None:
    """A foot of 100 px whose tip lies 50 px outward points 30 deg out (sin 30 = 0.5)."""
    heel, toe = np.array([[200.0, 600.0]]), np.array([[250.0, 610.0]])
    assert foot_direction_deg(heel, toe, np.array([100.0]), 1)[0] == pytest.approx(30)
    assert foot_direction_deg(heel, toe, np.array([100.0]), -1)[0] == pytest.approx(-30)


def test_size_of_an_approaching_walker_is_recovered_through_outliers() -> None:
    """By hand: from 8 m to 3 m in 5 s at a focal length of 900 px, 0.5 m is 900 * 0.5 / (8 - t) px."""
    time_s = np.arange(150) / 30.0
    truth = 900 * 0.5 / (8 - time_s)
    noisy = truth * (1 + 0.03 * np.sin(40 * time_s))
    noisy[[20, 21, 90]] *= 2.0
    noisy[50:55] = np.nan
    assert np.max(np.abs(smooth_size_px(noisy, time_s) / truth - 1)) < 0.01


def clip(**fields: float) -> Clip:
    """A sagittal clip with the given lengths."""
    return Clip(
        clip_id="c", path=Path("c.mp4"), relative_path="c.mp4", subject="P01", visit="01",
        visit_date=date(2026, 3, 14), view="sagittal", prosthetic_sides=("left",), **fields,
    )  # fmt: skip


def test_scale_prefers_a_measured_length_and_is_absent_without_any() -> None:
    """By hand: 1 m over 200 px is 5 mm a pixel; 1.725 m on soles of 2.5 cm have a leg of 0.491 x 1.70 = 0.835 m."""
    marker = scale_of(clip(known_length_m=1.0, known_length_px=200.0, height_m=1.7), 170.0)
    assert marker is not None and (marker.m_per_px, marker.method) == (0.005, "marker")
    height = scale_of(clip(height_m=1.725), 167.0)
    assert height is not None and height.method == "height"
    assert height.m_per_px == pytest.approx(0.005, rel=0.001)
    assert pytest.approx(0.491) == HIP_TO_ANKLE_OF_HEIGHT
    assert scale_of(clip(), 170.0) is None
    assert scale_of(clip(height_m=1.7), float("nan")) is None


def test_a_marker_along_the_walk_is_seen_short_off_square() -> None:
    """By hand: at 60 deg half of it is seen, so that upright lengths have half as many metres for a pixel."""
    marker = scale_of(clip(known_length_m=1.0, known_length_px=200.0), 170.0, off_square_deg=60.0)
    assert marker is not None and marker.m_per_px == pytest.approx(0.0025)


def test_a_line_stands_a_fifth_of_wild_points_and_gaps() -> None:
    """y = 3 + 0.5 x with noise of 1: both come back within three of their own standard deviations."""
    rng = np.random.default_rng(5)
    x = np.linspace(0.0, 100.0, 300)
    y = 3.0 + 0.5 * x + rng.normal(0.0, 1.0, 300)
    y[::5] += 40.0
    y[7:20] = np.nan
    line = robust_line(x, y, 60.0)
    assert abs(line.slope - 0.5) < 3 * line.slope_sd and abs(line.at(50.0) - 28.0) < 3 * line.mean_sd
    # 227 points at 60 a second are 7.6 independent values at 2 a second: 1 / sqrt(7.6) = 0.36.
    assert line.mean_sd == pytest.approx(0.36, abs=0.05)
    assert np.isnan(robust_line(np.zeros(9), np.arange(9.0), 60.0).slope)
