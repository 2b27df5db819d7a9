"""The frames of a clip: walker, surroundings, light, motion blur."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .body import Body
from .conditions import Conditions
from .filming import room_for
from .light import LIGHTS, Light, Sensor, shade_room
from .mesh import Floats, Mesh, join, skin, vertex_normals
from .props import bystander_mesh, parallel_bars, place_stick, stick_mesh, stick_places, stick_side
from .render import Renderer, cast_shadow, patch_darkness, towards_light
from .scene import Camera, Room, project, render_room
from .skeleton import BONES, Pose, joint_positions
from .truth import GaitTruth

Picture = NDArray[np.uint8]
# Pictures within the open shutter that are averaged: one for each BLUR_STEP_PX of the fastest point's way.
BLUR_STEP_PX = 3.0
MOST_SUBFRAMES = 6


def render_frames(body: Body, pose: Pose, camera: Camera, *, view: str, seed: int) -> Iterator[Picture]:
    """Yield the frames of a pose in the world frame, each (height, width, 3) uint8 red, green, blue."""
    room = render_room(camera, view, seed=seed)
    moving = Moving(body, pose)
    with Renderer(
        camera, room, faces=body.mesh.faces, rest_m=body.mesh.vertices, colours=body.mesh.colours,
        material=body.mesh.material,
    ) as renderer:  # fmt: skip
        for number in range(len(pose.time_s)):
            yield renderer.draw(*moving.at(number))


def render_filmed(
    body: Body, pose: Pose, camera: Camera, *, view: str, seed: int, gait: GaitTruth, conditions: Conditions
) -> Iterator[Picture]:
    """Yield the frames of a pose in the world frame as they are filmed under the conditions.

    Motion blur is the mean of several pictures within the open shutter, whose middle is the frame's time; between
    frames every vertex moves on at its mean velocity from the frame before to the frame after.
    """
    light = LIGHTS[conditions.light]
    still = _still_things(conditions)
    room = _furnished(camera, view, seed=seed, light=light, conditions=conditions)
    stick = conditions.occluder == "stick"
    moving = Moving(body, pose, gait if stick else None)
    mesh = join([moving.mesh, *still])
    fixed = np.concatenate([np.zeros((0, 3)), *(part.vertices for part in still)])
    fixed_normals = np.concatenate([np.zeros((0, 3)), *(vertex_normals(part.vertices, part.faces) for part in still)])
    sensor = Sensor(light, height_px=camera.height_px, width_px=camera.width_px, seed=seed)
    with Renderer(
        camera, room, faces=mesh.faces, rest_m=mesh.vertices, colours=mesh.colours, material=mesh.material,
        light=light, n_casting=len(moving.mesh.vertices),
    ) as renderer:  # fmt: skip
        renderer.set_still(fixed, fixed_normals)
        for vertices, normals, velocity in _with_velocity(moving):
            way = conditions.shutter_share * velocity
            moments = shutter_moments(camera, vertices, way)
            total = np.zeros((camera.height_px, camera.width_px, 3), dtype=np.uint16)
            for moment in moments:
                here = vertices + moment * way
                total += renderer.draw(np.concatenate([here, fixed]), np.concatenate([normals, fixed_normals]))
            yield sensor.expose((total // len(moments)).astype(np.uint8))


def shutter_moments(camera: Camera, vertices_m: Floats, way_m: Floats) -> Floats:
    """Return at which moments of the open shutter to draw, (n_moments,), from -0.5 to 0.5 about its middle. [1]

    Parameters
    ----------
    camera : Camera
    vertices_m : (n_vertices, 3) in the world [m]
    way_m : (n_vertices, 3)
        Way of each vertex while the shutter is open. [m]
    """
    step_px = project(camera, vertices_m + 0.5 * way_m) - project(camera, vertices_m - 0.5 * way_m)
    fastest_px = float(np.nanmax(np.linalg.norm(step_px, axis=1)))
    n_moments = int(np.clip(np.ceil(fastest_px / BLUR_STEP_PX), 1, MOST_SUBFRAMES))
    moments: Floats = (np.arange(n_moments) + 0.5) / n_moments - 0.5
    return moments


class Moving:
    """The walker, with a stick in the hand if its gait is given: one mesh that moves."""

    def __init__(self, body: Body, pose: Pose, gait: GaitTruth | None = None) -> None:
        self._body, self._pose = body, pose
        joints = joint_positions(body.skeleton, pose)
        self._starts_m = np.stack([joints[bone] for bone in BONES], axis=1)
        self._stick: _Stick | None = None
        self.mesh: Mesh = body.mesh
        if gait is not None:
            side = stick_side(body.look.prosthetic_side)
            tip_m, along, length_m = stick_places(body, pose, gait, side=side)
            self._stick = _Stick(stick_mesh(length_m), tip_m, along)
            self.mesh = join([body.mesh, self._stick.mesh])

    def __len__(self) -> int:
        return len(self._pose.time_s)

    def at(self, number: int) -> tuple[Floats, Floats]:
        """Return vertices [m] and normals [1] of a frame, each (n_vertices, 3) in the world."""
        body = self._body
        vertices, normals = skin(
            body.mesh, body.normals, rest_m=body.rest_m, joints_m=self._starts_m[number],
            rotation=self._pose.rotation[number],
        )  # fmt: skip
        if self._stick is None:
            return vertices, normals
        more, more_normals = place_stick(self._stick.mesh, self._stick.tip_m[number], self._stick.along[number])
        return np.concatenate([vertices, more]), np.concatenate([normals, more_normals])


@dataclass(frozen=True, slots=True)
class _Stick:
    """A stick and where it is in each frame."""

    mesh: Mesh
    tip_m: Floats
    along: Floats


def _with_velocity(moving: Moving) -> Iterator[tuple[Floats, Floats, Floats]]:
    """Yield vertices, normals and the vertices' way from one frame to the next [m] of every frame."""
    before = here = moving.at(0)
    for number in range(len(moving)):
        after = moving.at(number + 1) if number + 1 < len(moving) else here
        n_gaps = (number > 0) + (number + 1 < len(moving))
        yield *here, (after[0] - before[0]) / max(n_gaps, 1)
        before, here = here, after


def _still_things(conditions: Conditions) -> list[Mesh]:
    """Return the meshes of what does not move."""
    still = [parallel_bars()] if conditions.occluder == "bars" else []
    return still if conditions.bystander is None else [*still, bystander_mesh(conditions.bystander)]


def _furnished(camera: Camera, view: str, *, seed: int, light: Light, conditions: Conditions) -> Room:
    """Return the room under its light, with the bystander's shadow on the floor."""
    room = render_room(camera, view, seed=seed, room_m=room_for(camera))
    picture = shade_room(room.picture, light)
    if conditions.bystander is not None:
        person = bystander_mesh(conditions.bystander)
        shadow, centre = cast_shadow(person.vertices, towards_light(camera, light))
        lit = 1.0 - patch_darkness(room.floor_m, shadow, centre)
        picture = (picture * lit[..., None]).astype(np.uint8)
    return Room(picture=picture, floor_m=room.floor_m)
