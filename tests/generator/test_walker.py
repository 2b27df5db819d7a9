"""The computed walker: floor contact, natural curves, exact truth, and faults of the size that was asked for."""

from __future__ import annotations

import functools
import itertools
import json

import numpy as np
import pytest
from generator.skeleton import BONES, PARENT, SIDES, SURFACE_BONE, Skeleton, default_skeleton, joint_positions
from generator.walker import Faults, WalkerSettings, walk

SKELETON = default_skeleton()
FPS = 200.0
SOLE = ("heel", "heel_back", "ball_sole", "toe", "toe_sole")
SPEEDS = [(0.7, 86.0), (1.1, 104.0), (1.4, 116.0)]
MANY_FAULTS = Faults(
    vault_height_m=0.04,
    foot_rotation_deg=25.0,
    arm_swing_ratio=0.4,
    stance_ratio=0.85,
    terminal_impact_deg_s=550.0,
    knee_instability_deg=12.0,
    medial_whip_deg=8.0,
)


@functools.cache
def walked(side="left", faults=None, *, speed=1.1, cadence=104.0, variability=0.0, seed=0, duration=2.6):
    """Pose, truth and joint positions of a walk; without variation unless asked for."""
    settings = WalkerSettings(
        speed_m_s=speed,
        cadence_steps_min=cadence,
        prosthetic_side=side,
        variability=variability,
        seed=seed,
        faults=faults or Faults(),
    )
    pose, truth = walk(SKELETON, settings, duration_s=duration, fps=FPS)
    return pose, truth, joint_positions(SKELETON, pose)


def whole_strides(pose, truth):
    """Strides that end before the clip does."""
    return [stride for stride in truth.strides if stride.next_contact_s < pose.time_s[-1]]


WALKS = {
    "sound": (None, None),
    "prosthesis": ("left", None),
    "vault": ("right", Faults(vault_height_m=0.06)),
    "many": ("right", MANY_FAULTS),
    "stiff": ("left", Faults(swing_flexion_change_deg=-15.0, circumduction_m=0.08, hip_hike_deg=4.0)),
}
each_walk = pytest.mark.parametrize("name", WALKS)
each_speed = pytest.mark.parametrize(("speed", "cadence"), SPEEDS)


def test_parents_come_before_children_and_every_point_has_a_bone():
    for index, name in enumerate(BONES):
        assert PARENT[name] is None or BONES.index(PARENT[name]) < index
    assert set(SURFACE_BONE.values()) <= set(BONES)


@each_walk
def test_bones_keep_their_length(name):
    _, _, joints = walked(*WALKS[name])
    for point, parent in [*PARENT.items(), *SURFACE_BONE.items()]:
        if parent is not None:
            length_m = np.linalg.norm(joints[point] - joints[parent], axis=1)
            np.testing.assert_allclose(length_m, SKELETON.length_m(point, parent), atol=1e-9)


@each_walk
def test_the_foot_on_the_floor_does_not_slip(name):
    # Heel pivot from contact to foot flat, toe tip from foot flat to toe-off: each stays where it is.
    pose, truth, joints = walked(*WALKS[name])
    for stride in whole_strides(pose, truth):
        for point, start_s, end_s in (
            ("heel", stride.contact_s, stride.foot_flat_s),
            ("toe_sole", stride.foot_flat_s, stride.toe_off_s),
        ):
            here = (pose.time_s >= start_s) & (pose.time_s < end_s)
            assert np.ptp(joints[f"{stride.side}_{point}"][here], axis=0).max() < 0.001


@each_walk
def test_nothing_comes_below_the_floor(name):
    _, _, joints = walked(*WALKS[name])
    assert min(joints[f"{side}_{point}"][:, 2].min() for side in SIDES for point in SOLE) > -0.002


@each_walk
def test_the_sole_clears_the_floor_in_mid_swing(name):
    pose, truth, joints = walked(*WALKS[name])
    for stride in whole_strides(pose, truth):
        share = (pose.time_s - stride.toe_off_s) / (stride.next_contact_s - stride.toe_off_s)
        middle = (share > 0.35) & (share < 0.70)
        assert min(joints[f"{stride.side}_{point}"][middle, 2].min() for point in SOLE) > 0.010


