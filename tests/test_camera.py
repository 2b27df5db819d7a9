"""Camera roll, on a walker with known footsteps filmed by OpenCV's own camera model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.camera import CameraRoll, camera_roll, levelled, roll_note
from pipeline.config import load_settings
from pipeline.geometry import INDEX, Lens, lens_of
from pipeline.model import SIDES, FloatArray, View
from pipeline.motion import prepare
from pipeline.passes import find_passes
from tests.filmed_walk import FOCAL_PX, FilmedWalk

SETTINGS = load_settings()
LENS = Lens((640.0, 360.0), FOCAL_PX)


def roll_of(walk: FilmedWalk, noise_px: float = 0.0) -> CameraRoll:
    motion = prepare(walk.track(noise_px), SETTINGS.signals)
    return camera_roll(motion, find_passes(motion, walk.view), walk.view, LENS)


def from_end(view: View, **changes: float) -> FilmedWalk:
    """A walk of 5 steps towards or away from a camera 6 m from its middle."""
    return FilmedWalk(view=view, distance_m=6.0, n_steps=5, **changes)  # type: ignore[arg-type]


def test_lens_is_a_share_of_the_longer_side() -> None:
    assert lens_of(FilmedWalk().track(), 0.75) == LENS


@pytest.mark.parametrize("leftward", [False, True])
@pytest.mark.parametrize("roll_deg", [-3.0, -1.0, 0.0, 2.5])
def test_roll_of_a_side_view_whatever_the_trunk_leans(roll_deg: float, leftward: bool) -> None:
    """Neither 10 deg of forward nor 8 deg of sideways lean may be taken for a roll; 2 px of noise."""
    walk = FilmedWalk(roll_deg=roll_deg, leftward=leftward, lean_forward_deg=10.0, lean_side_deg=8.0)
    assert roll_of(walk, noise_px=2.0).deg == pytest.approx(roll_deg, abs=0.2)


@pytest.mark.parametrize("tilt_deg", [-5.0, 0.0, 5.0])
@pytest.mark.parametrize("off_square_deg", [-12.0, 12.0])
def test_off_square_the_error_stays_within_its_own_standard_deviation(off_square_deg: float, tilt_deg: float) -> None:
    """A tilt of 5 deg is one standard deviation of what is not known about the camera."""
    walk = FilmedWalk(roll_deg=2.0, off_square_deg=off_square_deg, tilt_deg=tilt_deg, camera_height_m=1.2)
    roll = roll_of(walk)
    assert abs(roll.deg - 2.0) < 1.1 * roll.sd_deg
    assert roll.sd_deg == pytest.approx(np.degrees(np.tan(np.radians(12)) * np.tan(np.radians(5))), rel=0.1)


@pytest.mark.parametrize("view", ["anterior", "posterior"])
@pytest.mark.parametrize("roll_deg", [-3.0, 2.5])
def test_roll_from_the_front_and_behind_is_not_a_lean_of_the_trunk(view: View, roll_deg: float) -> None:
    roll = roll_of(from_end(view, roll_deg=roll_deg, lean_side_deg=8.0))
    assert roll.deg == pytest.approx(roll_deg, abs=0.3)
    assert roll.clear_deg == roll.deg


def test_a_lean_of_the_trunk_alone_changes_nothing() -> None:
    walk = from_end("posterior", lean_side_deg=8.0)
    motion = prepare(walk.track(), SETTINGS.signals)
    same, roll = levelled(motion, find_passes(motion, "posterior"), "posterior", LENS)
    assert same is motion and roll.clear_deg == 0.0


def test_levelled_is_what_a_level_camera_sees() -> None:
    """A pinhole camera that turns about its line of sight only turns its picture, about its middle."""
    rolled, upright = FilmedWalk(roll_deg=2.5, tilt_deg=-4.0), FilmedWalk(tilt_deg=-4.0)
    motion, expected = (prepare(walk.track(), SETTINGS.signals) for walk in (rolled, upright))
    passes = find_passes(motion, "sagittal")
    found, roll = levelled(motion, passes, "sagittal", LENS)
    off_px: FloatArray = np.abs(found.xy_px - expected.xy_px)
    # What is left is the error of the estimate, 600 px from the middle.
    assert off_px.max() < 600 * np.radians(abs(roll.deg - 2.5)) + 0.1
    assert np.abs(motion.xy_px - expected.xy_px).max() > 20
    assert np.abs(found.fast_xy_px - expected.fast_xy_px).max() < off_px.max() + 1


def test_no_pass_has_no_roll() -> None:
    motion = prepare(FilmedWalk().track(), SETTINGS.signals)
    same, roll = levelled(motion, [], "sagittal", LENS)
    assert same is motion and roll == CameraRoll(0.0, float("inf")) and roll_note(roll).value == 0.0


@pytest.mark.parametrize("part", ["shoulder", "hip", "ankle"])
def test_a_part_that_is_never_seen_leaves_the_roll_open(part: str) -> None:
    motion = prepare(FilmedWalk(roll_deg=3.0).track(), SETTINGS.signals)
    passes = find_passes(motion, "sagittal")
    xy_px = motion.xy_px.copy()
    xy_px[:, [INDEX[f"{side}_{part}"] for side in SIDES]] = np.nan
    assert camera_roll(replace(motion, xy_px=xy_px), passes, "sagittal", LENS) == CameraRoll(0.0, float("inf"))


def test_only_a_roll_beyond_two_standard_deviations_is_taken_out() -> None:
    """By hand: 0.5 deg with 0.2 deg is 2.5 standard deviations, 0.39 deg fewer than two."""
    assert CameraRoll(-0.5, 0.2).clear_deg == -0.5
    assert CameraRoll(0.39, 0.2).clear_deg == 0.0
    assert not roll_note(CameraRoll(-4.0, 0.2)).ok and roll_note(CameraRoll(2.9, 0.2)).ok
