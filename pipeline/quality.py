"""Is a recording good enough to measure, and how to film better next time."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd

from pipeline.config import QualitySettings
from pipeline.errors import QualityError
from pipeline.geometry import INDEX, LEG_PARTS, lens_of
from pipeline.model import SIDES, BoolArray, Clip, FloatArray, LandmarkTrack, QualityNote, Side, VideoInfo, View
from pipeline.motion import Motion, knee_noise_deg
from pipeline.passes import OTHER_WALKS
from pipeline.pixels import PictureFacts
from pipeline.recording import LOST_FRAMES, QUICK_MOVEMENTS, at_least, at_most, file_notes, picture_notes
from pipeline.standing import STANDING_NOTE
from pipeline.walkway import BEYOND_DOUBT, WalkerPath, far_side, view_signs, walker_path

Usable = Literal["usable", "usable with care", "not usable"]

# Share of frames with swapped legs above which the clip deserves a second look. Own choice.
MOST_SWAPPED_SHARE = 0.05
# Share of frames in which knee or ankle come from the model of the legs, above which curves deserve a second look.
# Own choice.
MOST_REBUILT_SHARE = 0.25
# Jitter of the knee angle after smoothing above which curves deserve a second look: usual clips have 1.0 to 1.7 deg.
# Own choice.
MOST_KNEE_NOISE_DEG = 3.0
# A foot hides its own heel from the front and its own toes from behind.
PARTS_IN_VIEW: dict[View, tuple[str, ...]] = {
    "sagittal": LEG_PARTS,
    "anterior": ("hip", "knee", "ankle", "foot_index"),
    "posterior": ("hip", "knee", "ankle", "heel"),
}
VIEW_SIGNS = "signs against the view"
FAR_LEG = "leg seen, far side"
ADVICE_ONLY = (QUICK_MOVEMENTS, STANDING_NOTE, OTHER_WALKS)
# What is refused, in words; anything else that is not ok lets the clip be measured, with care.
REFUSALS = {
    "frames": ("has {value:.0f} frames", "at least {limit:.0f} are needed"),
    "frame rate": ("has {value:.1f} frames/s", "at least {limit:.0f} are needed"),
    "walker seen": ("a person is seen in {value:.0%} of {frames} frames", "at least {limit:.0%} are needed"),
    "rival to the walker": (
        "it cannot be told who is the walker: somebody else comes to {value:.0%} of the first one's weight",
        "at most {limit:.0%} is safe, weight being height times way times time in view",
    ),
    "feet in the picture": (
        "the feet are inside the picture in {value:.0%} of the frames",
        "at least {limit:.0%} are needed",
    ),
    "height in the picture": (
        "the walker fills {value:.0%} of the picture's height",
        "at least {limit:.0%} is needed",
    ),
}


def check_recording(
    clip: Clip,
    info: VideoInfo,
    track: LandmarkTrack,
    settings: QualitySettings,
    *,
    min_visibility: float,
    pictures: PictureFacts | None = None,
) -> tuple[QualityNote, ...]:
    """Return what was looked at about a recording, each with value, limit and advice.

    Parameters
    ----------
    clip, info, track
        The whole clip, one row of the track for each of its frames.
    settings : QualitySettings
    min_visibility : float
        A landmark below this counts as not seen. [1]
    pictures : PictureFacts, optional
        Without them there are no notes on sharpness and light.

    Raises
    ------
    QualityError
        The clip cannot be measured at all: too short, nobody or too little of the walker in view, several
        people, frame rate too low, or beyond doubt another view than the manifest's.
    """
    notes = recording_notes(
        clip, info, track, settings, min_visibility=min_visibility, time_s=track.time_s, pictures=pictures
    )
    item = f"clip {clip.clip_id}"
    for note in notes:
        if note.item in REFUSALS and not note.ok:
            found, expected = REFUSALS[note.item]
            values = {"value": note.value, "limit": note.limit, "frames": len(track.time_s)}
            found, advice = found.format(**values), note.advice
            for lost in (one for one in notes if one.item == LOST_FRAMES and not one.ok):
                # A file that breaks off: what the rest lacks is no fault of the filming.
                found += f", and {lost.value:.0f} more that the file announces cannot be decoded"
                advice = lost.advice
            raise QualityError(item, found, expected.format(**values), advice)
        if note.item == VIEW_SIGNS and refuses(note):
            signs = view_signs(track, _path(track, settings))
            reasons = " and ".join(signs.against(clip.view))
            found = f"looks like the {signs.found()} view, since {reasons}"
            raise QualityError(item, found, f"the manifest says {clip.view}", "Correct the row's view or its file.")
    return notes


def recording_notes(
    clip: Clip,
    info: VideoInfo,
    track: LandmarkTrack,
    settings: QualitySettings,
    *,
    min_visibility: float,
    time_s: FloatArray,
    pictures: PictureFacts | None = None,
) -> tuple[QualityNote, ...]:
    """Return the notes of a recording in the order in which they are refused.

    The track may hold all frames or a sample of them; `time_s` are the times of all frames, (n_all_frames,). [s]
    Other parameters as in `check_recording`.
    """
    notes = [note for note in file_notes(info, time_s, settings) if _concerns(note, clip)]
    notes += picture_notes(pictures, settings) if pictures is not None else ()
    notes += _walker_notes(track, settings)
    if np.isfinite(track.xy_px).any():
        path = _path(track, settings)
        notes += _walkway_notes(clip, track, path, settings)
        notes += _leg_notes(clip, track, path, settings, min_visibility)
    return tuple(notes)


def refuses(note: QualityNote) -> bool:
    """Tell whether a clip with this note cannot be measured."""
    if note.item == VIEW_SIGNS:
        return note.value >= BEYOND_DOUBT
    return not note.ok and note.item in REFUSALS


def usability(notes: tuple[QualityNote, ...]) -> Usable:
    """Return how far a clip with these notes can be used.

    A low frame rate for quick movements, a far leg that is hidden at times, no standing and a walk of another view are
    advice only: other findings do not suffer, and the protocol films each limb once near the camera.
    """
    if any(refuses(note) for note in notes):
        return "not usable"
    poor = [note for note in notes if not note.ok and note.item not in ADVICE_ONLY and FAR_LEG not in note.item]
    return "usable with care" if poor else "usable"


def leg_notes(swapped: BoolArray, rebuilt: BoolArray) -> tuple[QualityNote, ...]:
    """Return the notes on legs that the estimator confused (n_frames,) or lost (n_frames, 2), and were put right."""
    advice = "Film with the limb's cosmetic cover on where there is one: a pylon is hard to tell from the other leg."
    lost = [(f"{side} leg lost and rebuilt", _share(rebuilt[:, i]), MOST_REBUILT_SHARE) for i, side in enumerate(SIDES)]
    rows = [("legs confused and put right", _share(swapped), MOST_SWAPPED_SHARE), *lost]
    return tuple(at_most(name, share, "1", limit, advice) for name, share, limit in rows)


def noise_note(motion: Motion) -> QualityNote:
    """Return the note on what the landmarks' jitter does to the knee angle of a side view; the noisier leg counts.

    The spread over strides holds this jitter already, so that no interval is widened by it a second time.
    """
    noise_deg = [knee_noise_deg(motion, side) for side in SIDES]
    medians = [float(np.nanmedian(one)) for one in noise_deg if np.isfinite(one).any()]
    advice = "Film closer, in more light, with a short exposure: the landmarks shake."
    return at_most("knee angle noise", max(medians, default=0.0), "deg", MOST_KNEE_NOISE_DEG, advice)


def stride_notes(table: pd.DataFrame, min_strides: int) -> tuple[QualityNote, ...]:
    """Return the notes on the strides of each foot that can be used, from columns `side` and `use` of the strides."""
    advice = "Film three strides of each foot or more, from the side in both directions."
    used = table[table["use"].astype(bool)]
    counts = {side: int((used["side"] == side).sum()) for side in SIDES}
    return tuple(at_least(f"strides, {side} foot", counts[side], "1", min_strides, advice) for side in SIDES)


def body_height_share(track: LandmarkTrack) -> float:
    """Return the median height from nose to lower heel over the picture's height. [1]"""
    y_px = track.xy_px[np.isfinite(track.xy_px[:, 0, 0])][:, :, 1]
    heel = np.maximum(y_px[:, INDEX["left_heel"]], y_px[:, INDEX["right_heel"]])
    return float(np.median(heel - y_px[:, INDEX["nose"]]) / track.height_px)


