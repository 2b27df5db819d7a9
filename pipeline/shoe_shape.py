"""Direction of a foot from how far its shoe reaches outward of the ankle, in a front view.

Seen from the front the outer corner of the toe end lies beside the ankle by its way ahead of it, times the sine of the
direction, and by half the shoe's width. A camera beside the walk's line sees all feet turned by the angle at which it
looks along that line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry import SHOULDER_TO_HIP_OF_HEIGHT, TRUNK_OVER_LEG, Lens, point
from pipeline.model import SIDES, BoolArray, FloatArray, Pass, QualityNote, Side
from pipeline.motion import Motion
from pipeline.parallax import straight_course
from pipeline.passes import size_in_pass_px
from pipeline.quantities_frontal import outward_of
from pipeline.recording import at_least
from pipeline.shoes import Shoes
from pipeline.signals import derivative, fill_gaps, resample, runs

# The outer corner of a shoe's toe end lies this far ahead of the ankle, over the body's height: a foot of 0.152
# (drillis_contini_1966, from memory), the ankle at a quarter of it (textbook value, from memory), 0.008 of shoe before
# the toes, and a toe end that is round over its last 0.012 (own choices).
AHEAD = 0.110
# Half the width of a shoe, over the body's height: foot breadth 0.055 (drillis_contini_1966, from memory) and 0.004 of
# shoe on either side (own choice).
HALF_WIDTH = 0.0315
# A foot on the floor keeps its place in the picture. It stands when it moves slower than this. Own choice: a foot that
# swings toward the camera moves twice as fast and more. [body heights/s]
STANDING_PER_S = 0.15
# A stance lasts at least this long; slow walks and running alike. Own choice. [s]
SHORTEST_STANCE_S = 0.2
# A reach further than this from the median of its neighbours within NEIGHBOURS_S is a wrong edge: twice what a turn of
# 25 deg gives in that time. Own choice. [1], [s]
WRONG_EDGE, NEIGHBOURS_S = 0.04, 0.1
# A stance whose reach is this far from the other stances' has a wrong edge throughout: 10 deg. Own choice. [1]
ODD_STANCE = 0.02
# Gaps up to this long are bridged: frames of a quick turn are as far apart. Own choice. [s]
LONGEST_GAP_S = 0.15
# A shoe is trusted where its edge was found in this share of the frames of standing, and keeps its place within this
# median deviation: 5 deg. Own choices. [1]
FOUND_SHARE, STEADY = 0.5, 0.01
# Without a trusted shoe, a foot whose landmarks are far above the floor for more of the time than this is lost: a swing
# takes four tenths of a stride (perry_2010, from memory). Own choice. [1]
LOST_FOOT = 0.6
FEWEST_FRAMES = 10
SHOE_NOTE = "shoes that stand out from the floor"


@dataclass(frozen=True, slots=True)
class ShoeTrack:
    """One shoe on a motion's clock.

    Attributes
    ----------
    reach : (n_frames,)
        Over the body's height, free of wrong edges. [1]
    seen_turned_deg : (n_frames,)
        How much further inward than its direction of travel says the camera sees the foot; NaN outside passes. [deg]
    trusted, lost : bool
        Whether the reach can be trusted, and whether the foot's landmarks cannot.
    """

    reach: FloatArray
    seen_turned_deg: FloatArray
    trusted: bool
    lost: bool


def track_shoes(shoes: Shoes, motion: Motion, passes: list[Pass], lens: Lens) -> dict[Side, ShoeTrack]:
    """Return both shoes of a front view."""
    found: dict[Side, ShoeTrack] = {}
    for i, side in enumerate(SIDES):
        kept = without_wrong_edges(shoes.reach[:, i], shoes.time_s)
        filled, _ = fill_gaps(kept[:, None], shoes.time_s, max_gap_s=LONGEST_GAP_S)
        reach = resample(filled, shoes.time_s, motion.time_s)[:, 0]
        stands = _stands(motion, passes, side)
        reach = without_odd_stances(reach, stands, motion.fps)
        at_rest = reach[stands & np.isfinite(reach)]
        trusted = len(at_rest) >= FEWEST_FRAMES and len(at_rest) >= FOUND_SHARE * stands.sum()
        trusted = trusted and float(np.median(np.abs(at_rest - np.median(at_rest)))) <= STEADY
        turned = _seen_turned_deg(motion, passes, lens, side)
        found[side] = ShoeTrack(reach, turned, trusted, bool(shoes.lost_share[i] > LOST_FOOT))
    return found


def shoe_notes(tracks: dict[Side, ShoeTrack]) -> tuple[QualityNote, ...]:
    """Return the note on how many of the two shoes could be told from the floor; none without tracks."""
    if not tracks:
        return ()
    advice = "Film where shoes and floor differ in lightness, in even light, with the camera on a stand."
    return (at_least(SHOE_NOTE, sum(track.trusted for track in tracks.values()), "shoes", 2, advice),)


def direction_by_shoe_deg(landmarks_deg: FloatArray, shoe: ShoeTrack) -> FloatArray:
    """Return a foot's direction against the walk's, external positive, (n_frames,). [deg]

    Parameters
    ----------
    landmarks_deg : (n_frames,)
        As the landmarks show it. [deg]
    shoe : ShoeTrack

    Returns
    -------
    (n_frames,)
        By the shoe; by landmarks, which see half of a short turn, where the shoe is not trusted; NaN where both are
        lost.

    Notes
    -----
    sin(seen direction) = (reach - half the shoe's width) / 0.110. Own method.
    """
    if shoe.trusted:
        seen_deg = np.degrees(np.arcsin(np.clip((shoe.reach - HALF_WIDTH) / AHEAD, -1.0, 1.0)))
    else:
        seen_deg = np.full(len(landmarks_deg), np.nan) if shoe.lost else landmarks_deg
    return np.asarray(seen_deg + shoe.seen_turned_deg)


def level_by_shoe_deg(direction_deg: FloatArray, shoe: ShoeTrack) -> FloatArray:
    """Return a foot's direction where its level can be read, (n_frames,): NaN for a lost ankle. [deg]

    Notes
    -----
    A turn is a change of the shoe's reach, whatever place the ankle was given. The level is read against the ankle: on
    rendered bare pylons, whose ankles are lost, it is 3 to 13 deg off.
    """
    return np.full(len(direction_deg), np.nan) if shoe.lost else direction_deg


def without_wrong_edges(reach: FloatArray, time_s: FloatArray) -> FloatArray:
    """Return the reach of one shoe, (n_frames,), without values far from their neighbours'."""
    kept = np.full(len(reach), np.nan)
    seen = np.flatnonzero(np.isfinite(reach))
    for i in seen:
        near = seen[np.abs(time_s[seen] - time_s[i]) <= NEIGHBOURS_S]
        if abs(reach[i] - np.median(reach[near])) <= WRONG_EDGE:
            kept[i] = reach[i]
    return kept


def without_odd_stances(reach: FloatArray, stands: BoolArray, fps: float) -> FloatArray:
    """Return the reach of one shoe, (n_frames,), without stances that differ from the others, and the swings before."""
    kept = reach.copy()
    stances = [(start, stop) for start, stop in runs(stands) if stop - start >= SHORTEST_STANCE_S * fps]
    stances = [(start, stop) for start, stop in stances if np.isfinite(reach[start:stop]).any()]
    levels = [float(np.nanmedian(reach[start:stop])) for start, stop in stances]
    last = 0
    for (_, stop), level in zip(stances, levels, strict=True):
        if abs(level - np.median(levels)) > ODD_STANCE:
            kept[last:stop] = np.nan
        last = stop
    return kept


def _stands(motion: Motion, passes: list[Pass], side: Side) -> BoolArray:
    """Where a foot keeps its place in the picture, (n_frames,); False outside passes."""
    stands = np.zeros(len(motion.time_s), dtype=bool)
    foot = np.mean([point(motion.xy_px, side, part) for part in ("ankle", "heel", "foot_index")], axis=0)
    speed_px_s = np.hypot(*derivative(foot, fps=motion.fps).T)
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        height_px = size_in_pass_px(motion, stretch) / SHOULDER_TO_HIP_OF_HEIGHT
        stands[part] = speed_px_s[part] < STANDING_PER_S * height_px
    return stands


def _seen_turned_deg(motion: Motion, passes: list[Pass], lens: Lens, side: Side) -> FloatArray:
    """Angle between the walk's line and the line of sight to a foot, inward positive, (n_frames,). [deg]"""
    turned = np.full(len(motion.time_s), np.nan)
    outward = outward_of("anterior", side)
    for stretch in passes:
        part = slice(stretch.start, stretch.stop)
        leg_px = size_in_pass_px(motion, stretch) / TRUNK_OVER_LEG
        vanishing_px = straight_course(motion, stretch, leg_px, "anterior").vanishing_px
        # A lost ankle is put between where it was seen: the angle changes slowly.
        ankle_px, time_s = point(motion.xy_px[part], side, "ankle")[:, 0], motion.time_s[part]
        seen = np.isfinite(ankle_px)
        if not seen.any():
            continue
        across_px = np.interp(time_s, time_s[seen], ankle_px[seen]) - vanishing_px
        turned[part] = -outward * np.degrees(np.arctan2(across_px, lens.focal_px))
    return turned
