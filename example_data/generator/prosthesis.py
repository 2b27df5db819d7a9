"""Replace one leg of a mesh by a prosthetic limb: socket, knee block, shank as cover or pylon, shod foot."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .hems import SHORTS, SKIN, SOCK
from .mesh import Flags, Floats, Ints, Mesh, join, turned_part, without
from .skeleton import BONES, Skeleton

LIMBS = ("cover", "thick_pylon", "bare_pylon")
PYLON_RADIUS_M = {"thick_pylon": 0.030, "bare_pylon": 0.016}

SOCKET_COLOUR = np.array([0.80, 0.77, 0.72])
COVER_COLOUR = np.array([0.64, 0.60, 0.55])
METAL_COLOUR = np.array([0.66, 0.68, 0.70])
BLOCK_COLOUR = np.array([0.20, 0.21, 0.23])
SOCKET_PROFILE = ((0.0, 1.0), (0.45, 0.93), (0.85, 0.74), (0.96, 0.60), (1.0, 0.40))
SOCKET_END_SHARE = 0.88
"""Where the socket ends along hip to knee [1]."""


def fit_limb(mesh: Mesh, regions: Ints, skeleton: Skeleton, *, limb: str, side: str) -> Mesh:
    """Return the mesh with a prosthetic limb on one side; the shoe of that side stays.

    Parameters
    ----------
    mesh : Mesh
        Sound body.
    regions : (n_vertices,)
        Colour regions of clothing.py.
    skeleton : Skeleton
    limb : "cover", "thick_pylon" or "bare_pylon"
    side : "left" or "right"
    """
    leg = _leg_skin(mesh, regions, side)
    if limb == "cover":
        return _with_cover(mesh, leg, skeleton, side)
    parts = _hardware(mesh, regions, skeleton, limb=limb, side=side)
    return join([without(mesh, leg), *parts])


def _leg_skin(mesh: Mesh, regions: Ints, side: str) -> Flags:
    """Return which vertices, (n_vertices,), are the skin and the sock of one leg."""
    main_bone = mesh.bone_index[np.arange(len(regions)), mesh.bone_weight.argmax(axis=1)]
    leg_bones = [BONES.index(f"{side}_{bone}") for bone in ("hip", "knee", "ankle", "ball")]
    return np.isin(regions, (SKIN, SOCK)) & np.isin(main_bone, leg_bones)


def _with_cover(mesh: Mesh, leg: Flags, skeleton: Skeleton, side: str) -> Mesh:
    """Return the mesh with the leg's skin coloured as a hard socket above and a leg-shaped cover below."""
    hip, knee = skeleton.rest_m[f"{side}_hip"], skeleton.rest_m[f"{side}_knee"]
    edge_m = hip[2] + SOCKET_END_SHARE * (knee[2] - hip[2])
    above = mesh.vertices[:, 2] > edge_m
    colours, material = mesh.colours.copy(), mesh.material.copy()
    colours[leg & above] = SOCKET_COLOUR
    colours[leg & ~above] = COVER_COLOUR
    material[leg & above] = (0.35, 0.0)
    material[leg & ~above] = (0.06, 0.15)
    return replace(mesh, colours=colours, material=material)


def _hardware(mesh: Mesh, regions: Ints, skeleton: Skeleton, *, limb: str, side: str) -> list[Mesh]:
    """Return socket, knee block, pylon and foot collar as meshes that are rigid to thigh, shank and foot."""
    thigh, shank, foot = (BONES.index(f"{side}_{bone}") for bone in ("hip", "knee", "ankle"))
    hip, knee, ankle = (skeleton.rest_m[f"{side}_{bone}"] for bone in ("hip", "knee", "ankle"))
    radius_m = PYLON_RADIUS_M[limb]
    hem_centre, hem_radius_m = _hem(mesh, regions, side)
    stump_end = hip + SOCKET_END_SHARE * (knee - hip)
    top = hem_centre + 0.5 * (hem_centre - stump_end)
    wide_m = hem_radius_m - 0.012
    socket = turned_part(
        top, stump_end,
        [(share, wide * wide_m) for share, wide in SOCKET_PROFILE],
        bone=thigh, colour=SOCKET_COLOUR, gloss=0.35,
    )  # fmt: skip
    below = knee + np.array([0.0, 0.0, -0.075])
    half_axle = np.array([0.0, 0.034, 0.0])
    adapter = turned_part(stump_end, knee, [(0.0, 0.026), (1.0, 0.026)], bone=thigh, colour=METAL_COLOUR, gloss=0.6)
    axle = turned_part(
        knee - half_axle, knee + half_axle, [(0.0, 0.034), (1.0, 0.034)],
        bone=shank, colour=BLOCK_COLOUR, gloss=0.3,
    )  # fmt: skip
    block = turned_part(
        knee, below, [(0.0, 0.034), (0.8, 0.032), (1.0, max(radius_m, 0.022))],
        bone=shank, colour=BLOCK_COLOUR, gloss=0.3,
    )  # fmt: skip
    pylon = turned_part(below, ankle, [(0.0, radius_m), (1.0, radius_m)], bone=shank, colour=METAL_COLOUR, gloss=0.6)
    collar = turned_part(
        ankle + np.array([0.005, 0.0, 0.020]), ankle + np.array([0.005, 0.0, -0.040]),
        [(0.0, 0.026), (0.35, 0.036), (1.0, 0.044)],
        bone=foot, colour=BLOCK_COLOUR, gloss=0.1,
    )  # fmt: skip
    return [socket, adapter, axle, block, pylon, collar]


def _hem(mesh: Mesh, regions: Ints, side: str) -> tuple[Floats, float]:
    """Return the centre (3,) [m] and the mean radius [m] of the shorts' leg at its hem."""
    thigh = mesh.bone_index[:, 0] == BONES.index(f"{side}_hip")
    cloth = mesh.vertices[(regions == SHORTS) & thigh]
    ring = cloth[cloth[:, 2] < cloth[:, 2].min() + 0.04]
    centre: Floats = 0.5 * (ring.min(axis=0) + ring.max(axis=0))
    return centre, float(np.linalg.norm((ring - centre)[:, :2], axis=1).mean())