def feet_inside_share(track: LandmarkTrack) -> float:
    """Return the share of seen frames in which all foot landmarks lie inside the picture. [1]"""
    parts = [INDEX[f"{side}_{part}"] for side in ("left", "right") for part in ("heel", "foot_index")]
    feet: FloatArray = track.xy_px[np.isfinite(track.xy_px[:, 0, 0])][:, parts]
    inside = (feet >= 0).all(axis=2) & (feet[:, :, 0] < track.width_px) & (feet[:, :, 1] < track.height_px)
    return float(inside.all(axis=1).mean())


def leg_seen_share(track: LandmarkTrack, view: View, side: Side, min_visibility: float) -> float:
    """Return the share of frames with the walker in which a leg is seen from hip to foot. [1]"""
    seen = np.isfinite(track.xy_px[:, 0, 0])
    parts = [INDEX[f"{side}_{part}"] for part in PARTS_IN_VIEW[view]]
    visible = track.visibility[seen][:, parts] >= min_visibility
    return float(visible.all(axis=1).mean())


def _concerns(note: QualityNote, clip: Clip) -> bool:
    """Quick movements are looked for from the side only."""
    return clip.view == "sagittal" or note.item != QUICK_MOVEMENTS


def _walker_notes(track: LandmarkTrack, settings: QualitySettings) -> tuple[QualityNote, ...]:
    """Notes on the walker's place in the picture."""
    seen = np.isfinite(track.xy_px[:, 0, 0])
    in_view = "Keep the whole body in view, well lit, against a plain wall."
    alone = "Film the walker alone; helpers stay out of the picture."
    told = "Film the walker alone, or point at the walker in the manifest's column walker_at."
    closer = "Move the camera closer, zoom in, or film in more pixels."
    step_back = "Step back or tilt the camera until both feet stay in view."
    return (
        at_least("walker seen", _share(seen), "1", settings.min_seen_share, in_view),
        at_most("rival to the walker", track.rival_share, "1", settings.max_rival_share, told),
        at_most("second person", _share(track.n_people > 1), "1", settings.max_second_person_share, alone),
        at_least(
            "feet in the picture",
            feet_inside_share(track) if seen.any() else 0.0,
            "1",
            settings.min_seen_share,
            step_back,
        ),
        at_least(
            "height in the picture",
            body_height_share(track) if seen.any() else 0.0,
            "1",
            settings.min_body_height_share,
            closer,
        ),
        at_least(
            "height of the walker",
            body_height_share(track) * track.height_px if seen.any() else 0.0,
            "px",
            settings.min_body_height_px,
            closer,
        ),
    )


