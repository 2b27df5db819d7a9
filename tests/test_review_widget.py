"""The viewer for corrections, driven by code as a person drives it by hand. It needs no browser."""

from __future__ import annotations

import os
import re
import shutil
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from pipeline import review_widget
from pipeline.errors import ConfigError
from pipeline.report.viewer_files import SIZE_PX, ViewerClip, ViewerIndex, save_viewer_clip
from pipeline.review import Correction
from pipeline.review_files import read_corrections, save_corrections
from pipeline.review_widget import Viewer
from pipeline.store import write_json
from tests import review_fixture
from tests.review_fixture import SmallStudy

NEEDED = "ipywidgets is not installed (the extra `notebook`)"


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> SmallStudy:
    if find_spec("ipywidgets") is None:
        # As with the browser: a run that must not skip fails.
        (pytest.fail if os.environ.get("CI") else pytest.skip)(NEEDED)
    folder = tmp_path_factory.mktemp("viewer")
    with pytest.MonkeyPatch.context() as patch:
        study = review_fixture.small_study(folder, patch)
        study.run()
    return study


@pytest.fixture
def viewer(measured: SmallStudy, tmp_path: Path) -> Viewer:
    shutil.copytree(measured.results, tmp_path / "results")
    return Viewer(tmp_path / "results", "P01", "01")


def press(viewer: Viewer, name: str) -> str:
    """Press a button; return what is said then, without its markup."""
    viewer.buttons[name].click()
    return re.sub(r"<[^>]*>", "", viewer.message.value)


def sign(viewer: Viewer) -> None:
    viewer.initials.value, viewer.reason.value = "AB", "seen"


def saved(viewer: Viewer) -> tuple[Correction, ...]:
    return read_corrections(viewer.results / "sub-P01/ses-01").records


def choose(viewer: Viewer, words: str) -> None:
    """Choose the first event whose words hold these."""
    viewer.event.value = next(value for label, value in viewer.event.options if words in label)


def test_nothing_is_written_before_save_and_then_everything_at_once(viewer: Viewer) -> None:
    sign(viewer)
    choose(viewer, "left contact")
    before = viewer.time_s
    viewer.frame.value += 4
    assert viewer.time_s == pytest.approx(before + 4 / 60)
    assert press(viewer, "Move event here") == ""
    viewer.fault.value, viewer.verdict.value = "vaulting", "present"
    assert press(viewer, "Overrule verdict") == ""
    assert [one.action for one in viewer.drafts] == ["move event", "overrule verdict"]
    assert saved(viewer) == ()
    assert "Not saved: 2" in viewer.pending.value
    drafts = tuple(viewer.drafts)
    assert press(viewer, "Save").startswith("Saved: 2. Apply with strideledger run STUDY --out ")
    assert saved(viewer) == drafts
    assert (viewer.drafts, viewer.buttons["Save"].disabled) == ([], True)
    moved = saved(viewer)[0]
    assert (moved.by, moved.reason, moved.to_s) == ("AB", "seen", pytest.approx(before + 4 / 60, abs=1e-3))


def test_a_full_disk_is_told_and_save_goes_on_where_it_ended(viewer: Viewer, monkeypatch: pytest.MonkeyPatch) -> None:
    sign(viewer)
    # A sign that cannot be seen is shown when a record is read.
    viewer.reason.value = "seen\u200b"
    viewer.verdict.value = "present"
    for fault in ("vaulting", "knee_instability", "medial_whip"):
        viewer.fault.value = fault
        assert press(viewer, "Overrule verdict") == ""
    drafts = list(viewer.drafts)
    with monkeypatch.context() as patch:
        review_fixture.fill_disk(patch, after=1)
        assert press(viewer, "Save") == (
            "corrections: 1 of 3 were recorded, then one could not be written (No space left on device). Check free "
            "space and the right to write into the results, then do the same again; nothing is doubled."
        )
    assert [one.id for one in saved(viewer)] == [drafts[0].id]
    assert viewer.drafts == drafts[1:]
    assert "Not saved: 2" in viewer.pending.value
    assert press(viewer, "Save").startswith("Saved: 2. ")
    assert [one.id for one in saved(viewer)] == [one.id for one in drafts]
    assert viewer.drafts == []


def test_a_record_that_was_written_but_not_read_again_is_saved_again(viewer: Viewer) -> None:
    sign(viewer)
    viewer.fault.value = "vaulting"
    press(viewer, "Overrule verdict")
    save_corrections(viewer.results, viewer.drafts)
    assert press(viewer, "Save").startswith("Saved: 1. ")
    assert (len(saved(viewer)), viewer.drafts) == (1, [])


def test_a_draft_shows_in_the_list_of_events_and_in_the_curve(viewer: Viewer) -> None:
    sign(viewer)
    assert "<circle" not in viewer.curve.value
    choose(viewer, "left contact")
    viewer.frame.value += 4
    press(viewer, "Move event here")
    assert sum("by hand: AB" in label for label, _ in viewer.event.options) == 1
    assert viewer.curve.value.count("<circle") == 1
    press(viewer, "Drop the last draft")
    assert viewer.drafts == [] and "<circle" not in viewer.curve.value


