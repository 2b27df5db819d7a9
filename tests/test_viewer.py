"""The viewer's clips: nobody to be recognised in them, the right pictures at the right times; the data of its page."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline import pictures
from pipeline.errors import StageError
from pipeline.legs import RightedLegs
from pipeline.model import LANDMARK_NAMES, Clip, LandmarkTrack, StrideSet
from pipeline.report import build_visit, save_parts, save_viewer_clips, viewer, viewer_clips
from pipeline.report.layout import load_layout
from pipeline.report.viewer_clips import GREY, LARGEST_CLIP, ROOM_S, make_clip, measured_frames
from pipeline.report.viewer_files import POINTS, SIZE_PX, ViewerClip, load_viewer_clip, load_viewer_index
from tests import report_fixture as fixture
from tests import viewer_fixture
from tests.clip_files import write_clip
from tests.test_report_frames import FPS, N_FRAMES, checkerboard, detail, track
from tests.walker import make_clip as clip_record

NOSE, WRIST, ANKLE = (LANDMARK_NAMES.index(name) for name in ("nose", "right_wrist", "left_ankle"))
FACE = slice(0, 11)
# Of the fixture's strides those that start between 3 and 4 s are used here: right 0.8 + 2 x 1.18 s, left 0.59 s later.
FIRST_S, LAST_S = 3.16, 3.75 + 1.18


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Clip:
    path = tmp_path_factory.mktemp("clips") / "P01-side-b.mp4"
    write_clip(path, [round(1000 * i / FPS) for i in range(N_FRAMES)], pictures=[checkerboard()] * N_FRAMES)
    return clip_record("sagittal", "P01-side-b", path=path)


def short_walk() -> StrideSet:
    """One stride of each limb in each clip."""
    strides = fixture.strides()
    table = strides.table
    return StrideSet(table.assign(use=table["use"] & table["start_s"].between(3, 4)), strides.curves)


def legs(walker: LandmarkTrack, doubtful: np.ndarray | None = None) -> RightedLegs:
    """Legs that needed nothing put right."""
    n_frames = len(walker.time_s)
    none, none_a_leg = np.zeros((n_frames, 33), dtype=bool), np.zeros((n_frames, 2), dtype=bool)
    swapped = np.zeros(n_frames, dtype=bool)
    return RightedLegs(walker, swapped, none_a_leg, none if doubtful is None else doubtful, none_a_leg, none_a_leg)


def decoded(picture: bytes) -> np.ndarray:
    """The grey values of a stored picture."""
    return cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_GRAYSCALE)


def part_about(picture: np.ndarray, place: np.ndarray, radius: int) -> np.ndarray:
    """The pixels about a place."""
    x, y = (round(float(one)) for one in place)
    return picture[max(0, y - radius) : y + radius, max(0, x - radius) : x + radius]


def head_places(made: ViewerClip, walker: LandmarkTrack) -> np.ndarray:
    """Where the head is in the stored pictures, from the shoulders of the skeleton and the body's own proportions."""
    frames = np.searchsorted(walker.time_s, made.time_s - 1e-6)
    shoulder = LANDMARK_NAMES.index("left_shoulder")
    scale = SIZE_PX[1] / (viewer_clips.HEIGHT_PER_BODY * np.ptp(walker.xy_px[frames], axis=1)[:, 1])
    offset = walker.xy_px[frames, NOSE] - walker.xy_px[frames, shoulder]
    return made.xy_px[:, POINTS.index("left_shoulder")] + offset * scale[:, None]


@pytest.fixture(scope="module")
def made(clip: Clip) -> ViewerClip:
    return make_clip(clip, legs(track()), short_walk())


# --- nobody can be recognised


def test_surroundings_are_coarse_in_every_picture_and_limbs_are_not(made):
    for picture, points in zip(map(decoded, made.pictures), made.xy_px, strict=True):
        # The clip is a chequerboard of 3 px, twice as large here.
        assert detail(picture[:, :20]) < 8 and detail(picture[:, -20:]) < 8
        assert detail(part_about(picture, points[POINTS.index("left_knee")], 15)) > 25