def _walkway_notes(
    clip: Clip, track: LandmarkTrack, path: WalkerPath | None, settings: QualitySettings
) -> tuple[QualityNote, ...]:
    """Notes on the view and on the camera's angle; no angle where the view itself is in doubt or there is no way."""
    signs = view_signs(track, path)
    against = signs.against(clip.view)
    advice = "Film the walker crossing the picture (sagittal), coming closer (anterior) or going away (posterior)."
    if against:
        advice = (
            f"The manifest says {clip.view}, yet {' and '.join(against)}, as in the {signs.found()} view: "
            "correct the row's view or its file."
        )
    note = at_most(VIEW_SIGNS, len(against), "1", 0, advice)
    if path is None or against:
        return (note,)
    if clip.view == "sagittal":
        off_deg = path.angle_deg
        advice = "Let the camera look straight across the walkway: the walker is equally large at both ends of it."
    else:
        off_deg = float(np.copysign(90.0 - abs(path.angle_deg), path.angle_deg))
        advice = "Put the camera on the walkway's middle line: the walker stays in the middle of the picture."
    angle = at_most("camera angle to the walkway", abs(off_deg), "deg", settings.max_camera_angle_deg, advice)
    # With its sign, so that two visits filmed from either side of straight are not taken for alike.
    return (note, replace(angle, value=off_deg, limit=float(np.copysign(angle.limit, off_deg))))


def _leg_notes(
    clip: Clip, track: LandmarkTrack, path: WalkerPath | None, settings: QualitySettings, min_visibility: float
) -> tuple[QualityNote, ...]:
    """Notes on how well each leg is seen."""
    far = far_side(clip.view, path)
    notes = []
    for side in SIDES:
        share = leg_seen_share(track, clip.view, side, min_visibility)
        advice = "Short or tight trousers, light on the legs, nothing between them and the camera."
        name = f"{side} leg seen"
        if side == far:
            name = f"{side} {FAR_LEG}"
            advice = "Film a second clip in the other direction: there this leg is near the camera."
        notes.append(at_least(name, share, "1", settings.min_leg_seen_share, advice))
    return tuple(notes)


def _path(track: LandmarkTrack, settings: QualitySettings) -> WalkerPath | None:
    """The walker's path before the lens that is assumed."""
    return walker_path(track, lens_of(track, settings.lens_focal_share).focal_px)


def _share(true: BoolArray) -> float:
    """Share of True, 0 where there is nothing."""
    return float(true.mean()) if len(true) else 0.0