def test_an_added_event_can_be_moved_and_deleted_before_it_is_saved(viewer: Viewer) -> None:
    sign(viewer)
    choose(viewer, "left contact")
    press(viewer, "Delete event")
    viewer.frame.value += 3
    viewer.side.value, viewer.kind.value = "left", "contact"
    assert press(viewer, "Add event here") == ""
    choose(viewer, "by hand")
    viewer.frame.value += 2
    assert press(viewer, "Move event here") == ""
    assert [one.about for one in viewer.drafts] == ["", "", viewer.drafts[1].id]
    press(viewer, "Save")
    assert [one.action for one in saved(viewer)] == ["delete event", "add event", "move event"]


def test_legs_strides_and_undoing(viewer: Viewer) -> None:
    sign(viewer)
    viewer.frame.value = 60
    press(viewer, "From here")
    viewer.frame.value = 90
    press(viewer, "To here")
    assert "after the study was run again" in press(viewer, "Swap legs")
    viewer.stride.value = viewer.stride.options[1][1]
    assert press(viewer, "Exclude stride") == ""
    press(viewer, "Save")
    first = saved(viewer)[0]
    assert (first.action, first.time_s) == ("swap legs", pytest.approx(1.0))
    viewer.record.value = viewer.record.options[1][1]
    press(viewer, "Undo record")
    press(viewer, "Save")
    assert (saved(viewer)[2].action, saved(viewer)[2].about) == ("undo", saved(viewer)[0].id)


@pytest.mark.parametrize(
    ("button", "said"),
    [
        ("Move event here", "Event: nothing is chosen; expected an event of the list."),
        ("Exclude stride", "Stride: nothing is chosen; expected a stride of the list."),
        ("Overrule verdict", "Fault: nothing is chosen; expected a fault of the list."),
        ("Undo record", "Record: nothing is chosen; expected a record of the list."),
        ("Add event here", "initials: found &quot;&quot;; expected 1 to 8 letters and digits, as AB."),
    ],
)
def test_what_is_missing_is_said_and_drafts_nothing(viewer: Viewer, button: str, said: str) -> None:
    assert press(viewer, button) == said
    assert viewer.drafts == []


def test_a_reason_is_needed(viewer: Viewer) -> None:
    viewer.initials.value = "AB"
    viewer.fault.value = "vaulting"
    said = press(viewer, "Overrule verdict")
    assert said == "reason: it is empty; expected why this is corrected, in a few words."


def test_text_of_a_person_is_shown_as_text(viewer: Viewer) -> None:
    viewer.initials.value, viewer.reason.value = "AB", "<script>alert(1)</script>"
    viewer.fault.value = "vaulting"
    press(viewer, "Overrule verdict")
    assert "&lt;script&gt;" in viewer.pending.value and "<script" not in viewer.pending.value


def test_a_kept_picture_is_shown_and_without_one_the_skeleton_alone(viewer: Viewer) -> None:
    assert "<image" not in viewer.picture.value and "No picture is kept" in viewer.picture.value
    assert viewer.picture.value.count("<line") > 10
    clip, time_s = viewer.clip.value, viewer.track.time_s[60:62]
    points = [[[float(SIZE_PX[0]) / 2, 200.0]] * 16] * 2
    made = ViewerClip(time_s, np.array(points), np.zeros(2, dtype=bool), (b"RIFF-one", b"RIFF-two"))
    folder = viewer.results / "sub-P01/ses-01/frames"
    save_viewer_clip(folder / f"{clip}.npz", made)
    write_json(folder / "viewer.json", ViewerIndex({clip: f"{clip}.npz"}))
    again = Viewer(viewer.results, "P01", "01")
    again.frame.value = 60
    assert "data:image/webp;base64,UklGRi1vbmU=" in again.picture.value
    assert "No picture is kept" not in again.picture.value


def test_another_clip_brings_its_own_events(viewer: Viewer) -> None:
    viewer.clip.value = "b-side"
    assert viewer.frame.max == len(viewer.track.time_s) - 1
    assert len(viewer.event.options) > 5


def test_a_visit_that_is_not_there_is_told(viewer: Viewer) -> None:
    with pytest.raises(ConfigError, match="no sub-P09/ses-01"):
        Viewer(viewer.results, "P09", "01")


def test_without_the_package_it_says_how_to_install_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(_: str) -> None:
        raise ImportError

    monkeypatch.setattr(review_widget, "import_module", missing)
    with pytest.raises(ConfigError) as problem:
        Viewer(tmp_path, "P01", "01")
    assert str(problem.value) == (
        "package ipywidgets: is not installed; it is part of the extra `notebook`. "
        "Install it: python -m pip install 'strideledger[notebook]'"
    )
