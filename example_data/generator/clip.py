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
from .conditions import Conditions
from .filming import camera_of, visible_way_m
from .frames import render_filmed, render_frames
from .mesh import Floats
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
)
from .sequence import Sequence, perform
from .settings import WalkerSettings
from .skeleton import Pose, joint_positions
from .walker import GaitTruth, walk

FRAME_RATE_HZ = 30
CONSTANT_RATE_FACTOR = 21
LENGTH_DIGITS, PIXEL_DIGITS = 4, 2

# What the hair adds to the body's height. [m]
HAIR_M = 0.03

# Pelvis at the first and last frame, along the walking line: metres past the middle of the picture in side
# view, metres from the camera in frontal views.
SAGITTAL_SPAN_M = (-2.86, 2.86)
ANTERIOR_SPAN_M = (8.6, 3.0)
POSTERIOR_SPAN_M = (3.0, 8.6)

# Where the walker faces in the picture on the way out and on the way back, by view; a leftward walk in side view
# is the other way round.
DIRECTIONS = {"sagittal": ("rightward", "leftward"), "anterior": ("toward", "away"), "posterior": ("away", "toward")}


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
    conditions : Conditions or None
        How the clip is filmed; None is the camera, light and room of the example study.
    sequence : Sequence or None
        Standing, turning and walking back; None is one walk. The view is that of the way out.

    Raises
    ------
    ValueError
        If view or sides do not fit, or a sequence is asked for with a stick.
    """

    look: Look
    settings: WalkerSettings
    view: str
    leftward: bool = False
    labels: dict[str, str] = field(default_factory=dict)
    conditions: Conditions | None = None
    sequence: Sequence | None = None

    def __post_init__(self) -> None:
        if self.view not in VIEWS:
            raise ValueError(f"clip: view is {self.view}; {', '.join(VIEWS)} is expected. Choose one of these.")
        if self.leftward and self.view != "sagittal":
            raise ValueError(f"clip: leftward is set with view {self.view}; sagittal is expected. Leave it out.")
        if self.look.prosthetic_side != self.settings.prosthetic_side:
            raise ValueError(
                f"clip: the look's prosthetic side is {self.look.prosthetic_side}, the walk's is "
                f"{self.settings.prosthetic_side}; the same side is expected. Set both alike."
            )
        if self.sequence is not None and self.conditions is not None and self.conditions.occluder == "stick":
            raise ValueError(
                "clip: a sequence is set with occluder stick, which follows a single walk; none or bars is expected. "
                "Change the occluder."
            )

    def placement(self) -> tuple[Placement, float, float]:
        """Return the walk's place in the world, the pelvis's first x [m] and the distance walked [m].

        Raises
        ------
        ValueError
            If the camera of the conditions cuts the walker off.
        """
        if self.conditions is not None:
            low_m, high_m = visible_way_m(self.camera(), self.look.height_m + HAIR_M)
            way_m = min(high_m - low_m, self.conditions.longest_s * self.settings.speed_m_s)
            middle_m = 0.5 * (low_m + high_m)
            backward = self.leftward or self.view == "posterior"
            return Placement(180.0 if backward else 0.0), (-middle_m if backward else middle_m) - 0.5 * way_m, way_m
        if self.view == "sagittal":
            start_m, end_m = SAGITTAL_SPAN_M
            return Placement(yaw_deg=180.0 if self.leftward else 0.0), start_m, end_m - start_m
        if self.view == "anterior":
            start_m, end_m = ANTERIOR_SPAN_M
            return Placement(yaw_deg=0.0), FRONTAL_CAMERA_X_M - start_m, start_m - end_m
        start_m, end_m = POSTERIOR_SPAN_M
        return Placement(yaw_deg=180.0), start_m - FRONTAL_CAMERA_X_M, end_m - start_m

    def camera(self) -> Camera:
        """Return the camera."""
        return camera_for(self.view) if self.conditions is None else camera_of(self.view, self.conditions)

    @property
    def frame_rate_hz(self) -> int:
        """Frames a second. [1/s]"""
        return FRAME_RATE_HZ if self.conditions is None else self.conditions.frame_rate_hz

    def body(self) -> Body:
        """Return the walker's body."""
        return load_body(self.look, None if self.conditions is None else self.conditions.dress)

    def walk(self, body: Body) -> tuple[Pose, GaitTruth]:
        """Return the walk or the sequence in the walker's own frame, and its truth.

        Raises
        ------
        ValueError
            If the body cannot walk as the settings ask.
        """
        _, start_x_m, distance_m = self.placement()
        rate_hz = self.frame_rate_hz
        if self.sequence is not None:
            out, back = DIRECTIONS[self.view]
            return perform(
                body.skeleton, self.settings, self.sequence, start_x_m=start_x_m, distance_m=distance_m, fps=rate_hz,
                directions=(back, out) if self.leftward else (out, back),
            )  # fmt: skip
        duration_s = math.floor(distance_m / self.settings.speed_m_s * rate_hz) / rate_hz
        return walk(body.skeleton, self.settings, duration_s=duration_s, fps=rate_hz, start_x_m=start_x_m)


