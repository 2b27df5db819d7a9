"""Drop-off, late pelvic rise, delayed knee flexion, lordosis, one-sided toe-out: size, course, what stays as it was."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from generator.body import Look, load_body
from generator.faults import Faults
from generator.settings import WalkerSettings
from generator.skeleton import BONE_INDEX, default_skeleton, joint_positions
from generator.stance import stand_beside
from generator.walker import walk

FPS = 200.0
# Build, height and speed, at the ends and in the middle of what the benchmark draws; steps of the usual length.
BODIES = (("woman", 1.55, 0.8), ("man", 1.74, 1.1), ("man", 1.90, 1.3))
each_body = pytest.mark.parametrize("body", BODIES, ids=["small slow", "middle", "tall fast"])


@functools.cache
def walked(body=BODIES[1], faults=None, side="left"):
    """Pose, truth and joints of a walk without variation."""
    build, height_m, speed_m_s = body
    step_m = 0.38 * height_m * (speed_m_s / 1.2) ** 0.55
    settings = WalkerSettings(
        speed_m_s=speed_m_s, cadence_steps_min=60.0 * speed_m_s / step_m, prosthetic_side=side, variability=0.0,
        faults=faults or Faults(),
    )  # fmt: skip
    skeleton = load_body(Look(build=build, height_m=height_m)).skeleton
    pose, truth = walk(skeleton, settings, duration_s=3.0, fps=FPS)
    return pose, truth, joint_positions(skeleton, pose)


def prosthetic_stride(truth):
    """A stride of the prosthetic limb in the middle of the clip."""
    return next(stride for stride in truth.strides if stride.prosthetic and stride.contact_s > 0.5)


def hips_m(joints):
    """Height of the middle of the hips, (n,)."""
    return 0.5 * (joints["left_hip"] + joints["right_hip"])[:, 2]


# Fault, sizes, realised measure, least tolerance in its unit: 5 mm, 1 deg, or 1 % of the stride; else 15 %.
SIZES = [
    ("drop_off_m", (0.02, 0.04, 0.07), "drop_off_m", 0.005),
    ("late_rise_m", (0.02, 0.04, 0.06), "late_rise_m", 0.005),
    ("knee_delay_pct", (4.0, 6.5, 9.0), "knee_flexion_start_pct", 1.0),
    ("lordosis_deg", (10.0, 20.0, 30.0), "trunk_back_lean_deg", 1.0),
    ("steady_toe_out_deg", (-10.0, 15.0, 30.0), "steady_toe_out_deg", 1.0),
]


@each_body
@pytest.mark.parametrize(("fault", "sizes", "measure", "least"), SIZES, ids=[row[0] for row in SIZES])
def test_a_fault_changes_its_measure_by_the_size_that_was_asked_for(body, fault, sizes, measure, least):
    natural = walked(body)[1].realised[measure]
    found = [walked(body, Faults(**{fault: size}))[1].realised[measure] - natural for size in sizes]
    for size, change in zip(sizes, found, strict=True):
        assert change == pytest.approx(size, abs=max(least, 0.15 * abs(size)))


# How far a fault may move the measures of the others.
CROSS_TALK = {
    "drop_off_m": 0.006,
    "late_rise_m": 0.006,
    "vault_height_m": 0.003,
    "foot_rotation_deg": 0.5,
    "arm_swing_ratio": 0.02,
    "stance_ratio": 0.005,
    "knee_instability_deg": 0.5,
    "swing_peak_difference_deg": 0.5,
    # The trunk is turned by up to 4 deg: 20 deg of lean along it are 20 tan 4 = 1.4 deg to the side at most.
    "trunk_lean_deg": 1.4,
    "trunk_bend_deg": 0.5,
    "trunk_back_lean_deg": 0.5,
    "swing_hike_deg": 0.3,
    "step_length_difference_m": 0.005,
    "step_width_m": 0.001,
    "steady_toe_out_deg": 0.1,
    "foot_flat_time_ratio": 0.01,
}
ALONE = {
    "drop_off_m": (0.05, {"drop_off_m"}),
    # The hips climb over the prosthetic limb, so that its peak is higher than the sound one: the reverse of a vault.
    "late_rise_m": (0.05, {"late_rise_m", "vault_height_m"}),
    "knee_delay_pct": (8.0, set()),
    "lordosis_deg": (20.0, {"trunk_back_lean_deg"}),
    "steady_toe_out_deg": (20.0, {"steady_toe_out_deg"}),
}


@each_body
@pytest.mark.parametrize("fault", ALONE)
def test_a_fault_leaves_the_other_measures_alone(body, fault):
    size, own = ALONE[fault]
    natural, realised = walked(body)[1].realised, walked(body, Faults(**{fault: size}))[1].realised
    for measure in CROSS_TALK.keys() - own:
        assert realised[measure] == pytest.approx(natural[measure], abs=CROSS_TALK[measure]), measure


def test_the_body_drops_off_from_mid_stance_to_the_sound_contact_and_has_recovered_by_mid_stance_of_the_sound_limb():
    pose, truth, joints = walked(faults=Faults(drop_off_m=0.05))
    _, _, natural = walked()
    sink_m = hips_m(natural) - hips_m(joints)
    stride = prosthetic_stride(truth)
    own_single = (stride.contact_s + 0.12 * stride.stride_s, stride.other_contact_s)
    middle_s = sum(own_single) / 2.0
    sound_middle_s = stride.toe_off_s + 0.5 * (stride.next_contact_s - stride.toe_off_s)
    assert np.interp(stride.other_contact_s, pose.time_s, sink_m) == pytest.approx(0.05, abs=0.003)
    for time_s in (stride.contact_s + 0.2 * stride.stride_s, middle_s, sound_middle_s):
        assert np.interp(time_s, pose.time_s, sink_m) == pytest.approx(0.0, abs=0.005)
    part = (pose.time_s > stride.contact_s) & (pose.time_s < stride.next_contact_s)
    assert abs(pose.time_s[part][sink_m[part].argmax()] - stride.other_contact_s) < 0.05


def test_late_rise_peaks_late_in_single_support_over_a_ball_that_stays_on_the_floor():
    pose, truth, joints = walked(faults=Faults(late_rise_m=0.05))
    stride = prosthetic_stride(truth)
    single = (pose.time_s > stride.contact_s + 0.12 * stride.stride_s) & (pose.time_s < stride.other_contact_s)
    share = (pose.time_s[single] - pose.time_s[single][0]) / np.ptp(pose.time_s[single])
    assert 0.55 < share[hips_m(joints)[single].argmax()] < 0.85
    natural = hips_m(walked()[2])[single]
    assert 0.25 < share[natural.argmax()] < 0.55
    late = share > 0.65
    assert joints["left_heel"][single][late, 2].min() > 0.03
    np.testing.assert_allclose(joints["left_toe_sole"][single][:, 2], 0.0, atol=1e-9)


def test_a_delayed_knee_is_still_straight_when_the_sound_foot_lands_and_reaches_its_peak_all_the_same():
    _, natural, _ = walked()
    pose, truth, _ = walked(faults=Faults(knee_delay_pct=9.0))
    stride = prosthetic_stride(truth)

    def knee_deg(gait, time_s):
        return float(np.interp(time_s, pose.time_s, gait.knee_flexion_3d_deg["left"]))

    assert knee_deg(natural, stride.other_contact_s) - knee_deg(truth, stride.other_contact_s) > 3.0
    assert knee_deg(natural, stride.toe_off_s) - knee_deg(truth, stride.toe_off_s) > 15.0
    assert stride.knee_swing_peak_deg == pytest.approx(prosthetic_stride(natural).knee_swing_peak_deg, abs=0.5)


def test_lordosis_tilts_the_pelvis_forward_while_the_trunk_leans_back_and_is_gone_in_mid_swing():
    pose, truth, joints = walked(faults=Faults(lordosis_deg=20.0))
    natural_pose, _, natural = walked()
    stride = prosthetic_stride(truth)
    at = int(np.searchsorted(pose.time_s, stride.other_contact_s))
    mid_swing = int(np.searchsorted(pose.time_s, 0.5 * (stride.toe_off_s + stride.next_contact_s))) + 1

    def tilt_deg(some_pose, frame):
        return float(np.degrees(np.arcsin(-some_pose.rotation[frame, BONE_INDEX["pelvis"], 2, 0])))

    assert tilt_deg(pose, at) - tilt_deg(natural_pose, at) == pytest.approx(12.0, abs=1.0)
    assert tilt_deg(pose, mid_swing) == pytest.approx(tilt_deg(natural_pose, mid_swing), abs=0.1)
    behind_m = [points["chest"][at, 0] - points["left_shoulder"][at, 0] for points in (joints, natural)]
    assert behind_m[0] - behind_m[1] > 0.04
    np.testing.assert_allclose(joints["head_top"][mid_swing], natural["head_top"][mid_swing], atol=0.01)


def test_one_foot_turns_out_whether_it_walks_or_stands():
    _, truth, _ = walked(faults=Faults(steady_toe_out_deg=20.0), side="right")
    direction_deg = {stride.side: stride.foot_direction_deg for stride in truth.strides}
    assert direction_deg == {"left": pytest.approx(7.0, abs=0.1), "right": pytest.approx(27.0, abs=0.1)}
    stand = stand_beside(default_skeleton(), truth.settings, "right", "ankle", np.zeros(3))
    yaw_deg = {
        side: float(np.degrees(foot.yaw_rad[0]))
        for side, foot in stand.feet({"left": np.zeros(1), "right": np.zeros(1)}).items()
    }
    assert yaw_deg == {"left": pytest.approx(7.0), "right": pytest.approx(-27.0)}


SEVERE = {
    "drop_off_m": 0.06, "late_rise_m": 0.05, "knee_delay_pct": 9.0, "lordosis_deg": 25.0, "steady_toe_out_deg": 30.0,
    "abduction_m": 0.28, "swing_flexion_change_deg": -30.0, "stance_ratio": 0.62, "lateral_bend_deg": 25.0,
    "foot_rotation_deg": 40.0, "medial_whip_deg": 18.0, "step_length_difference_m": 0.22,
}  # fmt: skip


@each_body
@pytest.mark.parametrize("fault", SEVERE)
def test_a_severe_fault_can_be_walked_by_small_and_tall_people(body, fault):
    # `walk` itself refuses a walk whose feet break through the floor or whose knees leave their curve.
    _, truth, _ = walked(body, Faults(**{fault: SEVERE[fault]}))
    assert len(truth.strides) >= 4
