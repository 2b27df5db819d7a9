"""What failed, grouped by kind with what to do about it."""

from __future__ import annotations

import pytest

from pipeline.errors import QualityError, VideoError
from pipeline.failure_kinds import failure_kinds, parts_of
from tests.test_batch import MESSAGES
from tests.test_batch_faults import BROKEN


@pytest.mark.parametrize(
    ("item", "found", "expected", "do"),
    [
        ("clip a", "no such file (clips/a.mp4)", "expected a video file", "Check the file's path in the manifest."),
        ("clip a", "has 10 frames", "at least 30 are needed", "Film three strides of each foot or more."),
        ("clip a", "its rate is 12.5", "", "Raise run.clip_time_limit_s in the settings. Then run it again."),
        ("clip a", "nobody is seen", "", ""),
    ],
)
def test_a_message_comes_apart_as_it_was_put_together(item: str, found: str, expected: str, do: str) -> None:
    whole = f"{found}; {expected}" if expected else found
    assert parts_of(str(VideoError(item, found, expected, do))) == (item, whole, do)


@pytest.mark.parametrize("message", [m for m in (*MESSAGES.values(), *(m for _, m in BROKEN.values())) if m])
def test_every_message_of_a_clip_has_an_item_and_something_to_do(message: str) -> None:
    item, found, do = parts_of(message)
    assert item.startswith("clip ") and found and do
    assert message == f"{item}: {found}. {do}"


def test_one_reason_of_many_clips_is_one_line_with_examples() -> None:
    def short(name: str, frames: int) -> str:
        return str(QualityError(f"clip {name}", f"has {frames} frames", "at least 30 are needed", "Film longer."))

    gone = [str(VideoError(f"clip g{i}", "no such file", "expected a video file", "Copy it.")) for i in range(5)]
    kinds = failure_kinds([short("a", 10), *gone, short("b", 12), "visit P01-01: the process ended with signal 6."])
    assert [(kind.count, kind.found, kind.do, kind.examples) for kind in kinds] == [
        (5, "no such file; expected a video file", "Copy it.", ("clip g0", "clip g1", "clip g2")),
        (2, "has N frames; at least N are needed", "Film longer.", ("clip a", "clip b")),
        (1, "the process ended with signal 6", "", ("visit P01-01",)),
    ]


def test_messages_of_several_lines_and_without_an_item_are_kept() -> None:
    assert parts_of("manifest.csv: 2 problems found.\n  row 2: wrong.\nHelp.") == (
        "manifest.csv", "2 problems found", "row 2: wrong. Help.",
    )  # fmt: skip
    assert parts_of("broken") == ("", "broken", "")
    assert failure_kinds([]) == ()
