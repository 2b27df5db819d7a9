"""How long a run still takes: sums that can be redone by hand, and words."""

from __future__ import annotations

import pytest

from pipeline.time_left import NOT_KNOWN, Pile, Work, in_words, seconds_left

# Two clips of 300 frames took 30 s each: 0.1 s a frame.
ENDED = {"pictures": Pile(2, 600, 60.0)}


def test_nothing_is_said_before_a_clip_has_ended() -> None:
    assert seconds_left({}, {"pictures": Pile(3, 900)}, [], 2) is None
    assert in_words(None) == NOT_KNOWN == "time left not known yet"


def test_time_goes_by_frames_and_not_by_the_number_of_clips() -> None:
    # 0.1 s a frame: ten short clips of 60 frames are one long one of 600; two workers halve it.
    assert seconds_left(ENDED, {"pictures": Pile(10, 600)}, [], 1) == pytest.approx(60.0)
    assert seconds_left(ENDED, {"pictures": Pile(1, 600)}, [], 1) == pytest.approx(60.0)
    assert seconds_left(ENDED, {"pictures": Pile(10, 600)}, [], 2) == pytest.approx(30.0)


def test_more_workers_than_clips_do_not_shorten_a_clip() -> None:
    assert seconds_left(ENDED, {"pictures": Pile(1, 600)}, [], 8) == pytest.approx(60.0)


def test_a_clip_at_work_has_left_what_it_should_take_less_what_it_took() -> None:
    # 300 frames are 30 s; 10 s and a third of the frames are behind it.
    assert seconds_left(ENDED, {}, [(Work("pictures", 300), 10.0, 1 / 3)], 2) == pytest.approx(20.0)
    # Slower than foreseen: half of its frames are left, so half of the 30 s.
    assert seconds_left(ENDED, {}, [(Work("pictures", 300), 25.0, 0.5)], 2) == pytest.approx(15.0)
    # It comes down to nothing, never below.
    assert seconds_left(ENDED, {}, [(Work("pictures", 300), 90.0, 1.0)], 2) == 0.0


def test_a_run_takes_no_less_than_its_longest_clip_at_work() -> None:
    at_work = [(Work("pictures", 6000), 0.0, 0.0), (Work("pictures", 10), 0.0, 0.0)]
    assert seconds_left(ENDED, {}, at_work, 2) == pytest.approx(600.0)


def test_one_odd_clip_moves_the_estimate_by_its_share_only() -> None:
    before = {"pictures": Pile(99, 29_700, 2970.0)}
    after = {"pictures": before["pictures"].plus(Work("pictures", 300), 3000.0)}
    waiting = {"pictures": Pile(100, 30_000)}
    # 100 clips at 0.1 s a frame are 3000 s; one clip that took a hundred times as long doubles the mean, no more.
    assert seconds_left(before, waiting, [], 1) == pytest.approx(3000.0)
    assert seconds_left(after, waiting, [], 1) == pytest.approx(5970.0)


def test_clips_whose_landmarks_are_there_have_a_pace_of_their_own() -> None:
    ended = {**ENDED, "measures": Pile(1, 300, 3.0)}
    assert seconds_left(ended, {"measures": Pile(2, 600), "pictures": Pile(1, 300)}, [], 1) == pytest.approx(36.0)
    # Until one of their kind has ended they count as the mean clip, 30 s; never the other way round.
    assert seconds_left(ENDED, {"measures": Pile(2, 600)}, [], 1) == pytest.approx(60.0)
    assert seconds_left({"measures": Pile(1, 300, 3.0)}, {"pictures": Pile(1, 300)}, [], 1) is None


def test_reports_count_once_one_was_made() -> None:
    waiting = {"pictures": Pile(1, 300), "report": Pile(4, 4)}
    assert seconds_left(ENDED, waiting, [], 1) == pytest.approx(30.0)
    assert seconds_left({**ENDED, "report": Pile(1, 1, 8.0)}, waiting, [], 1) == pytest.approx(62.0)


def test_nothing_left_is_no_time() -> None:
    assert seconds_left(ENDED, {"pictures": Pile()}, [], 2) == 0.0
    assert seconds_left({}, {"report": Pile()}, [], 2) == 0.0


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0, "less than a minute left"),
        (59.9, "less than a minute left"),
        (61.0, "about 2 min left"),
        (3540.0, "about 59 min left"),
        (3599.0, "about 1 h 00 min left"),
        (3 * 3600 + 61.0, "about 3 h 05 min left"),
        (23 * 3600 + 3590.0, "about 1 d 0 h left"),
        (30 * 3600 + 60.0, "about 1 d 7 h left"),
    ],
)
def test_words_are_rounded_up(seconds: float, words: str) -> None:
    assert in_words(seconds) == words


def test_piles_add_up() -> None:
    work = Work("pictures", 300)
    assert Pile().plus(work, 30.0) == Pile(1, 300, 30.0)
    assert Pile(2, 600).minus(work) == Pile(1, 300)
