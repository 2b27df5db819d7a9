"""The legs of a whole clip put right: named, fitted where a landmark was lost, and marked where they stay in doubt."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry import INDEX, leg_length_px, median_leg_px, middle, smooth_size_px
from pipeline.identity import LEFT, RIGHT, exchanged, name_by_evenness, name_in_turn, wavering
from pipeline.leg_model import LEAST_LEAD, LegMotion, fit_legs
from pipeline.leg_shape import ANKLE, KNEE
from pipeline.model import SIDES, BoolArray, FloatArray, LandmarkTrack, Pass, Side
from pipeline.outline import LegOutlines, Outlines
from pipeline.pylon import PylonTrack, across_line
from pipeline.signals import lowpass, runs, sample_rate

# Thickness of the thinner shank over the other's up to which it is a pylon. A pylon of 30 to 60 mm in a shank of 100 to
# 120 mm; calves of one person differ by a tenth. Own choice.
PYLON_SHARE = 0.72
# Where along the shank it is measured, and how far to both sides [legs].
SHANK_AT = (0.35, 0.45, 0.55, 0.65)
SHANK_REACH_LEGS = 0.12
# Feet this far apart, so that the shanks do not cover each other. [legs]
APART_LEGS = 0.3
# A shank is thin when so many pictures say so.
FEWEST_PICTURES = 10
# A knee angle that the fit knows no better than this is no number. Own choice: twice the error of a good clip. [deg]
LARGEST_KNEE_SD_DEG = 8.0
# Nor is what the model makes up for longer than this without an outline: on captured walking the knee is then off by
# 20 deg and more in a swing. [s]
LONGEST_BRIDGE_S = 0.2
# With less agreement than this only a pylon tells which of the two legs is the left one. Own choice.
LEAST_AGREEMENT = 0.25
PIXEL_CUTOFF_HZ = 6.0


# In more of the frames than this, nothing can be measured of the legs. Own choice. [1]
MOST_DOUBTFUL = 0.9


@dataclass(frozen=True, slots=True)
class RightedLegs:
    """A clip's landmarks with its legs put right.

    Attributes
    ----------
    track : LandmarkTrack
    swapped : (n_frames,)
        Frames in which the estimator had the legs the other way round.
    rebuilt : (n_frames, 2)
        Knee or ankle of the left and right leg taken from the model.
    doubtful : (n_frames, 33)
        Landmarks that are no measurement.
    pylon : (n_frames, 2)
        Frames in which the left and the right leg is a pylon towards the camera.
    feet_lost : (n_frames, 2)
        Frames in which the estimator lost the left and the right leg: a pylon's line brings back its knee alone.
    """

    track: LandmarkTrack
    swapped: BoolArray
    rebuilt: BoolArray
    doubtful: BoolArray
    pylon: BoolArray
    feet_lost: BoolArray

    @property
    def unknown(self) -> bool:
        """Whether neither leg can be followed: nothing tells left from right."""
        return bool((self.doubtful[:, [LEFT[KNEE], RIGHT[KNEE]]].mean(axis=0) > MOST_DOUBTFUL).all())


def right_legs(
    track: LandmarkTrack,
    passes: list[Pass],
    outlines: Outlines | None,
    prosthetic_sides: tuple[Side, ...],
    pylon: PylonTrack | None = None,
) -> RightedLegs:
    """Return the track with each leg under its own name and lost landmarks rebuilt.

    Parameters
    ----------
    track : LandmarkTrack
    passes : list of Pass
        Passes seen from the side, where the legs take turns in front; empty for other views.
    outlines : Outlines, optional
        Of the same frames.
    prosthetic_sides : tuple of Side
        With one prosthesis, a shank that is much thinner than the other is that side's pylon.
    pylon : PylonTrack, optional
        Where that pylon stands in the pictures, when it is towards the camera.

    Notes
    -----
    Which of the two legs of a pass is the left one is told by the thin shank, else by the estimator's majority.
    """
    n_frames = len(track.time_s)
    rebuilt = np.zeros((n_frames, 2), dtype=bool)
    doubtful = np.zeros((n_frames, len(INDEX)), dtype=bool)
    if not passes:
        swapped = _frontal_swaps(track)
        return RightedLegs(_exchanged(track, swapped), swapped, rebuilt, wavering(swapped), rebuilt, rebuilt)
    swapped = np.zeros(n_frames, dtype=bool)
    righted, near_pylon, feet_lost = track, np.zeros_like(rebuilt), np.zeros_like(rebuilt)
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        pieces = _right_pass(righted, stretch, outlines, prosthetic_sides, pylon)
        if pieces is None:
            continue
        righted, swapped[part], rebuilt[part], feet_lost[part], lost, thin = pieces
        if thin is not None and stretch.near_side == SIDES[thin]:
            near_pylon[part, thin] = True
        for side, landmarks in enumerate((LEFT, RIGHT)):
            doubtful[part, landmarks[KNEE]] = doubtful[part, landmarks[ANKLE]] = lost[:, side]
    return RightedLegs(righted, swapped, rebuilt, doubtful, near_pylon, feet_lost)


def _right_pass(
    track: LandmarkTrack,
    stretch: Pass,
    outlines: Outlines | None,
    prosthetic_sides: tuple[Side, ...],
    pylon: PylonTrack | None,
) -> tuple[LandmarkTrack, BoolArray, BoolArray, BoolArray, BoolArray, int | None] | None:
    """One pass put right: the track, the frames against the estimator, each leg's frames that are rebuilt, that the
    estimator lost and that are no measurement (n_frames, 2), and which leg is a pylon; None if hardly seen."""
    part = slice(stretch.start, stretch.stop)
    time_s = track.time_s[part]
    seen = np.isfinite(track.xy_px[part, 0, 0])
    if seen.sum() < 10:
        return None
    fps = sample_rate(time_s)
    hips_px, leg_px = _axes(track.xy_px[part], time_s, seen, fps)
    flip = np.array([float(stretch.direction), 1.0])
    both = np.stack([track.xy_px[part][:, LEFT], track.xy_px[part][:, RIGHT]], axis=1)
    legs = (both - hips_px[:, None, None]) * flip / leg_px[:, None, None, None]
    shapes = outlines.in_legs(part, hips_px, leg_px, stretch.direction) if outlines is not None else None
    naming = name_in_turn(legs, time_s, shapes.feet_spread() if shapes is not None else None)
    swapped, front = naming.swapped, naming.front
    motion = fit_legs(exchanged(legs, time_s, swapped), naming.unsure, front, shapes, fps)
    thin = _thin_shank(motion.points, shapes) if shapes is not None and len(prosthetic_sides) == 1 else None
    if thin is not None and thin != SIDES.index(prosthetic_sides[0]):
        # The other way round, each leg hangs on the other hip.
        thin, swapped, front = 1 - thin, ~(swapped ^ motion.renamed), -front
        motion = fit_legs(exchanged(legs, time_s, swapped), naming.unsure, front, shapes, fps)
    swapped = swapped ^ motion.renamed
    feet_lost = _rebuilt(motion)
    if thin is not None and pylon is not None and stretch.near_side == SIDES[thin]:
        ends = (pylon.ends_px[part] - hips_px[:, None]) * flip / leg_px[:, None, None]
        known, across = np.isfinite(ends[:, 0, 0]), np.full((len(seen), 2, 2), np.nan)
        across[:, thin] = across_line(ends)
        named = exchanged(legs, time_s, swapped)
        named[known, thin, KNEE : ANKLE + 1] = ends[known]
        motion = fit_legs(named, np.zeros(len(seen), dtype=bool), front, shapes, fps, across)
    points, rebuilt = motion.points, _rebuilt(motion)
    outlined = shapes.masks.any(axis=(1, 2)) if shapes is not None else np.zeros(len(seen), dtype=bool)
    lost = _lost(motion, rebuilt, np.asarray(outlined), fps)
    # Feet that still lie together when their turns say that they are apart: one leg is lost, and it is open which.
    lead = (points[:, 0, ANKLE:, 0] - points[:, 1, ANKLE:, 0]).mean(axis=1)
    lost |= ((front != 0) & (front * lead < LEAST_LEAD))[:, None]
    if thin is None and naming.agreement < LEAST_AGREEMENT:
        lost = np.ones_like(lost)
    xy_px = track.xy_px.copy()
    visibility = track.visibility.copy()
    placed_px = points * flip * leg_px[:, None, None, None] + hips_px[:, None, None]
    for side, landmarks in enumerate((LEFT, RIGHT)):
        xy_px[part, landmarks] = np.where(seen[:, None, None], placed_px[:, side], np.nan)
        visibility[part, landmarks] = np.where(seen[:, None], 1.0, 0.0)
    return replace(track, xy_px=xy_px, visibility=visibility), swapped & seen, rebuilt, feet_lost, lost, thin


def _rebuilt(motion: LegMotion) -> BoolArray:
    """Frames in which a leg's knee or ankle comes from the model, (n_frames, 2)."""
    return np.asarray(motion.from_model[:, :, [KNEE, ANKLE]].any(axis=2))