@each_speed
def test_the_sound_knee_follows_the_textbook_curve(speed, cadence):
    # Perry & Burnfield, Gait Analysis, 2nd ed. 2010, from memory: contact 0-5 deg, stance peak 15-20 deg at 12-15 %,
    # late-stance minimum 3-8 deg at 40 %, toe-off 35-40 deg at 60-62 %, swing peak about 60 deg.
    # Phase of the swing peak: 73.0 +- 2.2 % (39 boys, Olshen et al., Ann Stat 1989); two SD are allowed.
    pose, truth, _ = walked(None, speed=speed, cadence=cadence)
    stride = whole_strides(pose, truth)[0]
    percent = 100.0 * (pose.time_s - stride.contact_s) / stride.stride_s
    for curve in (truth.knee_flexion_deg, truth.knee_flexion_3d_deg):
        knee = np.interp(np.arange(101.0), percent, curve[stride.side])
        assert 0.0 <= knee[0] <= 5.0
        assert 15.0 <= knee[5:25].max() <= 20.0
        assert 12 <= 5 + knee[5:25].argmax() <= 15
        assert 3.0 <= knee[30:50].min() <= 8.0
        toe_off_percent = 100.0 * stride.stance_s / stride.stride_s
        assert 60.0 <= toe_off_percent <= 62.0
        assert 35.0 <= np.interp(toe_off_percent, np.arange(101.0), knee) <= 40.0
        assert 58.0 <= knee.max() <= 65.0
        assert 73.0 - 4.4 <= knee.argmax() <= 73.0 + 4.4


@each_speed
def test_the_prosthetic_knee_stays_straight_in_stance(speed, cadence):
    # 0-5 deg for most prosthetic knees (common practice, from memory).
    pose, truth, _ = walked("left", speed=speed, cadence=cadence)
    stride = next(stride for stride in whole_strides(pose, truth) if stride.prosthetic)
    here = (pose.time_s >= stride.contact_s) & (pose.time_s < stride.contact_s + 0.40 * stride.stride_s)
    assert truth.knee_flexion_3d_deg["left"][here].max() < 3.0


@each_speed
@pytest.mark.parametrize("side", [None, "left"])
def test_the_heel_is_foremost_within_15_ms_of_contact(side, speed, cadence):
    pose, truth, joints = walked(side, speed=speed, cadence=cadence)
    for stride in whole_strides(pose, truth):
        ahead_m = joints[f"{stride.side}_heel"][:, 0] - joints[f"{stride.side}_hip"][:, 0]
        near = np.abs(pose.time_s - stride.next_contact_s) < 0.3
        foremost_s = pose.time_s[near][ahead_m[near].argmax()]
        assert abs(foremost_s - stride.next_contact_s) <= 0.015


@each_speed
def test_the_heel_comes_down_onto_the_floor(speed, cadence):
    pose, truth, joints = walked(None, speed=speed, cadence=cadence)
    stride = whole_strides(pose, truth)[0]
    height_m = joints[f"{stride.side}_heel"][:, 2]
    last = np.searchsorted(pose.time_s, stride.next_contact_s) - 1
    fall_m_s = (height_m[last] - height_m[last - 1]) * FPS
    assert -0.6 < fall_m_s < -0.05
    assert height_m[last + 1] == pytest.approx(0.0, abs=1e-9)


def test_the_pelvis_moves_as_in_adults():
    # Root of two recorded walks at 0.98 m/s: 2.8 and 3.2 cm up and down; sideways 3-4 cm in all (from memory).
    pose, truth, _ = walked(None)
    stride = whole_strides(pose, truth)[0]
    here = (pose.time_s >= stride.contact_s) & (pose.time_s < stride.next_contact_s)
    across_m, height_m = np.ptp(pose.root_m[here, 1]), np.ptp(pose.root_m[here, 2])
    assert 0.03 <= across_m <= 0.04
    assert 0.025 <= height_m <= 0.045
    assert (pose.root_m[-1, 0] - pose.root_m[0, 0]) / pose.time_s[-1] == pytest.approx(1.1, abs=0.03)


