"""Load a baked body: colour it, fit a prosthetic limb, give the skeleton that belongs to it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from .hems import BROW, EYE, HAIR, IRIS, LIPS, SHIRT, SHOE, SHORTS, SKIN, SOCK, SOLE, WELT
from .mesh import Floats, Ints, Mesh, vertex_normals
from .prosthesis import LIMBS, fit_limb
from .skeleton import BONES, Skeleton
from .wardrobe import Dress, with_girth, with_trousers

BODY_FILE = Path(__file__).with_name("body.npz")
POSITION_STEP_M = 1e-4

Limb = Literal["sound", "cover", "thick_pylon", "bare_pylon"]

# Red, green, blue of each region, 0 to 255.
COMMON_COLOURS = {EYE: (236, 232, 226), SOCK: (226, 226, 222)}
PALETTES: dict[str, dict[int, tuple[int, int, int]]] = {
    "blue": {
        SKIN: (205, 158, 132), LIPS: (176, 110, 98), HAIR: (62, 44, 34), BROW: (84, 60, 46),
        IRIS: (58, 44, 34), SHIRT: (52, 92, 150), SHORTS: (62, 64, 70),
        SHOE: (196, 200, 204), SOLE: (240, 240, 238),
    },
    "red": {
        SKIN: (168, 118, 90), LIPS: (140, 80, 72), HAIR: (32, 26, 24), BROW: (44, 34, 30),
        IRIS: (40, 28, 22), SHIRT: (166, 58, 60), SHORTS: (46, 58, 92),
        SHOE: (54, 56, 62), SOLE: (232, 232, 230),
    },
    "green": {
        SKIN: (218, 176, 150), LIPS: (188, 118, 108), HAIR: (120, 92, 62), BROW: (128, 98, 70),
        IRIS: (76, 92, 96), SHIRT: (82, 126, 92), SHORTS: (148, 134, 110),
        SHOE: (58, 74, 112), SOLE: (236, 236, 232),
    },
}  # fmt: skip
GLOSS = {SKIN: 0.16, LIPS: 0.25, EYE: 0.6, IRIS: 0.6, HAIR: 0.18, SHOE: 0.15}
CLOTH = {SHIRT: 1.0, SHORTS: 0.8, HAIR: 0.9, SOCK: 0.4}


@dataclass(frozen=True, slots=True)
class Look:
    """How the walker looks.

    Attributes
    ----------
    build : "man" or "woman"
    height_m : float
        Standing height without shoes, 1.4 to 2.1. [m]
    limb : "sound", "cover", "thick_pylon" or "bare_pylon"
    prosthetic_side : "left", "right" or None
        None if and only if the limb is "sound".
    on_both_sides : bool
        The other leg has a cover too; only with limb "cover".
    palette : name in PALETTES

    Raises
    ------
    ValueError
        If a value is outside its range.
    """

    build: str = "man"
    height_m: float = 1.74
    limb: str = "sound"
    prosthetic_side: str | None = None
    palette: str = "blue"
    on_both_sides: bool = False

    def __post_init__(self) -> None:
        _one_of("build", self.build, ("man", "woman"))
        _one_of("limb", self.limb, ("sound", *LIMBS))
        _one_of("palette", self.palette, tuple(PALETTES))
        if not 1.4 <= self.height_m <= 2.1:
            raise ValueError(f"look: height_m is {self.height_m}; 1.4 to 2.1 is expected. Give the height in metres.")
        expected = (None,) if self.limb == "sound" else ("left", "right")
        if self.prosthetic_side not in expected:
            raise ValueError(
                f"look: prosthetic_side is {self.prosthetic_side} with limb {self.limb}; "
                f"{' or '.join(map(str, expected))} is expected. Change the side or the limb."
            )
        if self.on_both_sides and self.limb != "cover":
            raise ValueError(f"look: on_both_sides is set with limb {self.limb}; cover is expected. Change the limb.")

    @property
    def prosthetic_sides(self) -> tuple[str, ...]:
        """Sides with a prosthesis."""
        if self.on_both_sides:
            return ("left", "right")
        return () if self.prosthetic_side is None else (self.prosthetic_side,)


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    """Raise ValueError for a name that is not among the allowed ones."""
    if value not in allowed:
        raise ValueError(f"look: {name} is {value}; {', '.join(allowed)} is expected. Choose one of these.")


@dataclass(frozen=True, slots=True)
class Body:
    """A body that can be posed and rendered.

    Attributes
    ----------
    look : Look
    skeleton : Skeleton
        Joints and surface points of this mesh.
    mesh : Mesh
        Rest pose.
    normals : (n_vertices, 3) [1]
        Rest pose.
    """

    look: Look
    skeleton: Skeleton
    mesh: Mesh
    normals: Floats

    @property
    def rest_m(self) -> Floats:
        """Joint at the start of each bone in the rest pose, (n_bones, 3) x, y, z. [m]"""
        return np.array([self.skeleton.rest_m[bone] for bone in BONES])


def load_body(look: Look, dress: Dress | None = None) -> Body:
    """Return the body of a look, scaled to its height.

    Parameters
    ----------
    look : Look
    dress : Dress or None
        Takes the place of the look's palette.

    Raises
    ------
    FileNotFoundError
        If body.npz is missing; bake_body.py makes it.
    ValueError
        If long trousers would hide a pylon.
    """
    if dress is not None and dress.long_trousers and look.limb not in ("sound", "cover"):
        raise ValueError(
            f"dress: long_trousers are set with limb {look.limb}; sound or cover is expected. Choose shorts."
        )
    if not BODY_FILE.is_file():
        raise FileNotFoundError(f"{BODY_FILE.name}: not found beside body.py. Bake it: see README.md.")
    with np.load(BODY_FILE) as file:
        arrays: dict[str, NDArray[Any]] = dict(file)
    scale = look.height_m / float(arrays[f"{look.build}_height_m"])
    vertices = arrays[f"{look.build}_vertices"].astype(np.float64) * (POSITION_STEP_M * scale)
    regions = arrays["regions"].astype(np.int64)
    column = np.array([BONES.index(str(bone)) for bone in arrays["bones"]])
    weights = arrays["bone_weight"].astype(np.float64)
    palette = PALETTES[look.palette] if dress is None else dress.palette()
    colours, material = _colour(regions, palette)
    mesh = Mesh(
        vertices=vertices,
        faces=arrays["faces"].astype(np.int64),
        bone_index=column[arrays["bone_index"]],
        bone_weight=weights / weights.sum(axis=1, keepdims=True),
        colours=colours,
        material=material,
    )
    rest = {
        str(bone): joint.astype(np.float64) * scale
        for bone, joint in zip(arrays["bones"], arrays[f"{look.build}_joints"], strict=True)
    }
    rest["head_top"] = np.array([rest["head"][0], 0.0, float(arrays[f"{look.build}_head_top_m"]) * scale])
    if dress is not None:
        mesh = with_girth(mesh, rest, dress.girth)
    rest.update(_surface_points(mesh, regions, rest))
    skeleton = Skeleton(rest_m=rest)
    for side in look.prosthetic_sides:
        mesh = fit_limb(mesh, regions, skeleton, limb=look.limb, side=side)
    if dress is not None and dress.long_trousers:
        mesh = with_trousers(mesh, regions, rest, colour=palette[SHORTS])
    return Body(look=look, skeleton=skeleton, mesh=mesh, normals=vertex_normals(mesh.vertices, mesh.faces))


def _colour(regions: Ints, palette: dict[int, tuple[int, int, int]]) -> tuple[Floats, Floats]:
    """Return the colours (n_vertices, 3) and the material (n_vertices, 2) of the regions."""
    colour_of = {**COMMON_COLOURS, **palette, WELT: palette[SOLE]}
    colours = np.zeros((len(regions), 3))
    material = np.zeros((len(regions), 2))
    for region in range(int(regions.max()) + 1):
        here = regions == region
        colours[here] = np.array(colour_of[region]) / 255.0
        material[here] = (GLOSS.get(region, 0.04), CLOTH.get(region, 0.0))
    return colours, material


def _surface_points(mesh: Mesh, regions: Ints, rest: dict[str, Floats]) -> dict[str, Floats]:
    """Return the points of the shoes and the head that the skeleton contract names, each (3,) [m]."""
    points: dict[str, Floats] = {}
    for side, sign in (("left", 1.0), ("right", -1.0)):
        shoe = mesh.vertices[np.isin(regions, (SHOE, SOLE)) & (sign * mesh.vertices[:, 1] > 0)]
        lateral_m = rest[f"{side}_ankle"][1]
        sole = shoe[shoe[:, 2] < 0.002]
        heel_band = shoe[np.abs(shoe[:, 2] - 0.030) < 0.015]
        tip = shoe[shoe[:, 0].argmax()]
        points[f"{side}_heel"] = np.array([sole[:, 0].min(), lateral_m, 0.0])
        points[f"{side}_heel_back"] = np.array([heel_band[:, 0].min(), lateral_m, 0.030])
        points[f"{side}_ball_sole"] = np.array([rest[f"{side}_ball"][0], lateral_m, 0.0])
        points[f"{side}_toe"] = np.array([tip[0], lateral_m, 0.020])
        points[f"{side}_toe_sole"] = np.array([sole[:, 0].max(), lateral_m, 0.0])
    head = mesh.bone_weight[:, 0] * (mesh.bone_index[:, 0] == BONES.index("head")) > 0.5
    face = mesh.vertices[head & (regions == SKIN)]
    points["nose"] = face[face[:, 0].argmax()] * [1.0, 0.0, 1.0]
    ear = face[(face[:, 1]).argmax()]
    points["left_ear"], points["right_ear"] = ear, ear * [1.0, -1.0, 1.0]
    return points