def _lost(motion: LegMotion, rebuilt: BoolArray, outlined: BoolArray, fps: float) -> BoolArray:
    """Frames in which a leg is no measurement, (n_frames, 2): the fit does not know it, or bridges for too long."""
    lost = rebuilt & (motion.knee_sd_deg > LARGEST_KNEE_SD_DEG)
    for side in (0, 1):
        for start, stop in runs(rebuilt[:, side] & ~outlined):
            lost[start:stop, side] |= (stop - start) / fps > LONGEST_BRIDGE_S
    return lost


def _axes(xy_px: FloatArray, time_s: FloatArray, seen: BoolArray, fps: float) -> tuple[FloatArray, FloatArray]:
    """Smooth middle of the hips (n_frames, 2) and length of a leg at it (n_frames,). [px]"""
    hips = middle(xy_px, "hip")
    filled = np.stack([np.interp(time_s, time_s[seen], hips[seen, axis]) for axis in (0, 1)], axis=1)
    both = np.stack([leg_length_px(xy_px, "left"), leg_length_px(xy_px, "right")])
    leg_px = smooth_size_px(np.max(both, axis=0), time_s)
    return lowpass(filled, fps=fps, cutoff_hz=PIXEL_CUTOFF_HZ), leg_px


def _thin_shank(points: FloatArray, shapes: LegOutlines) -> int | None:
    """Which of the legs has a shank much thinner than the other's, None if neither."""
    apart = np.abs(points[:, 0, ANKLE, 0] - points[:, 1, ANKLE, 0]) > APART_LEGS
    frames = np.flatnonzero(apart & shapes.masks.any(axis=(1, 2)))
    if len(frames) < FEWEST_PICTURES:
        return None
    across = np.linspace(-SHANK_REACH_LEGS, SHANK_REACH_LEGS, 25)
    widths = np.empty(2)
    for side in (0, 1):
        knee, shank = points[:, side, KNEE], points[:, side, ANKLE] - points[:, side, KNEE]
        normal = np.stack([-shank[:, 1], shank[:, 0]], axis=1) / np.linalg.norm(shank, axis=1)[:, None]
        places = [knee + share * shank for share in SHANK_AT]
        lines = np.stack([place[:, None] + across[:, None] * normal[:, None] for place in places], axis=1)
        cells = np.round(shapes.to_cells(lines)).astype(int)[frames]
        height, width = shapes.masks.shape[1:]
        inside = (cells >= 0).all(axis=-1) & (cells[..., 0] < width) & (cells[..., 1] < height)
        column, row = np.clip(cells[..., 0], 0, width - 1), np.clip(cells[..., 1], 0, height - 1)
        filled = shapes.masks[frames[:, None, None], row, column] & inside
        widths[side] = np.median(filled.mean(axis=(1, 2)))
    thin = int(np.argmin(widths))
    return thin if widths[thin] < PYLON_SHARE * widths[1 - thin] else None


