"""Camera angle and view from landmarks, on people walked through OpenCV's own camera model."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from pipeline.model import VIEWS, FloatArray, LandmarkTrack, View
from pipeline.walkway import WalkerPath, body_size_px, far_side, view_signs, walker_path
from tests.walker import INDEX, Walker, make_track

FOCAL_PX = 960.0
CAMERA = np.array([[FOCAL_PX, 0, 640], [0, FOCAL_PX, 360], [0, 0, 1]])
HEIGHT_M = 1.7
# Heights over body height: those of the pipeline's source for segment lengths, typed again; head from memory.
UP = {"shoulder": 0.818, "hip": 0.530, "knee": 0.285, "ankle": 0.039, "heel": 0.0, "foot_index": 0.0}
WIDTH = {"shoulder": 0.21, "hip": 0.11, "knee": 0.11, "ankle": 0.11, "heel": 0.11, "foot_index": 0.11}


def filmed(walk_deg: float, *, length_m: float = 4.0, distance_m: float = 4.5, n_frames: int = 24) -> LandmarkTrack:
    """A stiff person who walks along a line through the point at the given distance ahead of the camera.

    The walk's direction, seen from above: 0 to the right of the picture, 90 away from the camera, -90 towards it.
    """
    turn = np.radians(walk_deg)
    ahead, left = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    xy_px = np.empty((n_frames, 33, 2))
    for frame, along_m in enumerate(np.linspace(-length_m / 2, length_m / 2, n_frames)):
        body = np.zeros((33, 3))
        place = np.array([0.0, distance_m]) + along_m * ahead
        body[:, [0, 2]], body[:, 1] = place, 0.9 - 0.93 * HEIGHT_M
        for part, height in UP.items():
            for side, sign in (("left", 1), ("right", -1)):
                point = place + sign * WIDTH[part] / 2 * HEIGHT_M * left
                body[INDEX[f"{side}_{part}"]] = point[0], 0.9 - height * HEIGHT_M, point[1]
        xy_px[frame] = cv2.projectPoints(body, np.zeros(3), np.zeros(3), CAMERA, None)[0][:, 0]
    return make_track(np.linspace(0.0, 4.0, n_frames), xy_px)


def path_of(track: LandmarkTrack) -> WalkerPath:
    path = walker_path(track, FOCAL_PX)
    assert path is not None
    return path


@pytest.mark.parametrize("walk_deg", [-75, -25, -10, 0, 5, 15, 30, 45, 75])
def test_angle_of_the_path_is_the_one_that_was_walked(walk_deg: float) -> None:
    assert path_of(filmed(walk_deg)).angle_deg == pytest.approx(walk_deg, abs=1.0)


def test_straight_along_the_line_of_sight_is_neither_left_nor_right() -> None:
    assert abs(path_of(filmed(90.0)).angle_deg) == pytest.approx(90.0, abs=1.0)


@pytest.mark.parametrize("turned_deg", [165, 190, -95])
def test_the_other_way_is_the_same_path(turned_deg: float) -> None:
    expected = {165: -15, 190: 10, -95: 85}[int(turned_deg)]
    assert path_of(filmed(turned_deg)).angle_deg == pytest.approx(expected, abs=1.0)


def test_angle_stands_jitter_and_a_slip_of_the_estimator() -> None:
    track = filmed(12.0)
    noise = np.random.default_rng(7).normal(0.0, 4.0, track.xy_px.shape)
    xy_px = track.xy_px + noise
    xy_px[5] = xy_px[20] + 200.0
    xy_px[9] *= 0.4
    assert path_of(replace(track, xy_px=xy_px)).angle_deg == pytest.approx(12.0, abs=3.0)


def test_a_longer_lens_than_assumed_hides_some_of_the_angle() -> None:
    path = walker_path(filmed(15.0), FOCAL_PX / 2)
    assert path is not None and path.angle_deg == pytest.approx(
        np.degrees(np.arctan(np.tan(np.radians(15)) / 2)), abs=1
    )


def test_body_size_does_not_depend_on_the_swing_of_the_legs() -> None:
    """Sagittal stick walker: leg 1 and trunk 0.6 legs of 200 px; over (0.288 + 0.491) of the height."""
    size_px = body_size_px(Walker(hip_peak_legs={"left": 0.0, "right": 0.0}).track().xy_px)
    # From hip (1.0) to ankle (0.08), straight: 0.92 legs when upright, longer with the leg stretched out.
    assert size_px.min() == pytest.approx(200 * (0.6 + 0.92) / 0.779, rel=0.02)


def test_standing_or_a_treadmill_has_no_path() -> None:
    assert walker_path(filmed(0.0, length_m=0.5), FOCAL_PX) is None


def test_nobody_has_no_path_and_no_view() -> None:
    track = filmed(0.0)
    empty = replace(track, xy_px=np.full_like(track.xy_px, np.nan))
    assert walker_path(empty, FOCAL_PX) is None
    signs = view_signs(empty, None)
    assert all(signs.against(view) == () for view in VIEWS)


WALKS: dict[View, float] = {"sagittal": 0.0, "anterior": -90.0, "posterior": 90.0}


@pytest.mark.parametrize("filmed_view", VIEWS)
@pytest.mark.parametrize("named", VIEWS)
def test_each_view_contradicts_the_others_twice_and_itself_never(filmed_view: View, named: View) -> None:
    track = filmed(WALKS[filmed_view], length_m=3.0)
    signs = view_signs(track, walker_path(track, FOCAL_PX))
    assert signs.found() == filmed_view
    assert len(signs.against(named)) == (0 if named == filmed_view else 2)


def test_signs_are_told_in_words() -> None:
    track = filmed(-90.0, length_m=3.0)
    signs = view_signs(track, walker_path(track, FOCAL_PX))
    # Shoulders 0.21 over trunk 0.288 of the height.
    assert signs.shoulders == pytest.approx(0.21 / 0.288, rel=0.02)
    assert signs.against("sagittal") == (
        "the shoulders are wide (0.73 of the trunk's length)",
        "the walker goes along the line of sight",
    )
    assert signs.against("posterior") == ("the walker comes closer", "the walker shows the front")


def test_backwards_is_one_sign_and_not_beyond_doubt() -> None:
    track = filmed(-90.0, length_m=3.0)
    backwards = replace(track, xy_px=track.xy_px[::-1])
    signs = view_signs(backwards, walker_path(backwards, FOCAL_PX))
    assert signs.against("anterior") == ("the walker goes away",)
    assert signs.against("posterior") == ("the walker shows the front",)


def test_a_yaw_of_15_deg_contradicts_no_side_view() -> None:
    track = filmed(15.0)
    signs = view_signs(track, walker_path(track, FOCAL_PX))
    assert signs.against("sagittal") == ()


def test_to_and_fro_towards_the_camera_has_no_single_heading() -> None:
    track = filmed(-90.0, length_m=3.0)
    both: FloatArray = np.concatenate([track.xy_px, track.xy_px[::-1]])
    signs = view_signs(again := make_track(np.linspace(0, 8, len(both)), both), walker_path(again, FOCAL_PX))
    assert (signs.path, signs.heading) == ("end", None)


def test_far_side_follows_the_direction_of_a_side_view() -> None:
    assert far_side("sagittal", path_of(filmed(0.0))) == "left"
    assert far_side("sagittal", path_of(filmed(180.0))) == "right"
    assert far_side("anterior", path_of(filmed(-90.0))) is None
    assert far_side("sagittal", None) is None
