"""The benchmark set: what is drawn, how it is filmed, and that a clip and its truth fit together."""

from __future__ import annotations

import csv
import functools
import itertools
import json
from dataclasses import asdict, replace

import av
import cv2
import numpy as np
import pytest
from generator import variety
from generator.body import Look, load_body
from generator.clip import ClipSpec, make_clip
from generator.conditions import RANGES, Bystander, Conditions
from generator.draws import HEIGHTS_M, SPEEDS_M_S, draw_spec, part_of
from generator.filming import camera_of, visible_way_m
from generator.frames import render_filmed, shutter_moments
from generator.props import stick_places
from generator.scene import VIEWS, place_pose, project
from generator.settings import WalkerSettings
from generator.skeleton import joint_positions
from generator.variety import clip_specs, make_set
from generator.wardrobe import Dress

from pipeline.bench.clip_set import ensure_set, truth_path
from pipeline.errors import StageError
from pipeline.manifest import read_manifest

SMALL = Conditions(
    frame_rate_hz=25, width_px=640, height_px=360, longest_s=1.0, shutter_share=0.5, occluder="bars", yaw_deg=9.0,
    roll_deg=-2.5, light="dim", crf=28, dress=Dress(girth=1.1, skin="dark"),
    bystander=Bystander(posture="sitting", place_m=(1.0, 1.3), facing_deg=-90.0, look=Look(), dress=Dress()),
)  # fmt: skip


@functools.cache
def drawn():
    """Sixty draws of one seed: the first of each clip that fits the picture."""
    specs = []
    for index in range(60):
        for attempt in itertools.count():
            try:
                specs.append(draw_spec(11, index, attempt))
            except ValueError:
                continue
            break
    return specs


def small_spec(**changes):
    """A short clip of a walk with a pylon."""
    settings = WalkerSettings(prosthetic_side="left", seed=3)
    look = Look(build="woman", height_m=1.6, limb="thick_pylon", prosthetic_side="left")
    return ClipSpec(look=look, settings=settings, view="sagittal", conditions=replace(SMALL, **changes))


def test_the_same_seed_gives_the_same_specs_and_another_seed_others():
    first = clip_specs(5, 2)
    assert first[:1] == clip_specs(5, 1)
    assert draw_spec(5, 7, 0) == draw_spec(5, 7, 0) != draw_spec(6, 7, 0)


def test_a_spec_can_be_walked():
    spec = clip_specs(5, 1)[0]
    pose, gait = spec.walk(spec.body())
    assert len(pose.time_s) > 2 * spec.frame_rate_hz
    assert {event.side for event in gait.events} == {"left", "right"}


def test_a_draw_that_the_walker_refuses_is_drawn_again(monkeypatch):
    drawn_attempts = []

    def refuse_twice(seed, index, attempt):
        drawn_attempts.append(attempt)
        if attempt < 2:
            raise ValueError("walk: refused")
        return draw_spec(seed, index, attempt)

    monkeypatch.setattr(variety, "draw_spec", refuse_twice)
    assert variety.fitting_spec(5, 0) == draw_spec(5, 0, 2)
    assert drawn_attempts == [0, 1, 2]


def test_the_halves_do_not_overlap():
    specs = drawn()
    walks = {part: {spec.settings.seed for spec in specs if spec.labels["part"] == part} for part in ("tuning", "test")}
    assert [len(seeds) for seeds in walks.values()] == [30, 30]
    assert not walks["tuning"] & walks["test"]
    assert [spec.labels["part"] for spec in specs] == [part_of(index) for index in range(60)]


def test_three_of_five_clips_are_from_the_side_in_each_half():
    for part in ("tuning", "test"):
        half = [spec for spec in drawn() if spec.labels["part"] == part]
        assert [sum(spec.view == view for spec in half) for view in VIEWS] == [18, 6, 6]
        assert sum(spec.leftward for spec in half) == 9


@pytest.mark.parametrize(
    ("name", "least"),
    [
        ("frame_rate_hz", 4), ("width_px", 4), ("distance_m", 40), ("camera_height_m", 30), ("yaw_deg", 40),
        ("roll_deg", 40), ("focal_share", 40), ("light", 4), ("shutter_share", 5), ("crf", 10), ("occluder", 3),
    ],
)  # fmt: skip
def test_each_condition_varies_within_its_range(name, least):
    values = [getattr(spec.conditions, name) for spec in drawn()]
    assert len(set(values)) >= least
    if name in RANGES:
        low, high = RANGES[name]
        assert low <= min(values) <= max(values) <= high


