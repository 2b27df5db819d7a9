"""The benchmark's tables, by hand."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.bench.goals import goal_table
from pipeline.bench.own_error import own_errors, save_values, usual_spread, write_own_errors
from pipeline.bench.tables import knee_table, look_table, markdown, slope_of, summary, value_table
from pipeline.errors import StageError
from pipeline.judgement import OwnError
from pipeline.thresholds import load_measurement_error
from tests.studies import ROOT

VALUES = pd.DataFrame(
    {
        "visit": [f"V{number} 01" for number in range(8)],
        "metric": "stance_time_ratio",
        "limb": "prosthetic/sound",
        "unit": "1",
        "true": [0.80, 0.84, 0.88, 0.92, 0.96, 1.00, 1.04, 0.90],
        "found": [0.82, 0.84, 0.86, 0.88, 0.90, 0.92, 0.94, None],
        "low": [0.78, 0.80, 0.82, 0.84, 0.86, 0.88, 0.90, None],
        "high": [0.86, 0.88, 0.90, 0.92, 0.94, 0.96, 0.98, None],
        "error": [0.02, 0.0, -0.02, -0.04, -0.06, -0.08, -0.10, np.nan],
        "strides": 4,
        "spread": [0.02] * 7 + [np.nan],
        "compared": True,
        "status": ["ok"] * 7 + ["too_few_strides"],
    }
)


def test_summary_by_hand() -> None:
    """Errors 1, 1, 4: mean 2, mean square 6, standard deviation of the sample the square root of 3."""
    found = summary(np.array([1.0, 1.0, 4.0]), "ms")
    assert (found["n"], found["bias [ms]"], found["MAE [ms]"]) == (3, 2.0, 2.0)
    assert found["RMSE [ms]"] == pytest.approx(6**0.5)
    assert found["95 % high [ms]"] == pytest.approx(2 + 1.96 * 3**0.5)


def test_a_metric_that_sees_half_of_a_fault_has_a_slope_of_a_half() -> None:
    row = value_table(VALUES).iloc[0]
    assert (row["slope"], row["+-"]) == pytest.approx((0.5, 0.0), abs=1e-6)
    assert row["cannot say"] == "1 of 8"
    # 0.96, 1.00 and 1.04 lie above their intervals.
    assert row["inside"] == "57%"


def test_a_slope_that_the_true_values_do_not_show_is_left_out() -> None:
    """By hand: true 0, 1, 2, found 0, 1.3, 2: slope 1, residuals -0.1, 0.2, -0.1, variance 0.06 over one degree of
    freedom, standard error sqrt(0.06 / 2), times Student's 12.706 is 2.2: no slope. Ten times the spread: 0.22."""
    true, found = np.array([0.0, 1.0, 2.0]), np.array([0.0, 1.3, 2.0])
    assert np.isnan(slope_of(true, found)).all()
    slope, margin = slope_of(10 * true, found + 9 * true)
    assert (slope, margin) == pytest.approx((1.0, 0.22), abs=0.001)
    assert np.isnan(slope_of(np.ones(5), np.arange(5.0))).all()


def test_errors_are_told_by_what_the_prosthesis_looks_like() -> None:
    """Pylon: errors 0.02, 0, -0.02, -0.04: mean -0.01, mean square 0.0006. Cover: -0.06, -0.08, -0.10: mean -0.08."""
    looks = pd.Series({visit: "bare_pylon" if visit < "V4" else "cover" for visit in VALUES["visit"]})
    sound = VALUES.assign(metric="step_time", limb="sound")
    pylon, cover = look_table(pd.concat([VALUES, sound]), looks).to_dict("records")
    assert (pylon["look"], pylon["n"], pylon["bias"]) == ("bare_pylon", 4, pytest.approx(-0.01))
    assert (pylon["RMSE"], pylon["slope"]) == pytest.approx((0.0006**0.5, 0.5))
    assert (cover["look"], cover["n"], cover["bias"]) == ("cover", 3, pytest.approx(-0.08))


def test_own_errors_replace_what_was_measured_and_keep_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "measurement_error.toml"
    path.write_bytes((ROOT / "configs/measurement_error.toml").read_bytes())
    before = tomllib.loads(path.read_text(encoding="utf-8"))
    few = VALUES.head(3).assign(metric="heel_whip", unit="% leg length")
    write_own_errors(path, pd.concat([VALUES, few]), 'clips of the "test"')
    after = tomllib.loads(path.read_text(encoding="utf-8"))
    changed = after.pop("stance_time_ratio")
    # The mean is -0.04; about it lie 0, 0.02, 0.02, 0.04, 0.04, 0.06 and 0.06, whose 95 % point is 0.06.
    assert (changed["sd"], changed["bias"]) == (pytest.approx(0.06 / 1.96, abs=5e-4), -0.04)
    assert changed["standing"] == "from benchmark"
    assert changed["note"].endswith('clips of the "test".')
    before.pop("stance_time_ratio")
    assert after == before
    assert load_measurement_error(path)["stance_time_ratio"] == OwnError(changed["sd"], bias=-0.04)


