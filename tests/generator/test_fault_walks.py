"""The people of the fault benchmark: same seed same people, parts apart, wanted sizes, clean recordings, tables."""

from __future__ import annotations

import csv
import functools
import json
from dataclasses import asdict

import numpy as np
import pytest
from generator import variety
from generator.__main__ import main
from generator.fault_kinds import KIND, KINDS, SIZE_LABELS, clash
from generator.fault_set import make_fault_set
from generator.fault_walks import (
    CELLS,
    CELLS_IN_EVERY_VIEW,
    EVERY_VIEW,
    NONE,
    FaultCell,
    draw_walk,
    fault_cells,
)
from generator.faults import Faults, fault_range
from generator.scene import place_pose, project
from generator.skeleton import joint_positions
from generator.variety import write_table

from pipeline.manifest import read_manifest


@functools.cache
def drawn(fault, size, number=0, part="tuning", seed=5):
    """One walk of the benchmark."""
    return draw_walk(seed, part, FaultCell(fault=fault, size=size, number=number))


def test_every_fault_of_the_catalogue_is_there_at_three_growing_sizes_by_a_parameter_of_the_walker():
    # The 20 rows of the fault table in DESIGN, whose whips are two.
    assert len(KINDS) == len(KIND) == 22
    for kind in KINDS:
        low, high = fault_range(kind.parameter)
        assert low < high
        changes = np.diff(kind.sizes)
        assert (changes > 0).all() or (changes < 0).all(), kind.name


def test_the_first_walker_of_everything_comes_first_and_subjects_do_not_depend_on_the_counts():
    few = fault_cells(per_size=1, without=1, several=1, every_view=1)
    many = fault_cells(per_size=3, without=6, several=4, every_view=2)
    assert [(cell.fault, cell.size) for cell in few] == [*CELLS, *CELLS_IN_EVERY_VIEW]
    assert many[: len(few)] == few
    assert len(many) == 3 * 3 * len(KINDS) + 6 + 4 + 2 * len(KINDS)
    assert len({cell.subject for cell in many}) == len({cell.name for cell in many}) == len(many)
    assert {cell.subject for cell in few} <= {cell.subject for cell in many}
    # By hand: after the first round, half of the six walkers without faults come before the third walkers.
    place = {cell.name: index for index, cell in enumerate(many)}
    assert place["F_none_none_04"] < place["F_vaulting_mild_03"] < place["F_none_none_06"]
    assert place["F_steady_toe_out_severe_01"] < place["F_vaulting_mild_02"] < place["F_vaulting_mild_03"]


def test_only_takes_the_faults_that_are_named():
    cells = fault_cells(per_size=2, without=3, several=3, every_view=1, only=["drop_off", "none"])
    assert {cell.fault for cell in cells} == {"drop_off", "none"}
    assert len(cells) == 3 * 2 + 3 + 1


def test_the_same_seed_gives_the_same_walk_and_seed_or_part_another_one():
    first = drawn("drop_off", "clear")
    cells = fault_cells(per_size=1, only=["drop_off"])
    assert draw_walk(5, "tuning", cells[SIZE_LABELS.index("clear")]) == first
    others = [drawn("drop_off", "clear", part="test"), drawn("drop_off", "clear", seed=6)]
    walkers = [(walk.clips[0].settings.seed, walk.clips[0].look.height_m) for walk in (first, *others)]
    assert len(set(walkers)) == 3


def test_the_parts_share_no_walker():
    walks = {
        part: [drawn("none", "none", number, part) for number in range(3)] + [drawn("drop_off", "clear", 0, part)]
        for part in ("tuning", "test")
    }
    seeds = {part: {spec.settings.seed for walk in walks[part] for spec in walk.clips} for part in walks}
    assert len(seeds["tuning"]) == len(seeds["test"]) == 3 * 4 + 1
    assert not seeds["tuning"] & seeds["test"]


@pytest.mark.parametrize(
    ("fault", "size", "number", "wanted"),
    [
        ("drop_off", "clear", 0, 5.0),
        ("delayed_knee_flexion", "mild", 0, 5.0),
        ("uneven_heel_rise", "mild", 1, -8.0),
        ("uneven_step_length", "clear", 2, 1.0 / 1.4),
        ("wide_base", "severe", 0, 44.0),
        ("medial_whip", "mild", 0, 5.0),
    ],
)
def test_the_clips_show_the_wanted_size(fault, size, number, wanted):
    walk = drawn(fault, size, number)
    (injected,) = walk.injected
    assert injected.wanted == pytest.approx(wanted)
    # 6 % of a quick walk's size at most; the few strides of the clips scatter by 5 % each.
    assert injected.realised == pytest.approx(wanted, abs=max(0.06 * abs(wanted), 0.3 if abs(wanted) > 2.0 else 0.0))
    low, high = fault_range(injected.parameter)
    assert low <= injected.value <= high
    assert getattr(walk.clips[0].settings.faults, injected.parameter) == injected.value
    neutral = asdict(Faults()) | {injected.parameter: injected.value}
    assert asdict(walk.clips[0].settings.faults) == neutral