def test_people_walks_and_clothes_vary_within_their_ranges():
    specs = drawn()
    looks = [spec.look for spec in specs]
    assert {look.build for look in looks} == {"man", "woman"}
    assert {look.limb for look in looks} == {"sound", "cover", "thick_pylon", "bare_pylon"}
    assert {look.prosthetic_side for look in looks} == {"left", "right", None}
    for look in looks:
        low_m, high_m = HEIGHTS_M[look.build]
        assert 1.50 <= low_m <= look.height_m <= high_m <= 1.95
    speeds = [spec.settings.speed_m_s for spec in specs]
    assert SPEEDS_M_S[0] <= min(speeds) < 0.75
    assert 1.35 < max(speeds) <= SPEEDS_M_S[1]
    dresses = [spec.conditions.dress for spec in specs]
    for name, least in (("skin", 5), ("shirt", 6), ("legwear", 5), ("shoes", 3), ("long_trousers", 2), ("girth", 30)):
        assert len({getattr(dress, name) for dress in dresses}) >= least, name
    assert {spec.conditions.bystander and spec.conditions.bystander.posture for spec in specs} == {
        None, "standing", "sitting",
    }  # fmt: skip


def test_faults_are_often_absent_and_of_several_kinds():
    neutral = asdict(WalkerSettings().faults)
    injected = [
        {name for name, size in asdict(spec.settings.faults).items() if size != neutral[name]} for spec in drawn()
    ]
    assert 15 <= sum(not names for names in injected) <= 45
    found = set().union(*injected)
    assert {"vault_height_m", "stance_ratio", "arm_swing_ratio", "foot_rotation_deg"} <= found


@pytest.mark.parametrize("view", VIEWS)
def test_yaw_and_roll_show_in_the_projection_as_opencv_has_it(view):
    # Outside check: cv2.projectPoints. The pose of the camera is built here from where it stands, what it looks at
    # and its roll, not from the generator's axes.
    conditions = Conditions(yaw_deg=12.0, roll_deg=2.7, camera_height_m=1.3, distance_m=5.5)
    camera = camera_of(view, conditions)
    usual_deg = 90.0 if view == "sagittal" else 180.0
    heading = np.deg2rad(usual_deg + 12.0)
    eye = np.array([-5.5 * np.cos(heading), -5.5 * np.sin(heading), 1.3])
    forward = (np.array([0.0, 0.0, 0.85]) - eye) / np.linalg.norm(np.array([0.0, 0.0, 0.85]) - eye)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    level = np.array([right, np.cross(forward, right), forward])
    # The camera turned clockwise turns the picture counter-clockwise: about the axis into the scene, by -roll.
    turn = cv2.Rodrigues(np.array([0.0, 0.0, -np.deg2rad(2.7)]))[0] @ level
    matrix = np.array([[0.69 * 1280, 0, 639.5], [0, 0.69 * 1280, 359.5], [0, 0, 1]])
    points_m = np.random.default_rng(2).uniform([-1.5, -0.5, 0.0], [1.5, 0.5, 1.9], (40, 3))
    expected = cv2.projectPoints(points_m, cv2.Rodrigues(turn)[0], -turn @ eye, matrix, None)[0][:, 0]
    np.testing.assert_allclose(project(camera, points_m), expected, atol=1e-6)
    # By hand: an upright in the middle of the walk leans by the roll, 2.7 deg, to the left at its top.
    low, high = project(camera, np.array([[0.0, 0.0, 0.80], [0.0, 0.0, 0.90]]))
    assert np.rad2deg(np.arctan2(low[0] - high[0], low[1] - high[1])) == pytest.approx(2.7, abs=0.01)


