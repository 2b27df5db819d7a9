"""Camera, placement of the walk, scale marker and the static room behind the walker.

World frame: right-handed, metres, z up, floor z = 0. The walking line is the world's x axis; the sagittal
camera stands on the side of negative y, the frontal camera at the end of positive x.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .mesh import Floats
from .skeleton import Pose

VIEWS = ("sagittal", "anterior", "posterior")
WIDTH_PX, HEIGHT_PX = 1280, 720
SAGITTAL_DISTANCE_M = 4.75
SAGITTAL_CAMERA_HEIGHT_M = 1.0
SAGITTAL_FOCAL_PX = 880.0
FRONTAL_CAMERA_X_M = 5.5
# Lower and longer than in side view: feet stay in the picture at 3 m, the person is large enough at 8.6 m.
FRONTAL_CAMERA_HEIGHT_M = 0.86
FRONTAL_FOCAL_PX = 1000.0

RoomBounds = tuple[float, float, float, float, float]

# Inner faces of the room: x low, x high, y low, y high, z high. [m]
ROOM_M: RoomBounds = (-6.5, 7.0, -6.0, 2.2, 3.0)
MARKER_LENGTH_M = 1.0
MARKER_WIDTH_M = 0.12
FRONTAL_MARKER_CENTRE_M = (1.0, 0.95)
SUBSAMPLES = 2


@dataclass(frozen=True, slots=True)
class Camera:
    """A pinhole camera without distortion.

    Attributes
    ----------
    position_m : (x, y, z) of the optical centre in the world [m]
    yaw_deg : float
        Heading of the optical axis about the vertical, 0 along +x, 90 along +y. [deg]
    pitch_deg : float
        Upward tilt of the optical axis. [deg]
    roll_deg : float
        Turn about the optical axis, clockwise as the photographer sees it. [deg]
    focal_px : float [px]
    centre_px : (u, v) of the principal point; whole numbers are pixel centres [px]
    width_px, height_px : int [px]
    """

    position_m: tuple[float, float, float]
    yaw_deg: float
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    focal_px: float = SAGITTAL_FOCAL_PX
    centre_px: tuple[float, float] = ((WIDTH_PX - 1) / 2, (HEIGHT_PX - 1) / 2)
    width_px: int = WIDTH_PX
    height_px: int = HEIGHT_PX

    def axes(self) -> Floats:
        """Return the rows right, down, forward of the camera in the world, (3, 3). [1]"""
        yaw, pitch, roll = np.deg2rad([self.yaw_deg, self.pitch_deg, self.roll_deg])
        forward = np.array([np.cos(yaw) * np.cos(pitch), np.sin(yaw) * np.cos(pitch), np.sin(pitch)])
        right = np.array([np.sin(yaw), -np.cos(yaw), 0.0])
        down = np.cross(forward, right)
        return np.array(
            [np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right, forward]
        )


def project(camera: Camera, points_m: Floats) -> Floats:
    """Return where world points fall in the picture.

    Parameters
    ----------
    camera : Camera
    points_m : (..., 3) x, y, z in the world [m]

    Returns
    -------
    points_px : (..., 2) u, v [px]
        u to the right, v down, whole numbers at pixel centres. NaN for points not in front of the camera.

    Notes
    -----
    u = centre_u + focal * right / forward, v = centre_v + focal * down / forward, with the point's
    coordinates along the camera's axes. Definition of the pinhole camera.
    """
    local = (np.asarray(points_m, dtype=float) - np.array(camera.position_m)) @ camera.axes().T
    depth = np.where(local[..., 2:] > 1e-6, local[..., 2:], np.nan)
    points_px: Floats = np.array(camera.centre_px) + camera.focal_px * local[..., :2] / depth
    return points_px


def camera_for(view: str) -> Camera:
    """Return the camera of a view.

    Raises
    ------
    ValueError
        If the view is unknown.
    """
    if view not in VIEWS:
        raise ValueError(f"scene: view is {view}; {', '.join(VIEWS)} is expected. Choose one of these.")
    if view == "sagittal":
        position = (0.0, -SAGITTAL_DISTANCE_M, SAGITTAL_CAMERA_HEIGHT_M)
        return Camera(position_m=position, yaw_deg=90.0, focal_px=SAGITTAL_FOCAL_PX)
    position = (FRONTAL_CAMERA_X_M, 0.0, FRONTAL_CAMERA_HEIGHT_M)
    return Camera(position_m=position, yaw_deg=180.0, focal_px=FRONTAL_FOCAL_PX)


@dataclass(frozen=True, slots=True)
class Placement:
    """Where the walker's frame lies in the world.

    Attributes
    ----------
    yaw_deg : float
        Direction of the walk about the vertical, 0 along the world's +x. [deg]
    offset_m : (x, y) of the walker frame's origin in the world [m]
    """

    yaw_deg: float
    offset_m: tuple[float, float] = (0.0, 0.0)

    def turn(self) -> Floats:
        """Return the rotation from the walker's frame to the world, (3, 3). [1]"""
        cosine, sine = np.cos(np.deg2rad(self.yaw_deg)), np.sin(np.deg2rad(self.yaw_deg))
        return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])

    def to_world(self, points_m: Floats) -> Floats:
        """Return points (..., 3) [m] of the walker's frame in the world."""
        world: Floats = np.asarray(points_m) @ self.turn().T + np.array([*self.offset_m, 0.0])
        return world


