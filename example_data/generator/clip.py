"""Make one clip: walk, render, encode, and write the truth file."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from .body import Body, Look, load_body
from .mesh import Floats, skin
from .render import Renderer
from .scene import (
    FRONTAL_CAMERA_X_M,
    MARKER_LENGTH_M,
    VIEWS,
    Camera,
    Placement,
    camera_for,
    marker_ends,
    place_pose,
    project,
    render_room,
)
from .settings import WalkerSettings
from .skeleton import BONES, Pose, joint_positions
from .walker import GaitTruth, walk

FRAME_RATE_HZ = 30
CONSTANT_RATE_FACTOR = 21
LENGTH_DIGITS, PIXEL_DIGITS = 4, 2

# Pelvis at the first and last frame, along the walking line: metres past the middle of the picture in side
# view, metres from the camera in frontal views.
SAGITTAL_SPAN_M = (-2.86, 2.86)
ANTERIOR_SPAN_M = (8.6, 3.0)
POSTERIOR_SPAN_M = (3.0, 8.6)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipSpec:
    """What a clip shows.

    Attributes
    ----------
    look : Look
    settings : WalkerSettings
        Its prosthetic side must be that of the look, its seed also seeds the room.
    view : "sagittal", "anterior" or "posterior"
    leftward : bool
        Side view only: the walker crosses the picture from right to left.
    labels : dict of str
        Written into the truth file as they are.

    Raises
    ------
    ValueError
        If view or sides do not fit.
    """

    look: Look
    settings: WalkerSettings
    view: str
    leftward: bool = False
    labels: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.view not in VIEWS:
            raise ValueError(
                f"clip: view is {self.view}; {', '.join(VIEWS)} is expected. Choose one of these."
            )
        if self.leftward and self.view != "sagittal":
            raise ValueError(
                f"clip: leftward is set with view {self.view}; sagittal is expected. Leave it out."
            )
        if self.look.prosthetic_side != self.settings.prosthetic_side:
            raise ValueError(
                f"clip: the look's prosthetic side is {self.look.prosthetic_side}, the walk's is "
                f"{self.settings.prosthetic_side}; the same side is expected. Set both alike."
            )

    def placement(self) -> tuple[Placement, float, float]:
        """Return the walk's place in the world, the pelvis's first x [m] and the distance walked [m]."""
        if self.view == "sagittal":
            start_m, end_m = SAGITTAL_SPAN_M
            return Placement(yaw_deg=180.0 if self.leftward else 0.0), start_m, end_m - start_m
        if self.view == "anterior":
            start_m, end_m = ANTERIOR_SPAN_M
            return Placement(yaw_deg=0.0), FRONTAL_CAMERA_X_M - start_m, start_m - end_m
        start_m, end_m = POSTERIOR_SPAN_M
        return Placement(yaw_deg=180.0), start_m - FRONTAL_CAMERA_X_M, end_m - start_m


def make_clip(spec: ClipSpec, video_path: Path, truth_path: Path) -> dict[str, Any]:
    """Write the video and the truth file of a clip and return the truth.

    Both files appear complete or not at all: they are written under a temporary name and renamed.
    """
    placement, start_x_m, distance_m = spec.placement()
    body = load_body(spec.look)
    duration_s = math.floor(distance_m / spec.settings.speed_m_s * FRAME_RATE_HZ) / FRAME_RATE_HZ
    pose, gait = walk(
        body.skeleton, spec.settings, duration_s=duration_s, fps=FRAME_RATE_HZ, start_x_m=start_x_m
    )
    camera = camera_for(spec.view)
    truth = truth_record(spec, body, place_pose(pose, placement), gait, camera=camera)
    truth["clip"] = video_path.name
    render_clip(
        video_path,
        body=body,
        pose=place_pose(pose, placement),
        camera=camera,
        view=spec.view,
        seed=spec.settings.seed,
    )
    truth_path.parent.mkdir(parents=True, exist_ok=True)
    draft = truth_path.with_name(truth_path.name + ".part")
    draft.write_text(json.dumps(truth, separators=(",", ":"), allow_nan=False), encoding="utf-8")
    draft.replace(truth_path)
    return truth


def render_clip(path: Path, *, body: Body, pose: Pose, camera: Camera, view: str, seed: int) -> None:
    """Render a pose that is given in the world frame and write it as H.264 in MP4, without sound."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(path.name + ".part")
    encode(draft, render_frames(body, pose, camera, view=view, seed=seed), camera)
    draft.replace(path)