def test_the_visible_way_ends_where_the_walker_would_be_cut_off():
    camera = camera_of("sagittal", Conditions(yaw_deg=10.0, distance_m=4.0))
    low_m, high_m = visible_way_m(camera, 1.8)
    # Seen obliquely the way is longer on the far side than on the near one.
    assert -3.6 < low_m < -1.0
    assert 1.0 < high_m < 3.6
    assert abs(low_m + high_m) > 0.2
    u = project(camera, np.array([[low_m - 0.5, 0.0, 0.9], [high_m + 0.5, 0.0, 0.9]]))[:, 0]
    assert 0 < u[0] < u[1] < camera.width_px - 1
    with pytest.raises(ValueError, match="cut off in the middle"):
        visible_way_m(camera_of("sagittal", Conditions(distance_m=3.0, focal_share=1.5)), 1.8)


def test_girth_widens_the_body_and_leaves_joints_and_soles():
    slim, stout = (load_body(Look(), Dress(girth=girth)) for girth in (1.0, 1.2))
    for name, point in slim.skeleton.rest_m.items():
        # Nose and ears lie on the skin, whose neck is thicker too.
        np.testing.assert_allclose(stout.skeleton.rest_m[name], point, atol=0.01 if name in ("nose",) else 2e-3)
    belly_m = [
        np.ptp(body.mesh.vertices[np.abs(body.mesh.vertices[:, 2] - 1.1) < 0.03][:, 0]) for body in (slim, stout)
    ]
    assert belly_m[1] / belly_m[0] == pytest.approx(1.2, abs=0.06)


def test_long_trousers_do_not_hide_a_pylon():
    with pytest.raises(ValueError, match="long_trousers are set with limb bare_pylon"):
        load_body(Look(limb="bare_pylon", prosthetic_side="left"), Dress(long_trousers=True))


def test_the_stick_stands_still_while_the_prosthetic_foot_does():
    spec = small_spec(longest_s=3.0, occluder="stick")
    body = spec.body()
    own, gait = spec.walk(body)
    tip_m, along, length_m = stick_places(body, place_pose(own, spec.placement()[0]), gait, side="right")
    contacts = [event.time_s for event in gait.events if (event.side, event.kind) == ("left", "contact")]
    lifts = [event.time_s for event in gait.events if (event.side, event.kind) == ("left", "toe_off")]
    start_s, end_s = next((start, end) for start in contacts for end in lifts if 0.3 < end - start < 1.2)
    standing = tip_m[(own.time_s >= start_s) & (own.time_s <= end_s)]
    assert len(standing) > 8
    np.testing.assert_allclose(standing, standing[:1].repeat(len(standing), axis=0), atol=1e-9)
    np.testing.assert_allclose(standing[:, 2], 0.0, atol=1e-9)
    assert tip_m[:, 2].min() >= 0
    assert tip_m[:, 2].max() > 0.03
    assert (along[:, 2] > 0.85).all()
    assert 0.6 < length_m < 0.9


def test_motion_blur_draws_more_pictures_the_faster_something_moves():
    camera = camera_of("sagittal", SMALL)
    points = np.array([[0.0, 0.0, 1.0], [0.1, 0.0, 0.1]])
    assert shutter_moments(camera, points, np.zeros((2, 3))).tolist() == [0.0]
    # By hand: 0.69 * 640 / 4.75 = 93 px to the metre: 0.1 m are 9.3 px, four steps of at most 3 px.
    moments = shutter_moments(camera, points, np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0]]))
    np.testing.assert_allclose(moments, [-0.375, -0.125, 0.125, 0.375])


def test_a_blurred_occluded_clip_with_a_bystander_renders_and_its_truth_lies_in_the_picture(tmp_path):
    spec = small_spec(longest_s=0.6)
    truth = make_clip(spec, tmp_path / "a.mp4", tmp_path / "a.truth.json")
    with av.open(str(tmp_path / "a.mp4")) as file:
        stream = file.streams.video[0]
        frames = [frame.to_ndarray(format="rgb24") for frame in file.decode(stream)]
        assert float(stream.average_rate) == 25.0
    assert len(frames) == truth["n_frames"] == 15
    assert frames[0].shape == (360, 640, 3)
    for name, points in truth["joints_px"].items():
        u, v = np.array(points).T
        assert (u >= 0).all() and (u <= 639).all() and (v >= 0).all() and (v <= 359).all(), name
    stored = json.loads((tmp_path / "a.truth.json").read_text(encoding="utf-8"))
    assert stored["conditions"]["roll_deg"] == -2.5
    assert stored["conditions"]["bystander"]["posture"] == "sitting"
    assert stored["camera"]["roll_deg"] == -2.5
    assert stored["camera"]["yaw_deg"] == 99.0