def place_pose(pose: Pose, placement: Placement) -> Pose:
    """Return the pose with its root and its rotations in the world frame."""
    rotation = np.einsum("ij,nbjk->nbik", placement.turn(), pose.rotation)
    return Pose(time_s=pose.time_s, root_m=placement.to_world(pose.root_m), rotation=rotation)


def marker_ends(view: str) -> Floats:
    """Return the ends of the scale marker's middle line on the floor, (2, 3) x, y, z in the world. [m]

    In side view it lies on the walking line; in frontal views across, beside the walking line.
    """
    half_m = MARKER_LENGTH_M / 2
    if view == "sagittal":
        return np.array([[-half_m, 0.0, 0.0], [half_m, 0.0, 0.0]])
    x_m, y_m = FRONTAL_MARKER_CENTRE_M
    return np.array([[x_m, y_m - half_m, 0.0], [x_m, y_m + half_m, 0.0]])


@dataclass(frozen=True, slots=True)
class Room:
    """The static picture behind the walker.

    Attributes
    ----------
    picture : (height, width, 3) uint8 red, green, blue
    floor_m : (height, width, 2) float32 x, y [m]
        Floor point seen by each pixel; 1000 where the pixel sees a wall.
    """

    picture: NDArray[np.uint8]
    floor_m: NDArray[np.float32]


def render_room(camera: Camera, view: str, *, seed: int, room_m: RoomBounds = ROOM_M) -> Room:
    """Return the room as the camera sees it: floor, walls, skirting, doors, pictures and the scale marker."""
    rng = np.random.default_rng(seed)
    height, width = camera.height_px, camera.width_px
    offsets = (np.arange(SUBSAMPLES) + 0.5) / SUBSAMPLES - 0.5
    total = np.zeros((height, width, 3))
    tint = rng.uniform(-0.02, 0.02, 3)
    grain = [gaussian_filter(rng.standard_normal((256, 256)), sigma, mode="wrap") for sigma in (1.0, 6.0)]
    grain = [layer / layer.std() for layer in grain]
    for shift_v in offsets:
        for shift_u in offsets:
            hit, face = _hit(camera, shift_u, shift_v, room_m)
            total += _surface(hit, face, view, grain=grain, tint=tint, room_m=room_m)
    hit, face = _hit(camera, 0.0, 0.0, room_m)
    floor = np.where((face == 4)[..., None], hit[..., :2], 1000.0)
    mean = total / SUBSAMPLES**2 + 0.006 * rng.standard_normal((height, width, 1))
    picture = np.round(255 * np.clip(mean, 0.0, 1.0)).astype(np.uint8)
    return Room(picture=picture, floor_m=floor.astype(np.float32))


def _hit(camera: Camera, shift_u: float, shift_v: float, room_m: RoomBounds) -> tuple[Floats, NDArray[np.int64]]:
    """Return the point of the room that each pixel sees (height, width, 3) [m] and its face (height, width).

    Faces: 0 low x, 1 high x, 2 low y, 3 high y, 4 floor, 5 ceiling.
    """
    u, v = np.meshgrid(np.arange(camera.width_px) + shift_u, np.arange(camera.height_px) + shift_v)
    local = np.stack([u - camera.centre_px[0], v - camera.centre_px[1], np.full(u.shape, camera.focal_px)], axis=-1)
    ray = local @ camera.axes()
    origin = np.array(camera.position_m)
    bounds = (*room_m[:4], 0.0, room_m[4])
    reach = np.full((6, *u.shape), np.inf)
    for number, bound in enumerate(bounds):
        axis = number // 2
        with np.errstate(divide="ignore"):
            distance = (bound - origin[axis]) / ray[..., axis]
        reach[number] = np.where(distance > 0, distance, np.inf)
    face = reach.argmin(axis=0)
    return origin + reach.min(axis=0)[..., None] * ray, face


