"""What a recording must offer, and the words of a refusal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.config import load_settings
from pipeline.errors import QualityError
from pipeline.model import LandmarkTrack, QualityNote, VideoInfo, View
from pipeline.motion import prepare
from pipeline.pixels import PictureFacts
from pipeline.quality import (
    body_height_share,
    check_recording,
    feet_inside_share,
    leg_notes,
    leg_seen_share,
    noise_note,
    recording_notes,
    refuses,
    stride_notes,
    usability,
)
from tests.test_walkway import WALKS, filmed
from tests.walker import INDEX, Walker, make_clip

SETTINGS = load_settings().quality
INFO = VideoInfo(1280, 720, 360, 360, 6.0, 60.0, 60.0, 0, False, True)

GOOD_PICTURES = PictureFacts(blur_pct=0.2, brightness=0.5, contrast=0.5)
# What every clip with a walker in it is looked at for; quick movements in a side view only.
ITEMS = [
    "frames",
    "frame rate",
    "duration",
    "resolution, shorter side",
    "frames lost in decoding",
    "dropped frames",
    "irregular frame intervals",
    "frame rate for quick movements",
    "blur",
    "brightness",
    "contrast",
    "walker seen",
    "rival to the walker",
    "second person",
    "feet in the picture",
    "height in the picture",
    "height of the walker",
    "signs against the view",
    "camera angle to the walkway",
    "left leg seen, far side",
    "right leg seen",
]


def notes_of(
    track: LandmarkTrack, view: View = "sagittal", info: VideoInfo = INFO, pictures: PictureFacts = GOOD_PICTURES
) -> dict[str, QualityNote]:
    """The notes on a clip by name, from a sample of its frames."""
    times_s = np.arange(info.n_frames) / info.fps_measured
    notes = recording_notes(
        make_clip(view), info, track, SETTINGS, min_visibility=0.5, time_s=times_s, pictures=pictures
    )
    return {note.item: note for note in notes}


def poor(notes: dict[str, QualityNote]) -> list[str]:
    return [item for item, note in notes.items() if not note.ok]


def refusal(track: LandmarkTrack, info: VideoInfo = INFO) -> str:
    """The message with which a clip is refused."""
    with pytest.raises(QualityError) as caught:
        check_recording(make_clip(name="P03_v2_side"), info, track, SETTINGS, min_visibility=0.5)
    return str(caught.value)


def test_a_good_clip_passes_with_all_its_notes() -> None:
    notes = check_recording(make_clip(), INFO, Walker().track(), SETTINGS, min_visibility=0.5, pictures=GOOD_PICTURES)
    assert [note.item for note in notes] == ITEMS
    assert all(note.ok for note in notes)
    assert usability(notes) == "usable"
    assert all(note.advice for note in notes)


def test_body_height_and_feet_by_hand() -> None:
    """Nose at 2.0 and heel at 0.02 leg lengths of 200 px in a picture of 720 px: 55 %. Feet in view: all frames."""
    track = Walker(duration_s=4.0).track()
    assert body_height_share(track) == pytest.approx(1.98 * 200 / 720)
    assert feet_inside_share(track) == 1.0


def test_nobody_in_view() -> None:
    track = Walker().track()
    empty = replace(track, xy_px=np.full_like(track.xy_px, np.nan), visibility=np.zeros_like(track.visibility))
    assert refusal(empty) == (
        "clip P03_v2_side: a person is seen in 0% of 360 frames; at least 60% are needed. "
        "Keep the whole body in view, well lit, against a plain wall."
    )


def test_too_few_frames() -> None:
    short = replace(INFO, n_frames=10, n_frames_announced=10)
    assert refusal(Walker().track(), short) == (
        "clip P03_v2_side: has 10 frames; at least 30 are needed. Film three strides of each foot or more."
    )


def test_a_file_that_breaks_off_is_to_be_copied_again() -> None:
    """Filming longer would not help."""
    assert refusal(Walker().track(), replace(INFO, n_frames=10, n_frames_announced=360)) == (
        "clip P03_v2_side: has 10 frames, and 350 more that the file announces cannot be decoded; "
        "at least 30 are needed. Copy the clip again from the camera."
    )


def test_slow_frame_rate() -> None:
    assert "has 15.0 frames/s; at least 24 are needed" in refusal(Walker().track(), replace(INFO, fps_measured=15.0))


def test_a_walker_whose_landmarks_shake_is_noted() -> None:
    """Noise of 5 % of a leg on every joint, by the law of error propagation.

    By hand: 0.05 / 0.5 rad at each end of thigh and shank, straight knee: 0.1 x sqrt(1 + 1 + 4) = 0.24 rad = 14 deg,
    times the square root of the share of noise that a 6 Hz low-pass leaves at 60 frames a second (about a fifth).
    """
    track = Walker().track()
    rng = np.random.default_rng(3)
    shaken = replace(track, xy_px=track.xy_px + rng.normal(0, 0.05 * 200, track.xy_px.shape))
    calm, wild = (noise_note(prepare(one, load_settings().signals)) for one in (track, shaken))
    assert calm.ok
    assert not wild.ok
    assert 3 < wild.value < 9


def test_somebody_who_may_be_the_walker_too() -> None:
    track = replace(Walker().track(), rival_share=0.8)
    assert "it cannot be told who is the walker: somebody else comes to 80% of" in refusal(track)


def test_a_second_person_who_is_no_rival_is_noted() -> None:
    track = Walker().track()
    beside = replace(track, n_people=np.full(len(track.n_people), 2), rival_share=0.05)
    notes = notes_of(beside)
    assert notes["second person"].value == 1.0
    assert not notes["second person"].ok
    assert notes["rival to the walker"].ok
    assert usability(tuple(notes.values())) == "usable with care"


def test_cut_off_at_the_knees() -> None:
    track = Walker().track()
    low = track.xy_px.copy()
    low[:, [INDEX["left_heel"], INDEX["right_heel"], INDEX["left_foot_index"], INDEX["right_foot_index"]], 1] = 800
    assert "the feet are inside the picture in 0% of the frames; at least 60% are needed" in refusal(
        replace(track, xy_px=low)
    )


def test_too_far_away() -> None:
    track = Walker().track()
    small = replace(track, xy_px=track.xy_px * 0.2 + 300)
    assert "the walker fills 11% of the picture's height; at least 15% is needed" in refusal(small)


@pytest.mark.parametrize("view", ["sagittal", "anterior", "posterior"])
def test_a_walk_filmed_in_each_view_is_usable(view: View) -> None:
    notes = notes_of(filmed(WALKS[view], length_m=3.0, distance_m=4.5), view)
    assert poor(notes) == []
    assert notes["camera angle to the walkway"].value == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(
    ("view", "walk_deg", "off_deg"),
    [("sagittal", 20.0, 20.0), ("sagittal", -25.0, -25.0), ("posterior", 70.0, 20.0), ("posterior", 110.0, -20.0)],
)
def test_a_camera_that_looks_askew_is_told(view: View, walk_deg: float, off_deg: float) -> None:
    notes = notes_of(filmed(walk_deg, length_m=3.0), view)
    assert poor(notes) == ["camera angle to the walkway"]
    assert notes["camera angle to the walkway"].value == pytest.approx(off_deg, abs=1.0)
    assert notes["camera angle to the walkway"].limit == np.copysign(SETTINGS.max_camera_angle_deg, off_deg)
    assert usability(tuple(notes.values())) == "usable with care"


def test_a_view_that_contradicts_the_manifest_beyond_doubt_is_refused() -> None:
    track = filmed(WALKS["anterior"], length_m=3.0)
    assert refusal(track) == (
        "clip P03_v2_side: looks like the anterior view, since the shoulders are wide (0.73 of the trunk's length) and "
        "the walker goes along the line of sight; the manifest says sagittal. Correct the row's view or its file."
    )
    notes = notes_of(track)
    assert poor(notes) == ["signs against the view"]
    assert "camera angle to the walkway" not in notes
    assert usability(tuple(notes.values())) == "not usable"


def test_front_and_back_taken_for_each_other_are_refused() -> None:
    notes = notes_of(filmed(WALKS["posterior"], length_m=3.0), "anterior")
    assert notes["signs against the view"].advice == (
        "The manifest says anterior, yet the walker goes away and the walker shows the back, as in the posterior view: "
        "correct the row's view or its file."
    )
    assert refuses(notes["signs against the view"])


def test_one_sign_alone_is_no_refusal() -> None:
    """On a treadmill only the shoulders tell."""
    track = filmed(WALKS["anterior"], length_m=0.3)
    notes = check_recording(make_clip(), INFO, track, SETTINGS, min_visibility=0.5)
    assert [(note.item, note.value) for note in notes if not note.ok] == [("signs against the view", 1.0)]
    assert usability(notes) == "usable with care"


def hide(track: LandmarkTrack, part: str, share: float) -> LandmarkTrack:
    """The track with one landmark hidden in the first frames."""
    visibility = track.visibility.copy()
    visibility[: round(share * len(visibility)), INDEX[part]] = 0.3
    return replace(track, visibility=visibility)


def test_share_of_a_leg_by_hand() -> None:
    track = hide(filmed(0.0, n_frames=20), "left_knee", 0.5)
    assert leg_seen_share(track, "sagittal", "left", 0.5) == 0.5
    assert leg_seen_share(track, "sagittal", "right", 0.5) == 1.0
    assert leg_seen_share(track, "sagittal", "left", 0.2) == 1.0


def test_a_hidden_far_leg_is_advice_and_a_hidden_near_leg_asks_for_care() -> None:
    far, near = (notes_of(hide(filmed(0.0), f"{side}_ankle", 0.5)) for side in ("left", "right"))
    assert poor(far) == ["left leg seen, far side"]
    assert usability(tuple(far.values())) == "usable"
    assert poor(near) == ["right leg seen"]
    assert usability(tuple(near.values())) == "usable with care"


def test_a_foot_hides_its_own_heel_from_the_front_and_its_toes_from_behind() -> None:
    assert poor(notes_of(hide(filmed(-90.0, length_m=3.0), "left_heel", 1.0), "anterior")) == []
    assert poor(notes_of(hide(filmed(90.0, length_m=3.0), "left_foot_index", 1.0), "posterior")) == []
    assert poor(notes_of(hide(filmed(90.0, length_m=3.0), "left_heel", 1.0), "posterior")) == ["left leg seen"]


def test_30_frames_a_second_is_advice_only() -> None:
    info = replace(INFO, fps_measured=30.0, n_frames=180, n_frames_announced=180)
    notes = notes_of(filmed(0.0), info=info)
    assert poor(notes) == ["frame rate for quick movements"]
    assert usability(tuple(notes.values())) == "usable"
    assert poor(notes_of(filmed(90.0, length_m=3.0), "posterior", info)) == []


def test_blur_asks_for_care() -> None:
    notes = notes_of(filmed(0.0), pictures=replace(GOOD_PICTURES, blur_pct=1.0))
    assert poor(notes) == ["blur"]
    assert usability(tuple(notes.values())) == "usable with care"


def test_nobody_in_the_sample_is_not_usable_and_asks_nothing_about_legs() -> None:
    track = filmed(0.0)
    empty = replace(track, xy_px=np.full_like(track.xy_px, np.nan), visibility=np.zeros_like(track.visibility))
    notes = notes_of(empty)
    assert poor(notes) == ["walker seen", "feet in the picture", "height in the picture", "height of the walker"]
    assert list(notes)[-1] == "height of the walker"
    assert usability(tuple(notes.values())) == "not usable"


def test_strides_of_each_foot_are_counted_where_they_can_be_used() -> None:
    table = pd.DataFrame({"side": ["left"] * 4 + ["right"] * 3, "use": [True, True, True, False, True, False, False]})
    notes = stride_notes(table, 3)
    assert [(note.item, note.value, note.limit, note.ok) for note in notes] == [
        ("strides, left foot", 3.0, 3.0, True),
        ("strides, right foot", 1.0, 3.0, False),
    ]


def test_legs_that_were_put_right_are_noted_by_their_share() -> None:
    """By hand: 6 of 100 frames confused (5 % is much), the left leg rebuilt in 25 of them (just allowed)."""
    frames = np.arange(100)
    notes = leg_notes(frames < 6, np.stack([frames < 25, frames < 26], axis=1))
    assert [(note.item, note.value, note.ok) for note in notes] == [
        ("legs confused and put right", 0.06, False),
        ("left leg lost and rebuilt", 0.25, True),
        ("right leg lost and rebuilt", 0.26, False),
    ]
    assert usability(notes) == "usable with care"
    assert [note.value for note in leg_notes(np.zeros(0, bool), np.zeros((0, 2), bool))] == [0.0, 0.0, 0.0]
