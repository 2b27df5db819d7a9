"""Body proportions: the pipeline's constants against the table of Drillis & Contini 1966 (MEMORY), and against a body.

The body is that of the clip generator, made from CC0 human data without any of these numbers.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry import (
    FOOT_OF_HEIGHT,
    HIP_TO_ANKLE_OF_HEIGHT,
    PROPORTIONS_SD,
    SHOULDER_TO_HIP_OF_HEIGHT,
    SOLE_M,
    scale_of,
)
from tests.generated_walk import skeleton
from tests.reference_tables import reference
from tests.walker import make_clip

OF_HEIGHT = reference("drillis_contini_1966").set_index(["kind", "part"])["of_height"]
HEIGHT = OF_HEIGHT["height"]
LENGTH = OF_HEIGHT["length"]
HALF_DIGIT = 0.0005


def test_the_table_agrees_with_itself() -> None:
    """By hand: ankle .039 and shank .246 make the knee's .285, and with the thigh's .245 the hip's .530."""
    assert HEIGHT["ankle"] + LENGTH["shank"] == pytest.approx(HEIGHT["knee"], abs=HALF_DIGIT)
    assert HEIGHT["knee"] + LENGTH["thigh"] == pytest.approx(HEIGHT["hip"], abs=HALF_DIGIT)


def test_the_constants_are_the_tables() -> None:
    """By hand: hip to ankle .530 - .039 = .491, thigh and shank .245 + .246 = .491; shoulder to hip .818 - .530."""
    assert pytest.approx(0.491, abs=HALF_DIGIT) == HIP_TO_ANKLE_OF_HEIGHT
    assert pytest.approx(LENGTH["thigh"] + LENGTH["shank"], abs=HALF_DIGIT) == HIP_TO_ANKLE_OF_HEIGHT
    assert pytest.approx(HEIGHT["shoulder"] - HEIGHT["hip"], abs=HALF_DIGIT) == SHOULDER_TO_HIP_OF_HEIGHT
    assert pytest.approx(LENGTH["foot"], abs=HALF_DIGIT) == FOOT_OF_HEIGHT


@pytest.mark.parametrize(("height_m", "leg_m"), [(1.60, 0.7856), (1.70, 0.8347), (1.85, 0.9084)])
def test_legs_of_people_by_hand(height_m: float, leg_m: float) -> None:
    """0.491 of 1.60, 1.70 and 1.85 m; the manifest's height is with shoes. 170 px of leg are then leg_m metres."""
    scale = scale_of(make_clip(height_m=height_m + SOLE_M), 170.0)
    assert scale is not None
    assert 170.0 * scale.m_per_px == pytest.approx(leg_m, abs=0.0002)


@pytest.mark.parametrize("build", ["man", "woman"])
def test_a_body_from_elsewhere_has_these_proportions(build: str) -> None:
    """Within two of the standard deviations that the pipeline states for one person's proportions, 5 % each."""
    rest = skeleton(1.70, build).rest_m

    def apart(one: str, other: str) -> float:
        return float(np.linalg.norm(rest[one] - rest[other])) / 1.70

    assert apart("left_hip", "left_knee") + apart("left_knee", "left_ankle") == pytest.approx(
        HIP_TO_ANKLE_OF_HEIGHT, rel=2 * PROPORTIONS_SD
    )
    trunk = float((rest["left_shoulder"] - rest["left_hip"])[2]) / 1.70
    assert trunk == pytest.approx(SHOULDER_TO_HIP_OF_HEIGHT, rel=2 * PROPORTIONS_SD)