def _surface(
    hit: Floats, face: NDArray[np.int64], view: str, *, grain: list[Floats], tint: Floats, room_m: RoomBounds
) -> Floats:
    """Return the colour of each room point, (height, width, 3), 0 to 1."""
    x, y, z = hit[..., 0], hit[..., 1], hit[..., 2]
    along = np.where(face < 2, y, x)
    wall = np.array([0.80, 0.79, 0.75]) + tint
    colour = np.broadcast_to(wall, hit.shape).copy()
    colour[face < 2] *= 0.94
    low_x, high_x, low_y, high_y = room_m[:4]
    # Light from above: walls darken towards the floor and into the corners.
    corner_m = np.minimum(np.minimum(x - low_x, high_x - x), np.minimum(y - low_y, high_y - y))
    corner_m = np.where(face < 2, np.minimum(y - low_y, high_y - y), corner_m)
    corner_m = np.where((face == 2) | (face == 3), np.minimum(x - low_x, high_x - x), corner_m)
    shade = (0.86 + 0.14 * np.clip(z / 2.0, 0, 1)) * (1.0 - 0.12 * np.exp(-np.maximum(corner_m, 0) / 0.35))
    colour *= shade[..., None]
    _paint_wall(colour, face, along, z)
    floor = face == 4
    colour[floor] = _floor(x[floor], y[floor], grain)
    colour[floor] *= (1.0 - 0.18 * np.exp(-np.maximum(corner_m[floor], 0) / 0.30))[:, None]
    _paint_marker(colour, floor, x, y, view)
    colour[face == 5] = (0.90, 0.90, 0.88)
    return colour


def _paint_wall(colour: Floats, face: NDArray[np.int64], along: Floats, z: Floats) -> None:
    """Paint skirting, a door and two frames on the walls, in place."""
    wall = face < 4
    colour[wall & (z < 0.10)] = (0.93, 0.92, 0.89)
    colour[wall & (z >= 0.095) & (z < 0.105)] = (0.55, 0.54, 0.51)
    back = face == 3
    door = back & (along > 2.05) & (along < 3.05) & (z < 2.08)
    colour[door] = (0.86, 0.86, 0.85)
    panel = back & (along > 2.12) & (along < 2.98) & (z < 2.02)
    colour[panel] = (0.62, 0.55, 0.46)
    colour[back & (np.hypot(along - 2.22, z - 1.03) < 0.035)] = (0.45, 0.45, 0.46)
    for left, right, low, high, paint in (
        (-2.6, -1.7, 1.25, 1.95, (0.52, 0.60, 0.62)),
        (-0.4, 0.2, 1.3, 1.8, (0.68, 0.62, 0.50)),
    ):
        frame = back & (along > left) & (along < right) & (z > low) & (z < high)
        colour[frame] = (0.35, 0.33, 0.31)
        inner = back & (along > left + 0.04) & (along < right - 0.04) & (z > low + 0.04) & (z < high - 0.04)
        colour[inner] = paint
    end = (face == 0) & (along > 0.75) & (along < 1.75) & (z < 2.08) & (z >= 0)
    colour[end] = (0.60, 0.63, 0.65)


def _floor(x: Floats, y: Floats, grain: list[Floats]) -> Floats:
    """Return the colour of floor points, (n, 3): a mottled sheet floor with faint seams every 2 m."""
    base = np.array([0.56, 0.55, 0.52])
    fine = grain[0][(x * 55).astype(int) % 256, (y * 55).astype(int) % 256]
    broad = grain[1][(x * 18).astype(int) % 256, (y * 18).astype(int) % 256]
    colour: Floats = base * (1.0 + 0.018 * fine + 0.012 * broad)[:, None]
    seam = np.abs((y + 0.93) % 2.0 - 1.0) < 0.006
    colour[seam] *= 0.86
    return colour


def _paint_marker(colour: Floats, floor: NDArray[np.bool_], x: Floats, y: Floats, view: str) -> None:
    """Paint the scale marker on the floor, in place: ten stripes, black and yellow in turn."""
    ends = marker_ends(view)
    middle = ends.mean(axis=0)
    along, across = (x - middle[0], y - middle[1]) if view == "sagittal" else (y - middle[1], x - middle[0])
    inside = floor & (np.abs(along) < MARKER_LENGTH_M / 2) & (np.abs(across) < MARKER_WIDTH_M / 2)
    dark = (np.floor((along + MARKER_LENGTH_M / 2) / 0.1).astype(int) % 2) == 0
    colour[inside & dark] = (0.12, 0.12, 0.13)
    colour[inside & ~dark] = (0.92, 0.78, 0.16)