def test_each_arm_is_foremost_at_the_other_foots_contact():
    pose, truth, _ = walked(None)
    contact = next(event for event in truth.events if event.kind == "contact" and event.time_s > 0.6)
    arm = "right" if contact.side == "left" else "left"
    near = np.abs(pose.time_s - contact.time_s) < 0.4
    foremost_s = pose.time_s[near][truth.arm_angle_deg[arm][near].argmax()]
    assert abs(foremost_s - contact.time_s) < 0.05


def test_a_straight_leg_carries_the_hip_at_the_height_of_pythagoras():
    # Thigh and shank in one line: hip height = ankle height + sqrt(leg^2 - horizontal distance^2), by geometry.
    pose, truth, joints = walked("left")
    stride = next(stride for stride in whole_strides(pose, truth) if stride.prosthetic)
    here = (pose.time_s > stride.foot_flat_s) & (pose.time_s < stride.contact_s + 0.35 * stride.stride_s)
    leg_m = SKELETON.length_m("left_hip", "left_knee") + SKELETON.length_m("left_knee", "left_ankle")
    away_m = np.hypot(*(joints["left_hip"] - joints["left_ankle"])[here, :2].T)
    expected_m = joints["left_ankle"][here, 2] + np.sqrt(leg_m**2 - away_m**2)
    np.testing.assert_allclose(joints["left_hip"][here, 2], expected_m, atol=0.001)


def test_the_same_seed_gives_the_same_walk_and_another_seed_another():
    first, second = (walked("left", variability=1.0, seed=5, duration=2.6 + extra) for extra in (0.0, 1e-9))
    assert np.array_equal(first[0].rotation, second[0].rotation)
    assert first[1].to_dict() == second[1].to_dict()
    assert walked("left", variability=1.0, seed=6)[1].events != first[1].events


def test_stride_to_stride_variation_has_the_stated_size():
    # Step time and length are drawn with a standard deviation of 1.5 and 1.8 %; cut at two of them it is 12 % less.
    _, truth, _ = walked(None, variability=1.0, duration=30.0)
    time_s = np.array([stride.step_time_s for stride in truth.strides])
    length_m = np.array([stride.step_length_m for stride in truth.strides])
    assert 0.010 < time_s.std() / time_s.mean() < 0.018
    assert 0.012 < length_m.std() / length_m.mean() < 0.021
    _, steady, _ = walked(None)
    assert np.ptp([stride.stride_s for stride in steady.strides]) < 1e-9


@pytest.mark.parametrize("faults", [None, MANY_FAULTS], ids=["plain", "faults"])
def test_the_other_prosthetic_side_gives_the_mirrored_walk(faults):
    _, left_truth, left = walked("left", faults)
    _, right_truth, right = walked("right", faults)
    for name, points in left.items():
        twin = name.replace("left", "x").replace("right", "left").replace("x", "right")
        np.testing.assert_allclose(right[twin], points * [1.0, -1.0, 1.0], atol=1e-9)
    for one, other in zip(left_truth.events, right_truth.events, strict=True):
        assert (one.side, one.kind, one.time_s) == (
            {"left": "right", "right": "left"}[other.side],
            other.kind,
            other.time_s,
        )
    np.testing.assert_allclose(left_truth.knee_flexion_deg["left"], right_truth.knee_flexion_deg["right"], atol=1e-9)


@pytest.mark.parametrize("ratio", [0.75, 1.0, 1.2])
def test_stance_times_and_step_times_add_up(ratio):
    # Both stances = stride + both double supports; both steps = stride (definitions).
    _, truth, _ = walked("left", Faults(stance_ratio=ratio))
    sound = next(stride for stride in truth.strides[1:] if not stride.prosthetic)
    prosthetic = next(stride for stride in truth.strides[1:] if stride.prosthetic)
    double_s = (sound.toe_off_s - sound.other_contact_s) + (prosthetic.toe_off_s - prosthetic.other_contact_s)
    assert sound.stance_s + prosthetic.stance_s == pytest.approx(sound.stride_s + double_s, abs=1e-9)
    assert sound.step_time_s + prosthetic.step_time_s == pytest.approx(sound.stride_s, abs=1e-9)
    assert (prosthetic.step_time_s > sound.step_time_s) == (ratio < 1.0)


