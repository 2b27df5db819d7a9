"""Where the heads are that no kept picture may show, and which frames may be kept at all. No pictures here.

The pose estimator finds a body that is cut off at the picture's edge now and then, and lays it upside down or across
it; its face landmarks then lie on a knee. Such a pose does not stand upright or does not last. A frame is kept only
when its pose does both, and the head is hidden where it is, and where it was found just before and just after.
"""

from __future__ import annotations

import numpy as np

from pipeline.model import LANDMARK_NAMES, FloatArray, LandmarkTrack

# Radius of the hidden disc over the distance from mid-shoulder to mid-ear. The ear is 0.118 of body height
# above the shoulder, the crown 0.064 above the ear (common body-segment proportions, from memory), so the
# head alone needs 0.55; the rest is for hair, a bowed head and landmarks that are off.
RADIUS_PER_NECK = 1.0
# The same from the spread of the face landmarks alone, for when a shoulder is foreshortened. Own choice.
RADIUS_PER_FACE_SPREAD = 1.6
# The same over the trunk, shoulders to hips, which a bowed head does not shorten: as much as one neck, 0.118 / 0.288.
RADIUS_PER_TRUNK = 0.41
# The disc's middle goes so far from the middle of the face landmarks to the ears: they have as much head behind them
# as before them. On 226 rendered frames whole heads were hidden in 91 % with 0, in 99.6 % with 0.5. [1]
TOWARDS_EARS = 0.5
# Frames before and after in which the head is looked up too: landmarks jump from frame to frame. Own choice.
FRAMES_ABOUT = 2
# Largest step of the head's middle from one frame to the next, over the disc's radius, and largest change of that
# radius: a walk at 24 frames a second makes a third of it. Own choices.
LARGEST_STEP = 1.0
LARGEST_RATIO = 1.5
# The trunk stands upright when shoulders are above hips by more than this share of its length. Own choice: 60 deg.
UPRIGHT = 0.5

FACE = tuple(index for index, name in enumerate(LANDMARK_NAMES) if index < 11)
EARS, SHOULDERS, HIPS = (
    tuple(LANDMARK_NAMES.index(f"{side}_{part}") for side in ("left", "right")) for part in ("ear", "shoulder", "hip")
)


def head_discs(xy_px: FloatArray) -> FloatArray:
    """Disc that covers each person's head generously.

    Parameters
    ----------
    xy_px : (33, 2) or (n_people, 33, 2)
        Landmarks, x right, y down. [px]

    Returns
    -------
    (n_people, 3)
        Centre x, centre y and radius; NaN rows where a person's face landmarks are missing. [px]
    """
    people = np.asarray(xy_px, dtype=np.float64).reshape(-1, len(LANDMARK_NAMES), 2)
    discs = np.full((len(people), 3), np.nan)
    for disc, person in zip(discs, people, strict=True):
        face = person[list(FACE)]
        face = face[np.isfinite(face).all(axis=1)]
        if not len(face):
            continue
        # Halfway between the face's outermost points, so that many points about the eyes do not pull.
        centre = (face.min(axis=0) + face.max(axis=0)) / 2
        spread = float(np.hypot(*np.ptp(face, axis=0)))
        ears, shoulders, hips = (person[list(part)].mean(axis=0) for part in (EARS, SHOULDERS, HIPS))
        neck, trunk = float(np.hypot(*(ears - shoulders))), float(np.hypot(*(hips - shoulders)))
        if np.isfinite(ears).all():
            centre = (1 - TOWARDS_EARS) * centre + TOWARDS_EARS * ears
        lengths = [RADIUS_PER_FACE_SPREAD * spread, RADIUS_PER_NECK * neck, RADIUS_PER_TRUNK * trunk]
        disc[:] = *centre, float(np.nanmax(lengths))
    return discs


def head_sightings(track: LandmarkTrack, frame: int) -> FloatArray:
    """The walker's landmarks in a frame and in those about it, for `blur_faces`.

    Returns
    -------
    (n_sightings, 33, 2)
        NaN rows where nobody was seen. [px]
    """
    return np.asarray(track.xy_px[_about(frame)])


def may_be_stored(track: LandmarkTrack, frame: int) -> bool:
    """Tell whether the only face in a frame is one whose place is known for sure.

    Parameters
    ----------
    track : LandmarkTrack
    frame : int

    Returns
    -------
    bool
        True when exactly one person was found, with a face, whose trunk stands upright in the picture; nobody else was
        found in the frames about it, and the head is near the same place in the frames next to it. A clip of a single
        frame gives False.
    """
    # Somebody else is often found in every other frame only.
    if int(track.n_people[frame]) != 1 or track.n_people[_about(frame)].max() > 1:
        return False
    person = track.xy_px[frame]
    shoulders, hips = (person[list(part)].mean(axis=0) for part in (SHOULDERS, HIPS))
    along = hips - shoulders
    # NaN compares as False.
    if not along[1] > UPRIGHT * np.hypot(*along):
        return False
    here, *beside = head_discs(track.xy_px[[frame, *_next_to(track, frame)]])
    return bool(beside) and all(_same_head(here, there) for there in beside)


def _about(frame: int) -> slice:
    """The frames from a little before a frame to a little after it."""
    return slice(max(0, frame - FRAMES_ABOUT), frame + FRAMES_ABOUT + 1)


def _next_to(track: LandmarkTrack, frame: int) -> list[int]:
    """The frames before and after a frame, where there are any."""
    return [number for number in (frame - 1, frame + 1) if 0 <= number < len(track.time_s)]


def _same_head(here: FloatArray, there: FloatArray) -> bool:
    """Whether two discs (x, y, radius) can be one head, a frame apart; False where one is missing."""
    larger, smaller = max(here[2], there[2]), min(here[2], there[2])
    step = float(np.hypot(*(here[:2] - there[:2])))
    return bool(step <= LARGEST_STEP * larger and larger <= LARGEST_RATIO * smaller)
