"""Dress the baked body: hair, T-shirt, shorts, socks and shoes cut along straight hems, and face colours.

A garment is a copy of a part of the source mesh, cut where a field of its own crosses zero (its hem) and
pushed outwards along its normals. The cuts are made once, on one build: all builds share faces and weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .hems import (
    BROW,
    EYE,
    HAIR,
    IRIS,
    LIPS,
    SHIRT,
    SHOE,
    SHORTS,
    SKIN,
    SOCK,
    SOLE,
    WELT,
    Marks,
    column_sum,
    field,
    split,
)
from .mesh import Floats, Ints, vertex_normals
from .skeleton import BONES

SOLE_EDGE_M = 0.010
"""Height of the edge between upper and sole above the bare foot's lowest point [m]."""
SOLE_THICK_M = 0.012
UNDER_CLOTH_M = 0.025
"""How far the skin goes on under a hem, so that no gap opens when the limb bends [m]."""

PUSH_M = {SHORTS: 0.011, SHIRT: 0.016, SOCK: 0.003, SHOE: 0.007, SOLE: 0.010, HAIR: 0.014}
COVERING = (SHORTS, SHIRT, SOCK, SHOE, HAIR)


@dataclass(frozen=True, slots=True)
class Outfit:
    """What all builds share.

    Attributes
    ----------
    source : (n_vertices, 2)
        The two ends of the edge of the source mesh on which each dressed vertex lies.
    share : (n_vertices,) [1]
        Where on that edge, 0 at its first end.
    depth_m : (n_vertices,) [m]
        Distance from the nearest hem of the garment, about; 0 at the hem.
    faces : (n_triangles, 3)
    regions : (n_vertices,)
        SKIN ... LIPS.
    weights : (n_vertices, n_bones) [1]
    """

    source: Ints
    share: Floats
    depth_m: Floats
    faces: Ints
    regions: Ints
    weights: Floats

    def place(self, values: Floats) -> Floats:
        """Return the values of the source mesh, (n_source_vertices, k), at the dressed vertices."""
        ends = values[self.source]
        placed: Floats = ends[:, 0] + self.share[:, None] * (ends[:, 1] - ends[:, 0])
        return placed


def cut(points: Floats, quads: dict[str, Ints], weights: Floats, joints: dict[str, Floats], marks: Marks) -> Outfit:
    """Return the outfit of a build: the skin that shows, the eyes, the hair and the garments.

    Parameters
    ----------
    points : (n_source_vertices, 3) x, y, z [m]
        Rest pose.
    quads : group name -> (n_quads, 4)
    weights : (n_source_vertices, n_bones) [1]
    """
    triangles = {name: np.concatenate([group[:, [0, 1, 2]], group[:, [0, 2, 3]]]) for name, group in quads.items()}
    fields = {region: field(region, points, weights, joints, marks) for region in COVERING}
    covered = np.max(list(fields.values()), axis=0)
    above_edge = points[:, 2] - (marks.ground_m + SOLE_EDGE_M)
    fields[SOLE] = np.minimum(fields[SHOE], -above_edge)
    fields[SHOE] = np.minimum(fields[SHOE], above_edge)
    pieces = [(SKIN, "body", UNDER_CLOTH_M - covered), (HAIR, "body", fields[HAIR])]
    pieces += [(EYE, name, np.ones(len(points))) for name in ("helper-l-eye", "helper-r-eye")]
    pieces += [(region, "helper-tights", fields[region]) for region in fields if region != HAIR]
    sources, shares, faces, regions, depths = [], [], [], [], []
    n_vertices = 0
    for region, group, inside_m in pieces:
        source, share, face_rows = split(triangles[group], inside_m)
        sources.append(source)
        shares.append(share)
        faces.append(face_rows + n_vertices)
        regions.append(np.full(len(source), region))
        depths.append(np.where(source[:, 0] == source[:, 1], inside_m[source[:, 0]], 0.0))
        n_vertices += len(source)
    raw = _with_welt(Outfit(
        source=np.concatenate(sources), share=np.concatenate(shares), depth_m=np.concatenate(depths),
        faces=np.concatenate(faces), regions=np.concatenate(regions), weights=weights,
    ))  # fmt: skip
    worn, worn_weights = raw.place(points), raw.place(weights)
    return Outfit(
        source=raw.source, share=raw.share, depth_m=raw.depth_m, faces=raw.faces,
        regions=paint_face(worn, raw.regions, worn_weights, marks),
        weights=stiffen_shoes(worn, raw.regions, worn_weights, joints),
    )  # fmt: skip


