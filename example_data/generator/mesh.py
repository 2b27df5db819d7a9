"""Skinned triangle meshes: joining, cutting, normals, turned parts and skinning to a pose."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Mesh:
    """A skinned mesh in the rest pose.

    Attributes
    ----------
    vertices : (n_vertices, 3) x, y, z [m]
        Walker frame.
    faces : (n_triangles, 3)
    bone_index : (n_vertices, 4)
        Into BONES.
    bone_weight : (n_vertices, 4) [1]
        Rows sum to 1.
    colours : (n_vertices, 3) red, green, blue, 0 to 1 [1]
    material : (n_vertices, 2) gloss, cloth, 0 to 1 [1]
        Gloss is the strength of the highlight, cloth the depth of the folds.
    """

    vertices: Floats
    faces: Ints
    bone_index: Ints
    bone_weight: Floats
    colours: Floats
    material: Floats


def join(meshes: list[Mesh]) -> Mesh:
    """Return one mesh that holds all the given ones."""
    starts = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes])
    return Mesh(
        vertices=np.concatenate([mesh.vertices for mesh in meshes]),
        faces=np.concatenate([mesh.faces + start for mesh, start in zip(meshes, starts, strict=False)]),
        bone_index=np.concatenate([mesh.bone_index for mesh in meshes]),
        bone_weight=np.concatenate([mesh.bone_weight for mesh in meshes]),
        colours=np.concatenate([mesh.colours for mesh in meshes]),
        material=np.concatenate([mesh.material for mesh in meshes]),
    )


def without(mesh: Mesh, vertices: Flags) -> Mesh:
    """Return the mesh without the faces that touch a flagged vertex, (n_vertices,)."""
    return replace(mesh, faces=mesh.faces[~vertices[mesh.faces].any(axis=1)])


def vertex_normals(points: Floats, faces: Ints) -> Floats:
    """Return outward unit normals, (n_vertices, 3), weighted by face area; zero where no face touches."""
    corner = points[faces[:, 0]]
    cross = np.cross(points[faces[:, 1]] - corner, points[faces[:, 2]] - corner)
    normals = np.zeros_like(points)
    for column in range(3):
        np.add.at(normals, faces[:, column], cross)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    unit: Floats = normals / np.maximum(length, 1e-12)
    return unit


def turned_part(
    start_m: Floats,
    end_m: Floats,
    profile: list[tuple[float, float]],
    *,
    bone: int,
    colour: Floats,
    gloss: float,
) -> Mesh:
    """Return a closed surface of revolution that is rigid to one bone.

    Parameters
    ----------
    start_m, end_m : (3,) x, y, z [m]
        Ends of the axis.
    profile : list of (share, radius)
        Share along the axis [1] and radius there [m], from start to end.
    bone : int
        Index into BONES.
    colour : (3,) red, green, blue, 0 to 1 [1]
    gloss : float
        0 to 1. [1]
    """
    n_around = 20
    axis = end_m - start_m
    helper = np.array([1.0, 0.0, 0.0]) if abs(axis[0]) < 0.7 * np.linalg.norm(axis) else np.array([0.0, 1.0, 0.0])
    first = np.cross(axis, helper)
    first /= np.linalg.norm(first)
    second = np.cross(axis, first) / np.linalg.norm(axis)
    angle = np.linspace(0.0, 2.0 * np.pi, n_around, endpoint=False)
    ring = np.cos(angle)[:, None] * first + np.sin(angle)[:, None] * second
    # Rings of no radius at both ends close the surface; doubled rings keep the end edges sharp in shading.
    stations = [(profile[0][0], 0.0), profile[0], *profile, profile[-1], (profile[-1][0], 0.0)]
    vertices = np.concatenate([start_m + share * axis + radius * ring for share, radius in stations])
    here = np.arange(n_around)
    ahead = (here + 1) % n_around
    faces = []
    for row in range(len(stations) - 1):
        low, high = row * n_around, (row + 1) * n_around
        faces += [
            np.stack([low + here, low + ahead, high + ahead], 1),
            np.stack([low + here, high + ahead, high + here], 1),
        ]
    n_vertices = len(vertices)
    return Mesh(
        vertices=vertices,
        faces=np.concatenate(faces),
        bone_index=np.full((n_vertices, 4), bone),
        bone_weight=np.tile([1.0, 0.0, 0.0, 0.0], (n_vertices, 1)),
        colours=np.tile(colour, (n_vertices, 1)),
        material=np.tile([gloss, 0.0], (n_vertices, 1)),
    )


def skin(mesh: Mesh, normals: Floats, *, rest_m: Floats, joints_m: Floats, rotation: Floats) -> tuple[Floats, Floats]:
    """Return the vertices and normals of one frame by linear blend skinning.

    Parameters
    ----------
    mesh : Mesh
    normals : (n_vertices, 3) [1]
        Of the rest pose.
    rest_m, joints_m : (n_bones, 3) x, y, z [m]
        Joint at the start of each bone, in the rest pose and in this frame, both in the walker frame.
    rotation : (n_bones, 3, 3) [1]
        Global rotation of each bone relative to the rest pose.

    Returns
    -------
    vertices : (n_vertices, 3) [m]
    normals : (n_vertices, 3) [1]
        Not of unit length where bones blend.

    Notes
    -----
    v' = sum over bones of w_b (R_b (v - rest_b) + joint_b).
    """
    moves = np.empty((len(rest_m), 3, 4))
    moves[:, :, :3] = rotation
    moves[:, :, 3] = joints_m - np.einsum("bij,bj->bi", rotation, rest_m)
    blended = np.zeros((len(mesh.vertices), 12))
    table = moves.reshape(-1, 12)
    for column in range(4):
        blended += mesh.bone_weight[:, [column]] * table[mesh.bone_index[:, column]]
    own = blended.reshape(-1, 3, 4)
    vertices = np.einsum("vij,vj->vi", own[:, :, :3], mesh.vertices) + own[:, :, 3]
    turned: Floats = np.einsum("vij,vj->vi", own[:, :, :3], normals)
    return vertices, turned
