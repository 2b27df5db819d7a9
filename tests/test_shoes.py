"""The direction of feet from pictures: boxes for shoes, seen by a pinhole camera on a floor with noise.

Expected values are worked out here from the box and the camera, not from the module.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.config import load_settings
from pipeline.errors import StageError
from pipeline.geometry import lens_of
from pipeline.model import SIDES, FloatArray, LandmarkTrack, Pass
from pipeline.motion import prepare
from pipeline.shoe_shape import (
    ShoeTrack,
    direction_by_shoe_deg,
    level_by_shoe_deg,
    shoe_notes,
    track_shoes,
    without_odd_stances,
    without_wrong_edges,
)
from pipeline.shoes import Shoes, load_shoes, save_shoes, trace_shoes
from pipeline.video import Frame
from tests.walker import INDEX, make_track

# A camera 1.2 m above the floor; a body of 1.7 m with its hips and shoulders at 0.530 and 0.818 of it
# (drillis_contini_1966, typed again from memory).
WIDTH_PX, HEIGHT_PX, FOCAL_PX, CAMERA_M, BODY_M = 480, 560, 700.0, 1.2, 1.7
HIP_M, SHOULDER_M, ANKLE_M = 0.530 * BODY_M, 0.818 * BODY_M, 0.07
# A shoe: heel 0.06 behind the ankle, toe end 0.19 ahead, 0.10 wide, 0.07 high.
HEEL_M, TOE_M, HALF_WIDTH_M, SHOE_M = -0.06, 0.19, 0.05, 0.07
FEET_M = {"left": 0.10, "right": -0.10}
FLOOR = np.array([130.0, 128.0, 120.0])
BLUE = np.array([40.0, 60.0, 150.0])


def projected(points_m: FloatArray) -> FloatArray:
    """Points (..., 3), to the walker's left, up, and distance from the camera, as seen from the front. [px]"""
    left, up, away = np.moveaxis(points_m, -1, 0)
    return np.stack([WIDTH_PX / 2 + FOCAL_PX * left / away, HEIGHT_PX / 2 + FOCAL_PX * (CAMERA_M - up) / away], -1)


def box_px(place_m: float, away_m: float, direction_deg: float, pitch_deg: float, outward: int) -> FloatArray:
    """The eight corners of a shoe, toes up by the pitch about the heel, turned outward. [px]"""
    turn, pitch = np.radians([direction_deg, pitch_deg])
    corners = np.array([[x, y, z] for x in (HEEL_M, TOE_M) for y in (-1, 1) for z in (0.0, SHOE_M)])
    ahead = HEEL_M + (corners[:, 0] - HEEL_M) * np.cos(pitch) - corners[:, 2] * np.sin(pitch)
    up = (corners[:, 0] - HEEL_M) * np.sin(pitch) + corners[:, 2] * np.cos(pitch)
    out = ahead * np.sin(turn) + HALF_WIDTH_M * corners[:, 1] * np.cos(turn)
    forward = ahead * np.cos(turn) - HALF_WIDTH_M * corners[:, 1] * np.sin(turn)
    return projected(np.stack([place_m + outward * out, up, away_m - forward], axis=1))


def fill(picture: FloatArray, corners_px: FloatArray, colour: NDArray[np.float64]) -> None:
    """Paint the convex hull of some corners: the pixels inside all half planes that hold every corner."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    inside = np.ones(picture.shape[:2], dtype=bool)
    for a in corners_px:
        for b in corners_px:
            side = (b[0] - a[0]) * (corners_px[:, 1] - a[1]) - (b[1] - a[1]) * (corners_px[:, 0] - a[0])
            if np.any(a != b) and (side >= -1e-9).all():
                inside &= (b[0] - a[0]) * (y - a[1]) - (b[1] - a[1]) * (x - a[0]) >= 0
    picture[inside] = colour


def walk_track(away_m: FloatArray, *, beside_m: float = 0.0, standing_m: FloatArray | None = None) -> LandmarkTrack:
    """Landmarks of somebody who comes closer; feet at `standing_m` where given, else under the hips."""
    feet_m = away_m if standing_m is None else standing_m
    xy = np.empty((len(away_m), 33, 2))
    for name, i in INDEX.items():
        side = 0.15 * (name.startswith("left") - name.startswith("right")) + beside_m
        low = name.endswith(("ankle", "heel", "foot_index"))
        side = FEET_M["left" if name.startswith("left") else "right"] + beside_m if low else side
        up = ANKLE_M if name.endswith("ankle") else 0.02 if low else HIP_M if name.endswith("hip") else SHOULDER_M
        up = 0.5 if name.endswith("knee") else up
        away = feet_m - (TOE_M - 0.03 if name.endswith("foot_index") else 0.0) if low else away_m
        xy[:, i] = projected(np.stack([np.full_like(away, side), np.full_like(away, up), away], axis=1))
    time_s = np.arange(len(away_m)) / 30.0
    return replace(make_track(time_s, xy), width_px=WIDTH_PX, height_px=HEIGHT_PX)


def filmed(
    away_m: FloatArray, direction_deg: float, pitch_deg: float, light: Callable[[FloatArray], FloatArray] | None = None
) -> list[NDArray[np.uint8]]:
    """Pictures of two shoes that come closer, with noise of 2 levels; `light` is the floor's share about a foot."""
    pictures = []
    for number, away in enumerate(away_m):
        picture = np.broadcast_to(FLOOR, (HEIGHT_PX, WIDTH_PX, 3)).copy()
        for side in SIDES if np.isfinite(away) else ():
            centre = projected(np.array([FEET_M[side], 0.0, away - 0.05]))
            if light is not None:
                y, x = np.mgrid[:HEIGHT_PX, :WIDTH_PX]
                picture *= light(np.hypot(x - centre[0], 3 * (y - centre[1])) * away / FOCAL_PX)[:, :, None]
        for side in SIDES if np.isfinite(away) else ():
            outward = 1 if side == "left" else -1
            fill(picture, box_px(FEET_M[side], away, direction_deg, pitch_deg, outward), BLUE)
        noise = np.random.default_rng(number).normal(0.0, 2.0, picture.shape)
        pictures.append(np.clip(picture + noise, 0, 255).astype(np.uint8))
    return pictures


