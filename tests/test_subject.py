"""The walker is followed through a clip in which others stand, pass and come back."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.model import LANDMARK_NAMES
from pipeline.subject import Detection, drop_duplicates, follow_subject, merge_looks, rival_share

# A stick figure of height 1: head, shoulders, elbows, hands, hips, knees, ankles, feet.
HEIGHTS = np.repeat([0.93, 0.8, 0.62, 0.5, 0.52, 0.28, 0.04, 0.0], [11, 2, 2, 8, 2, 2, 2, 4])
FPS = 30


def person(x_px: float, height_px: float = 400.0, *, feet_px: float = 600.0, shift: float = 0.0) -> Detection:
    """Someone at a place; `shift` moves every landmark, in shares of the height."""
    sideways = np.where(np.array(["left" in name for name in LANDMARK_NAMES]), 0.05, -0.05) + shift
    xy_px = np.stack([x_px + sideways * height_px, feet_px - HEIGHTS * height_px], axis=1)
    return Detection(xy_px, np.ones(33), np.zeros((33, 3)))


def hips_px(found: list[Detection | None]) -> NDArray[np.float64]:
    return np.array([np.nan if one is None else one.hip_px[0] for one in found])


def clock(n_frames: int) -> NDArray[np.float64]:
    return np.arange(n_frames) / FPS


def test_a_second_pose_of_the_same_person_is_dropped() -> None:
    """Moved by 5 % of the height it is the same person, by 20 % it is someone beside."""
    first = person(500)
    assert drop_duplicates([first, person(500, shift=0.05)]) == [first]
    assert len(drop_duplicates([first, person(500, shift=0.2)])) == 2
    assert drop_duplicates([]) == []


def test_a_pose_with_swapped_legs_is_the_same_person() -> None:
    first = person(500)
    swapped = first.xy_px.copy()
    for joint in ("hip", "knee", "ankle", "heel", "foot_index"):
        i, j = LANDMARK_NAMES.index(f"left_{joint}"), LANDMARK_NAMES.index(f"right_{joint}")
        swapped[[i, j]] = swapped[[j, i]]
    assert drop_duplicates([first, Detection(swapped, first.visibility, first.world_m)]) == [first]


def test_the_walker_is_followed_past_a_larger_person_who_stands() -> None:
    """The order within a frame changes, as the estimator's does."""
    x_px = 100 + 8.0 * np.arange(120)
    frames = [[person(x), person(600, 520)] if i % 3 else [person(600, 520), person(x)] for i, x in enumerate(x_px)]
    np.testing.assert_allclose(hips_px(follow_subject(frames, clock(120))), x_px)


def test_the_walker_toward_the_camera_is_followed_past_someone_who_stands() -> None:
    heights_px = np.geomspace(200, 500, 90)
    frames = [[person(900, 450), person(640, height)] for height in heights_px]
    found = follow_subject(frames, clock(90))
    np.testing.assert_allclose([one.height_px for one in found if one], 0.93 * heights_px)


def test_of_two_who_walk_the_larger_is_the_subject() -> None:
    """A helper who walks along behind, on the far side of the walking line."""
    x_px = 100 + 8.0 * np.arange(100)
    frames = [[person(x - 200, 330), person(x)] for x in x_px]
    np.testing.assert_allclose(hips_px(follow_subject(frames, clock(100))), x_px)


def test_frames_without_anyone_stay_empty_and_a_short_gap_is_bridged_by_the_same_person() -> None:
    x_px = 100 + 8.0 * np.arange(60)
    frames = [[person(x), person(900, 380)] for x in x_px]
    for i in range(20, 26):
        frames[i] = []
    found = hips_px(follow_subject(frames, clock(60)))
    assert np.isnan(found[20:26]).all()
    np.testing.assert_allclose(np.delete(found, range(20, 26)), np.delete(x_px, range(20, 26)))


def test_who_left_the_picture_and_came_back_is_the_same_subject() -> None:
    """Out at the right edge for 2 s, then back to the left, while someone stands in the middle."""
    there, back = 100 + 10.0 * np.arange(110), 1190 - 10.0 * np.arange(110)
    frames = [[person(x), person(640, 420)] for x in there]
    frames += [[person(640, 420)] for _ in range(60)]
    frames += [[person(640, 420), person(x)] for x in back]
    found = hips_px(follow_subject(frames, clock(len(frames))))
    expected = np.concatenate([there, np.full(60, np.nan), back])
    np.testing.assert_allclose(found, expected)


def test_nobody_else_takes_over_when_the_walker_is_gone() -> None:
    """Seen only after the walker left, half a picture away: no one could have got there in a frame."""
    x_px = 100 + 10.0 * np.arange(100)
    frames = [[person(x)] for x in x_px] + [[person(300, 420)] for _ in range(30)]
    found = hips_px(follow_subject(frames, clock(130)))
    np.testing.assert_allclose(found[:100], x_px)
    assert np.isnan(found[100:]).all()