# Fault, sizes, realised measure, whether the natural value is added, tolerance in the measure's unit.
SIZES = [
    ("vault_height_m", (0.02, 0.04, 0.06), "vault_height_m", False, 0.002),
    ("foot_rotation_deg", (-10.0, 10.0, 25.0), "foot_rotation_deg", False, 0.5),
    ("arm_swing_ratio", (0.2, 0.6), "arm_swing_ratio", False, 0.02),
    ("stance_ratio", (0.75, 0.85, 1.15), "stance_ratio", False, 0.005),
    ("terminal_impact_deg_s", (450.0, 600.0, 750.0), "knee_extension_velocity_deg_s", False, 15.0),
    ("knee_instability_deg", (5.0, 12.0, 20.0), "knee_instability_deg", False, 0.5),
    ("circumduction_m", (0.04, 0.10), "circumduction_m", True, 0.01),
    ("lateral_bend_deg", (4.0, 10.0), "trunk_lean_deg", True, 0.7),
    ("forward_bend_deg", (5.0, 15.0), "trunk_bend_deg", True, 1.5),
    ("hip_hike_deg", (4.0, 8.0), "swing_hike_deg", True, 3.5),
    ("swing_flexion_change_deg", (-15.0, -8.0, 10.0), "swing_peak_difference_deg", True, 0.5),
    ("step_length_difference_m", (-0.1, 0.1), "step_length_difference_m", False, 0.005),
]


@pytest.mark.parametrize(("fault", "sizes", "measure", "added", "tolerance"), SIZES, ids=[row[0] for row in SIZES])
def test_a_fault_has_the_size_that_was_asked_for(fault, sizes, measure, added, tolerance):
    natural = walked("left")[1].realised[measure]
    found = [walked("left", Faults(**{fault: size}))[1].realised[measure] for size in sizes]
    for size, value in zip(sizes, found, strict=True):
        assert value == pytest.approx(size + (natural if added else 0.0), abs=tolerance)
    assert found == sorted(found)


def test_a_whip_moves_the_heel_to_its_own_side_and_grows_with_its_size():
    # Turned about the thigh, the heel swings on a circle as wide as it lies behind the thigh's line: 0.42 m of shank at
    # 45-55 deg of flexion make about 0.3 m, the foot up to 0.15 m more; times sin 8 deg that is 4 to 6.5 cm. The arc of
    # a walk without whip, about 1 cm outward, adds to it.
    medial = [walked("left", Faults(medial_whip_deg=size))[1].realised["heel_whip_m"] for size in (4.0, 8.0)]
    lateral = [walked("left", Faults(lateral_whip_deg=size))[1].realised["heel_whip_m"] for size in (4.0, 8.0)]
    assert 0.0 > medial[0] > medial[1]
    assert 0.0 < lateral[0] < lateral[1]
    assert 0.03 < -medial[1] < 0.075
    assert 0.03 < lateral[1] < 0.075


# How far a fault may move the measures of the others.
CROSS_TALK = {
    "vault_height_m": 0.006,
    "foot_rotation_deg": 0.5,
    "arm_swing_ratio": 0.02,
    "stance_ratio": 0.005,
    "knee_instability_deg": 0.5,
    "trunk_lean_deg": 0.5,
    "swing_hike_deg": 0.3,
    "step_length_difference_m": 0.005,
}
ALONE = {
    "vault_height_m": 0.04,
    "foot_rotation_deg": 25.0,
    "arm_swing_ratio": 0.3,
    "terminal_impact_deg_s": 600.0,
    "knee_instability_deg": 15.0,
    "medial_whip_deg": 8.0,
    "circumduction_m": 0.1,
    "foot_slap_share": 0.5,
}


@pytest.mark.parametrize("fault", ALONE)
def test_a_fault_leaves_the_other_measures_alone(fault):
    natural = walked("left")[1].realised
    realised = walked("left", Faults(**{fault: ALONE[fault]}))[1].realised
    for measure, limit in CROSS_TALK.items():
        if measure != fault:
            assert realised[measure] == pytest.approx(natural[measure], abs=limit), measure