def test_a_walker_in_every_view_shows_the_clear_size_and_is_another_person():
    everywhere, one_view = drawn("wide_base", EVERY_VIEW), drawn("wide_base", "clear")
    assert everywhere.injected[0].wanted == one_view.injected[0].wanted
    assert everywhere.cell.subject == f"E{1 + [kind.name for kind in KINDS].index('wide_base'):04d}"
    assert everywhere.clips[0].settings.seed != one_view.clips[0].settings.seed
    # Every second one is filmed at 60 frames a second from the side, where quick events can be told.
    rates = [[spec.conditions.frame_rate_hz for spec in drawn("wide_base", EVERY_VIEW, n).clips] for n in (0, 1)]
    assert rates == [[30, 30, 30, 30], [60, 60, 30, 30]]


def test_a_drop_off_is_found_in_the_joints_of_the_clip_itself():
    # Low point of the hips around the sound contact against that around the prosthetic one, from the frames alone.
    (spec,) = drawn("drop_off", "clear").clips
    body = spec.body()
    pose, gait = spec.walk(body)
    joints = joint_positions(body.skeleton, pose)
    height = 0.5 * (joints["left_hip"] + joints["right_hip"])[:, 2]
    lows = {}
    for stride in gait.strides:
        near = np.abs(pose.time_s - stride.contact_s) < 0.08
        if 0.1 < stride.contact_s < pose.time_s[-1] - 0.1:
            lows.setdefault(stride.prosthetic, []).append(height[near].min())
    leg_m = np.linalg.norm(body.skeleton.rest_m["left_hip"] - body.skeleton.rest_m["left_ankle"])
    assert 100.0 * (np.median(lows[True]) - np.median(lows[False])) / leg_m == pytest.approx(5.0, abs=0.75)


def test_the_prosthetic_limb_is_near_the_camera_where_one_side_view_is_asked_for():
    (spec,) = drawn("drop_off", "clear").clips
    body = spec.body()
    pose, _ = spec.walk(body)
    joints = joint_positions(body.skeleton, place_pose(pose, spec.placement()[0]))
    eye = np.array(spec.camera().position_m)
    middle = len(pose.time_s) // 2
    away = {side: np.linalg.norm(joints[f"{side}_hip"][middle] - eye) for side in ("left", "right")}
    assert min(away, key=away.get) == spec.look.prosthetic_side


def test_a_visit_has_the_views_of_its_fault():
    def views(walk):
        return [(spec.view, spec.leftward) for spec in walk.clips]

    both = [("sagittal", False), ("sagittal", True)]
    assert views(drawn("uneven_heel_rise", "mild", 1)) == both
    assert views(drawn("wide_base", "severe")) == [("posterior", False)]
    everywhere = [*both, ("anterior", False), ("posterior", False)]
    assert views(drawn("none", "none")) == everywhere
    assert views(drawn("wide_base", EVERY_VIEW)) == everywhere
    assert {kind.frame_rate_hz for kind in KINDS if kind.name in ("terminal_impact", "foot_slap")} == {60}


def test_recordings_are_clean_and_show_the_whole_body_for_four_strides():
    walk = drawn("none", "none")
    for spec in walk.clips:
        film = spec.conditions
        assert abs(film.yaw_deg) <= 4.0 and abs(film.roll_deg) <= 1.0
        assert (film.occluder, film.bystander, film.shutter_share, film.crf) == ("none", None, 0.0, 21)
        assert (film.width_px, film.height_px, film.frame_rate_hz) == (1280, 720, 30)
        assert film.light in ("even", "side")
    body = walk.clips[0].body()
    pose, gait = walk.clips[0].walk(body)
    for side in ("left", "right"):
        assert sum(event.side == side and event.kind == "contact" for event in gait.events) >= 5
    joints = joint_positions(body.skeleton, place_pose(pose, walk.clips[0].placement()[0]))
    top, sole = (project(walk.clips[0].camera(), joints[name])[:, 1] for name in ("head_top", "left_heel"))
    assert np.max(sole - top) >= 250.0
    assert {spec.look for spec in walk.clips} == {walk.clips[0].look}
    assert len({spec.settings.seed for spec in walk.clips}) == 4


def test_several_faults_go_together_and_each_has_its_size():
    walk = drawn("several", "several")
    names = [fault.fault for fault in walk.injected]
    assert 2 <= len(names) <= 4
    assert not any(clash(one, other) for one in names for other in names if one != other)
    for fault in walk.injected:
        assert fault.realised == pytest.approx(fault.wanted, rel=0.07), fault.fault