def test_someone_who_only_stands_is_a_subject_too() -> None:
    frames = [[person(640 + 3 * np.sin(i))] for i in range(40)]
    assert np.isfinite(hips_px(follow_subject(frames, clock(40)))).all()


def test_a_clip_without_people_has_no_subject() -> None:
    assert follow_subject([[], [], []], clock(3)) == [None, None, None]
    assert follow_subject([], clock(0)) == []


@pytest.mark.parametrize("px_per_frame", [4.0, 8.0])
@pytest.mark.parametrize("other_px_per_frame", [0.0, -3.0])
def test_the_subject_never_jumps_to_someone_who_is_passed(px_per_frame: float, other_px_per_frame: float) -> None:
    """Both are of one size; while they overlap one of them, by chance, is dropped as a second pose of the other.

    Jitter of 1 % of the height and one missed detection in ten: twenty draws.
    """
    x_px = 100 + px_per_frame * np.arange(140)
    others_px = 520 + other_px_per_frame * (np.arange(140) - 70)
    for seed in range(20):
        rng = np.random.default_rng(seed)
        frames = []
        for x, other in zip(x_px, others_px, strict=True):
            both = [person(x + rng.normal(0, 4)), person(other + rng.normal(0, 4))]
            frames.append(drop_duplicates([both[i] for i in rng.permutation(2) if rng.random() > 0.1]))
        found = hips_px(follow_subject(frames, clock(140)))
        assert np.nanmax(np.abs(found - x_px)) < 60, seed
        assert np.isfinite(found).mean() > 0.75


def test_someone_who_appears_where_the_walker_vanished_is_not_the_walker() -> None:
    """Walker hidden for the last two seconds; someone else, a third larger, steps in two metres behind."""
    x_px = 100 + 8.0 * np.arange(160)
    frames = [[person(x)] if i < 100 else [] if i < 115 else [person(x - 900, 700)] for i, x in enumerate(x_px)]
    found = hips_px(follow_subject(frames, clock(160)))
    np.testing.assert_allclose(found[:100], x_px[:100])
    assert np.isnan(found[100:]).all()


def test_someone_who_stands_where_the_walker_vanished_is_not_the_walker() -> None:
    """Walker hidden for the last two seconds; after 0.6 s a person of the same size stands where the way leads."""
    x_px = 100 + 8.0 * np.arange(160)
    frames = [[person(x)] if i < 100 else [] if i < 118 else [person(x_px[110])] for i, x in enumerate(x_px)]
    found = hips_px(follow_subject(frames, clock(160)))
    np.testing.assert_allclose(found[:100], x_px[:100])
    assert np.isnan(found[100:]).all()


def test_whoever_is_pointed_at_is_followed_instead() -> None:
    """Two walk; the smaller one, at 520 px after a second, is pointed at, half a height beside the body's middle."""
    x_px = 100 + 8.0 * np.arange(90)
    frames = [[person(x, 420), person(760 - x, 380)] for x in x_px]
    assert hips_px(follow_subject(frames, clock(90)))[30] == x_px[30]
    found = follow_subject(frames, clock(90), (1.0, 760 - x_px[30] + 100, 400.0))
    np.testing.assert_allclose(hips_px(found), 760 - x_px)


@pytest.mark.parametrize("walker_at", [(1.0, 900.0, 420.0), (5.0, 340.0, 420.0)])
def test_nobody_is_followed_when_nobody_is_where_a_person_pointed(walker_at: tuple[float, float, float]) -> None:
    frames = [[person(100 + 8.0 * i)] for i in range(60)]
    assert follow_subject(frames, clock(60), walker_at) == [None] * 60


def test_the_closer_look_comes_first_and_the_first_look_fills_in() -> None:
    first, close, bystander = person(500), person(504), person(640)
    assert merge_looks([close], first) == [close]
    assert merge_looks([bystander, close], first) == [bystander, close]
    assert merge_looks([bystander], first) == [bystander, first]
    assert merge_looks([], first) == [first]
    assert merge_looks([close], None) == [close]
    assert merge_looks([], None) == []


def test_the_rival_is_nobody_or_a_bystander_or_one_who_walks_along() -> None:
    """Alone 0; someone who stands, hardly anything; an equal who walks along, as likely as the subject."""
    x_px = 100 + 8.0 * np.arange(100)
    alone = [[person(x)] for x in x_px]
    stands = [[person(x), person(500, 430)] for x in x_px]
    along = [[person(x), person(x - 200)] for x in x_px]
    shares = [rival_share(one, follow_subject(one, clock(100)), clock(100)) for one in (alone, stands, along)]
    assert shares[0] == 0
    assert 0 < shares[1] < 0.1
    assert shares[2] == pytest.approx(1, abs=0.05)
    assert rival_share([[], []], [None, None], clock(2)) == 0
