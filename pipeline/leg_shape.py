"""A leg as hip, knee, ankle, heel and foot tip: its points from its angles and limb lengths, and back.

Lengths are in leg lengths, x along the direction of travel, y down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.model import FloatArray

# Order of a leg's points, and the bones between them.
HIP, KNEE, ANKLE, HEEL, TOE = range(5)
BONES = ((HIP, KNEE), (KNEE, ANKLE), (ANKLE, TOE), (HEEL, TOE))


@dataclass(frozen=True, slots=True)
class Limbs:
    """What does not change: lengths of thigh and shank (2,), heel and foot tip (2, 2) from the ankle in the foot."""

    thigh: FloatArray
    shank: FloatArray
    foot: FloatArray


def hanging(angle: FloatArray) -> FloatArray:
    """Return the unit vector of a segment at an angle forward of straight down."""
    return np.stack([np.sin(angle), np.cos(angle)], axis=-1)


def leg_points(angles: FloatArray, hips: FloatArray, limbs: Limbs) -> FloatArray:
    """Return hip, knee, ankle, heel and foot tip, (n_frames, 2, 5, 2), from thigh, knee and foot angles [rad]."""
    thigh, knee, pitch = (angles[..., index] for index in range(3))
    knees = hips + limbs.thigh[:, None] * hanging(thigh)
    ankles = knees + limbs.shank[:, None] * hanging(thigh - knee)
    along = np.stack([np.cos(pitch), -np.sin(pitch)], axis=-1)
    across = np.stack([np.sin(pitch), np.cos(pitch)], axis=-1)
    feet = [ankles + at[0] * along + at[1] * across for at in limbs.foot]
    return np.stack([hips, knees, ankles, *feet], axis=2)


def leg_angles(legs: FloatArray) -> FloatArray:
    """Return thigh forward, knee flexion and foot pitch (toes up), (n_frames, 2, 3). [rad]"""
    thigh, shank = legs[:, :, KNEE] - legs[:, :, HIP], legs[:, :, ANKLE] - legs[:, :, KNEE]
    foot = legs[:, :, TOE] - legs[:, :, HEEL]
    forward = np.arctan2(thigh[..., 0], thigh[..., 1])
    knee = forward - np.arctan2(shank[..., 0], shank[..., 1])
    pitch = np.arctan2(-foot[..., 1], foot[..., 0])
    return np.stack([forward, (knee + np.pi) % (2 * np.pi) - np.pi, pitch], axis=-1)


def usual_limbs(legs: FloatArray) -> Limbs:
    """Return the usual lengths over both legs: the leg that is tracked well speaks for the other."""
    thigh = np.nanmedian(np.linalg.norm(legs[:, :, KNEE] - legs[:, :, HIP], axis=-1))
    shank = np.nanmedian(np.linalg.norm(legs[:, :, ANKLE] - legs[:, :, KNEE], axis=-1))
    foot = legs[:, :, TOE] - legs[:, :, HEEL]
    along = foot / np.linalg.norm(foot, axis=-1, keepdims=True)
    across = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    ends = [legs[:, :, index] - legs[:, :, ANKLE] for index in (HEEL, TOE)]
    places = [[np.nanmedian((end * axis).sum(axis=-1)) for axis in (along, across)] for end in ends]
    return Limbs(np.full(2, thigh), np.full(2, shank), np.array(places))