def traced(pictures: list[NDArray[np.uint8]], track: LandmarkTrack) -> Shoes:
    def frames() -> Iterable[Frame]:
        return (Frame(number, number / 30.0, picture) for number, picture in enumerate(pictures))

    return trace_shoes(frames, track)


# Before the walk the room is empty.
AWAY_M = np.concatenate([np.full(8, np.nan), np.linspace(7.0, 4.0, 16)])


def corner_reach(direction_deg: float, pitch_deg: float) -> FloatArray:
    """The furthest corner outward of the ankle over the body's height, by the camera's own geometry."""
    reach = []
    for away in AWAY_M:
        corner_px = box_px(FEET_M["left"], away, direction_deg, pitch_deg, 1)[:, 0].max()
        ankle_px = projected(np.array([FEET_M["left"], ANKLE_M, away]))[0]
        reach.append((corner_px - ankle_px) / (FOCAL_PX * BODY_M / away))
    return np.array(reach)


@pytest.mark.parametrize(("direction_deg", "pitch_deg"), [(0.0, 0.0), (20.0, 0.0), (20.0, 18.0), (-10.0, 0.0)])
def test_the_outer_edge_is_that_of_the_box(direction_deg: float, pitch_deg: float) -> None:
    shoes = traced(filmed(AWAY_M, direction_deg, pitch_deg), walk_track(AWAY_M))
    off = shoes.reach - corner_reach(direction_deg, pitch_deg)[:, None]
    assert np.isfinite(off[8:]).all()
    # Half a pixel of 500 m / px at 5 m: 0.004 of the height is 2 deg.
    assert np.abs(np.nanmedian(off, axis=0)).max() < 0.004


def test_a_soft_shadow_is_no_shoe() -> None:
    def light(away_m: FloatArray) -> FloatArray:
        return np.asarray(1.0 - 0.6 * np.exp(-((away_m / 0.2) ** 2)))

    shoes = traced(filmed(AWAY_M, 15.0, 0.0, light), walk_track(AWAY_M))
    off = shoes.reach - corner_reach(15.0, 0.0)[:, None]
    assert np.abs(np.nanmedian(off, axis=0)).max() < 0.006


def test_without_a_walker_nothing_is_known() -> None:
    track = walk_track(AWAY_M)
    track.xy_px[:] = np.nan
    assert np.isnan(traced(filmed(AWAY_M, 0.0, 0.0), track).reach).all()


def test_what_was_saved_comes_back(tmp_path: Path) -> None:
    shoes = Shoes(np.arange(3) / 30, np.array([[0.03, np.nan], [0.04, 0.05], [0.0, -0.01]]), np.array([0.3, 0.7]))
    save_shoes(tmp_path / "shoes.npz", shoes)
    loaded = load_shoes(tmp_path / "shoes.npz")
    assert loaded.reach == pytest.approx(shoes.reach, abs=1e-6, nan_ok=True)
    assert loaded.time_s == pytest.approx(shoes.time_s)
    assert loaded.lost_share == pytest.approx(shoes.lost_share)


def test_missing_and_damaged_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(StageError, match="no such file"):
        load_shoes(tmp_path / "shoes.npz")
    (tmp_path / "shoes.npz").write_bytes(b"not an archive")
    with pytest.raises(StageError, match="cannot be read"):
        load_shoes(tmp_path / "shoes.npz")