def _with_welt(outfit: Outfit) -> Outfit:
    """Return the outfit with a wall from the rim of the sole, later set on the floor, up to the shoe's upper."""
    below = outfit.faces[outfit.regions[outfit.faces[:, 0]] == SOLE]
    edges = below[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    ordered = np.sort(edges, axis=1)
    _, place, count = np.unique(ordered, axis=0, return_inverse=True, return_counts=True)
    rim = edges[count[place.ravel()] == 1]
    low = np.unique(rim)
    high = len(outfit.source) + np.searchsorted(low, rim)
    walls = np.concatenate([
        np.stack([rim[:, 1], rim[:, 0], high[:, 0]], axis=1),
        np.stack([rim[:, 1], high[:, 0], high[:, 1]], axis=1),
    ])  # fmt: skip
    return Outfit(
        source=np.concatenate([outfit.source, outfit.source[low]]),
        share=np.concatenate([outfit.share, outfit.share[low]]),
        depth_m=np.concatenate([outfit.depth_m, outfit.depth_m[low]]),
        faces=np.concatenate([outfit.faces, walls]),
        regions=np.concatenate([outfit.regions, np.full(len(low), WELT)]),
        weights=outfit.weights,
    )


def paint_face(points: Floats, regions: Ints, weights: Floats, marks: Marks) -> Ints:
    """Return the regions with brows, lips and irises told apart."""
    painted = regions.copy()
    head = (regions == SKIN) & (column_sum(weights, ("head",)) > 0.5)
    for eye in marks.eyes:
        aside = np.abs(points[:, 1] - eye[1])
        above = points[:, 2] - eye[2]
        brow = head & (aside < 0.021) & (np.abs(above - 0.0185 + 5.0 * aside**2) < 0.0032)
        painted[brow & (points[:, 0] > eye[0] - 0.002)] = BROW
        ray = points - eye
        facing = ray[:, 0] / np.maximum(np.linalg.norm(ray, axis=1), 1e-9)
        painted[(regions == EYE) & (aside < 0.02) & (facing > 0.88)] = IRIS
    lips = head & (np.abs(points[:, 1]) < 0.024) & (np.abs(points[:, 2] - marks.mouth[2]) < 0.0095)
    painted[lips & (points[:, 0] > marks.mouth[0])] = LIPS
    return painted


def stiffen_shoes(points: Floats, regions: Ints, weights: Floats, joints: dict[str, Floats]) -> Floats:
    """Return the weights with shoes that bend only at the ball: the heel is rigid to the foot bone."""
    stiff = weights.copy()
    for side, here in (("left", points[:, 1] >= 0), ("right", points[:, 1] < 0)):
        chosen = np.isin(regions, (SHOE, SOLE, WELT)) & here
        toes = smooth_step((points[chosen, 0] - joints[f"{side}_ball"][0]) / 0.03 + 0.5)
        stiff[chosen] = 0.0
        stiff[chosen, BONES.index(f"{side}_ball")] = toes
        stiff[chosen, BONES.index(f"{side}_ankle")] = 1.0 - toes
    return stiff


def smooth_step(share: Floats) -> Floats:
    """Return the smooth ramp from 0 to 1 over shares from 0 to 1."""
    inside = np.clip(share, 0.0, 1.0)
    ramp: Floats = inside * inside * (3.0 - 2.0 * inside)
    return ramp


def wear(points: Floats, quads: dict[str, Ints], outfit: Outfit, joints: dict[str, Floats]) -> tuple[Floats, float]:
    """Return the dressed vertices of one build and the floor that they stand on.

    Parameters
    ----------
    points : (n_source_vertices, 3) x, y, z [m]
        Rest pose of the build.
    quads : group name -> (n_quads, 4)
        Give the directions in which cloth is pushed out.

    Returns
    -------
    vertices : (n_vertices, 3) [m]
        Moved so that the soles are at z = 0.
    floor_m : float
        The z of the soles before that move. [m]
    """
    worn = outfit.place(points)
    every = np.concatenate(list(quads.values()))
    normals = outfit.place(vertex_normals(points, np.concatenate([every[:, [0, 1, 2]], every[:, [0, 2, 3]]])))
    push = np.array([PUSH_M.get(region, 0.0) for region in outfit.regions])
    hair = outfit.regions == HAIR
    push[hair] *= 0.25 + 0.75 * smooth_step(outfit.depth_m[hair] / 0.03)
    pushed = worn + push[:, None] * normals
    sole = np.isin(outfit.regions, (SOLE, WELT))
    aside = normals[sole, :2] / np.maximum(np.linalg.norm(normals[sole, :2], axis=1, keepdims=True), 0.3)
    pushed[sole, :2] = worn[sole, :2] + PUSH_M[SOLE] * aside
    pushed[sole, 2] = worn[sole, 2]
    shirt = outfit.regions == SHIRT
    # Cloth hangs from the chest instead of following every hollow of the trunk.
    drop = smooth_step((joints["chest"][2] - pushed[shirt, 2]) / 0.15)
    pushed[shirt, 0] += 0.008 * drop * np.sign(normals[shirt, 0]) * np.abs(normals[shirt, 0])
    return _stand_on_soles(pushed, worn, outfit, joints)


def _stand_on_soles(pushed: Floats, worn: Floats, outfit: Outfit, joints: dict[str, Floats]) -> tuple[Floats, float]:
    """Return the vertices with longer, flat-soled shoes that stand on z = 0, and the floor's former z [m]."""
    shaped = pushed.copy()
    sole = outfit.regions == SOLE
    ankle_m = joints["left_ankle"][0]
    shoe = np.isin(outfit.regions, (SHOE, SOLE, WELT))
    ahead = shaped[shoe, 0] - ankle_m
    shaped[shoe, 0] = ankle_m + np.where(ahead > 0, 1.05 * ahead, 1.10 * ahead)
    floor_m = float(worn[sole, 2].min()) - SOLE_THICK_M
    shaped[sole, 2] = floor_m
    shaped[:, 2] -= floor_m
    return shaped, floor_m