def sharp_surroundings(monkeypatch):
    """Leave the head's own disc alone to hide it: blurred surroundings would hide it a second time."""
    monkeypatch.setattr(pictures, "blur_surroundings", lambda image, points, whole_px: image)


def test_the_head_is_coarse_in_every_picture(clip, monkeypatch):
    sharp_surroundings(monkeypatch)
    made = make_clip(clip, legs(track()), short_walk())
    for picture, place in zip(map(decoded, made.pictures), head_places(made, track()), strict=True):
        # Inside a tile of the mosaic nothing is left of the chequerboard; beside the head it is there.
        assert detail(part_about(picture, place, 15)) < 8
        assert detail(picture[:, :20]) > 25


def test_a_head_that_is_lost_for_a_moment_stays_hidden(clip, monkeypatch):
    """In three frames the face's landmarks lie at the wrist: the head is hidden where it was before and after."""
    sharp_surroundings(monkeypatch)
    walker = track()
    wrong = walker.xy_px.copy()
    wrong[99:102, FACE] = wrong[99:102, WRIST : WRIST + 1]
    made = make_clip(clip, legs(replace(walker, xy_px=wrong)), short_walk())
    places = head_places(made, walker)
    for frame in (99, 100, 101):
        shown = int(np.argmin(np.abs(made.time_s - walker.time_s[frame])))
        assert detail(part_about(decoded(made.pictures[shown]), places[shown], 12)) < 8


def test_a_picture_that_may_not_be_stored_is_plain_grey_and_counted(clip, tmp_path):
    """Grey: 10 frames with somebody else and 2 on either side; 5 without a face and 1 on either side."""
    walker = track()
    people, lost = walker.n_people.copy(), walker.xy_px.copy()
    people[100:110] = 2
    lost[120:125, FACE] = np.nan
    spoilt = replace(walker, n_people=people, xy_px=lost)
    made = make_clip(clip, legs(spoilt), short_walk())
    assert made.is_grey.sum() == 21
    for picture, is_grey in zip(map(decoded, made.pictures), made.is_grey, strict=True):
        assert (picture.min() >= GREY - 2 and picture.max() <= GREY + 2) == is_grey
    save_parts(tmp_path, fixture.report(), short_walk())
    save_viewer_clips(tmp_path, short_walk(), [clip], {clip.clip_id: legs(spoilt)})
    page = build_visit(tmp_path, fixture.limits())[0].read_text()
    assert f"21 of {len(made.pictures)} pictures are plain grey" in page


def test_pictures_hold_nothing_but_pixels_and_equal_input_gives_equal_bytes(clip, tmp_path):
    """A WebP file (RIFF container) of one chunk of pixels, without the chunks for metadata (EXIF, XMP, ICCP)."""
    for name in ("a", "b"):
        save_viewer_clips(tmp_path / name, short_walk(), [clip], {clip.clip_id: legs(track())})
    files = {path.name: path.read_bytes() for path in (tmp_path / "a" / "frames").iterdir()}
    assert set(files) == {"viewer.json", "P01-side-b.npz"}
    for name, content in files.items():
        assert (tmp_path / "b" / "frames" / name).read_bytes() == content
    for picture in load_viewer_clip(tmp_path / "a" / "frames" / "P01-side-b.npz").pictures:
        assert picture[:4] == b"RIFF" and picture[8:16] == b"WEBPVP8 "
        size = int.from_bytes(picture[16:20], "little")
        assert len(picture) == 20 + size + size % 2


def test_nothing_is_kept_where_key_frames_are_not(tmp_path):
    save_parts(tmp_path, fixture.report(), short_walk())
    page = build_visit(tmp_path, fixture.limits())[0].read_text()
    assert load_layout().viewer.none in page and "<script" not in page and "script-src" not in page


# --- the right pictures at the right times


def test_times_are_those_of_the_frames_of_the_measured_walk(made):
    walker = track()
    inside = (walker.time_s >= FIRST_S - ROOM_S) & (walker.time_s <= LAST_S + ROOM_S)
    np.testing.assert_array_equal(made.time_s, walker.time_s[inside])
    assert len(made.pictures) == inside.sum() and made.cut_s == 0
    assert {decoded(picture).shape for picture in made.pictures} == {SIZE_PX[::-1]}