def test_unknown_names_and_parts_are_told(capsys, tmp_path):
    with pytest.raises(ValueError, match=r"only is limp, .*; names of vaulting, .* are expected\. Correct these\."):
        fault_cells(only=["limp"])
    with pytest.raises(ValueError, match="part is both; tuning or test is expected"):
        drawn("none", "none", part="both")
    assert main(["faults", "--out", str(tmp_path), "--only", "limp"]) == 2
    assert "only is limp" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_set_is_written_with_both_tables_and_goes_on_where_it_stopped(tmp_path, monkeypatch):
    made = []

    def quick(spec, video_path, truth_path):
        truth = {
            "labels": spec.labels, "look": asdict(spec.look), "conditions": asdict(spec.conditions), "n_frames": 1,
            "gait": {"settings": asdict(spec.settings)}, "rest_m": {"head_top": [0.0, 0.0, 1.7]},
            "marker": {"length_m": 1.0, "length_px": 120.4},
        }  # fmt: skip
        made.append(video_path.name)
        for path, text in ((video_path, "clip"), (truth_path, json.dumps(truth))):
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        return truth

    monkeypatch.setattr(variety, "make_clip", quick)
    monkeypatch.setattr("generator.fault_set.draw_walk", lambda seed, part, cell: drawn(cell.fault, cell.size))
    cells = [FaultCell(fault="wide_base", size="severe", number=0), FaultCell(fault=NONE, size=NONE, number=0)]

    def make(wanted):
        make_fault_set(tmp_path, 5, "tuning", wanted, say=lambda line: None)

    make(cells)
    assert len(made) == 1 + 4
    clips = read_manifest(tmp_path)
    assert [clip.view for clip in clips] == ["posterior", "sagittal", "sagittal", "anterior", "posterior"]
    assert len({clip.subject for clip in clips}) == 2
    with (tmp_path / "walks.csv").open(encoding="utf-8", newline="") as file:
        severe, none = csv.DictReader(file)
    assert (severe["fault"], severe["size"], severe["wanted"], severe["parameter"]) == (
        "wide_base", "severe", "44", "abduction_m",
    )  # fmt: skip
    assert float(severe["realised"]) == pytest.approx(44.0, rel=0.06)
    assert (none["fault"], none["size"], none["wanted"], none["realised"]) == ("none", "none", "", "")
    assert none["clips"].split() == [clip.relative_path.split("/")[-1] for clip in clips[1:]]
    (tmp_path / "clips" / made[2]).unlink()
    make(cells)
    assert made[5:] == [made[2]]
    # Others were measured elsewhere: the tables tell of those that are wanted.
    make(cells[1:])
    assert _subjects(tmp_path) == [none["subject"]]
    make([])
    assert _subjects(tmp_path) == []
    make(cells[:1])
    assert _subjects(tmp_path) == [severe["subject"]]


def _subjects(folder):
    with (folder / "walks.csv").open(encoding="utf-8", newline="") as file:
        return [row["subject"] for row in csv.DictReader(file)]


def test_a_clip_made_before_a_fault_existed_is_kept(tmp_path):
    (spec,) = drawn("wide_base", "severe").clips
    settings = asdict(spec.settings)
    del settings["faults"]["drop_off_m"]
    truth = {
        "labels": spec.labels, "look": asdict(spec.look), "conditions": asdict(spec.conditions), "n_frames": 1,
        "gait": {"settings": settings},
    }  # fmt: skip
    video, stored = tmp_path / "a.mp4", tmp_path / "a.truth.json"
    video.write_bytes(b"clip")
    stored.write_text(json.dumps(truth), encoding="utf-8")
    assert variety._kept(spec, video, stored) == truth
    settings["faults"]["drop_off_m"] = 0.02
    stored.write_text(json.dumps(truth), encoding="utf-8")
    assert variety._kept(spec, video, stored) is None


def test_a_table_appears_complete_or_not_at_all(tmp_path):
    with pytest.raises(ValueError, match="dict contains fields"):
        write_table(tmp_path / "a.csv", ["one"], [{"one": "1"}, {"two": "2"}])
    assert not (tmp_path / "a.csv").exists()


def test_quick_events_can_be_found_absent_in_every_second_walker_without_a_fault() -> None:
    """Terminal impact and foot slap are judged from 60 frames a second on."""
    for number, sagittal_hz in ((0, 30), (1, 60)):
        walk = draw_walk(5, "tuning", FaultCell(fault=NONE, size=NONE, number=number))
        rates = {spec.view: spec.conditions.frame_rate_hz for spec in walk.clips}
        assert rates == {"sagittal": sagittal_hz, "anterior": 30, "posterior": 30}
