"""Where the camera stands under drawn conditions, and which part of the walkway it sees."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .conditions import Conditions
from .mesh import Floats
from .scene import ROOM_M, Camera, RoomBounds, project

AIM_HEIGHT_M = 0.85
# The walk never leaves this part of the world's x axis, which all rooms hold.
WALKWAY_M = (-3.6, 3.6)
SAGITTAL_YAW_DEG, FRONTAL_YAW_DEG = 90.0, 180.0
# Half the length of a stride with feet, half the width of a walker with arms. [m]
HALF_STRIDE_M, HALF_WIDTH_M = 0.50, 0.30
MARGIN_SHARE = 0.01
BEHIND_CAMERA_M = 1.2


def camera_of(view: str, conditions: Conditions) -> Camera:
    """Return the camera that films a view under the conditions."""
    yaw_deg = (SAGITTAL_YAW_DEG if view == "sagittal" else FRONTAL_YAW_DEG) + conditions.yaw_deg
    yaw = math.radians(yaw_deg)
    below_m = AIM_HEIGHT_M - conditions.camera_height_m
    return Camera(
        position_m=(
            -conditions.distance_m * math.cos(yaw),
            -conditions.distance_m * math.sin(yaw),
            conditions.camera_height_m,
        ),
        yaw_deg=yaw_deg,
        pitch_deg=math.degrees(math.atan2(below_m, conditions.distance_m)),
        roll_deg=conditions.roll_deg,
        focal_px=conditions.focal_share * conditions.width_px,
        centre_px=((conditions.width_px - 1) / 2, (conditions.height_px - 1) / 2),
        width_px=conditions.width_px,
        height_px=conditions.height_px,
    )


def room_for(camera: Camera) -> RoomBounds:
    """Return the inner faces of a room that holds the camera too: x low and high, y low and high, z high. [m]"""
    x_m, y_m, _ = camera.position_m
    return (
        ROOM_M[0],
        max(ROOM_M[1], x_m + BEHIND_CAMERA_M),
        min(ROOM_M[2], y_m - BEHIND_CAMERA_M),
        max(ROOM_M[3], y_m + BEHIND_CAMERA_M),
        ROOM_M[4],
    )


def visible_way_m(camera: Camera, height_m: float) -> tuple[float, float]:
    """Return between which places on the world's x axis a walker is whole in the picture. [m]

    Parameters
    ----------
    camera : Camera
    height_m : float
        Of the walker, with shoes and hair. [m]

    Raises
    ------
    ValueError
        If the walker is cut off even in the middle of the walkway.
    """
    places_m = np.arange(WALKWAY_M[0], WALKWAY_M[1] + 0.01, 0.05)
    inside = _whole(camera, places_m, height_m)
    middle = int(np.abs(places_m).argmin())
    if not inside[middle]:
        raise ValueError(
            "clip: the walker is cut off in the middle of the way; the whole body is expected. "
            "Raise distance_m or lower focal_share."
        )
    low = high = middle
    while low > 0 and inside[low - 1]:
        low -= 1
    while high < len(places_m) - 1 and inside[high + 1]:
        high += 1
    return float(places_m[low]), float(places_m[high])


def _whole(camera: Camera, places_m: Floats, height_m: float) -> NDArray[np.bool_]:
    """Return whether a box around a walker at each place, (n_places,), is inside the picture."""
    corners = np.array(
        [
            (ahead, beside, up)
            for ahead in (-HALF_STRIDE_M, HALF_STRIDE_M)
            for beside in (-HALF_WIDTH_M, HALF_WIDTH_M)
            for up in (0.0, height_m)
        ]
    )
    u, v = np.moveaxis(project(camera, corners + places_m[:, None, None] * [1.0, 0.0, 0.0]), -1, 0)
    margin_px = MARGIN_SHARE * camera.width_px
    # What lies behind the camera is NaN, and so never inside.
    across = (u >= margin_px) & (u <= camera.width_px - 1 - margin_px)
    inside: NDArray[np.bool_] = (across & (v >= margin_px) & (v <= camera.height_px - 1 - margin_px)).all(axis=1)
    return inside
