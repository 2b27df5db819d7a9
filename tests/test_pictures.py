"""Heads are unrecognisable in every picture, sides are told apart without colour, files are whole."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from pipeline.heads import head_discs
from pipeline.model import LANDMARK_NAMES
from pipeline.pictures import blur_faces, blur_surroundings, save_picture, smaller_picture
from pipeline.skeleton import LINE_COLOUR, draw_skeleton
from tests.test_subject import person

WIDTH_PX, HEIGHT_PX = 640, 720
# Crown, chin, nape and brow of a standing person, over body height (common body-segment proportions, from
# memory: chin at 0.870, crown at 1; a head is about 0.13 deep). The stick figure's height is the body's.
HEAD_OUTLINE = np.array([[0.0, 1.0], [0.0, 0.87], [-0.065, 0.935], [0.065, 0.935]])


def noise(seed: int = 0) -> NDArray[np.uint8]:
    """A picture whose every pixel differs from its neighbours, so that lost detail shows."""
    return np.random.default_rng(seed).integers(0, 256, (HEIGHT_PX, WIDTH_PX, 3), dtype=np.uint8)


def facing_person(x_px: float = 320.0, height_px: float = 500.0) -> NDArray[np.float64]:
    """Landmarks of a stick figure that looks at the camera: ears 0.07 of the height apart."""
    xy_px = person(x_px, height_px, feet_px=650).xy_px.copy()
    for name, x, y in (
        ("nose", 0.0, 0.925), ("left_ear", 0.035, 0.935), ("right_ear", -0.035, 0.935),
        ("left_eye", 0.015, 0.94), ("right_eye", -0.015, 0.94), ("mouth_left", 0.012, 0.895),
        ("mouth_right", -0.012, 0.895), ("left_shoulder", 0.13, 0.818), ("right_shoulder", -0.13, 0.818),
    ):  # fmt: skip
        xy_px[LANDMARK_NAMES.index(name)] = (x_px + x * height_px, 650 - y * height_px)
    for name in ("left_eye_inner", "left_eye_outer", "right_eye_inner", "right_eye_outer"):
        xy_px[LANDMARK_NAMES.index(name)] = xy_px[LANDMARK_NAMES.index("nose")] - [0, 8]
    return xy_px


def detail(picture: NDArray[np.uint8], x_px: float, y_px: float) -> float:
    """Mean difference of neighbouring pixels in a small square; noise has about 85."""
    x, y = round(x_px), round(y_px)
    square = picture[y - 6 : y + 7, x - 6 : x + 7].astype(float)
    return float(np.abs(np.diff(square, axis=1)).mean())


@pytest.mark.parametrize("turned", [False, True])
def test_the_whole_head_loses_its_detail(turned: bool) -> None:
    """From the front and from the side, where the face landmarks lie 0.06 of the height before the ears."""
    xy_px = facing_person()
    if turned:
        for name in LANDMARK_NAMES[:7] + LANDMARK_NAMES[9:11]:
            xy_px[LANDMARK_NAMES.index(name), 0] = 320 + 0.06 * 500
        for name in ("left_ear", "right_ear", "left_shoulder", "right_shoulder"):
            xy_px[LANDMARK_NAMES.index(name), 0] = 320
    picture = noise()
    hidden = blur_faces(picture, xy_px)
    outline_px = np.array([320.0, 650.0]) + HEAD_OUTLINE * [500, -500]
    for x_px, y_px in outline_px:
        assert detail(picture, x_px, y_px) > 60
        assert detail(hidden, x_px, y_px) < 20
    # Hips, knees and feet are evidence and stay as they were.
    np.testing.assert_array_equal(hidden[400:], picture[400:])


def test_a_head_keeps_five_values_across(tmp_path: Path) -> None:
    xy_px = facing_person()
    ((centre_x, centre_y, radius),) = head_discs(xy_px)
    row = blur_faces(noise(), xy_px)[round(centre_y), round(centre_x - radius) + 1 : round(centre_x + radius)]
    changes = np.any(np.diff(row.astype(int), axis=0) != 0, axis=1).sum()
    assert changes <= 6


def test_every_head_in_the_picture_is_hidden() -> None:
    people = np.stack([facing_person(150), facing_person(480), np.full((33, 2), np.nan)])
    hidden = blur_faces(noise(), people)
    for x_px in (150, 480):
        assert detail(hidden, x_px, 650 - 0.935 * 500) < 20


def test_without_a_known_head_the_whole_picture_is_made_unrecognisable() -> None:
    hidden = blur_faces(noise(), np.full((33, 2), np.nan))
    for x_px, y_px in ((50, 50), (320, 200), (600, 700)):
        assert detail(hidden, x_px, y_px) < 20


def test_bystanders_are_blurred_and_the_limbs_stay_sharp() -> None:
    picture, xy_px = noise(), facing_person()
    shown = blur_surroundings(picture, xy_px)
    assert detail(shown, 60, 200) < 20
    assert detail(shown, 600, 200) < 20
    for name in ("left_hip", "right_knee", "left_ankle"):
        assert detail(shown, *xy_px[LANDMARK_NAMES.index(name)]) > 60
    assert detail(blur_surroundings(picture, np.full((33, 2), np.nan)), 320, 400) < 20


def test_sides_differ_by_line_and_letter_not_by_colour() -> None:
    grey = np.full((HEIGHT_PX, WIDTH_PX, 3), 128, np.uint8)
    xy_px = facing_person()
    xy_px[[i for i, name in enumerate(LANDMARK_NAMES) if name.startswith("left")], 0] += 120
    drawn = draw_skeleton(grey, xy_px, np.ones(33))
    changed = np.any(drawn != 128, axis=2)
    left, right = (xy_px[LANDMARK_NAMES.index(f"{side}_knee"), 0] for side in ("left", "right"))
    # Along the shank, between knee and ankle letters: a dashed line has gaps, a solid one has none.
    rows = slice(round(650 - 0.2 * 500), round(650 - 0.1 * 500))
    assert not changed[rows, round(left)].all() and changed[rows, round(left)].any()
    assert changed[rows, round(right)].all()
    for x_px in (left, right):
        # Antialiasing mixes a little of the dark edge in.
        difference = np.abs(drawn[rows, round(x_px)].astype(int) - LINE_COLOUR)
        assert difference.max(axis=1).min() < 12
    np.testing.assert_array_equal(grey, 128)


def test_points_below_the_limit_are_not_drawn() -> None:
    grey = np.full((HEIGHT_PX, WIDTH_PX, 3), 128, np.uint8)
    np.testing.assert_array_equal(draw_skeleton(grey, facing_person(), np.zeros(33)), grey)
    np.testing.assert_array_equal(draw_skeleton(grey, np.full((33, 2), np.nan), np.ones(33)), grey)


@pytest.mark.parametrize("ending", [".png", ".jpg"])
def test_a_saved_picture_has_the_same_colours_for_another_reader(tmp_path: Path, ending: str) -> None:
    """Outside check: Pillow reads it."""
    picture = np.zeros((48, 64, 3), np.uint8)
    picture[:, :32] = (200, 30, 10)
    save_picture(tmp_path / f"p{ending}", picture)
    with Image.open(tmp_path / f"p{ending}") as stored:
        read = np.asarray(stored.convert("RGB")).astype(int)
    assert np.abs(read - picture)[:, [5, 20, 45, 60]].max() <= (0 if ending == ".png" else 6)
    assert [path.name for path in tmp_path.iterdir()] == [f"p{ending}"]


def test_another_ending_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="the ending is"):
        save_picture(tmp_path / "p.bmp", noise())


def test_a_picture_for_paper_is_no_wider_than_asked_and_keeps_its_shape(tmp_path: Path) -> None:
    save_picture(tmp_path / "wide.jpg", noise())
    content = (tmp_path / "wide.jpg").read_bytes()
    smaller = smaller_picture(content, 320)
    assert smaller is not None
    (tmp_path / "small.jpg").write_bytes(smaller)
    with Image.open(tmp_path / "small.jpg") as image:
        assert image.size == (320, 320 * HEIGHT_PX // WIDTH_PX)
    assert smaller_picture(content, WIDTH_PX) == content
    assert smaller_picture(b"not a picture", 320) is None
    assert smaller_picture(b"", 320) is None
