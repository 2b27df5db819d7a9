"""Size, height and place along the walking line, on a walker filmed by OpenCV's own camera model."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.config import load_settings
from pipeline.geometry import Lens, Line
from pipeline.model import Pass
from pipeline.motion import Motion, prepare
from pipeline.passes import find_passes
from pipeline.quantities_sagittal import sagittal_quantities
from pipeline.walkline import WalkLine, heels_along_legs, walk_line
from tests.filmed_walk import FOCAL_PX, FOOT_HALF_M, LEG_M, FilmedWalk

SETTINGS = load_settings()
LENS = Lens((640.0, 360.0), FOCAL_PX)
OFF_SQUARE = [-15.0, -6.0, 0.0, 12.0]


def line_of(walk: FilmedWalk, noise_px: float = 0.0) -> tuple[Motion, WalkLine]:
    motion = prepare(walk.track(noise_px), SETTINGS.signals)
    (stretch,) = find_passes(motion, "sagittal")
    return motion, walk_line(motion, stretch)


@pytest.mark.parametrize("leftward", [False, True])
@pytest.mark.parametrize("off_square_deg", OFF_SQUARE)
def test_angle_and_size_of_the_walking_line(off_square_deg: float, leftward: bool) -> None:
    """By hand: in the middle column a leg of L at distance D is f L / D tall."""
    _, line = line_of(FilmedWalk(off_square_deg=off_square_deg, leftward=leftward), noise_px=1.0)
    assert line.off_square_deg(LENS) == pytest.approx(off_square_deg, abs=1.0)
    assert line.leg_px.at(640.0) == pytest.approx(FOCAL_PX * LEG_M / 4.5, rel=0.02)


@pytest.mark.parametrize("leftward", [False, True])
@pytest.mark.parametrize("off_square_deg", OFF_SQUARE)
def test_places_along_the_walk_are_the_true_ones(off_square_deg: float, leftward: bool) -> None:
    """Every frame of both heels, seen from 3 m: all lengths by one factor, the body's error, within 2.5 %."""
    walk = FilmedWalk(distance_m=3.0, n_steps=5, off_square_deg=off_square_deg, leftward=leftward)
    motion, line = line_of(walk)
    for side, along in heels_along_legs(motion, line, LENS).items():
        inside = np.isfinite(along)
        true_m = walk.heel_m(side)[inside, 0]
        factor, start_m = np.polyfit(true_m, along[inside] * LEG_M, 1)
        assert factor == pytest.approx(1.0, abs=0.025)
        assert np.abs(along[inside] * LEG_M - start_m - factor * true_m).max() < 0.015


def test_place_by_hand() -> None:
    """A point seen 45 deg to the right of a line across the picture at 5 leg lengths is 5 leg lengths along it.

    Turned by 30 deg, with the law of sines: 5 sin 45 / sin(180 - 45 - 90 - 30) = 5 sin 45 / sin 15.
    """
    lens = Lens((0.0, 0.0), 1000.0)
    square = WalkLine(Pass(0, 1, 1, "right"), Line(200.0, 0.0, 0.0, 0.0), Line(0.0, 0.0, 0.0, 0.0))
    at = np.array([1000.0])
    assert square.along_legs(at, lens, nearer_legs=0.0)[0] == pytest.approx(5.0)
    assert square.along_legs(at, lens, nearer_legs=1.0)[0] == pytest.approx(4.0)
    slope = -200.0 * np.tan(np.radians(30)) / 1000.0
    turned = WalkLine(Pass(0, 1, -1, "left"), Line(200.0, slope, 0.0, 0.0), Line(0.0, 0.0, 0.0, 0.0))
    expected = 5.0 * np.sin(np.radians(45)) / np.sin(np.radians(15))
    assert turned.off_square_deg(lens) == pytest.approx(30.0)
    assert turned.along_legs(at, lens, nearer_legs=0.0)[0] == pytest.approx(-expected)


@pytest.mark.parametrize("roll_deg", [0.0, 2.0])
@pytest.mark.parametrize("off_square_deg", OFF_SQUARE)
def test_heights_of_hips_and_heels_are_the_true_ones(off_square_deg: float, roll_deg: float) -> None:
    """The hips bob by 3 cm and each heel rises by 12 cm, wherever the walker is in the picture."""
    walk = FilmedWalk(off_square_deg=off_square_deg, roll_deg=roll_deg)
    motion, line = line_of(walk)
    heights = sagittal_quantities(motion, [line.stretch])
    hip_m = heights["hip_height_pct"]["left"] / 100 * LEG_M
    true_m = walk.joints_m()["middle"][:, 2]
    inside = np.isfinite(hip_m)
    assert np.abs(hip_m - true_m + true_m.mean())[inside].max() < 0.01
    for side in ("left", "right"):
        heel_m = heights["heel_height_pct"][side] / 100 * LEG_M  # type: ignore[index]
        assert np.abs(heel_m - walk.heel_m(side)[:, 1])[inside].max() < 0.02


def test_a_change_of_size_that_is_not_clear_counts_as_none() -> None:
    _, line = line_of(FilmedWalk(n_steps=2), noise_px=8.0)
    assert line.leg_px.slope == 0.0


def test_near_and_far_foot_part_at_close_range() -> None:
    """By hand: 6 cm nearer than 3 m, a foot 1 m from the middle is seen 0.06 / (3 - 0.06) m further out."""
    lens = Lens((0.0, 0.0), FOCAL_PX)
    line = WalkLine(Pass(0, 1, 1, "right"), Line(FOCAL_PX * LEG_M / 3.0, 0.0, 0.0, 0.0), Line(0.0, 0.0, 0.0, 0.0))
    seen_px = np.array([FOCAL_PX * 1.0 / (3.0 - FOOT_HALF_M)])
    assert line.along_legs(seen_px, lens, nearer_legs=FOOT_HALF_M / LEG_M)[0] * LEG_M == pytest.approx(1.0)
    assert line.along_legs(seen_px, lens, nearer_legs=0.0)[0] * LEG_M == pytest.approx(1.0204, abs=0.0001)