def test_a_prosthetic_limb_has_an_own_error_where_both_kinds_are_known(tmp_path: Path) -> None:
    """Seven sound limbs, seven prosthetic ones with twice their errors plus 0.1; of two there is none apart."""
    path = tmp_path / "measurement_error.toml"
    path.write_text("", encoding="utf-8")
    both = VALUES.assign(metric="stance_time", unit="s", compared=False)
    sound, prosthetic = both.assign(limb="sound"), both.assign(limb="prosthetic", error=2 * both["error"] + 0.1)
    write_own_errors(path, pd.concat([sound, prosthetic]), "clips")
    own, entry = load_measurement_error(path)["stance_time"], tomllib.loads(path.read_text())["stance_time"]
    for limb, sd, bias in ((own.of_limb(False), 0.06, -0.04), (own.of_limb(True), 0.12, 0.02)):
        assert (limb.sd, limb.bias) == (pytest.approx(sd / 1.96, abs=5e-4), pytest.approx(bias))
    n = int(sound["error"].notna().sum())
    assert entry["note"].startswith(f"Holds 95 % of {2 * n} limbs or pairs, {n} of them prosthetic limbs: clips.")
    write_own_errors(path, pd.concat([sound, prosthetic.head(2)]), "clips")
    own = load_measurement_error(path)["stance_time"]
    assert own.prosthetic_sd is None and own.of_limb(True) == own


def test_values_of_several_runs_are_taken_together(tmp_path: Path) -> None:
    """Four values of a run are too few for an own error; with four of another they are enough."""
    path = tmp_path / "measurement_error.toml"
    path.write_text("", encoding="utf-8")
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        save_values(tmp_path / name, VALUES.head(4), f"run {name}")
    own_errors([tmp_path / "one"], write=path)
    assert load_measurement_error(path) == {}
    own_errors([tmp_path / "one", tmp_path / "two"], write=path)
    entry = tomllib.loads(path.read_text(encoding="utf-8"))["stance_time_ratio"]
    # Of twice 0.02, 0, -0.02 and -0.04 the mean is -0.01, and the 95 % point about it 0.03.
    assert (entry["sd"], entry["bias"]) == (pytest.approx(0.03 / 1.96, abs=5e-4), -0.01)
    assert entry["note"].endswith("run one; run two.")
    with pytest.raises(StageError, match="not found in three"):
        own_errors([tmp_path / "three"], write=path)


def test_a_metric_of_one_limb_gets_its_usual_spread_over_strides(tmp_path: Path) -> None:
    """All walks alike: the usual spread is theirs, and counts as the most strides that it may."""
    path = tmp_path / "measurement_error.toml"
    path.write_text("", encoding="utf-8")
    write_own_errors(path, VALUES.assign(metric="stance_time", unit="s", compared=False), "clips")
    own = load_measurement_error(path)["stance_time"]
    # The mean log variance of three degrees of freedom is 0.37 below the log of the variance (digamma(1.5) - log(1.5)).
    assert own.stride_sd == pytest.approx(0.02 * np.exp(0.369 / 2), rel=0.03)
    assert own.stride_freedom == 6.0


@pytest.mark.parametrize("prior_freedom", [4.0, 12.0])
def test_usual_spread_recovers_what_made_it(prior_freedom: float) -> None:
    """Variances drawn as smyth_2004 supposes: 20,000 walks of four strides, usual spread 2.5."""
    rng = np.random.default_rng(3)
    variances = 2.5**2 * prior_freedom / rng.chisquare(prior_freedom, 20000)
    found = np.sqrt(variances * rng.chisquare(3, 20000) / 3)
    spread, freedom = usual_spread(found, np.full(20000, 3.0))
    assert spread == pytest.approx(2.5, rel=0.02)
    assert freedom == pytest.approx(prior_freedom, rel=0.15)


def test_goals_by_hand() -> None:
    """Two near strides with a constant error of 5 deg and a ramp of +-1: RMSE 0 and about 0.58."""
    ramp = np.linspace(-1, 1, 101)
    knees = pd.DataFrame(
        {
            "clip": "a", "look": "cover", "limb": "sound", "near": ["near", "near", "far"],
            "used": [True, True, False], "error": [np.full(101, 5.0), 5 + ramp, np.full(101, 90.0)],
        }
    )  # fmt: skip
    events = pd.DataFrame(
        {
            "view": "sagittal", "kind": ["contact", "contact", "toe_off"], "fps": [60, 30, 30], "extra": False,
            "error_ms": [-4.0, np.nan, 6.0],
        }
    )  # fmt: skip
    facts = pd.DataFrame(
        [
            {
                "clip": "a",
                "view": "sagittal",
                "frames": 200,
                "large": 100,
                "found": 98,
                "swapped_before": 20,
                "swapped": 1,
            }
        ]
    )
    table = goal_table(facts, events, knees, VALUES).set_index("figure")["reached"]
    near = table["knee flexion curve, RMSE, near limb, offset removed [deg]"]
    assert near == pytest.approx(np.sqrt(np.mean(np.concatenate([np.zeros(101), ramp]) ** 2)))
    assert table["side-view strides whose knee curve is used"] == "2 of 3"
    assert table["frames with legs swapped, after correction"] == "0.50%"
    assert table["walker found, body at least 15 % of the picture"] == "98.0%"
    assert table["heel contact, side view, 60 frames/s, MAE [ms]"] == "4 (bias -4, 0 not measured)"
    assert table["heel contact, side view, 30 frames/s, MAE [ms]"] == "1 not measured"
    assert table["stance-time ratio, MAE"] == "0.0457 (bias -0.04, 1 not measured)"
    assert knee_table(knees)["bias [deg]"].tolist() == pytest.approx([5.0])


def test_a_table_as_text() -> None:
    assert markdown(pd.DataFrame({"a": ["x"], "b": [0.12345], "c": [np.nan]})).splitlines() == [
        "| a | b | c |",
        "|---|---|---|",
        "| x | 0.123 | - |",
    ]
