"""Captured movements that are no faulty gait: what must not be called a fault, and what must not be called a walk.

Source: motion files of the `pybullet` wheel (zlib licence), captured from people (see captured_walk.py). The walker of
`walker/0walk_forward.txt` has two sound legs that move independently. The turns are the same person's, one stride of
each; here they are joined to a walk along an arc of 30 to 99 deg a stride. Whoever runs is never on both feet.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.errors import QualityError
from pipeline.model import LandmarkTrack, Side, StrideSet
from tests.captured_walk import CapturedWalk, captured_walk, side_track
from tests.judged_walk import judged, measured

PEOPLE: tuple[tuple[Side, ...], ...] = ((), ("left",), ("right",))
# What the message of a refused clip says: not that anything was measured.
REFUSALS = ("no straight walk", "left and right leg cannot be told apart", "is needed", "are needed")
# A picture of any width that holds the way at this size: 1.6 m are 240 of 720 px.
PX_PER_M, EDGE_PX, HEIGHT_PX, FLOOR_PX = 150.0, 100.0, 720, 620.0


def seen_from_the_side(walk: CapturedWalk, *, direction: int = 1, on_the_spot: bool = False) -> LandmarkTrack:
    """The movement before a distant side camera wide enough for it, or held in the middle as on a treadmill."""
    track = side_track(walk, direction=direction, px_per_m=1.0)
    metres = track.xy_px - np.array([640.0, 620.0])
    if on_the_spot:
        hips = metres[:, 23, 0]
        metres[:, :, 0] -= np.polyval(np.polyfit(track.time_s, hips, 1), track.time_s)[:, None]
    low_m, high_m = metres[:, :, 0].min(), metres[:, :, 0].max()
    xy_px = np.array([EDGE_PX, FLOOR_PX]) + PX_PER_M * (metres - np.array([low_m, 0.0]))
    width_px = round(PX_PER_M * (high_m - low_m) + 2 * EDGE_PX)
    return replace(track, xy_px=xy_px, width_px=max(1280, width_px), height_px=HEIGHT_PX)


def strides_or_refusal(track: LandmarkTrack, name: str = "clip") -> StrideSet | str:
    """The strides of a clip, or the message with which it is refused."""
    try:
        return measured(track, name=name)
    except QualityError as error:
        return str(error)


def along_an_arc(name: str, heading_deg: float, repeats: int = 6) -> CapturedWalk:
    """A captured stride repeated, each time from where and in what heading the last one ended."""
    import pybullet_data

    path = Path(pybullet_data.getDataPath()) / "data" / "motions" / name
    frames = np.array(json.loads(path.read_text())["Frames"])
    ahead = Rotation.from_quat(frames[[0, -1], 4:8], scalar_first=True).apply([1.0, 0.0, 0.0])
    headings = np.unwrap(np.arctan2(-ahead[:, 2], ahead[:, 0]))
    places = frames[[0, -1], 1:4] * [1.0, 0.0, 1.0]
    one = captured_walk(name, repeats=1)
    parts: dict[str, list[np.ndarray]] = {name: [] for name in one.points_m}
    at_m = np.zeros(3)
    for number in range(repeats):
        turn = Rotation.from_rotvec([0.0, np.radians(heading_deg) + number * (headings[1] - headings[0]), 0.0])
        for part, points_m in one.points_m.items():
            parts[part].append(at_m + turn.apply(points_m - places[0]))
        at_m = at_m + turn.apply(places[1] - places[0])
    n_frames = repeats * len(one.time_s)
    return CapturedWalk(np.arange(n_frames) * one.time_s[1], {k: np.concatenate(v) for k, v in parts.items()}, {})


@pytest.fixture(scope="module")
def captured_visit() -> list[StrideSet]:
    """The captured walker past the camera in both directions."""
    walk = captured_walk()
    return [measured(seen_from_the_side(walk, direction=way), name=f"way{way}") for way in (1, -1)]


def test_a_captured_sound_walker_has_no_fault(captured_visit: list[StrideSet]) -> None:
    """Nothing is present, and what stays open does so with a reason.

    Borderline may be knee instability, as sound knees flex 15 to 20 deg under load (MEMORY) and the limit is for
    prosthetic ones, and what the hips' height tells, as this person's legs differ: the references read a stance of
    59.5 % left and 65 % right off the capture. So may be forward bending: the landmarks here are joints, without the
    estimator's hips in front of them, for which 3 deg are added. Comparisons of sides need a prosthesis to be judged.
    """
    found = judged(captured_visit)
    assert found.named("present") == set()
    open_ones = {"knee_instability", "vaulting", "drop_off", "late_pelvic_rise", "forward_trunk_bending"}
    assert found.named("borderline") <= open_ones
    assert all(found.faults[name].reason for name in found.named("cannot say", "borderline"))
    # The test can fail: knees, times and hips are measured.
    for metric in ("knee_flexion_rise_in_stance", "stance_time", "hip_vault_height"):
        assert all(found.values[metric, side].status == "ok" for side in ("left", "right"))


@pytest.mark.parametrize("prosthetic_sides", PEOPLE[1:], ids=["left", "right"])
def test_nor_has_he_with_a_limb_taken_for_a_prosthesis(
    captured_visit: list[StrideSet], prosthetic_sides: tuple[Side, ...]
) -> None:
    """Sides are then compared too: what a sound person's legs differ by is no fault within the metrics' own errors."""
    found = judged(captured_visit, prosthetic_sides)
    present = {
        finding.metric
        for name in found.named("present")
        for finding in found.faults[name].findings
        if finding.verdict == "present"
    }
    assert present == set()


def test_a_captured_sound_walker_has_the_stance_of_a_walker(captured_visit: list[StrideSet]) -> None:
    """Perry (MEMORY): 60 to 62 %, here at 0.98 m/s; read off the capture by hand: 59.5 left, 65 right, within 4."""
    found = judged(captured_visit)
    assert found.value("stance_share", "left") == pytest.approx(59.5, abs=4)
    assert found.value("stance_share", "right") == pytest.approx(65.0, abs=4)


TURNS = ("turn_left0", "turn_left1", "turn_right0", "turn_right1")


@pytest.mark.parametrize("heading_deg", [0.0, 45.0, 90.0, 180.0])
@pytest.mark.parametrize("turn", TURNS)
def test_nobody_is_judged_by_turning(turn: str, heading_deg: float) -> None:
    """From whichever heading the arc begins, what of it goes across the picture is too short for a verdict.

    Three stances, the last one of a pass included, may be enough for the knee's flexion under load: this person's sound
    knees flex by 16 to 19 deg there (read off the capture), which a limit for prosthetic ones rightly leaves open.
    """
    strides = strides_or_refusal(seen_from_the_side(along_an_arc(f"walker/{turn}.txt", heading_deg)))
    if isinstance(strides, str):
        assert "no straight walk" in strides
        return
    for sides in PEOPLE:
        found = judged([strides], sides)
        assert found.named("present") == set()
        assert found.named("borderline") <= {"knee_instability"}
        assert found.named("not seen") == set()
        assert all(found.faults[name].reason for name in found.named("cannot say"))


@pytest.mark.parametrize("on_the_spot", [False, True], ids=["over ground", "treadmill"])
@pytest.mark.parametrize("movement", ["run", "jump", "kick", "punch"])
def test_what_is_no_walk_has_no_stride(movement: str, on_the_spot: bool) -> None:
    """Running has no double support, jumps and blows no steps: every stretch is left out, each with its reason."""
    walk = captured_walk(f"humanoid3d_{movement}.txt", repeats=5)
    strides = strides_or_refusal(seen_from_the_side(walk, on_the_spot=on_the_spot))
    if isinstance(strides, str):
        assert any(words in strides for words in REFUSALS)
        return
    assert not strides.table["use"].any()
    assert (strides.table["why_not"] != "").all()
    assert judged([strides], ("right",)).named("present", "borderline", "not seen") == set()


def test_a_run_is_left_out_for_want_of_double_support() -> None:
    strides = measured(seen_from_the_side(captured_walk("humanoid3d_run.txt", repeats=5)))
    reasons = set(strides.table["why_not"]) - {"before the first contact", "after the last contact"}
    assert reasons == {"not one toe-off of the other foot before its contact and one of this foot after it"}


@pytest.mark.parametrize("on_the_spot", [False, True], ids=["over ground", "treadmill"])
@pytest.mark.parametrize("movement", ["crawl", "roll", "getup_facedown", "cartwheel", "dance_a"])
def test_what_is_not_upright_walking_is_refused(movement: str, on_the_spot: bool) -> None:
    """The message names the clip, what was found and what is needed."""
    walk = captured_walk(f"humanoid3d_{movement}.txt", repeats=3)
    message = strides_or_refusal(seen_from_the_side(walk, on_the_spot=on_the_spot))
    assert isinstance(message, str)
    assert message.startswith("clip clip: ")
    assert any(words in message for words in REFUSALS)
