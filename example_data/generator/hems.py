"""Hems: where each garment begins and ends on the body, and the cutting of triangles along such a line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from .mesh import Floats, Ints
from .skeleton import BONES

SKIN, SHIRT, SHORTS, SOCK, SHOE, SOLE, WELT, HAIR, BROW, EYE, IRIS, LIPS = range(12)

SLEEVE_END_SHARE = 0.72
SHORTS_END_SHARE = 0.62


@dataclass(frozen=True, slots=True)
class Marks:
    """Places on the bare body of one build, in its rest pose.

    Attributes
    ----------
    eyes : (2, 3) x, y, z [m]
        Centres of the left and right eyeball.
    mouth : (3,) x, y, z [m]
        Middle between the rows of teeth.
    ground_m : float
        Lowest z of the bare feet. [m]
    """

    eyes: Floats
    mouth: Floats
    ground_m: float


def column_sum(weights: Floats, endings: Iterable[str]) -> Floats:
    """Return each vertex's weight on all bones whose name ends in one of the endings, (n_vertices,) [1]."""
    chosen = [column for column, bone in enumerate(BONES) if bone.endswith(tuple(endings))]
    total: Floats = weights[:, chosen].sum(axis=1)
    return total


def metres_along(points: Floats, joints: dict[str, Floats], start: str, end: str) -> tuple[Floats, float]:
    """Return how far each point lies along its side's bone, (n_points,) [m], and the bone's length [m]."""
    along = np.zeros(len(points))
    length = 0.0
    for side, here in (("left", points[:, 1] >= 0), ("right", points[:, 1] < 0)):
        axis = joints[f"{side}_{end}"] - joints[f"{side}_{start}"]
        length = float(np.linalg.norm(axis))
        along[here] = (points[here] - joints[f"{side}_{start}"]) @ axis / length
    return along, length


def field(region: int, points: Floats, weights: Floats, joints: dict[str, Floats], marks: Marks) -> Floats:
    """Return how far inside a garment's hems each point lies, (n_points,), negative outside. [m]"""
    height = points[:, 2]
    arm = column_sum(weights, ("shoulder", "elbow", "wrist")) > 0.5
    ankle_m = joints["left_ankle"][2]
    if region == HAIR:
        return np.where(column_sum(weights, ("head",)) > 0.3, _above_hairline(points, marks), -1.0)
    if region == SHIRT:
        along, length = metres_along(points, joints, "shoulder", "elbow")
        collar_m = joints["neck"][2] - 0.002 - 0.55 * (points[:, 0] - joints["neck"][0])
        trunk = np.minimum(height - joints["pelvis"][2] + 0.055, collar_m - height)
        return np.where(arm, SLEEVE_END_SHARE * length - along, trunk)
    if region == SHORTS:
        along, length = metres_along(points, joints, "hip", "knee")
        leg = np.minimum(SHORTS_END_SHARE * length - along, joints["pelvis"][2] + 0.10 - height)
        return np.where(arm, -1.0, leg)
    leg_low = np.where(height < joints["left_knee"][2] - 0.05, 1.0, -1.0)
    if region == SOCK:
        inside_m: Floats = np.minimum(ankle_m + 0.13 - height, height - ankle_m + 0.04)
    else:
        # The top line of the shoe falls a little from the tongue to the heel.
        ahead = np.clip(points[:, 0] - joints["left_ankle"][0], -0.05, 0.08)
        inside_m = ankle_m + 0.005 + 0.25 * ahead - height
    return np.minimum(leg_low, inside_m)


def _above_hairline(points: Floats, marks: Marks) -> Floats:
    """Return the height of head points above the hairline, which ends before the ears. [m]"""
    ahead = points[:, 0] - marks.eyes[0, 0]
    above = points[:, 2] - marks.eyes[0, 2]
    line = np.interp(
        ahead,
        [-0.20, -0.115, -0.09, -0.06, -0.035, 0.0, 0.03],
        [-0.065, -0.055, 0.0, 0.02, 0.028, 0.058, 0.068],
    )
    ear = (np.abs(points[:, 1]) > 0.074) & (above < 0.035) & (ahead > -0.125)
    return np.where(ear, -1.0, above - line)


def split(triangles: Ints, inside_m: Floats) -> tuple[Ints, Floats, Ints]:
    """Cut triangles along the zero line of a field and keep the positive part.

    Parameters
    ----------
    triangles : (n_triangles, 3)
        Into the source mesh.
    inside_m : (n_source_vertices,) [m]

    Returns
    -------
    source : (n_vertices, 2)
    share : (n_vertices,) [1]
    faces : (n_faces, 3)
        Into the returned vertices.
    """
    numbers: dict[tuple[int, int], int] = {}
    ends: list[tuple[int, int]] = []
    shares: list[float] = []
    faces: list[tuple[int, int, int]] = []

    def vertex(first: int, second: int) -> int:
        key = (min(first, second), max(first, second))
        if key not in numbers:
            numbers[key] = len(ends)
            ends.append(key)
            low, high = inside_m[key[0]], inside_m[key[1]]
            shares.append(0.0 if first == second else float(low / (low - high)))
        return numbers[key]

    for triangle in triangles[(inside_m[triangles] > 0).any(axis=1)]:
        corners: list[int] = []
        for start, end in zip(triangle, np.roll(triangle, -1), strict=True):
            if inside_m[start] > 0:
                corners.append(vertex(int(start), int(start)))
            if (inside_m[start] > 0) != (inside_m[end] > 0):
                corners.append(vertex(int(start), int(end)))
        faces += [(corners[0], corners[k], corners[k + 1]) for k in range(1, len(corners) - 1)]
    return np.array(ends), np.array(shares), np.array(faces)