def render_frames(
    body: Body, pose: Pose, camera: Camera, *, view: str, seed: int
) -> Iterator[NDArray[np.uint8]]:
    """Yield the frames of a pose in the world frame, each (height, width, 3) uint8 red, green, blue."""
    room = render_room(camera, view, seed=seed)
    joints = joint_positions(body.skeleton, pose)
    starts = np.stack([joints[bone] for bone in BONES], axis=1)
    mesh = body.mesh
    with Renderer(
        camera, room, faces=mesh.faces, rest_m=mesh.vertices, colours=mesh.colours, material=mesh.material
    ) as renderer:
        for joints_m, rotation in zip(starts, pose.rotation, strict=True):
            vertices, normals = skin(
                mesh, body.normals, rest_m=body.rest_m, joints_m=joints_m, rotation=rotation
            )
            yield renderer.draw(vertices, normals)


def encode(path: Path, frames: Iterator[NDArray[np.uint8]], camera: Camera) -> None:
    """Write frames as H.264 (yuv420p) in MP4 at the generator's frame rate.

    One thread and the codec's bit-exact mode: the same frames give the same bytes with the same library.
    """
    with av.open(
        str(path), mode="w", format="mp4", options={"movflags": "+faststart", "fflags": "+bitexact"}
    ) as file:
        stream = file.add_stream("libx264", rate=FRAME_RATE_HZ)
        stream.width, stream.height, stream.pix_fmt = camera.width_px, camera.height_px, "yuv420p"
        stream.options = {
            "crf": str(CONSTANT_RATE_FACTOR),
            "preset": "veryfast",
            "threads": "1",
            "flags": "+bitexact",
        }
        for picture in frames:
            file.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        file.mux(stream.encode())


def truth_record(
    spec: ClipSpec, body: Body, pose: Pose, gait: GaitTruth, *, camera: Camera
) -> dict[str, Any]:
    """Return everything known about a clip as plain values for JSON.

    Parameters
    ----------
    pose : Pose
        In the world frame.

    Returns
    -------
    dict
        joints_m: name -> (n_frames, 3) x, y, z in the world [m]; joints_px: name -> (n_frames, 2) u, v [px],
        v down, whole numbers at pixel centres; gait: the walker's own truth with its settings; camera,
        marker, placement, look.
    """
    joints = joint_positions(body.skeleton, pose)
    ends = marker_ends(spec.view)
    ends_px = project(camera, ends)
    placement, start_x_m, _ = spec.placement()
    return {
        "labels": spec.labels,
        "frame_rate_hz": FRAME_RATE_HZ,
        "n_frames": len(pose.time_s),
        "view": spec.view,
        "leftward": spec.leftward,
        "look": asdict(spec.look),
        "camera": asdict(camera),
        "placement": asdict(placement),
        "start_x_m": start_x_m,
        "marker": {
            "length_m": MARKER_LENGTH_M,
            "ends_m": _rounded(ends, LENGTH_DIGITS),
            "ends_px": _rounded(ends_px, PIXEL_DIGITS),
            "length_px": round(float(np.linalg.norm(ends_px[1] - ends_px[0])), PIXEL_DIGITS),
        },
        "rest_m": {name: _rounded(point, LENGTH_DIGITS) for name, point in body.skeleton.rest_m.items()},
        "gait": gait.to_dict(),
        "joints_m": {name: _rounded(points, LENGTH_DIGITS) for name, points in joints.items()},
        "joints_px": {
            name: _rounded(project(camera, points), PIXEL_DIGITS) for name, points in joints.items()
        },
    }


def _rounded(values: Floats, digits: int) -> list[Any]:
    """Return an array as nested lists of numbers with that many decimals."""
    lists: list[Any] = np.round(values, digits).tolist()
    return lists
