"""Things and people around the walker: parallel bars, a still bystander, a walking stick."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from .body import Body, load_body
from .conditions import Bystander
from .curves import rotation_y, rotation_z
from .mesh import Floats, Mesh, join, skin, turned_part, vertex_normals
from .skeleton import BONES, SIDES, Pose, joint_positions
from .truth import GaitTruth

# Parallel bars as in a therapy room, own choice of usual sizes. [m]
BAR_HALF_LENGTH_M, BAR_HALF_GAP_M, BAR_HEIGHT_M, BAR_RADIUS_M, POST_RADIUS_M = 2.0, 0.42, 0.88, 0.020, 0.024
BAR_COLOUR, POST_COLOUR = np.array([0.72, 0.58, 0.40]), np.array([0.60, 0.62, 0.64])
CHAIR_COLOUR = np.array([0.30, 0.36, 0.42])
STICK_COLOUR, STICK_RADIUS_M = np.array([0.24, 0.16, 0.10]), 0.010
# From the wrist to the grip along the forearm; the tip stands aside of and before the hand. [m]
GRIP_M, TIP_ASIDE_M, TIP_AHEAD_M, TIP_LIFT_M, HANDLE_M = 0.075, 0.06, 0.06, 0.06, 0.03
# Any bone will do for parts that are placed in the world and never posed.
WORLD_BONE = 0


def parallel_bars() -> Mesh:
    """Return both bars with their posts, in the world."""
    parts = []
    for y_m in (-BAR_HALF_GAP_M, BAR_HALF_GAP_M):
        start = np.array([-BAR_HALF_LENGTH_M, y_m, BAR_HEIGHT_M])
        parts.append(_rod(start, start * [-1.0, 1.0, 1.0], BAR_RADIUS_M, BAR_COLOUR, gloss=0.3))
        for x_m in (-0.8 * BAR_HALF_LENGTH_M, 0.8 * BAR_HALF_LENGTH_M):
            foot, top = np.array([x_m, y_m, 0.0]), np.array([x_m, y_m, BAR_HEIGHT_M])
            parts.append(_rod(foot, top, POST_RADIUS_M, POST_COLOUR, gloss=0.5))
    return join(parts)


def bystander_mesh(bystander: Bystander) -> Mesh:
    """Return a still person, with a chair where one is sat on, in the world."""
    body = load_body(bystander.look, bystander.dress)
    rest = body.skeleton.rest_m
    turns = {bone: np.eye(3) for bone in BONES}
    root = rest["pelvis"].copy()
    if bystander.posture == "sitting":
        root[2] -= rest["left_hip"][2] - rest["left_knee"][2] - 0.02
        for side in SIDES:
            turns[f"{side}_hip"] = _about_y(-86.0)
            turns[f"{side}_shoulder"] = _about_y(-28.0)
            turns[f"{side}_elbow"] = turns[f"{side}_wrist"] = _about_y(-75.0)
    turn = rotation_z(np.deg2rad([bystander.facing_deg]))[0]
    rotation = np.array([turn @ turns[bone] for bone in BONES])
    place = np.array([*bystander.place_m, 0.0])
    pose = Pose(time_s=np.zeros(1), root_m=(turn @ root + place)[None], rotation=rotation[None])
    joints = joint_positions(body.skeleton, pose)
    joints_m = np.array([joints[bone][0] for bone in BONES])
    vertices, _ = skin(body.mesh, body.normals, rest_m=body.rest_m, joints_m=joints_m, rotation=rotation)
    person = Mesh(
        vertices, body.mesh.faces, body.mesh.bone_index, body.mesh.bone_weight, body.mesh.colours, body.mesh.material
    )
    if bystander.posture == "standing":
        return person
    return join([person, *_chair(turn, place, seat_m=float(root[2]) - 0.10)])


def _chair(turn: Floats, place: Floats, *, seat_m: float) -> list[Mesh]:
    """Return the boxes of a chair whose seat is that high."""
    boxes = [((0.05, 0.0, seat_m - 0.02), (0.23, 0.22, 0.025)), ((-0.19, 0.0, seat_m + 0.22), (0.02, 0.22, 0.22))]
    boxes += [
        ((0.05 + ahead, aside, 0.5 * seat_m), (0.016, 0.016, 0.5 * seat_m))
        for ahead in (-0.21, 0.21)
        for aside in (-0.20, 0.20)
    ]
    return [_box(turn @ np.array(middle) + place, np.array(half), turn) for middle, half in boxes]


def _box(middle_m: Floats, half_m: Floats, turn: Floats) -> Mesh:
    """Return a box with sharp edges: four vertices of its own for each side."""
    vertices: list[Floats] = []
    faces: list[tuple[int, int, int]] = []
    for axis in range(3):
        for sign in (-1.0, 1.0):
            first, second = np.eye(3)[(axis + 1) % 3], np.eye(3)[(axis + 2) % 3]
            corners = [sign * np.eye(3)[axis] + a * first + b * second for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
            order = (0, 1, 2, 3) if sign > 0 else (3, 2, 1, 0)
            start = len(vertices)
            vertices += [turn @ (corners[number] * half_m) + middle_m for number in order]
            faces += [(start, start + 1, start + 2), (start, start + 2, start + 3)]
    n_vertices = len(vertices)
    return Mesh(
        vertices=np.array(vertices),
        faces=np.array(faces),
        bone_index=np.full((n_vertices, 4), WORLD_BONE),
        bone_weight=np.tile([1.0, 0.0, 0.0, 0.0], (n_vertices, 1)),
        colours=np.tile(CHAIR_COLOUR, (n_vertices, 1)),
        material=np.tile([0.1, 0.0], (n_vertices, 1)),
    )


def stick_side(prosthetic_side: str | None) -> str:
    """Return the hand that holds a stick: the one across from the weaker leg."""
    return "right" if prosthetic_side in (None, "left") else "left"


def stick_mesh(length_m: float) -> Mesh:
    """Return a stick with its tip at the origin, straight up."""
    top = np.array([0.0, 0.0, length_m])
    return _rod(np.zeros(3), top, STICK_RADIUS_M, STICK_COLOUR, gloss=0.25)


def stick_places(body: Body, pose: Pose, gait: GaitTruth, *, side: str) -> tuple[Floats, Floats, float]:
    """Return where a walking stick is in each frame.

    Parameters
    ----------
    body : Body
    pose : Pose
        In the world frame.
    gait : GaitTruth
        The stick stands on the floor while the foot of the other side does.
    side : "left" or "right"
        The hand that holds it.

    Returns
    -------
    tip_m : (n_frames, 3) x, y, z in the world [m]
    along : (n_frames, 3)
        Unit vector from the tip through the hand; the stick slides a little in the hand. [1]
    length_m : float
        [m]
    """
    joints = joint_positions(body.skeleton, pose)
    forearm = joints[f"{side}_wrist"] - joints[f"{side}_elbow"]
    hand = joints[f"{side}_wrist"] + GRIP_M * forearm / np.linalg.norm(forearm, axis=1, keepdims=True)
    time_s = pose.time_s
    ahead = joints["pelvis"][-1] - joints["pelvis"][0]
    ahead = ahead * [1.0, 1.0, 0.0] / np.linalg.norm(ahead[:2])
    aside = np.cross([0.0, 0.0, 1.0], ahead) * (1.0 if side == "left" else -1.0)
    stride_s = 2.0 * gait.settings.step_time_s
    stride_m = gait.settings.speed_m_s * stride_s * ahead
    spans = _stances(gait, "right" if side == "left" else "left", float(time_s[-1]))
    places = []
    for start_s, end_s in spans:
        middle = np.array([np.interp(0.5 * (start_s + end_s), time_s, hand[:, axis]) for axis in range(3)])
        places.append((middle + TIP_ASIDE_M * aside + TIP_AHEAD_M * ahead) * [1.0, 1.0, 0.0])
    spans = [_later(spans[0], -stride_s), *spans, _later(spans[-1], stride_s)]
    places = [places[0] - stride_m, *places, places[-1] + stride_m]
    tip = np.empty_like(hand)
    for (place, span), (next_place, next_span) in pairwise(zip(places, spans, strict=True)):
        share = np.clip((time_s - span[1]) / max(next_span[0] - span[1], 1e-6), 0.0, 1.0)
        here = (time_s >= span[0]) & (time_s <= next_span[1])
        smooth = (share * share * (3.0 - 2.0 * share))[here, None]
        tip[here] = place + smooth * (next_place - place)
        tip[here, 2] = TIP_LIFT_M * np.sin(np.pi * share[here]) ** 2
    along = hand - tip
    reach_m = np.linalg.norm(along, axis=1, keepdims=True)
    return tip, along / reach_m, float(np.median(reach_m)) + HANDLE_M


def _stances(gait: GaitTruth, side: str, last_s: float) -> list[tuple[float, float]]:
    """Return contact and toe-off of a foot's stances, cut at the clip's ends; one in the middle if none is known."""
    contacts = [event.time_s for event in gait.events if event.side == side and event.kind == "contact"]
    lifts = [event.time_s for event in gait.events if event.side == side and event.kind == "toe_off"]
    if lifts and (not contacts or lifts[0] < contacts[0]):
        contacts.insert(0, 0.0)
    if len(contacts) > len(lifts):
        lifts.append(last_s)
    return list(zip(contacts, lifts, strict=True)) or [(0.4 * last_s, 0.6 * last_s)]


def _later(span: tuple[float, float], delay_s: float) -> tuple[float, float]:
    """Return a span of time, moved."""
    return span[0] + delay_s, span[1] + delay_s


def place_stick(stick: Mesh, tip_m: Floats, along: Floats) -> tuple[Floats, Floats]:
    """Return vertices and normals (n_vertices, 3) of the stick with its tip and its direction in one frame."""
    first = np.cross([0.0, 1.0, 0.0], along)
    first /= np.linalg.norm(first)
    turn = np.stack([first, np.cross(along, first), along], axis=1)
    normals = vertex_normals(stick.vertices, stick.faces)
    return stick.vertices @ turn.T + tip_m, normals @ turn.T


def _rod(start_m: Floats, end_m: Floats, radius_m: float, colour: Floats, *, gloss: float) -> Mesh:
    """Return a round rod between two points."""
    return turned_part(start_m, end_m, [(0.0, radius_m), (1.0, radius_m)], bone=WORLD_BONE, colour=colour, gloss=gloss)


def _about_y(angle_deg: float) -> Floats:
    """Return the rotation (3, 3) about the walker's y axis; a negative angle lifts a hanging limb forward."""
    turn: Floats = rotation_y(np.deg2rad([angle_deg]))[0]
    return turn
