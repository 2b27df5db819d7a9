"""Key frames: the right moment, and no face that could be recognised."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from pipeline.heads import may_be_stored
from pipeline.model import LANDMARK_NAMES, Clip, LandmarkTrack
from pipeline.report import build_visit, save_key_frames, save_parts
from pipeline.report.frames import LARGEST_WIDTH_PX, choose_moments, crop_about, shrink
from pipeline.report.parts import load_frames
from pipeline.video import chosen_pictures
from tests import report_fixture as fixture
from tests.clip_files import write_clip
from tests.test_subject import person
from tests.walker import make_clip, make_track

SIZE_PX = (640, 360)
FPS = 30
N_FRAMES = 250
NOSE = LANDMARK_NAMES.index("nose")


def checkerboard() -> np.ndarray:
    """A picture full of fine detail, as a face is."""
    rows, columns = np.indices((SIZE_PX[1], SIZE_PX[0])) // 3
    return np.repeat((((rows + columns) % 2) * 200 + 20)[..., None], 3, axis=2).astype(np.uint8)


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Clip:
    path = tmp_path_factory.mktemp("clips") / "P01-side-b.mp4"
    write_clip(path, [round(1000 * i / FPS) for i in range(N_FRAMES)], pictures=[checkerboard()] * N_FRAMES)
    return make_clip("sagittal", "P01-side-b", path=path)


def track() -> LandmarkTrack:
    """Somebody who walks through the picture."""
    xy_px = np.array([person(150 + 340 * i / N_FRAMES, 200, feet_px=320).xy_px for i in range(N_FRAMES)])
    return make_track(np.arange(N_FRAMES) / FPS, xy_px)


def only_vaulting():
    report = fixture.report()
    return replace(report, faults=tuple(fault for fault in report.faults if fault.name == "vaulting"))


def detail(picture: np.ndarray) -> float:
    """Mean difference between neighbouring pixels: high in fine detail. [grey levels]"""
    return float(np.abs(np.diff(picture.astype(float), axis=1)).mean())


def store(folder: Path, clip: Clip, walker: LandmarkTrack):
    save_key_frames(folder, only_vaulting(), fixture.strides(), [clip], {clip.clip_id: walker}, limits=fixture.limits())
    return load_frames(folder)


def test_frames_lie_in_the_phase_of_the_most_typical_stride(tmp_path, clip):
    index = store(tmp_path, clip, track())
    assert len(index.frames) == 5 and not index.left_out
    # Sound (left) strides of the clip start at 0.8 + 0.59 + 1.18 n and last 1.18 s; the phase is 10 to 50 %.
    # Their values are 2.1, 2.63, 3.17 and 3.7, median 2.9: strides 2 and 3 are equally near.
    start_s = 0.8 + 0.59 + 1.18 * 2
    assert {frame.stride_id for frame in index.frames} == {"P01-side-b:left:1.2"}
    for frame, percent in zip(index.frames, (10, 20, 30, 40, 50), strict=True):
        assert frame.time_s == pytest.approx(start_s + percent / 100 * 1.18, abs=0.5 / FPS)
        assert (tmp_path / "frames" / frame.file).is_file()


def test_no_stored_picture_has_a_recognisable_head_or_bystander(tmp_path, clip):
    """Detail of the walker's head, and of the picture's edge where a bystander may stand, against the clip's own."""
    walker = track()
    index = store(tmp_path, clip, walker)
    for frame in index.frames:
        picture = np.asarray(Image.open(tmp_path / "frames" / frame.file).convert("L"))
        number = int(np.argmin(np.abs(walker.time_s - frame.time_s)))
        points = walker.xy_px[number]
        centre = (points.min(axis=0) + points.max(axis=0)) / 2
        # The person is in the middle of the picture, 3 % below its centre (see crop_about).
        nose_x = round(picture.shape[1] / 2 + points[NOSE, 0] - centre[0])
        nose_y = round(0.53 * picture.shape[0] + points[NOSE, 1] - centre[1])
        head = picture[nose_y - 12 : nose_y + 12, nose_x - 12 : nose_x + 12]
        beside = picture[nose_y - 12 : nose_y + 12, 2:26]
        source = cv2.cvtColor(dict(chosen_pictures(clip.path, [number], item="clip"))[number], cv2.COLOR_RGB2GRAY)
        left, top = np.round(points[NOSE]).astype(int) - 12
        own = detail(source[top : top + 24, left : left + 24])
        assert detail(head) < 0.2 * own
        assert detail(beside) < 0.2 * own