def _frontal_swaps(track: LandmarkTrack) -> BoolArray:
    """Frames with exchanged legs in a view without turns, (n_frames,)."""
    legs = np.stack([track.xy_px[:, LEFT], track.xy_px[:, RIGHT]], axis=1)
    return name_by_evenness(legs / median_leg_px(track.xy_px), track.time_s)


def with_exchanged(legs: RightedLegs, frames: BoolArray, *, hips_too: bool) -> RightedLegs:
    """Return the legs with left and right exchanged in some frames, (n_frames,).

    Seen from the side (`hips_too` False) hips keep their names where they move more evenly so, as `identity` has it.
    """
    track = _exchanged(legs.track, frames)
    if not hips_too:
        size_px = median_leg_px(legs.track.xy_px)
        both = np.stack([legs.track.xy_px[:, LEFT], legs.track.xy_px[:, RIGHT]], axis=1) / size_px
        xy_px = legs.track.xy_px.copy()
        xy_px[:, LEFT + RIGHT] = (exchanged(both, track.time_s, frames) * size_px).reshape(len(frames), -1, 2)
        track = replace(track, xy_px=xy_px)

    def turned(flags: BoolArray) -> BoolArray:
        return np.where(frames[:, None], flags[:, ::-1], flags)

    order = np.arange(len(INDEX))
    order[LEFT + RIGHT] = RIGHT + LEFT
    return RightedLegs(
        track=track,
        swapped=legs.swapped ^ frames,
        rebuilt=turned(legs.rebuilt),
        doubtful=np.where(frames[:, None], legs.doubtful[:, order], legs.doubtful),
        pylon=turned(legs.pylon),
        feet_lost=turned(legs.feet_lost),
    )


def _exchanged(track: LandmarkTrack, swapped: BoolArray) -> LandmarkTrack:
    """The track with the legs exchanged in some frames."""
    order = np.arange(track.xy_px.shape[1])
    order[LEFT + RIGHT] = RIGHT + LEFT
    return replace(
        track,
        xy_px=np.where(swapped[:, None, None], track.xy_px[:, order], track.xy_px),
        visibility=np.where(swapped[:, None], track.visibility[:, order], track.visibility),
        world_m=np.where(swapped[:, None, None], track.world_m[:, order], track.world_m),
    )
