"""Rendered walkers whose head is anywhere in the picture or beyond its edge, and which pixels are the head.

Walker and room come from the example data's generator; the head is that of the mesh, crown to chin, hair included.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.model import View
from pipeline.video import Frame, read_frames

# The generator is no part of the installed package.
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "example_data"))

Picture = NDArray[np.uint8]
Flags = NDArray[np.bool_]

FPS = 15
SIZE_PX = (1280, 720)
# Vertices that move with the head bone by more than half: crown to chin, not the throat.
HEAD_SHARE = 0.5


@dataclass(frozen=True)
class Scene:
    """One short clip.

    `head_at` is where the head's middle lies half way through, as shares of the picture's width and height; outside
    0 to 1 it is beyond the edge. `bow_deg` is forward, `turn_deg` to the person's left, `roll_deg` the camera's.
    `bystander_at` is where somebody else stands behind the walker, metres along the picture and away from the camera.
    """

    view: View = "sagittal"
    leftward: bool = False
    head_at: tuple[float, float] = (0.5, 0.25)
    bow_deg: float = 0.0
    turn_deg: float = 0.0
    distance_m: float = 4.75
    roll_deg: float = 0.0
    light: str = "even"
    crf: int | None = None
    size_px: tuple[int, int] = SIZE_PX
    build: str = "man"
    height_m: float = 1.74
    palette: str = "blue"
    n_frames: int = 8
    seed: int = 0
    bystander_at: tuple[float, float] | None = None


@dataclass(frozen=True)
class Film:
    """The frames of a scene; and for each which pixels are the walker's head, and which the other person's."""

    frames: list[Frame]
    heads: list[Flags]
    others: list[Flags]


def film(scene: Scene, folder: Path) -> Film:
    """Render a scene.

    With `crf` the frames went through a file in `folder` and are as poor as it says.
    """
    from generator.body import Look, load_body
    from generator.clip import encode
    from generator.filming import room_for
    from generator.frames import Moving
    from generator.light import LIGHTS, Sensor, shade_room
    from generator.mesh import join, vertex_normals
    from generator.render import Renderer
    from generator.scene import Room, project, render_room
    from generator.walker import WalkerSettings, walk

    body = load_body(Look(build=scene.build, height_m=scene.height_m, palette=scene.palette))
    settings = WalkerSettings(seed=scene.seed)
    way_m = settings.speed_m_s * scene.n_frames / FPS
    pose, _ = walk(body.skeleton, settings, duration_s=scene.n_frames / FPS, fps=FPS, start_x_m=-way_m / 2)
    pose = replace(
        pose,
        time_s=pose.time_s[: scene.n_frames],
        root_m=pose.root_m[: scene.n_frames],
        rotation=pose.rotation[: scene.n_frames],
    )
    moving = Moving(body, _placed(_nodded(pose, scene), scene))
    faces = _head_faces(body.mesh)
    other = _bystander(scene)
    mesh = join([body.mesh, *other])
    still = np.concatenate([np.zeros((0, 3)), *(person.vertices for person in other)])
    still_normals = np.concatenate([np.zeros((0, 3)), *(vertex_normals(p.vertices, p.faces) for p in other)])
    middle_m = moving.at(scene.n_frames // 2)[0][np.unique(faces)].mean(axis=0)
    camera = _camera(scene)
    shift = np.array(scene.head_at) * scene.size_px - project(camera, middle_m)
    camera = replace(camera, centre_px=tuple(np.array(camera.centre_px) + shift))
    light = LIGHTS[scene.light]
    room = render_room(camera, scene.view, seed=scene.seed, room_m=room_for(camera))
    room = Room(picture=shade_room(room.picture, light), floor_m=room.floor_m)
    sensor = Sensor(light, height_px=camera.height_px, width_px=camera.width_px, seed=scene.seed)
    pictures: list[Picture] = []
    heads: list[Flags] = []
    others: list[Flags] = []
    with Renderer(
        camera, room, faces=mesh.faces, rest_m=mesh.vertices, colours=mesh.colours, material=mesh.material, light=light,
        n_casting=len(body.mesh.vertices),
    ) as renderer:  # fmt: skip
        renderer.set_still(still, still_normals)
        for number in range(scene.n_frames):
            points, normals = moving.at(number)
            drawn = renderer.draw(np.concatenate([points, still]), np.concatenate([normals, still_normals]))
            pictures.append(sensor.expose(drawn))
            heads.append(_filled(project(camera, points)[faces], scene.size_px))
            walker = _filled(project(camera, points)[body.mesh.faces], scene.size_px)
            behind = [_filled(project(camera, one.vertices)[_head_faces(one)], scene.size_px) for one in other]
            others.append(np.logical_and(np.any(behind, axis=0) if behind else False, ~walker))
    frames = [Frame(i, i / FPS, picture) for i, picture in enumerate(pictures)]
    if scene.crf is not None:
        encode(folder / "scene.mp4", iter(pictures), camera, rate_hz=FPS, crf=scene.crf)
        frames = list(read_frames(folder / "scene.mp4"))
    return Film(frames, heads, others)


def _head_faces(mesh: Any) -> NDArray[np.int64]:
    """The triangles of a head."""
    share = (mesh.bone_weight * (mesh.bone_index == _bone("head"))).sum(axis=1)
    return np.asarray(mesh.faces[(share[mesh.faces] > HEAD_SHARE).all(axis=1)])


def _bystander(scene: Scene) -> list[Any]:
    """The other person, who looks at the camera; none in most scenes."""
    from generator.body import Look
    from generator.conditions import Bystander
    from generator.props import bystander_mesh
    from generator.wardrobe import Dress

    if scene.bystander_at is None:
        return []
    right_m, away_m = scene.bystander_at
    side = scene.view == "sagittal"
    return [
        bystander_mesh(
            Bystander(
                posture="standing",
                place_m=(right_m, away_m) if side else (-away_m, right_m),
                facing_deg=-90.0 if side else 0.0,
                look=Look(build="woman", height_m=1.66, palette="red"),
                dress=Dress(),
            )
        )
    ]


def _filled(triangles_px: NDArray[np.float64], size_px: tuple[int, int]) -> Flags:
    """Which pixels triangles (n, 3, 2) cover, (height, width)."""
    mask = np.zeros((size_px[1], size_px[0]), np.uint8)
    for triangle in np.rint(triangles_px).astype(np.int32):
        cv2.fillConvexPoly(mask, triangle, 1)
    return mask.astype(bool)


def _bone(name: str) -> int:
    from generator.skeleton import BONE_INDEX

    return int(BONE_INDEX[name])


def _nodded(pose: Any, scene: Scene) -> Any:
    """The pose with the head bowed and turned, a third of it in the neck."""
    rotation = pose.rotation.copy()
    for bone, part in (("neck", 1 / 3), ("head", 1.0)):
        bow, _ = cv2.Rodrigues(np.array([0.0, np.radians(part * scene.bow_deg), 0.0]))
        turn, _ = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(part * scene.turn_deg)]))
        rotation[:, _bone(bone)] = rotation[:, _bone(bone)] @ turn @ bow
    return replace(pose, rotation=rotation)


def _placed(pose: Any, scene: Scene) -> Any:
    """The pose in the world, walking the way that the scene says."""
    from generator.scene import Placement, place_pose

    return place_pose(pose, Placement(180.0 if scene.leftward or scene.view == "posterior" else 0.0))


def _camera(scene: Scene) -> Any:
    """The camera that films the middle of the walk from the scene's distance."""
    from generator.scene import Camera

    side = scene.view == "sagittal"
    return Camera(
        position_m=(0.0, -scene.distance_m, 1.0) if side else (scene.distance_m, 0.0, 1.0),
        yaw_deg=90.0 if side else 180.0,
        roll_deg=scene.roll_deg,
        focal_px=0.69 * scene.size_px[0],
        centre_px=((scene.size_px[0] - 1) / 2, (scene.size_px[1] - 1) / 2),
        width_px=scene.size_px[0],
        height_px=scene.size_px[1],
    )
