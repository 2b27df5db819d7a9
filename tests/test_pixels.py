"""Sharpness and light about the walker, on made pictures whose blur and brightness are known."""

from __future__ import annotations

from math import erf, sqrt

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.model import FloatArray
from pipeline.pixels import blur_px, luma, picture_facts, sample_numbers
from tests.walker import INDEX

HEIGHT_PX = 400.0


def standing(scale: float = 1.0) -> FloatArray:
    """A person of 400 px who stands straight at x = 150 px; all landmarks on one upright line."""
    xy_px = np.empty((33, 2))
    xy_px[:, 0] = 150.0
    xy_px[:, 1] = 30.0
    heights = {"shoulder": 100, "hip": 215, "knee": 320, "ankle": 420, "heel": 430, "foot_index": 430}
    for part, y_px in heights.items():
        for side in ("left", "right"):
            xy_px[INDEX[f"{side}_{part}"], 1] = y_px
    return xy_px * scale


def picture(
    *, sigma_px: float = 0.0, dark: float = 60.0, light: float = 180.0, scale: float = 1.0
) -> NDArray[np.uint8]:
    """A light bar of 30 px, the person, on dark ground, blurred by OpenCV (not by what the measure uses)."""
    grey = np.full((int(470 * scale), int(300 * scale)), dark)
    grey[:, int(135 * scale) : int(165 * scale)] = light
    if sigma_px > 0:
        grey = cv2.GaussianBlur(grey, (0, 0), sigmaX=sigma_px)
    return np.rint(grey).astype(np.uint8)


@pytest.mark.parametrize("sigma_px", [1.0, 2.0, 4.0])
def test_blur_is_the_sigma_by_which_the_picture_was_blurred(sigma_px: float) -> None:
    # A tenth: eight-bit steps, the pixel's own width (0.3 px) and the bar's other edge.
    assert blur_px(picture(sigma_px=sigma_px), standing(), HEIGHT_PX) == pytest.approx(sigma_px, rel=0.1)


def test_blur_does_not_depend_on_contrast_or_on_which_side_is_light() -> None:
    strong = blur_px(picture(sigma_px=2.0), standing(), HEIGHT_PX)
    weak = blur_px(picture(sigma_px=2.0, dark=100.0, light=140.0), standing(), HEIGHT_PX)
    dark = blur_px(picture(sigma_px=2.0, dark=180.0, light=60.0), standing(), HEIGHT_PX)
    assert weak == pytest.approx(strong, rel=0.1)
    assert dark == pytest.approx(strong, rel=0.02)


def test_smear_of_a_moving_person_by_its_formula() -> None:
    """Smeared evenly over w px and blurred by s, an edge has the slope erf(w / (2 sqrt(2) s)) / w in the middle."""
    width_px, weak_px, strong_px = 13, 1.0, 4.0
    ratio = erf(width_px / (2 * sqrt(2) * weak_px)) / erf(width_px / (2 * sqrt(2) * strong_px))
    expected_px = sqrt((strong_px**2 - ratio**2 * weak_px**2) / (ratio**2 - 1))
    smeared = cv2.blur(picture(), (width_px, 1))
    assert blur_px(smeared, standing(), HEIGHT_PX) == pytest.approx(expected_px, rel=0.1)
    # About twice the standard deviation of the smear: it counts more than a blur of the lens.
    assert 1.5 < expected_px / (width_px / sqrt(12)) < 2.5


def test_share_of_the_body_is_the_same_at_twice_the_size() -> None:
    one = picture_facts([(picture(sigma_px=2.0), standing())])
    two = picture_facts([(picture(sigma_px=4.0, scale=2.0), standing(2.0))])
    # 2 px of 400 px.
    assert one.blur_pct == pytest.approx(0.5, rel=0.1)
    assert two.blur_pct == pytest.approx(one.blur_pct, rel=0.1)


def test_a_sharp_background_away_from_the_person_changes_nothing() -> None:
    blurred = picture(sigma_px=3.0)
    blurred[:, ::7][:, 30:] = 255
    blurred[:, :90:7] = 255
    assert blur_px(blurred, standing(), HEIGHT_PX) == pytest.approx(3.0, rel=0.1)


def test_no_edge_gives_no_blur() -> None:
    flat = np.full((470, 300), 90, np.uint8)
    assert np.isnan(blur_px(flat, standing(), HEIGHT_PX))


def test_brightness_and_contrast_by_hand() -> None:
    """A quarter of the rows at 51, the rest at 204: mean (51 + 3 * 204) / 4 / 255 = 0.65, contrast 153 / 255 = 0.6."""
    grey = np.full((400, 300), 204, np.uint8)
    grey[:100] = 51
    facts = picture_facts([(grey, np.full((33, 2), np.nan))])
    assert facts.brightness == pytest.approx(0.65)
    assert facts.contrast == pytest.approx(0.6)
    assert np.isnan(facts.blur_pct)


def test_only_the_walkers_surroundings_count_for_light() -> None:
    grey = picture(dark=51.0, light=51.0)
    grey[:, 200:] = 255
    facts = picture_facts([(grey, standing())])
    assert facts.brightness == pytest.approx(0.2)
    assert facts.contrast == 0.0


def test_medians_leave_out_pictures_without_the_walker() -> None:
    blank = (np.zeros((470, 300), np.uint8), np.full((33, 2), np.nan))
    facts = picture_facts([(picture(sigma_px=2.0), standing()), blank, (picture(sigma_px=2.0), standing())])
    assert facts.blur_pct == pytest.approx(0.5, rel=0.1)


def test_nothing_to_look_at() -> None:
    assert np.isnan(picture_facts([]).brightness)


def test_luma_of_the_primary_colours() -> None:
    # ITU-R BT.601: 0.299, 0.587, 0.114 of 255 (from memory; OpenCV's grey conversion documents the same weights).
    image = np.zeros((1, 4, 3), np.uint8)
    image[0, 0, 0] = image[0, 1, 1] = image[0, 2, 2] = 255
    image[0, 3] = 200
    assert luma(image).tolist() == [[76, 150, 29, 200]]
    assert luma(image).tolist() == cv2.cvtColor(image, cv2.COLOR_RGB2GRAY).tolist()


def test_frames_looked_at_reach_from_the_first_to_the_last() -> None:
    numbers = sample_numbers(1000)
    assert (len(numbers), numbers[0], numbers[-1]) == (24, 0, 999)
    assert max(np.diff(numbers)) - min(np.diff(numbers)) <= 1
    assert sample_numbers(5) == [0, 1, 2, 3, 4]
    assert sample_numbers(0) == []