def test_of_many_frames_a_second_every_second_or_fourth_is_kept():
    for fps, every in ((25, 1), (30, 1), (60, 2), (120, 4)):
        (frames,), _ = measured_frames(np.arange(6 * fps) / fps, [(2.0, 4.0)])
        assert set(np.diff(frames)) == {every}
        assert frames[0] / fps == pytest.approx(2.0 - ROOM_S, abs=0.01)


def test_a_long_walk_is_cut_and_standing_between_walks_left_out():
    time_s = np.arange(40 * 30) / 30
    stretches, cut_s = measured_frames(time_s, [(1.0, 6.0), (10.0, 30.0)])
    assert [frames[0] / 30 for frames in stretches] == pytest.approx([1.0 - ROOM_S, 10.0 - ROOM_S], abs=0.04)
    assert stretches[1][-1] / 30 == pytest.approx(17.0 + ROOM_S, abs=0.04)
    assert cut_s == pytest.approx(13.0)
    assert measured_frames(time_s, []) == ([], 0.0)
    close, _ = measured_frames(time_s, [(1.0, 6.0), (6.2, 8.0)])
    assert len(np.unique(np.concatenate(close))) == sum(map(len, close)), "no frame twice"


def test_the_skeleton_lies_on_the_picture(tmp_path):
    """A white spot is filmed at the left ankle; it is found where the skeleton says."""
    walker = track()
    pictures = []
    for points in walker.xy_px:
        picture = np.full((360, 640, 3), 60, np.uint8)
        pictures.append(cv2.circle(picture, tuple(np.rint(points[ANKLE]).astype(int).tolist()), 5, (255,) * 3, -1))
    path = write_clip(tmp_path / "P01-side-b.mp4", [round(1000 * i / FPS) for i in range(N_FRAMES)], pictures=pictures)
    made = make_clip(clip_record("sagittal", "P01-side-b", path=path), legs(walker), short_walk())
    for picture, points in list(zip(made.pictures, made.xy_px, strict=True))[::10]:
        rows, columns = np.nonzero(decoded(picture) > 180)
        spot = np.array([columns.mean(), rows.mean()])
        # A pixel of the clip is 1.7 pixels here.
        np.testing.assert_allclose(points[POINTS.index("left_ankle")], spot, atol=2.0)


def test_a_joint_in_doubt_or_not_seen_is_not_drawn(clip):
    walker = track()
    doubtful, visibility = np.zeros((N_FRAMES, 33), dtype=bool), walker.visibility.copy()
    doubtful[:, ANKLE] = True
    visibility[:, WRIST] = 0.2
    made = make_clip(clip, legs(replace(walker, visibility=visibility), doubtful), short_walk())
    lost = np.isnan(made.xy_px).any(axis=2).all(axis=0)
    assert {name for name, gone in zip(POINTS, lost, strict=True) if gone} == {"left_ankle", "right_wrist"}


def test_a_walker_near_the_edge_and_too_near_stays_in_the_shape(clip):
    walker = track()
    for scale in (0.3, 3.0):
        near = replace(walker, xy_px=(walker.xy_px - (320, 320)) * scale + (320, 320))
        made = make_clip(clip, legs(near), short_walk())
        assert {decoded(picture).shape for picture in made.pictures} == {SIZE_PX[::-1]}


def test_a_clip_full_of_noise_still_fits(tmp_path, monkeypatch):
    monkeypatch.setattr(viewer_clips, "LARGEST_CLIP", 250_000)
    random = np.random.default_rng(3)
    files = viewer_clips._encoded([random.integers(0, 255, (*SIZE_PX[::-1], 3), dtype=np.uint8) for _ in range(5)])
    assert sum(map(len, files)) <= 250_000 < LARGEST_CLIP


def test_clips_that_cannot_be_stored_leave_their_reason(tmp_path, clip):
    gone = clip_record("sagittal", "P01-side-a", path=tmp_path / "gone.mp4")
    no_strides = fixture.strides()
    table = no_strides.table.assign(use=no_strides.table["use"] & (no_strides.table["clip_id"] != "P01-side-b"))
    walker = {"P01-side-a": legs(track()), "P01-side-b": legs(track())}
    save_viewer_clips(tmp_path, StrideSet(table, no_strides.curves), [gone, clip], walker)
    index = load_viewer_index(tmp_path)
    assert not index.files and "no such file" in index.left_out["P01-side-a"]
    assert index.left_out["P01-side-b"] == "no whole stride was measured in it."


