"""Body, camera, renderer and clips of the example data's generator."""

import csv
import functools
import json
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from generator.body import BODY_FILE, Look, load_body
from generator.clip import ClipSpec, encode, truth_record
from generator.faults import Faults
from generator.mesh import skin
from generator.render import Renderer
from generator.scene import Camera, Placement, camera_for, marker_ends, place_pose, project, render_room
from generator.settings import WalkerSettings
from generator.skeleton import BONES, Pose, joint_positions
from generator.study import STUDY_FOLDER, TRUTH_FOLDER, clip_specs
from generator.walker import walk

LOOKS = [
    Look(),
    Look(build="woman", height_m=1.66, limb="cover", prosthetic_side="right", palette="green"),
    Look(limb="thick_pylon", prosthetic_side="left"),
    Look(build="woman", height_m=1.60, limb="bare_pylon", prosthetic_side="right", palette="red"),
]


@functools.cache
def empty_room(camera, view):
    """The room without a walker."""
    return render_room(camera, view, seed=5)


def changed_pixels(body, pose, camera, view):
    """Which pixels the walker and its shadow change, (height, width)."""
    room, mesh = empty_room(camera, view), body.mesh
    joints = joint_positions(body.skeleton, pose)
    joints_m = np.array([joints[bone][0] for bone in BONES])
    drawn, normals = skin(mesh, body.normals, rest_m=body.rest_m, joints_m=joints_m, rotation=pose.rotation[0])
    with Renderer(
        camera, room, faces=mesh.faces, rest_m=mesh.vertices, colours=mesh.colours, material=mesh.material
    ) as renderer:
        frame = renderer.draw(drawn, normals)
    return np.abs(frame.astype(int) - room.picture).max(axis=2) > 12


def standing(body, placement):
    """One frame of the rest pose in the world."""
    rotation = np.tile(np.eye(3), (1, len(BONES), 1, 1))
    root_m = body.skeleton.rest_m["pelvis"][None].copy()
    return place_pose(Pose(time_s=np.zeros(1), root_m=root_m, rotation=rotation), placement)


@pytest.mark.parametrize("angles", [(90.0, 0.0, 0.0), (180.0, 0.0, 0.0), (75.0, -6.0, 4.0), (-20.0, 12.0, -9.0)])
def test_project_agrees_with_opencv(angles):
    # Outside check: cv2.projectPoints, camera with x right, y down, z forward, whole-number pixel centres.
    yaw_deg, pitch_deg, roll_deg = angles
    camera = Camera(
        position_m=(0.4, -4.6, 1.1), yaw_deg=yaw_deg, pitch_deg=pitch_deg, roll_deg=roll_deg, focal_px=912.0,
        centre_px=(630.0, 371.5),
    )  # fmt: skip
    forward = camera.axes()[2]
    points_m = np.array(camera.position_m) + 5.0 * forward + np.random.default_rng(3).uniform(-1.5, 1.5, (50, 3))
    # The rotation is built here from its factors, not taken from the camera: yaw, pitch, then roll.
    yaw, pitch, roll = np.deg2rad(angles)
    level = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]])
    about_z = cv2.Rodrigues(np.array([0.0, 0.0, -yaw]))[0]
    about_right = cv2.Rodrigues(np.array([-pitch, 0.0, 0.0]))[0]
    about_axis = cv2.Rodrigues(np.array([0.0, 0.0, -roll]))[0]
    turn = about_axis @ about_right @ level @ about_z
    matrix = np.array([[camera.focal_px, 0, 630.0], [0, camera.focal_px, 371.5], [0, 0, 1]])
    shift = -turn @ np.array(camera.position_m)
    expected = cv2.projectPoints(points_m, cv2.Rodrigues(turn)[0], shift, matrix, None)[0][:, 0]
    np.testing.assert_allclose(project(camera, points_m), expected, atol=1e-6)


def test_a_point_behind_the_camera_has_no_place_in_the_picture():
    assert np.isnan(project(camera_for("sagittal"), np.array([0.0, -6.0, 1.0]))).all()


def test_the_marker_is_185_px_long_in_side_view():
    # By hand: 1.00 m at 4.75 m with a focal length of 880 px: 880 / 4.75 = 185.26 px.
    ends_px = project(camera_for("sagittal"), marker_ends("sagittal"))
    assert np.linalg.norm(ends_px[1] - ends_px[0]) == pytest.approx(185.26, abs=0.005)


