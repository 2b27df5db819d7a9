"""What a drawn person wears and weighs: skin tone, cloth colours, long trousers, girth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .hems import BROW, HAIR, IRIS, LIPS, SHIRT, SHOE, SHORTS, SKIN, SOCK, SOLE
from .mesh import Floats, Ints, Mesh, vertex_normals
from .skeleton import BONES, SIDES

Colour = tuple[int, int, int]

# Red, green, blue, 0 to 255: skin, lips, hair, brow, iris. Own choices that span light to dark.
SKINS: dict[str, tuple[Colour, Colour, Colour, Colour, Colour]] = {
    "very_light": ((232, 196, 174), (198, 130, 120), (176, 140, 92), (150, 118, 84), (96, 116, 128)),
    "light": ((214, 170, 143), (184, 116, 104), (104, 76, 52), (108, 80, 58), (76, 86, 80)),
    "medium": ((190, 142, 112), (164, 100, 88), (58, 42, 34), (70, 52, 42), (58, 44, 34)),
    "olive": ((164, 118, 88), (140, 84, 72), (44, 34, 30), (52, 40, 34), (46, 34, 28)),
    "brown": ((122, 82, 58), (104, 62, 52), (30, 25, 23), (38, 30, 27), (36, 27, 22)),
    "dark": ((84, 56, 42), (84, 50, 46), (24, 21, 20), (28, 23, 21), (30, 23, 20)),
}
SHIRTS: dict[str, Colour] = {
    "blue": (52, 92, 150), "red": (166, 58, 60), "green": (82, 126, 92), "white": (226, 226, 222),
    "black": (42, 42, 46), "grey": (134, 136, 140), "yellow": (206, 172, 74), "wall": (196, 190, 178),
}  # fmt: skip
LEGWEAR: dict[str, Colour] = {
    "charcoal": (62, 64, 70), "navy": (46, 58, 92), "beige": (148, 134, 110), "black": (38, 38, 42),
    "denim": (86, 108, 142), "light_grey": (172, 174, 176),
}  # fmt: skip
SHOES: dict[str, tuple[Colour, Colour]] = {
    "light": ((196, 200, 204), (240, 240, 238)), "dark": ((54, 56, 62), (232, 232, 230)),
    "black": ((40, 40, 42), (52, 52, 54)), "blue": ((58, 74, 112), (236, 236, 232)),
}  # fmt: skip
GIRTH_RANGE = (0.90, 1.20)

TROUSER_PUSH_M = 0.009
# Trousers stand off a shank by this much more at the ankle than at the knee. [m]
TROUSER_FLARE_M = 0.012
TRUNK_BONES = {"pelvis": 1.0, "spine": 1.0, "chest": 1.0, "neck": 0.4}
LIMB_BONES = (("shoulder", "elbow"), ("elbow", "wrist"), ("hip", "knee"), ("knee", "ankle"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Dress:
    """What a person wears and how stout the person is; takes the place of the look's palette.

    Attributes
    ----------
    skin : name in SKINS
    shirt : name in SHIRTS
    legwear : name in LEGWEAR
    shoes : name in SHOES
    long_trousers : bool
        Shorts otherwise. Not over a pylon, which they would hide.
    girth : float
        Thickness of trunk and limbs over that of the baked body, 0.9 to 1.2. [1]

    Raises
    ------
    ValueError
        If a name is unknown or the girth is outside its range.
    """

    skin: str = "medium"
    shirt: str = "blue"
    legwear: str = "charcoal"
    shoes: str = "light"
    long_trousers: bool = False
    girth: float = 1.0

    def __post_init__(self) -> None:
        for name, known in (("skin", SKINS), ("shirt", SHIRTS), ("legwear", LEGWEAR), ("shoes", SHOES)):
            if getattr(self, name) not in known:
                raise ValueError(
                    f"dress: {name} is {getattr(self, name)}; {', '.join(known)} is expected. Choose one of these."
                )
        low, high = GIRTH_RANGE
        if not low <= self.girth <= high:
            raise ValueError(f"dress: girth is {self.girth}; {low} to {high} is expected. Give a ratio near 1.")

    def palette(self) -> dict[int, Colour]:
        """Return the colour of each region of the body."""
        skin, lips, hair, brow, iris = SKINS[self.skin]
        shoe, sole = SHOES[self.shoes]
        return {
            SKIN: skin, LIPS: lips, HAIR: hair, BROW: brow, IRIS: iris, SHIRT: SHIRTS[self.shirt],
            SHORTS: LEGWEAR[self.legwear], SHOE: shoe, SOLE: sole,
        }  # fmt: skip


def with_girth(mesh: Mesh, rest_m: dict[str, Floats], girth: float) -> Mesh:
    """Return the mesh with trunk and limbs thicker by a factor about their bones; joints stay where they are.

    Head, hands and shoes keep their size, so that the walk's contact with the floor stays exact.
    """
    shift = np.zeros_like(mesh.vertices)
    weight = np.zeros((len(mesh.vertices), len(BONES)))
    np.put_along_axis(weight, mesh.bone_index, mesh.bone_weight, axis=1)
    for bone, share in TRUNK_BONES.items():
        radial = (mesh.vertices - rest_m[bone]) * [1.0, 1.0, 0.0]
        shift += share * weight[:, [BONES.index(bone)]] * radial
    for side in SIDES:
        for start, end in LIMB_BONES:
            axis = rest_m[f"{side}_{end}"] - rest_m[f"{side}_{start}"]
            length_m = float(np.linalg.norm(axis))
            from_start = mesh.vertices - rest_m[f"{side}_{start}"]
            along = from_start @ axis / length_m**2
            radial = from_start - along[:, None] * axis
            # Thins out towards hand and shoe, which are not scaled.
            taper = np.clip(4.0 * (1.0 - along), 0.0, 1.0) if end in ("wrist", "ankle") else np.ones(len(along))
            shift += weight[:, [BONES.index(f"{side}_{start}")]] * taper[:, None] * radial
    return replace(mesh, vertices=mesh.vertices + (girth - 1.0) * shift)


def with_trousers(mesh: Mesh, regions: Ints, rest_m: dict[str, Floats], *, colour: Colour) -> Mesh:
    """Return the mesh with the legs' skin and socks turned into trouser legs of one colour.

    Parameters
    ----------
    mesh : Mesh
        With its first vertices in the order of the regions, as without a pylon.
    regions : (n_vertices,)
    rest_m : bone name -> (3,) [m]
    colour : red, green, blue, 0 to 255
    """
    main_bone = mesh.bone_index[np.arange(len(regions)), mesh.bone_weight.argmax(axis=1)]
    legs = [BONES.index(f"{side}_{bone}") for side in SIDES for bone in ("hip", "knee", "ankle")]
    cloth = np.isin(regions, (SKIN, SOCK)) & np.isin(main_bone, legs)
    normals = vertex_normals(mesh.vertices, mesh.faces)
    knee_m, ankle_m = rest_m["left_knee"][2], rest_m["left_ankle"][2]
    low = np.clip((knee_m - mesh.vertices[cloth, 2]) / (knee_m - ankle_m), 0.0, 1.0)
    vertices, colours, material = mesh.vertices.copy(), mesh.colours.copy(), mesh.material.copy()
    vertices[cloth] += (TROUSER_PUSH_M + TROUSER_FLARE_M * low)[:, None] * normals[cloth]
    colours[cloth] = np.array(colour) / 255.0
    material[cloth] = (0.04, 1.0)
    return replace(mesh, vertices=vertices, colours=colours, material=material)