def test_direction_by_hand() -> None:
    """0.0315 + 0.110 sin(30 deg) = 0.0865; the camera sees the foot 4 deg too far inward."""
    shoe = ShoeTrack(np.array([0.0315, 0.0865, np.nan]), np.full(3, 4.0), trusted=True, lost=False)
    assert direction_by_shoe_deg(np.zeros(3), shoe) == pytest.approx([4.0, 34.0, np.nan], nan_ok=True)


def test_without_a_trusted_shoe_landmarks_speak_unless_lost() -> None:
    shoe = ShoeTrack(np.full(2, 0.05), np.full(2, -3.0), trusted=False, lost=False)
    assert direction_by_shoe_deg(np.array([10.0, 20.0]), shoe) == pytest.approx([7.0, 17.0])
    lost = replace(shoe, lost=True)
    assert np.isnan(direction_by_shoe_deg(np.array([10.0, 20.0]), lost)).all()
    assert [note.value for note in shoe_notes({"left": shoe, "right": replace(shoe, trusted=True)})] == [1.0]
    assert shoe_notes({}) == ()


def test_the_level_is_not_read_against_a_lost_ankle() -> None:
    """The turn between frames stays: only the level of a lost foot is unknown."""
    shoe = ShoeTrack(np.array([0.0315, 0.0865]), np.zeros(2), trusted=True, lost=False)
    direction_deg = direction_by_shoe_deg(np.zeros(2), shoe)
    assert level_by_shoe_deg(direction_deg, shoe) == pytest.approx([0.0, 30.0])
    assert np.isnan(level_by_shoe_deg(direction_deg, replace(shoe, lost=True))).all()
    assert direction_by_shoe_deg(np.zeros(2), replace(shoe, lost=True)) == pytest.approx([0.0, 30.0])


def test_a_single_wrong_edge_goes() -> None:
    time_s = np.arange(7) / 30
    reach = np.array([0.03, 0.03, 0.04, 0.13, 0.06, 0.07, 0.08])
    kept = without_wrong_edges(reach, time_s)
    assert np.isnan(kept).tolist() == [False, False, False, True, False, False, False]


def test_a_stance_unlike_the_others_goes_with_its_swing() -> None:
    stands = np.tile(np.repeat([False, True], 12), 4)
    reach = np.full(96, 0.04)
    reach[48:72] = 0.07
    kept = without_odd_stances(reach, stands, 30.0)
    assert np.flatnonzero(np.isnan(kept)).tolist() == list(range(48, 72))
    assert without_odd_stances(np.full(96, 0.07), stands, 30.0) == pytest.approx(np.full(96, 0.07))


def test_a_walk_beside_the_camera_turns_what_is_seen() -> None:
    """A left foot 0.6 m to the walker's left of the camera, 4 m away: seen atan(0.6 / 4) = 8.5 deg too far outward."""
    away_m = np.linspace(8.0, 3.0, 150)
    settings = load_settings()
    standing_m = np.repeat(away_m[12::25], 25)
    track = walk_track(away_m, beside_m=0.5, standing_m=standing_m)
    motion, lens = prepare(track, settings.signals), replace(lens_of(track, 1.0), focal_px=FOCAL_PX)
    shoes = Shoes(track.time_s, np.full((150, 2), 0.04), np.zeros(2))
    found = track_shoes(shoes, motion, [Pass(0, 150, 1, None)], lens)
    frame = int(np.argmin(np.abs(standing_m - 4.0)))
    expected_deg = -np.degrees(np.arctan((0.5 + FEET_M["left"]) / standing_m[frame]))
    assert found["left"].seen_turned_deg[frame] == pytest.approx(expected_deg, abs=1.0)
    assert found["right"].seen_turned_deg[frame] == pytest.approx(
        np.degrees(np.arctan((0.5 + FEET_M["right"]) / standing_m[frame])), abs=1.0
    )
    assert found["left"].trusted
    assert not found["left"].lost


def test_a_shoe_whose_edge_jumps_is_not_trusted() -> None:
    away_m = np.linspace(8.0, 3.0, 150)
    track = walk_track(away_m, standing_m=np.repeat(away_m[12::25], 25))
    motion = prepare(track, load_settings().signals)
    jumping = np.where(np.arange(150) % 2 == 0, 0.02, 0.055)
    shoes = Shoes(track.time_s, np.stack([jumping, np.full(150, np.nan)], axis=1), np.array([0.3, 0.7]))
    found = track_shoes(shoes, motion, [Pass(0, 150, 1, None)], lens_of(track, 1.0))
    assert [found[side].trusted for side in SIDES] == [False, False]
    assert [found[side].lost for side in SIDES] == [False, True]