def test_vaulting_lifts_the_sound_heel_while_the_toes_stay_down():
    pose, truth, joints = walked("left", Faults(vault_height_m=0.05))
    stride = next(stride for stride in whole_strides(pose, truth) if not stride.prosthetic)
    middle = np.searchsorted(pose.time_s, stride.contact_s + 0.35 * stride.stride_s)
    assert joints["right_heel"][middle, 2] > 0.04
    assert joints["right_toe_sole"][middle, 2] == pytest.approx(0.0, abs=1e-9)
    assert walked("left")[2]["right_heel"][middle, 2] == pytest.approx(0.0, abs=0.002)


def test_terminal_impact_stops_the_knee_abruptly_and_keeps_it_straight_until_contact():
    pose, truth, _ = walked("left", Faults(terminal_impact_deg_s=600.0, terminal_dwell_s=0.06))
    stride = next(stride for stride in whole_strides(pose, truth) if stride.prosthetic)
    assert stride.knee_straight_dwell_s == pytest.approx(0.06, abs=0.012)
    rate = np.gradient(truth.knee_flexion_3d_deg["left"], pose.time_s)
    before = (pose.time_s > stride.next_contact_s - 0.12) & (pose.time_s < stride.next_contact_s - 0.01)
    assert rate[before].min() < -500.0
    assert np.abs(np.diff(rate[before])).max() * FPS > 20000.0


def test_realised_sizes_need_both_a_prosthetic_and_a_sound_side():
    assert set(walked(None)[1].realised.values()) == {None}


def test_the_truth_is_ready_for_json():
    _, truth, _ = walked("right", MANY_FAULTS)
    record = json.loads(json.dumps(truth.to_dict(), allow_nan=False))
    assert record["settings"]["faults"]["vault_height_m"] == 0.04
    assert len(record["knee_flexion_deg"]["left"]) == len(record["time_s"])
    assert [event["time_s"] for event in record["events"]] == sorted(event["time_s"] for event in record["events"])


def test_events_fall_between_frames_and_sides_alternate():
    pose, truth, _ = walked("left", variability=1.0, seed=5)
    contacts = [event for event in truth.events if event.kind == "contact"]
    assert all(one.side != two.side for one, two in itertools.pairwise(contacts))
    assert all(0.0 <= event.time_s <= pose.time_s[-1] for event in truth.events)
    off_frame = [abs(event.time_s * FPS - round(event.time_s * FPS)) for event in truth.events]
    assert max(off_frame) > 0.05


def test_the_walk_starts_where_it_is_told():
    pose, _ = walk(SKELETON, WalkerSettings(), duration_s=0.5, fps=30.0, start_x_m=-3.0)
    assert pose.root_m[0, 0] == pytest.approx(-3.0)


@pytest.mark.parametrize("height_m", [1.55, 1.90])
def test_other_bodies_walk_too(height_m):
    pose, truth = walk(default_skeleton(height_m), WalkerSettings(seed=2), duration_s=2.0, fps=30.0)
    assert len(pose.time_s) == 60
    assert len(truth.events) >= 6


def test_wrong_sizes_are_all_told_at_once():
    with pytest.raises(ValueError) as error:
        Faults(vault_height_m=0.3, stance_ratio=0.2)
    assert str(error.value) == (
        "faults.vault_height_m: found 0.3; 0.0 to 0.08 is expected; "
        "faults.stance_ratio: found 0.2; 0.5 to 1.25 is expected. Correct the sizes."
    )


def test_faults_without_a_prosthetic_side_are_refused():
    with pytest.raises(ValueError, match=r"prosthetic_side: found None with faults set; the side .* is expected"):
        WalkerSettings(faults=Faults(vault_height_m=0.03))


def test_a_walk_that_the_legs_cannot_do_is_refused():
    with pytest.raises(ValueError, match=r"is expected.*\. Lower speed_m_s"):
        walk(
            default_skeleton(1.25),
            WalkerSettings(speed_m_s=1.5, cadence_steps_min=115.0),
            duration_s=2.0,
            fps=30.0,
        )


def test_a_skeleton_without_a_point_is_refused():
    points = {name: point for name, point in SKELETON.rest_m.items() if name != "left_toe"}
    with pytest.raises(ValueError, match=r"points missing: left_toe; all 33 names .* are expected"):
        Skeleton(rest_m=points)