def test_a_frame_with_a_second_person_or_without_a_head_is_not_stored(tmp_path, clip):
    walker = track()
    n_people = walker.n_people.copy()
    n_people[:] = 2
    index = store(tmp_path / "two", clip, replace(walker, n_people=n_people))
    assert not index.frames
    assert index.left_out["vaulting"].startswith("5 of 5 pictures, because the head was not found")
    assert not list((tmp_path / "two" / "frames").glob("*.jpg"))
    headless = walker.xy_px.copy()
    headless[:, :11] = np.nan
    assert not store(tmp_path / "headless", clip, replace(walker, xy_px=headless)).frames
    nobody = walker.n_people.copy()
    nobody[3] = 0
    assert not may_be_stored(replace(walker, n_people=nobody), 3)


def test_another_stride_is_shown_when_the_most_typical_one_may_not_be(clip):
    walker = track()
    n_people = walker.n_people.copy()
    # The second stride, 3.75 to 4.93 s, but for its end: frames beside one with somebody else are left out too.
    n_people[110:145] = 2
    fault = only_vaulting().faults[0]
    definition = next(one for one in fixture.limits().faults if one.name == "vaulting")
    chosen = choose_moments(
        fault,
        definition,
        only_vaulting(),
        fixture.strides(),
        {clip.clip_id: replace(walker, n_people=n_people)},
    )
    assert chosen is not None
    assert (chosen.stride_id, len(chosen.moments), chosen.left_out) == ("P01-side-b:left:1.3", 5, 0)


def test_a_clip_that_is_gone_leaves_its_reason_and_the_pages_show_it(tmp_path, clip):
    save_parts(tmp_path, only_vaulting(), fixture.strides())
    index = store(tmp_path, replace(clip, path=tmp_path / "gone.mp4"), track())
    assert not index.frames
    assert index.left_out["vaulting"] == (
        "clip P01-side-b: no such file; expected a video file. Check the file's path in the manifest."
    )
    build_visit(tmp_path, fixture.limits())
    assert "No key frames are stored: clip P01-side-b: no such file" in (tmp_path / "visit.html").read_text()


def test_the_pages_show_the_stored_frames(tmp_path, clip):
    save_parts(tmp_path, only_vaulting(), fixture.strides())
    store(tmp_path, clip, track())
    build_visit(tmp_path, fixture.limits())
    assert (tmp_path / "fault-vaulting.html").read_text().count('src="data:image/jpeg;base64,') == 5


def test_the_same_clip_gives_the_same_pictures(tmp_path, clip):
    for name in ("a", "b"):
        store(tmp_path / name, clip, track())
    for path in sorted((tmp_path / "a" / "frames").iterdir()):
        assert path.read_bytes() == (tmp_path / "b" / "frames" / path.name).read_bytes()


def test_large_pictures_are_made_smaller_by_averaging_blocks():
    picture = np.zeros((40, LARGEST_WIDTH_PX + 2, 3), np.uint8)
    picture[:, ::2] = 100
    small = shrink(picture, LARGEST_WIDTH_PX)
    assert small.shape == (20, LARGEST_WIDTH_PX // 2 + 1, 3)
    assert (small == 50).all()
    assert shrink(small, LARGEST_WIDTH_PX) is small


@pytest.mark.parametrize("centre_px", [(10, 10), (320, 180), (639, 359)])
def test_a_crop_keeps_its_size_at_the_edge_of_the_picture(centre_px):
    points = np.array(centre_px) + np.array([[-5.0, -40.0], [5.0, 40.0]])
    assert crop_about(checkerboard(), points, 104.0).shape == (104, 78, 3)
