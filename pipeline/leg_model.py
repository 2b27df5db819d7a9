"""Both legs of a side view as one moving model: limbs of fixed length, angles that change smoothly, inside the outline.

The estimator loses a leg that does not look like one: the landmarks of a pylon jump to the other leg or shrink to a
stump, for up to half of a stride and without a lower visibility. Three things are still known in these frames: how long
the limbs are, that joints turn smoothly, and where the picture differs from the empty room. The angles of both legs are
fitted to these and to the landmarks, over a whole pass at once; landmarks that do not fit lose their weight.

Lengths here are in leg lengths, with the middle of the hips as origin, x along the direction of travel and y down.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solveh_banded

from pipeline.leg_evidence import MOST_CELLS, Evidence
from pipeline.leg_shape import ANKLE, HEEL, HIP, KNEE, TOE, Limbs, hanging, leg_angles, leg_points, usual_limbs
from pipeline.leg_smoothness import banded, knee_sd_deg, smoothness_gradient
from pipeline.model import BoolArray, FloatArray
from pipeline.outline import LegOutlines
from pipeline.signals import lowpass

# Usual error of a good landmark [legs]: measured on rendered clips, 1 to 3 % of the leg. At LANDMARK_LIMIT of it a
# landmark has a quarter of its weight, further away next to none.
LANDMARK_ERROR = 0.02
LANDMARK_LIMIT = 3.0
# The line of a pylon in the picture is known to this, across it [legs]: on rendered clips.
LINE_ERROR = 0.008
# The first rounds let landmarks pull from this many times further. Own choice.
WIDE_START = 4.0
# A bone lies inside the outline, and a cell of the outline within a limb's half width of a bone [legs].
INSIDE_ERROR = 0.02
INSIDE_LIMIT = 10.0
COVER_ERROR = 0.03
COVER_LIMIT = 8.0
# Pictures count less than landmarks: neighbouring cells share their errors. Own choice.
INSIDE_WEIGHT = 0.5
# Knees bend forward; this much the other way costs one unit [rad].
LEAST_KNEE = -0.05
KNEE_ERROR = 0.03
# Whose turn it is in front leads by this much between crossings; less costs one unit [legs].
LEAST_LEAD = 0.1
LEAD_ERROR = 0.05
ROUNDS = 30
RENAMING_ROUNDS = (8, 13, 18)
LENGTH_ROUNDS = (13, 18, 23)
# Limbs are measured in this many frames or more whose naming is sure. Own choice.
FEWEST_SURE = 10
# A landmark belongs to its leg when it lies this near to the model, and this near to where its neighbours in time lie
# beside the model; heels and foot tips stop and start more sharply than the model can [legs]. On rendered clips 0.05 is
# better than 0.08 and 0.12 for the knees of pylons and makes no difference for legs.
NEAR_MODEL = 0.15
NEAR_NEIGHBOURS = 0.05
FOOT_NEAR_NEIGHBOURS = 0.12
NEIGHBOURS_S = 0.3


@dataclass(frozen=True, slots=True)
class LegMotion:
    """The fitted legs of one pass.

    Attributes
    ----------
    points : (n_frames, 2, 5, 2)
        Hip, knee, ankle, heel and foot tip of both legs: the landmark where it fits, else the model, moved by what
        landmarks and model differ beside it. [legs]
    from_model : (n_frames, 2, 5)
        Where no landmark was used.
    renamed : (n_frames,)
        Where the two legs were exchanged against the naming that was given.
    knee_sd_deg : (n_frames, 2)
        Standard deviation of the knee angle by the fit. [deg]
    """

    points: FloatArray
    from_model: BoolArray
    renamed: BoolArray
    knee_sd_deg: FloatArray


def fit_legs(
    legs: FloatArray,
    unsure: BoolArray,
    front: FloatArray,
    outlines: LegOutlines | None,
    fps: float,
    across: FloatArray | None = None,
) -> LegMotion:
    """Return the motion of both legs that fits landmarks and outline over a whole pass.

    Parameters
    ----------
    legs : (n_frames, 2, 5, 2)
        Landmarks of both legs, named as well as known; NaN where not seen. [legs]
    unsure : (n_frames,)
        Frames whose naming is open: knee, ankle and foot are named by the fit.
    front : (n_frames,)
        +1 where the first leg is known to be in front, -1 the second, 0 unknown.
    outlines : LegOutlines, optional
        In the same axes; without them long gaps are only bridged.
    fps : float
        [1/s]
    across : (n_frames, 2, 2), optional
        Where the line of a pylon is known: unit vector across it; knee and ankle in `legs` are then any two points of
        the line, and say nothing along it. NaN elsewhere.

    Notes
    -----
    Least squares with Geman-McClure weights, by Gauss-Newton with a second difference of the angles as the motion
    model; the first rounds use wide limits, so that the fit does not depend on where it starts. Own method.
    """
    observed = legs.copy()
    # Feet that are hardly ever apart name nobody: the fit then starts from the naming that was given.
    if (np.isfinite(legs).all(axis=(1, 2, 3)) & ~unsure).sum() >= FEWEST_SURE:
        observed[unsure, :, KNEE:] = np.nan
    across = np.full((*legs.shape[:2], 2), np.nan) if across is None else across
    hips = _smooth_hips(legs, fps)
    limbs = usual_limbs(_without_lines(observed, across))
    angles = _start(observed, limbs, fps)
    evidence = Evidence(outlines, len(legs)) if outlines is not None else None
    renamed = np.zeros(len(legs), dtype=bool)
    hessian = np.zeros((2, 7, 3 * len(legs)))
    for number in range(ROUNDS):
        limit = LANDMARK_LIMIT * max(1.0, WIDE_START * (1 - 2 * number / ROUNDS))
        angles, hessian = _round(angles, (observed, across), front, hips, limbs, evidence, fps, limit)
        if number in RENAMING_ROUNDS:
            renamed = unsure & _renamed(legs, leg_points(angles, hips, limbs))
            observed[:, :, KNEE:] = np.where(renamed[:, None, None, None], legs[:, ::-1, KNEE:], legs[:, :, KNEE:])
        if number in LENGTH_ROUNDS:
            limbs = _measured_limbs(limbs, angles, _without_lines(observed, across), hips)
    model = leg_points(angles, hips, limbs)
    observed[:, :, KNEE:] = model[:, :, KNEE:] - _away(model, observed, across)
    points, from_model = _landmarks_first(observed, model, fps)
    return LegMotion(points, from_model, renamed, knee_sd_deg(hessian, len(legs)))


def _round(
    angles: FloatArray,
    observed: tuple[FloatArray, FloatArray],
    front: FloatArray,
    hips: FloatArray,
    limbs: Limbs,
    evidence: Evidence | None,
    fps: float,
    limit: float,
) -> tuple[FloatArray, FloatArray]:
    """One Gauss-Newton step: new angles (n_frames, 2, 3) and both legs' banded second derivatives (2, 7, 3 n).

    `observed` are the landmarks and where they are lines, as in `fit_legs`."""
    points = leg_points(angles, hips, limbs)
    # How far each ankle must be ahead of where the other one is now, or behind it.
    turns = (front[:, None] * np.array([1.0, -1.0]), points[:, ::-1, ANKLE, 0])
    residuals = _residuals(points, angles, observed, turns, evidence)
    weights = _weights(residuals, evidence, limit)
    step = 1e-3
    slopes = []
    for index in range(3):
        moved = angles.copy()
        moved[..., index] += step
        slopes.append((_residuals(leg_points(moved, hips, limbs), moved, observed, turns, evidence) - residuals) / step)
    jacobian = np.stack(slopes, axis=-1)
    weighted = jacobian * weights[..., None]
    curvature = np.einsum("nsrj,nsrk->nsjk", weighted, jacobian)
    gradient = np.einsum("nsrj,nsr->nsj", weighted, residuals)
    hessian = np.stack([banded(curvature[:, side], fps) for side in (0, 1)])
    pull = gradient + smoothness_gradient(angles, fps)
    change = np.stack([solveh_banded(hessian[side], -pull[:, side].ravel()) for side in (0, 1)])
    change = change.reshape(2, -1, 3).swapaxes(0, 1)
    return angles + np.clip(change, -0.3, 0.3), hessian


def _residuals(
    points: FloatArray,
    angles: FloatArray,
    observed: tuple[FloatArray, FloatArray],
    turns: tuple[FloatArray, FloatArray],
    evidence: Evidence | None,
) -> FloatArray:
    """Departures in units of their usual error, (n_frames, 2, n_residuals): landmarks, knee, turn, inside, covered."""
    shape = (*points.shape[:2], -1)
    legs, across = observed
    errors = np.full((*points.shape[:2], TOE, 1), LANDMARK_ERROR)
    errors[np.isfinite(across[..., 0]), : ANKLE - HIP] = LINE_ERROR
    landmarks = (_away(points, legs, across) / errors).reshape(shape)
    knee = np.minimum(angles[:, :, 1] - LEAST_KNEE, 0.0)[..., None] / KNEE_ERROR
    ahead = turns[0] * (points[:, :, ANKLE, 0] - turns[1])
    turn = (np.abs(turns[0]) * np.minimum(ahead - LEAST_LEAD, 0.0) / LEAD_ERROR)[..., None]
    parts = [np.where(np.isfinite(landmarks), landmarks, 0.0), knee, turn]
    if evidence is not None:
        parts += [evidence.inside(points) / INSIDE_ERROR, evidence.uncovered(points) / COVER_ERROR]
    return np.concatenate(parts, axis=2)


def _away(points: FloatArray, observed: FloatArray, across: FloatArray) -> FloatArray:
    """From observed places to points, knee to foot tip, (n_frames, 2, 4, 2); of lines only across them."""
    away = (points - observed)[:, :, KNEE:]
    normal = across[:, :, None]
    off_line = (away[:, :, :2] * normal).sum(axis=-1, keepdims=True) * normal
    away[:, :, :2] = np.where(np.isfinite(normal), off_line, away[:, :, :2])
    return away


def _without_lines(observed: FloatArray, across: FloatArray) -> FloatArray:
    """Landmarks whose place along the leg is known too: no knee and ankle where a line stands for them."""
    whole = observed.copy()
    whole[:, :, KNEE : ANKLE + 1][np.isfinite(across[..., 0])] = np.nan
    return whole


def _weights(residuals: FloatArray, evidence: Evidence | None, limit: float) -> FloatArray:
    """Weight of each residual; a cell of the outline counts for the nearer leg only."""
    weights = np.ones(residuals.shape)
    pairs = residuals[:, :, :8].reshape(*residuals.shape[:2], 4, 2)
    weights[:, :, :8] = np.repeat(_trust(np.linalg.norm(pairs, axis=-1), limit), 2, axis=-1)
    if evidence is not None:
        inside, cover = residuals[:, :, 10:-MOST_CELLS], residuals[:, :, -MOST_CELLS:]
        weights[:, :, 10:-MOST_CELLS] = INSIDE_WEIGHT * _trust(inside, INSIDE_LIMIT) * evidence.known[:, None, None]
        nearer = np.stack([cover[:, 0] <= cover[:, 1], cover[:, 0] > cover[:, 1]], axis=1)
        weights[:, :, -MOST_CELLS:] = evidence.weight[:, None] * _trust(cover, COVER_LIMIT) * nearer
    return weights


def _trust(residual: FloatArray, limit: float) -> FloatArray:
    """Geman-McClure weight: 1 at 0, a quarter at the limit, soon nothing."""
    return np.asarray(1 / (1 + (residual / limit) ** 2) ** 2)


def _measured_limbs(limbs: Limbs, angles: FloatArray, observed: FloatArray, hips: FloatArray) -> Limbs:
    """Lengths of each leg along the fitted directions, from the landmarks that fit."""
    points = leg_points(angles, hips, limbs)
    trust = _trust(np.linalg.norm(observed - points, axis=-1) / LANDMARK_ERROR, LANDMARK_LIMIT)
    trust = np.where(np.isfinite(trust), trust, 0.0)
    known = np.where(np.isfinite(observed), observed, 0.0)
    thigh = ((known[:, :, KNEE] - hips) * hanging(angles[..., 0])).sum(axis=-1)
    shank = ((known[:, :, ANKLE] - points[:, :, KNEE]) * hanging(angles[..., 0] - angles[..., 1])).sum(axis=-1)
    lengths = []
    for length, weight, before in ((thigh, trust[:, :, KNEE], limbs.thigh), (shank, trust[:, :, ANKLE], limbs.shank)):
        total = weight.sum(axis=0)
        measured = (weight * length).sum(axis=0) / np.maximum(total, 1e-9)
        # Fewer than ten good frames measure nothing.
        lengths.append(np.where(total > 10, measured, before))
    return replace(limbs, thigh=lengths[0], shank=lengths[1])


def _smooth_hips(legs: FloatArray, fps: float) -> FloatArray:
    """Hips (n_frames, 2, 2), which the estimator seldom loses, without jitter. [legs]"""
    hips = _filled(legs[:, :, HIP].reshape(len(legs), -1), np.isfinite(legs[:, :, HIP]).reshape(len(legs), -1))
    return lowpass(hips, fps=fps, cutoff_hz=3.0).reshape(-1, 2, 2)


def _start(legs: FloatArray, limbs: Limbs, fps: float) -> FloatArray:
    """First angles: those of the landmarks where limbs have their lengths, bridged and smoothed elsewhere."""
    angles = leg_angles(legs)
    lengths = np.linalg.norm(np.diff(legs[:, :, :3], axis=2), axis=-1)
    usual = np.stack([limbs.thigh, limbs.shank], axis=-1)
    whole = (np.abs(lengths / usual - 1) < 0.2).all(axis=-1) & np.isfinite(angles).all(axis=-1)
    use = np.repeat(whole[:, :, None], 3, axis=2).reshape(len(legs), -1)
    filled = _filled(angles.reshape(len(legs), -1), use)
    return lowpass(filled, fps=fps, cutoff_hz=3.0).reshape(angles.shape)


def _filled(values: FloatArray, use: BoolArray) -> FloatArray:
    """Columns with straight lines between the values to be used; 0 where a column has none."""
    frames = np.arange(len(values))
    filled = np.zeros(values.shape)
    for column in range(values.shape[1]):
        known = np.flatnonzero(use[:, column])
        if len(known):
            filled[:, column] = np.interp(frames, known, values[known, column])
    return filled


def _renamed(legs: FloatArray, model: FloatArray) -> BoolArray:
    """Frames in which the landmarks fit the model better with the legs exchanged, (n_frames,)."""

    def misfit(named: FloatArray) -> FloatArray:
        away = np.linalg.norm(named - model, axis=-1)[:, :, KNEE:] / LANDMARK_ERROR
        return np.asarray(np.nansum(away**2 / (1 + away**2 / 30), axis=(1, 2)))

    return np.asarray(misfit(legs[:, ::-1]) < misfit(legs))


def _landmarks_first(observed: FloatArray, model: FloatArray, fps: float) -> tuple[FloatArray, BoolArray]:
    """Landmarks where they belong to the leg, elsewhere the model and what landmarks beside it differ from it."""
    n_frames = len(model)
    frames = np.arange(n_frames)
    departure = observed - model
    near = np.linalg.norm(departure, axis=-1) < NEAR_MODEL
    reach = round(NEIGHBOURS_S * fps)
    points, from_model = model.copy(), np.ones(model.shape[:3], dtype=bool)
    for side in (0, 1):
        for index in range(5):
            known = np.flatnonzero(near[:, side, index])
            if len(known) < 5:
                continue
            away = departure[known, side, index]
            usual = np.array([np.median(away[np.abs(known - frame) <= reach], axis=0) for frame in known])
            limit = FOOT_NEAR_NEIGHBOURS if index in (HEEL, TOE) else NEAR_NEIGHBOURS
            good = np.linalg.norm(away - usual, axis=1) < limit
            if good.sum() < 5:
                continue
            from_model[known[good], side, index] = False
            for axis in (0, 1):
                points[:, side, index, axis] += np.interp(frames, known[good], away[good, axis])
    return points, from_model
