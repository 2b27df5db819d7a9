"""Draw the walker into the room with OpenGL on the CPU (moderngl, EGL)."""

from __future__ import annotations

from types import TracebackType
from typing import Any, Self

import moderngl
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .light import LIGHTS, Light
from .mesh import Floats
from .scene import Camera, Room, project
from .shaders import ROOM_FRAGMENT, ROOM_VERTEX, WALKER_FRAGMENT, WALKER_VERTEX

NEAR_M, FAR_M = 0.5, 30.0
SAMPLES = 4
SHADOW_CELLS = 160
SHADOW_CELL_M = 0.02

# Left, first row, width, height. [px]
Region = tuple[int, int, int, int]


class Renderer:
    """Draws one walker in one room through one camera; use it as a context manager.

    Parameters
    ----------
    camera : Camera
    room : Room
        Rendered for the same camera.
    faces : (n_triangles, 3)
    rest_m : (n_vertices, 3) [m]
        Rest pose; folds of the cloth stick to it.
    colours : (n_vertices, 3) red, green, blue, 0 to 1 [1]
    material : (n_vertices, 2) gloss, cloth [1]
    light : Light
    n_casting : int or None
        Only the first so many vertices move and throw the moving shadow, the others are still; None is all.

    Raises
    ------
    RuntimeError
        If no OpenGL context can be made.
    """

    def __init__(
        self,
        camera: Camera,
        room: Room,
        *,
        faces: NDArray[np.int64],
        rest_m: Floats,
        colours: Floats,
        material: Floats,
        light: Light = LIGHTS["even"],
        n_casting: int | None = None,
    ) -> None:
        settings: dict[str, Any] = {"standalone": True, "backend": "egl"}
        try:
            self._context = moderngl.create_context(**settings)
        except Exception as error:
            raise RuntimeError(
                f"renderer: no OpenGL context ({error}); EGL with a software or hardware driver is expected. "
                "On Debian install libegl1 and libgl1-mesa-dri."
            ) from error
        context = self._context
        size = (camera.width_px, camera.height_px)
        self._size = size
        self._camera = camera
        self._picture = np.ascontiguousarray(room.picture)
        self._many = context.framebuffer(
            [context.renderbuffer(size, 4, samples=SAMPLES)],
            context.depth_renderbuffer(size, samples=SAMPLES),
        )
        self._single = context.framebuffer([context.renderbuffer(size, 4)])
        self._light = towards_light(camera, light)
        self._n_casting = n_casting
        self._n_vertices = len(rest_m)
        self._walker = context.program(vertex_shader=WALKER_VERTEX, fragment_shader=WALKER_FRAGMENT)
        self._walker["view"] = tuple(_view_matrix(camera).T.ravel())
        self._walker["eye"] = camera.position_m
        self._walker["key"] = tuple(self._light)
        self._walker["key_strength"] = light.key
        self._walker["ambient"] = light.ambient
        self._moving = context.buffer(reserve=len(rest_m) * 24)
        fixed = context.buffer(np.hstack([rest_m, colours, material]).astype("f4").tobytes())
        self._body = context.vertex_array(
            self._walker,
            [(self._moving, "3f 3f", "position", "normal"), (fixed, "3f 3f 2f", "rest", "paint", "material")],
            context.buffer(faces.astype("i4").tobytes()),
        )
        self._room = context.program(vertex_shader=ROOM_VERTEX, fragment_shader=ROOM_FRAGMENT)
        corners = context.buffer(np.array([-1, -1, 3, -1, -1, 3], dtype="f4").tobytes())
        self._quad = context.vertex_array(self._room, [(corners, "2f", "corner")])
        self._textures = [
            context.texture(size, 3, self._picture.tobytes(), alignment=1),
            context.texture(size, 2, np.ascontiguousarray(room.floor_m).tobytes(), dtype="f4"),
            context.texture((SHADOW_CELLS, SHADOW_CELLS), 1, dtype="f4"),
        ]
        self._textures[1].filter = (moderngl.NEAREST, moderngl.NEAREST)
        for unit, (name, texture) in enumerate(zip(("picture", "floor_m", "shadow"), self._textures, strict=True)):
            texture.use(unit)
            self._room[name] = unit
        self._room["shadow_size"] = SHADOW_CELLS * SHADOW_CELL_M

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._context.release()

    def set_still(self, vertices_m: Floats, normals: Floats) -> None:
        """Draw what does not move, once, so that a frame draws only the part of the picture around the walker.

        Parameters
        ----------
        vertices_m, normals : (n_vertices - n_casting, 3)
            As the last ones of `draw`.
        """
        # All of the walker in one point below the floor: no triangle is left to draw.
        nowhere = np.zeros((self._n_vertices - len(vertices_m), 3)) - [0.0, 0.0, 1.0]
        whole = (0, 0, *self._size)
        self._picture = self._draw(
            np.concatenate([nowhere, vertices_m]), np.concatenate([nowhere, normals]),
            shadow=np.zeros((SHADOW_CELLS, SHADOW_CELLS)), centre=np.zeros(2), region=whole,
        )  # fmt: skip

    def draw(self, vertices_m: Floats, normals: Floats) -> NDArray[np.uint8]:
        """Return one frame, (height, width, 3) uint8 red, green, blue.

        Parameters
        ----------
        vertices_m : (n_vertices, 3) x, y, z in the world [m]
        normals : (n_vertices, 3) [1]
            Need not be of unit length.
        """
        casting_m = vertices_m[: self._n_casting]
        shadow, centre = cast_shadow(casting_m, self._light)
        region = self._region(np.concatenate([casting_m, _shaded_corners(shadow, centre)]))
        return self._draw(vertices_m, normals, shadow=shadow, centre=centre, region=region)

    def _draw(
        self, vertices_m: Floats, normals: Floats, *, shadow: Floats, centre: Floats, region: Region
    ) -> NDArray[np.uint8]:
        """Return one frame of which only a region is drawn, the rest being the still picture."""
        self._textures[2].write(shadow.astype("f4").tobytes())
        self._room["shadow_centre"] = tuple(centre)
        self._moving.write(np.hstack([vertices_m, normals]).astype("f4").tobytes())
        self._many.use()
        self._many.scissor = region
        self._many.clear(depth=1.0)
        self._context.disable(moderngl.DEPTH_TEST)
        self._quad.render()
        self._context.enable(moderngl.DEPTH_TEST)
        self._body.render()
        self._context.copy_framebuffer(self._single, self._many)
        left, low, width, height = region
        raw = self._single.read(viewport=region, components=3, alignment=1)
        frame = self._picture.copy()
        frame[low : low + height, left : left + width] = np.frombuffer(raw, dtype=np.uint8).reshape(height, width, 3)
        return frame

    def _region(self, points_m: Floats) -> Region:
        """Return the part of the picture around points in the world, all of it if one lies behind the camera."""
        points_px = project(self._camera, points_m)
        size = np.array(self._size)
        if not np.isfinite(points_px).all():
            return 0, 0, self._size[0], self._size[1]
        low = np.clip(np.floor(points_px.min(axis=0)) - 2, 0, size - 1).astype(int)
        high = np.clip(np.ceil(points_px.max(axis=0)) + 3, low + 1, size).astype(int)
        return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def _shaded_corners(shadow: Floats, centre_m: Floats) -> Floats:
    """Return the corners of the floor that a shadow patch darkens, (4, 3), or none, (0, 3). [m]"""
    rows, columns = np.nonzero(shadow)
    if not len(rows):
        return np.zeros((0, 3))
    x_m = (np.array([columns.min() - 1, columns.max() + 2]) - SHADOW_CELLS // 2) * SHADOW_CELL_M + centre_m[0]
    y_m = (np.array([rows.min() - 1, rows.max() + 2]) - SHADOW_CELLS // 2) * SHADOW_CELL_M + centre_m[1]
    return np.array([(x, y, 0.0) for x in x_m for y in y_m])


def towards_light(camera: Camera, light: Light) -> Floats:
    """Return the unit vector towards the main light in the world, (3,). [1]"""
    towards: Floats = np.array(light.towards) @ camera.axes() / np.linalg.norm(light.towards)
    return towards


def cast_shadow(vertices_m: Floats, light: Floats) -> tuple[Floats, Floats]:
    """Return the darkness of the floor around the walker and the middle of that patch.

    Returns
    -------
    darkness : (cells along y, cells along x), 0 to 1 [1]
        A wide soft patch from the whole body and a narrow one from what is near the floor.
    centre_m : (2,) x, y [m]
    """
    slant = -light[:2] / light[2]
    low_m = vertices_m[:, 2].clip(0.0)
    centre = vertices_m[:, :2].mean(axis=0) + 0.5 * slant
    total = np.zeros((SHADOW_CELLS, SHADOW_CELLS))
    for chosen, blur_m, strength, slant_share in (
        (low_m > 0.25, 0.10, 0.34, 0.7), (low_m <= 0.25, 0.045, 0.25, 0.7), (low_m <= 0.06, 0.020, 0.35, 0.0),
    ):  # fmt: skip
        points = vertices_m[chosen, :2] + slant_share * low_m[chosen, None] * slant
        cells = np.floor((points - centre) / SHADOW_CELL_M).astype(int) + SHADOW_CELLS // 2
        cells = cells[((cells >= 0) & (cells < SHADOW_CELLS)).all(axis=1)]
        count = np.bincount(cells[:, 1] * SHADOW_CELLS + cells[:, 0], minlength=SHADOW_CELLS**2)
        splat = gaussian_filter(np.minimum(count.reshape(SHADOW_CELLS, SHADOW_CELLS), 3.0), blur_m / SHADOW_CELL_M)
        total += strength * (1.0 - np.exp(-2.5 * splat))
    return np.minimum(total, 0.75), centre


def patch_darkness(floor_m: NDArray[np.float32], shadow: Floats, centre_m: Floats) -> Floats:
    """Return how dark a shadow patch makes the floor points of a picture, (height, width), 0 to 1. [1]"""
    cells = np.floor((floor_m - centre_m) / SHADOW_CELL_M).astype(int) + SHADOW_CELLS // 2
    inside = ((cells >= 0) & (cells < SHADOW_CELLS)).all(axis=-1)
    dark = np.zeros(inside.shape)
    dark[inside] = shadow[cells[inside][:, 1], cells[inside][:, 0]]
    return dark


def _view_matrix(camera: Camera) -> Floats:
    """Return the matrix (4, 4) from the world to clip space, with row 0 of the picture at the bottom.

    A pixel's centre is a whole number in project() and half a number in OpenGL, hence the added 0.5.
    """
    axes = camera.axes()
    local = np.eye(4)
    local[:3, :3] = axes
    local[:3, 3] = -axes @ np.array(camera.position_m)
    width, height = camera.width_px, camera.height_px
    lens = np.zeros((4, 4))
    lens[0, 0], lens[0, 2] = 2 * camera.focal_px / width, 2 * (camera.centre_px[0] + 0.5) / width - 1
    lens[1, 1], lens[1, 2] = 2 * camera.focal_px / height, 2 * (camera.centre_px[1] + 0.5) / height - 1
    lens[2, 2], lens[2, 3] = (FAR_M + NEAR_M) / (FAR_M - NEAR_M), -2 * FAR_M * NEAR_M / (FAR_M - NEAR_M)
    lens[3, 2] = 1.0
    return lens @ local