def make_clip(spec: ClipSpec, video_path: Path, truth_path: Path) -> dict[str, Any]:
    """Write the video and the truth file of a clip and return the truth.

    Both files appear complete or not at all: they are written under a temporary name and renamed.
    """
    body = spec.body()
    own_pose, gait = spec.walk(body)
    pose = place_pose(own_pose, spec.placement()[0])
    truth = truth_record(spec, body, pose, gait, camera=spec.camera())
    truth["clip"] = video_path.name
    render_clip(spec, video_path, body=body, pose=pose, gait=gait)
    truth_path.parent.mkdir(parents=True, exist_ok=True)
    draft = truth_path.with_name(truth_path.name + ".part")
    draft.write_text(json.dumps(truth, separators=(",", ":"), allow_nan=False), encoding="utf-8")
    draft.replace(truth_path)
    return truth


def render_clip(spec: ClipSpec, path: Path, *, body: Body, pose: Pose, gait: GaitTruth) -> None:
    """Render a pose that is given in the world frame and write it as H.264 in MP4, without sound."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(path.name + ".part")
    camera, seed, conditions = spec.camera(), spec.settings.seed, spec.conditions
    if conditions is None:
        encode(draft, render_frames(body, pose, camera, view=spec.view, seed=seed), camera)
    else:
        frames = render_filmed(body, pose, camera, view=spec.view, seed=seed, gait=gait, conditions=conditions)
        encode(draft, frames, camera, rate_hz=conditions.frame_rate_hz, crf=conditions.crf)
    draft.replace(path)


def encode(
    path: Path,
    frames: Iterator[NDArray[np.uint8]],
    camera: Camera,
    *,
    rate_hz: int = FRAME_RATE_HZ,
    crf: int = CONSTANT_RATE_FACTOR,
) -> None:
    """Write frames as H.264 (yuv420p) in MP4.

    One thread and the codec's bit-exact mode: the same frames give the same bytes with the same library.
    """
    with av.open(str(path), mode="w", format="mp4", options={"movflags": "+faststart", "fflags": "+bitexact"}) as file:
        stream = file.add_stream("libx264", rate=rate_hz)
        stream.width, stream.height, stream.pix_fmt = camera.width_px, camera.height_px, "yuv420p"
        stream.options = {
            "crf": str(crf),
            "preset": "veryfast",
            "threads": "1",
            "flags": "+bitexact",
        }
        for picture in frames:
            file.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        file.mux(stream.encode())


def truth_record(spec: ClipSpec, body: Body, pose: Pose, gait: GaitTruth, *, camera: Camera) -> dict[str, Any]:
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
    filmed = {} if spec.conditions is None else {"conditions": asdict(spec.conditions)}
    performed = {} if spec.sequence is None else {"sequence": asdict(spec.sequence)}
    return {
        **filmed,
        **performed,
        "labels": spec.labels,
        "frame_rate_hz": spec.frame_rate_hz,
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
        "joints_px": {name: _rounded(project(camera, points), PIXEL_DIGITS) for name, points in joints.items()},
    }


def _rounded(values: Floats, digits: int) -> list[Any]:
    """Return an array as nested lists of numbers with that many decimals."""
    lists: list[Any] = np.round(values, digits).tolist()
    return lists