def test_the_marker_is_painted_where_its_ends_are_projected():
    camera = camera_for("sagittal")
    picture = empty_room(camera, "sagittal").picture
    row = picture[round(project(camera, marker_ends("sagittal"))[0, 1])]
    yellow = np.flatnonzero((row[:, 0] > 190) & (row[:, 2] < 90))
    ends_px = project(camera, marker_ends("sagittal"))[:, 0]
    # The first of the ten stripes is black, the last is yellow.
    assert yellow.max() == pytest.approx(ends_px[1], abs=1.5)
    assert yellow.min() == pytest.approx(ends_px[0] + 18.5, abs=1.5)


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: f"{look.build}-{look.limb}")
def test_skinning_the_rest_pose_returns_the_rest_mesh(look):
    body = load_body(look)
    rotation = np.tile(np.eye(3), (len(BONES), 1, 1))
    vertices, normals = skin(body.mesh, body.normals, rest_m=body.rest_m, joints_m=body.rest_m, rotation=rotation)
    np.testing.assert_allclose(vertices, body.mesh.vertices, atol=1e-12)
    np.testing.assert_allclose(normals, body.normals, atol=1e-12)


@pytest.mark.parametrize("look", LOOKS, ids=lambda look: f"{look.build}-{look.limb}")
def test_the_body_stands_on_the_floor_and_is_as_tall_as_asked(look):
    body = load_body(look)
    assert abs(body.mesh.vertices[:, 2].min()) < 1e-3
    # The scalp stands above the floor by the body's height and the soles, which are 1 to 3 cm thick.
    assert 0.01 < body.skeleton.rest_m["head_top"][2] - look.height_m < 0.03
    rest = body.skeleton.rest_m
    assert rest["left_toe"][0] > rest["left_ball"][0] > rest["left_ankle"][0] > rest["left_heel"][0]
    assert rest["nose"][0] > rest["left_ear"][0]


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_pylon_takes_the_place_of_one_shank_only(side):
    # Width of the mesh across the middle of each shank: a leg is 8 cm and more, the bare pylon 2 x 16 mm.
    body = load_body(Look(limb="bare_pylon", prosthetic_side=side))
    rest = body.skeleton.rest_m
    height_m = 0.5 * (rest["left_knee"][2] + rest["left_ankle"][2])
    used = body.mesh.vertices[np.unique(body.mesh.faces)]
    edges = body.mesh.vertices[body.mesh.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)]
    cross = edges[(edges[:, 0, 2] > height_m) != (edges[:, 1, 2] > height_m)]
    share = (height_m - cross[:, 0, 2]) / (cross[:, 1, 2] - cross[:, 0, 2])
    ring = cross[:, 0] + share[:, None] * (cross[:, 1] - cross[:, 0])
    widths = {}
    for name, sign in (("left", 1), ("right", -1)):
        widths[name] = np.ptp(ring[sign * ring[:, 1] > 0][:, 0])
    other = "left" if side == "right" else "right"
    assert len(used) > 5000
    assert widths[side] == pytest.approx(0.032, abs=0.002)
    assert widths[other] > 0.08


@pytest.mark.parametrize(
    ("view", "placement"),
    [
        ("sagittal", Placement(0.0, (-2.0, 0.0))),
        ("sagittal", Placement(180.0, (1.5, 0.0))),
        ("anterior", Placement(0.0, (2.0, 0.0))),
        ("posterior", Placement(180.0, (-2.5, 0.0))),
    ],
)
def test_the_walker_is_drawn_where_project_puts_the_joints(view, placement):
    body, camera = load_body(LOOKS[2]), camera_for(view)
    pose = standing(body, placement)
    drawn = changed_pixels(body, pose, camera, view)
    joints = joint_positions(body.skeleton, pose)
    for name in (
        "pelvis",
        "spine",
        "left_knee",
        "right_knee",
        "left_wrist",
        "right_ankle",
        "left_ankle",
        "head",
    ):
        u, v = np.round(project(camera, joints[name][0])).astype(int)
        assert drawn[v - 1 : v + 2, u - 1 : u + 2].any(), f"{name} is not covered in {view} view"
    # The drawn top is the hair, between 0 and 4 cm above the scalp's highest point.
    scalp_px = project(camera, joints["head_top"][0])[1]
    hair_px = project(camera, joints["head_top"][0] + [0.0, 0.0, 0.04])[1]
    assert hair_px <= np.flatnonzero(drawn.any(axis=1)).min() <= scalp_px