# --- the page


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    return viewer_fixture.build(tmp_path_factory.mktemp("visit")).read_text(encoding="utf-8")


def data_of(page: str) -> dict:
    """What the page hands to its script."""
    return json.loads(re.search(r'<script type="application/json" id="viewer-data">(.*?)</script>', page, re.S)[1])


def test_only_the_viewers_own_script_may_run(page):
    scripts = re.findall(r"<script>(.*?)</script>", page, re.S)
    digest = base64.b64encode(hashlib.sha256(scripts[0].encode()).digest()).decode()
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]*)"', page)
    allowed = f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    assert policy.replace("&#39;", "'") == allowed
    assert len(scripts) == 1 and page.count("<script") == 2


def test_the_script_holds_no_words_and_names_no_address():
    """Words for a reader stand in configs/report.toml: no string of the script is a sentence."""
    script = (Path(viewer.__file__).parent / "assets" / "viewer.js").read_text(encoding="utf-8")
    assert script.startswith('"use strict";')
    assert "http" not in script and "fetch" not in script and "innerHTML" not in script and "eval" not in script
    for text in re.findall(r'"([^"\n]*)"', script)[1:]:
        assert not re.search(r"[A-Z][a-z]+ [a-z]", text), text


def test_strides_and_curves_of_the_page_are_those_of_the_visit(page):
    data, strides = data_of(page), fixture.strides()
    assert [one["name"].split(": ")[1] for one in data["clips"]] == ["P01-side-a", "P01-front"]
    assert [limb["name"] for limb in data["limbs"]] == ["prosthetic (right)", "sound (left)"]
    assert [limb["line"] for limb in data["limbs"]] == ["solid", "dashed"]
    used = strides.table[strides.table["use"] & (strides.table["clip_id"] == "P01-side-a")]
    shown = data["clips"][0]["strides"]
    assert [one["start"] for one in shown] == pytest.approx(used["start_s"].tolist(), abs=1e-4)
    assert [one["far"] for one in shown] == [side == "left" for side in used["side"]]
    for one, place in zip(shown, used.index, strict=True):
        curve = strides.curves["knee_flexion_deg"][place, ::2]
        np.testing.assert_allclose(one["curves"]["knee_flexion_deg"], curve, atol=0.051)
    assert data["curves"][0]["id"] == "knee_flexion_deg"


def test_what_is_missing_is_told(page):
    assert "Not stored: clip P01-side-b, the file cannot be read." in page
    assert "2 of 180 pictures are plain grey" in page


def test_a_page_does_not_grow_without_end(tmp_path, monkeypatch):
    monkeypatch.setattr(viewer, "LARGEST_PAGE", 70_000)
    whole = viewer_fixture.build(tmp_path).read_text(encoding="utf-8")
    assert len(data_of(whole)["clips"]) == 1
    assert re.search(r"Clip \S+ is not in this page, .* frames/\S+\.npz", whole)


def test_an_index_of_clips_cannot_reach_outside_its_folder(tmp_path):
    viewer_fixture.build(tmp_path)
    secret = tmp_path / "secret.npz"
    (tmp_path / "frames" / "P01-side-a.npz").rename(secret)
    (tmp_path / "frames" / "viewer.json").write_text('{"files": {"P01-side-a": "../secret.npz"}, "left_out": {}}')
    with pytest.raises(StageError, match=r"frames/secret\.npz: no such file"):
        build_visit(tmp_path, fixture.limits())


@pytest.mark.parametrize("content", [b"", b"not a file of arrays", b"PK\x03\x04"])
def test_a_damaged_clip_is_a_clear_error(tmp_path, content):
    path = tmp_path / "frames" / "P01-side-a.npz"
    path.parent.mkdir()
    path.write_bytes(content)
    with pytest.raises(StageError, match=r"frames/P01-side-a\.npz: cannot be read .*Run the study again"):
        load_viewer_clip(path)
