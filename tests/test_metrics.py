"""Metrics on strides whose answer is known by construction or can be worked in a minute."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from pipeline.config import Settings, load_settings
from pipeline.metrics import CATALOGUE, COMPARISONS, METRICS
from pipeline.metrics.estimates import Estimate, compare, run_metrics
from pipeline.metrics.frontal import foot_rotation_at_contact, heel_whip
from pipeline.metrics.knee import knee_flexion_at_contact, knee_flexion_rise_in_stance
from pipeline.metrics.registry import Family, MetricSpec
from pipeline.model import FloatArray, MetricValue, Side, StrideSet, VideoInfo
from pipeline.motion import prepare
from pipeline.passes import find_passes
from pipeline.quantities_sagittal import sagittal_quantities
from pipeline.stages import measure_clip
from pipeline.strides import join
from pipeline.walkline import walk_line
from tests.walker import LEG_PX, Walker, make_clip, make_track

SETTINGS = load_settings()
INFO = VideoInfo(1280, 720, 360, 360, 6.0, 60.0, 60.0, 0, False, True)


def values_of(
    strides: StrideSet, prosthetic_sides: tuple[Side, ...] = ("right",), settings: Settings = SETTINGS
) -> dict[tuple[str, str], MetricValue]:
    """All metric values without any measurement error, by metric and side."""
    values = run_metrics(
        METRICS, COMPARISONS, strides, prosthetic_sides=prosthetic_sides,
        min_strides=settings.metrics.min_strides, measurement_error={},
    )  # fmt: skip
    return {(value.metric, value.side): value for value in values}


def both_passes(walker: Walker) -> StrideSet:
    """A visit of two side clips, one in each direction, so that each limb is once towards the camera."""
    clips = []
    for direction in (1, -1):
        track = replace(walker, direction=direction).track()
        clips.append(measure_clip(make_clip(name=f"run{direction}"), INFO, track, SETTINGS).strides)
    return join(clips)


def test_arm_swing_of_a_known_walker() -> None:
    """By construction: 12 deg right (prosthetic) against 40 left is 70 % less."""
    values = values_of(both_passes(Walker(arm_range_deg={"left": 40.0, "right": 12.0})))
    assert values["arm_swing_range", "left"].value == pytest.approx(40.0, abs=0.5)
    assert values["arm_swing_range", "right"].value == pytest.approx(12.0, abs=0.5)
    assert values["arm_swing_asymmetry", "prosthetic/sound"].value == pytest.approx(70.0, abs=1.5)


def test_hip_vaulting_height_of_a_known_walker() -> None:
    """By construction: peaks of 6 and 2 % of leg length differ by 4; the other limb reads the opposite."""
    values = values_of(both_passes(Walker(hip_peak_legs={"left": 0.06, "right": 0.02})))
    assert values["hip_vault_height", "left"].value == pytest.approx(4.0, abs=0.2)
    assert values["hip_vault_height", "right"].value == pytest.approx(-4.0, abs=0.2)


def test_metres_only_with_a_scale() -> None:
    walker = Walker(hip_peak_legs={"left": 0.06, "right": 0.02})
    assert values_of(both_passes(walker))["hip_vault_height_m", "left"].status == "no_scale"
    clip = make_clip(known_length_m=1.0, known_length_px=LEG_PX / 0.85)
    scaled = measure_clip(clip, INFO, walker.track(), SETTINGS).strides
    # By construction: the leg that has 100 % of its length here measures 0.85 m.
    leg_m = 0.85
    assert values_of(scaled)["hip_vault_height_m", "left"].value == pytest.approx(0.04 * leg_m, rel=0.06)


def test_uneven_timing_of_a_known_walker() -> None:
    """By construction: stance 0.65 s right (prosthetic), 0.80 s left: ratio 0.8125; steps of 0.6 s each.

    Tolerance of the step ratio: contacts within 8 ms, of which the low-pass takes most where a foot stops sharply.
    """
    walker = Walker(stance_s={"left": 0.80, "right": 0.65})
    values = values_of(both_passes(walker))
    assert values["stance_time_ratio", "prosthetic/sound"].value == pytest.approx(0.8125, abs=0.02)
    assert values["step_time_ratio", "prosthetic/sound"].value == pytest.approx(1.0, abs=2 * 0.008 / 0.6)


def test_hip_rise_over_a_straight_leg() -> None:
    """Geometry: over a straight leg L and a step S the hip rises by L - sqrt(L^2 - (S/2)^2).

    L = 0.9 m and S = 0.6 m give 0.0515 m. The cusp at the change of legs is blunted by the low-pass; at 240 frames
    a second with a slow step it keeps 95 % of the rise.
    """
    leg_m, step_m, speed_m_s, px_per_m = 0.9, 0.6, 0.4, 300.0
    time_s = np.arange(240 * 6) / 240.0
    forward = speed_m_s * time_s
    stance_foot = step_m * np.round(forward / step_m)
    height = np.sqrt(leg_m**2 - (forward - stance_foot) ** 2)
    xy = np.zeros((len(time_s), 33, 2))
    xy[:, :, 0] = 200 + px_per_m * forward[:, None]
    # A trunk of 0.288 / 0.491 of the leg, stiff, as in the source for segment lengths.
    xy[:, :, 1] = 400.0 - px_per_m * (height[:, None] + 0.288 / 0.491 * leg_m)
    xy[:, [23, 24], 1] = 400.0 - px_per_m * height[:, None]
    xy[:, [25, 26], 1] = 400.0 - px_per_m * height[:, None] / 2
    xy[:, 27:, 1] = 400.0
    motion = prepare(make_track(time_s, xy), SETTINGS.signals)
    passes = find_passes(motion, "sagittal")
    hip_pct = sagittal_quantities(motion, passes)["hip_height_pct"]["left"]
    middle = hip_pct[240:-240]
    rise_m = (middle.max() - middle.min()) / 100 * walk_line(motion, passes[0]).leg_px.at(640.0) / px_per_m
    expected_m = leg_m - (leg_m**2 - (step_m / 2) ** 2) ** 0.5
    assert expected_m == pytest.approx(0.0515, abs=0.0001)
    assert 0.95 * expected_m < rise_m <= 1.001 * expected_m


def curve_strides(name: str, curves: FloatArray, **columns: float) -> StrideSet:
    """Strides of 1 s of the right limb with a hand-made curve."""
    table = measure_clip(make_clip(), INFO, Walker().track(), SETTINGS).strides.table.iloc[: len(curves)].copy()
    table = table.assign(
        side="right", use=True, near=True, start_s=0.0, end_s=1.0, opposite_contact_s=0.5, toe_off_s=0.6, **columns
    )
    return StrideSet(table.reset_index(drop=True), {name: curves})


def test_knee_at_contact_and_its_rise_by_hand() -> None:
    """Curve 5 + 18 sin(pi x / 30 %) up to 30 %: 5 at contact, rise 18 at 15 %; swing does not count."""
    percent = np.arange(101.0)
    curve = 5 + np.where(percent <= 30, 18 * np.sin(np.pi * percent / 30), 60.0)
    strides = curve_strides("knee_flexion_deg", curve[None])
    strides.curves["knee_flexion_deg"][0, 30] = 5.0
    assert knee_flexion_at_contact(strides)[0] == 5.0
    assert knee_flexion_rise_in_stance(strides)[0] == pytest.approx(18.0)


def test_foot_rotation_is_a_change_and_steady_toe_out_cancels() -> None:
    """By hand: 27 deg at contact, 7 deg steady toe-out from 10 %: rotation 20 deg external."""
    curve = np.where(np.arange(101) < 10, 27.0, 7.0)[None]
    assert foot_rotation_at_contact(curve_strides("foot_direction_deg", curve))[0] == pytest.approx(20.0)
    assert foot_rotation_at_contact(curve_strides("foot_direction_deg", curve - 40))[0] == pytest.approx(20.0)


def test_whip_is_the_departure_from_a_straight_path() -> None:
    """By hand: a path rising evenly from toe-off at 60 %, with 4 % of leg length added medially at 70 %."""
    curve = np.linspace(0.0, 5.0, 101)
    straight = curve_strides("ankle_beside_knee_pct", curve[None])
    assert heel_whip(straight)[0] == pytest.approx(0.0, abs=1e-9)
    curve[70] -= 4.0
    assert heel_whip(curve_strides("ankle_beside_knee_pct", curve[None]))[0] == pytest.approx(-4.0)


def test_each_status_has_its_reason() -> None:
    values = values_of(both_passes(Walker(fps=30.0)))
    assert values["foot_rotation_at_contact", "right"].status == "wrong_view"
    assert values["foot_rotation_at_contact", "right"].reason == "no usable anterior clip was given"
    slow = values["knee_extension_speed", "right"]
    assert (slow.status, slow.value) == ("not_visible", None)
    assert slow.reason == "it was filmed at 30 frames/s; at least 60 are needed"
    one_way = measure_clip(make_clip(), INFO, Walker(direction=1).track(), SETTINGS).strides
    far = values_of(one_way)["arm_swing_range", "left"]
    assert far.status == "too_few_strides"
    assert far.reason == "no whole strides with this limb towards the camera were found; at least 3 are needed"
    assert values_of(one_way)["arm_swing_asymmetry", "prosthetic/sound"].reason.startswith("left limb: no whole")


def test_without_one_prosthesis_left_is_compared_with_right() -> None:
    strides = both_passes(Walker())
    assert ("stance_time_ratio", "left/right") in values_of(strides, ())
    assert ("stance_time_ratio", "left/right") in values_of(strides, ("left", "right"))


def test_an_exception_in_one_metric_leaves_the_others() -> None:
    family = Family("broken")

    @family.metric(title="Broken", unit="s", views=("sagittal",), needs=(), source="definition")
    def broken(strides: StrideSet) -> FloatArray:
        raise ZeroDivisionError("on purpose")

    specs: dict[str, MetricSpec] = family.specs | {"stride_time": METRICS["stride_time"]}
    values = run_metrics(specs, {}, both_passes(Walker()), prosthetic_sides=(), min_strides=3, measurement_error={})
    by_key = {(value.metric, value.side): value for value in values}
    assert by_key["broken", "left"].status == "failed"
    assert by_key["broken", "left"].reason == "ZeroDivisionError: on purpose"
    assert by_key["stride_time", "left"].value == pytest.approx(1.2, abs=0.005)


def test_interval_of_a_median_by_hand() -> None:
    """Stride times 1.0, 1.1, 1.2 s: median 1.1, sd 0.1, half width t(2) 4.303 x 1.160 x 0.1 / sqrt 3 = 0.2882."""
    strides = curve_strides("knee_flexion_deg", np.zeros((3, 101)))
    strides.table["end_s"] = [1.0, 1.1, 1.2]
    value = values_of(strides)["stride_time", "right"]
    assert (value.value, value.spread) == (pytest.approx(1.1), pytest.approx(0.1))
    assert value.low is not None and value.high is not None
    assert value.high - value.value == pytest.approx(0.2882, abs=0.0005)
    assert value.value - value.low == pytest.approx(0.2882, abs=0.0005)


def test_error_of_a_ratio_by_hand() -> None:
    """0.6 +- 0.02 over 0.8 +- 0.01: 0.75 sqrt((0.02/0.6)^2 + (0.01/0.8)^2) = 0.0267."""
    first = Estimate(value=0.6, spread=0.05, error=0.02, n_strides=4)
    second = Estimate(value=0.8, spread=0.05, error=0.01, n_strides=6)
    result = compare(COMPARISONS["stance_time_ratio"], first, second, "right", "left")
    assert result.value == pytest.approx(0.75)
    assert result.error == pytest.approx(0.0267, abs=0.0001)
    assert result.n_strides == 4


def test_the_error_of_a_scale_widens_metres_and_cancels_in_ratios() -> None:
    """By hand: steps of 0.5 m without spread, 4 % scale: 1.96 x 0.02 = 0.0392 m; the ratio has no width at all."""
    strides = curve_strides("knee_flexion_deg", np.zeros((3, 101)), step_length_pct=62.5, leg_length_px=160.0)
    table = strides.table.assign(m_per_px=0.005, scale_relative_sd=0.04)
    both = StrideSet(pd.concat([table, table.assign(side="left")], ignore_index=True), {})
    values = values_of(both)
    step, ratio = values["step_length_m", "right"], values["step_length_ratio", "prosthetic/sound"]
    assert step.value == pytest.approx(0.5) and step.high is not None and step.low is not None
    assert step.high - step.low == pytest.approx(2 * 0.0392, abs=1e-4)
    assert (ratio.value, ratio.low, ratio.high) == (1.0, 1.0, 1.0)


def test_walking_speed_by_hand() -> None:
    """Strides of 1.2 leg lengths in 1 s, legs of 0.8 m: 1.2 leg lengths/s and 0.96 m/s."""
    strides = curve_strides("knee_flexion_deg", np.zeros((3, 101)), stride_length_pct=120.0, leg_length_px=160.0)
    strides = StrideSet(strides.table.assign(m_per_px=0.005), {})
    values = values_of(strides)
    assert values["walking_speed_legs", "right"].value == pytest.approx(1.2)
    assert values["walking_speed", "right"].value == pytest.approx(0.96)


def test_every_declaration_is_complete() -> None:
    for spec in CATALOGUE.values():
        assert spec.title and spec.source and spec.id.islower()
    for metric in METRICS.values():
        assert metric.compute.__doc__ and f"[{metric.unit}]" in metric.compute.__doc__


def test_a_repeated_or_unknown_declaration_fails() -> None:
    from pipeline.metrics import FAMILIES, join_families

    with pytest.raises(ValueError, match="declared in two families"):
        join_families((*FAMILIES, FAMILIES[0]), ())
    with pytest.raises(ValueError, match="unit 'furlong' is not known"):
        Family("x").metric(title="X", unit="furlong", views=("sagittal",), needs=(), source="s")(lambda s: s)  # type: ignore[arg-type, return-value]