def first_frame(spec):
    """The first frame of a spec as the camera sees it, before encoding."""
    body = spec.body()
    own, gait = spec.walk(body)
    pose = place_pose(own, spec.placement()[0])
    frames = render_filmed(
        body, pose, spec.camera(), view=spec.view, seed=spec.settings.seed, gait=gait, conditions=spec.conditions
    )
    return next(frames).astype(int), joint_positions(body.skeleton, pose)


def test_bars_and_bystander_are_drawn_where_they_are_projected():
    plain = {"light": "even", "shutter_share": 0.0}
    full, joints = first_frame(small_spec(**plain))
    empty, _ = first_frame(small_spec(**plain, occluder="none", bystander=None))
    changed = np.abs(full - empty).max(axis=2) > 15
    camera = camera_of("sagittal", SMALL)
    # The near bar's middle line, and a sitting person's chest: 1.0 to 1.1 m over the floor.
    for point_m in ([0.9, -0.42, 0.88], [-1.5, -0.42, 0.88], [1.0, 1.3, 0.95]):
        u, v = np.round(project(camera, np.array(point_m))).astype(int)
        assert changed[v - 1 : v + 2, u - 1 : u + 2].any(), point_m
    # The walker's head is neither occluded nor moved.
    u, v = np.round(project(camera, joints["nose"][0])).astype(int)
    assert not changed[v - 3 : v + 4, u - 3 : u + 4].any()


def test_a_set_is_written_with_its_manifest_and_goes_on_where_it_stopped(tmp_path, monkeypatch):
    made = []

    def quick(spec, video_path, truth_path):
        truth = {
            "labels": spec.labels, "look": asdict(spec.look), "conditions": asdict(spec.conditions), "n_frames": 1,
            "gait": {"settings": asdict(spec.settings)}, "rest_m": {"head_top": [0.0, 0.0, 1.7]},
            "marker": {"length_m": 1.0, "length_px": 120.4},
        }  # fmt: skip
        made.append(video_path.name)
        for path, text in ((video_path, "clip"), (truth_path, json.dumps(truth))):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return truth

    monkeypatch.setattr(variety, "make_clip", quick)
    monkeypatch.setattr(variety, "fitting_spec", functools.cache(variety.fitting_spec))
    lines = []
    make_set(tmp_path, 5, 6, part="test", say=lines.append)
    assert made == ["V002_sagittal.mp4", "V004_anterior.mp4", "V006_sagittal.mp4"]
    assert [line.split(",")[0] for line in lines] == [f"{name}: made" for name in made]
    clips = read_manifest(tmp_path)
    assert [(clip.subject, clip.view, clip.known_length_px) for clip in clips] == [
        ("V002", "sagittal", 120.0), ("V004", "anterior", None), ("V006", "sagittal", 120.0),
    ]  # fmt: skip
    assert all(truth_path(tmp_path, clip.relative_path).is_file() for clip in clips)
    (tmp_path / "clips" / made[1]).unlink()
    make_set(tmp_path, 5, 6, part="test", say=lines.append)
    assert made[3:] == [made[1]]
    with (tmp_path / "manifest.csv").open(encoding="utf-8", newline="") as file:
        assert len(list(csv.DictReader(file))) == 3
    # Another seed's clips take the place of what is there.
    make_set(tmp_path, 6, 2, part="test", say=lines.append)
    assert made[4:] == ["V002_sagittal.mp4"]


def test_a_missing_renderer_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(StageError) as caught:
        ensure_set(tmp_path, 1, 4, "tuning")
    assert str(caught.value) == (
        "benchmark clips: the Python package moderngl and av is not installed; moderngl and av are needed to render "
        "clips. Install the extra: python -m pip install 'strideledger[clips]'."
    )


def test_a_wrong_half_is_told(tmp_path):
    with pytest.raises(StageError) as caught:
        ensure_set(tmp_path, 1, 4, "both")
    assert str(caught.value) == (
        "benchmark clips: clip set: part is both; tuning or test is expected. Choose one of these."
    )