def test_a_camera_with_roll_draws_what_it_projects():
    body = load_body(Look())
    camera = replace(camera_for("sagittal"), roll_deg=8.0, pitch_deg=-4.0, yaw_deg=84.0)
    pose = standing(body, Placement(0.0))
    drawn = changed_pixels(body, pose, camera, "sagittal")
    for points_m in joint_positions(body.skeleton, pose).values():
        u, v = np.round(project(camera, points_m[0])).astype(int)
        assert drawn[v - 3 : v + 4, u - 3 : u + 4].any()


def short_truth(seed):
    """Truth file text of a short walk with faults."""
    faults = Faults(vault_height_m=0.04, arm_swing_ratio=0.4)
    settings = WalkerSettings(prosthetic_side="right", seed=seed, faults=faults)
    spec = ClipSpec(look=Look(limb="cover", prosthetic_side="right"), settings=settings, view="anterior")
    body, camera = load_body(spec.look), camera_for(spec.view)
    placement, start_x_m, _ = spec.placement()
    pose, gait = walk(body.skeleton, settings, duration_s=2.0, fps=30, start_x_m=start_x_m)
    return json.dumps(truth_record(spec, body, place_pose(pose, placement), gait, camera=camera), allow_nan=False)


def test_the_same_seed_gives_the_same_truth_and_another_seed_another():
    first = short_truth(4)
    assert first == short_truth(4)
    assert first != short_truth(5)


def test_an_encoded_clip_keeps_its_frames_and_its_rate(tmp_path):
    camera = replace(camera_for("sagittal"), width_px=64, height_px=48)
    frames = [np.full((48, 64, 3), 10 * number, dtype=np.uint8) for number in range(12)]
    encode(tmp_path / "a.mp4", iter(frames), camera)
    with av.open(str(tmp_path / "a.mp4")) as file:
        stream = file.streams.video[0]
        decoded = [frame.to_ndarray(format="rgb24") for frame in file.decode(stream)]
        assert float(stream.average_rate) == 30.0
        assert stream.codec_context.pix_fmt == "yuv420p"
    assert len(decoded) == 12
    assert decoded[9].mean() == pytest.approx(90, abs=4)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"limb": "cover"}, "look: prosthetic_side is None with limb cover; left or right is expected."),
        ({"palette": "plaid"}, "look: palette is plaid; blue, red, green is expected."),
        ({"height_m": 176.0}, "look: height_m is 176.0; 1.4 to 2.1 is expected."),
    ],
)
def test_a_look_that_cannot_be_is_refused(change, message):
    with pytest.raises(ValueError) as caught:
        Look(**change)
    assert str(caught.value).startswith(message)


def test_the_baked_body_is_smaller_than_a_megabyte():
    assert BODY_FILE.stat().st_size < 1_000_000


def test_the_committed_study_is_complete_small_and_has_its_truth():
    kept = {name if visit.filmed else name.replace(".mp4", ".landmarks") for visit, name, _ in clip_specs(0)}
    with (STUDY_FOLDER / "manifest.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 48
    assert {row["clip"] for row in rows} == kept
    files = {path.relative_to(STUDY_FOLDER).as_posix() for path in STUDY_FOLDER.rglob("sub-*/*/*")}
    assert files == kept
    assert [row["subject"] + row["visit"] for row in rows] == sorted(row["subject"] + row["visit"] for row in rows)
    for row in rows:
        path = STUDY_FOLDER / row["clip"]
        assert path.stat().st_size < 600_000, path.name
        if path.suffix == ".landmarks":
            continue
        with av.open(str(path)) as clip:
            seconds = clip.duration / av.time_base
        assert 5.0 <= seconds <= 8.0, path.name
        truth_path: Path = TRUTH_FOLDER / row["clip"].replace(".mp4", ".truth.json")
        truth = json.loads(truth_path.read_text(encoding="utf-8"))
        assert truth_path.stat().st_size < 400_000
        assert truth["view"] == row["view"]
        assert truth["n_frames"] == round(30 * seconds)
        assert (row["known_length_px"] != "") == (row["view"] == "sagittal")
