"""The tables of the detection benchmark, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.bench.confusion import confusion_table, raised_table, unjudged_pairs
from pipeline.bench.detection import Judged, verdict_rows
from pipeline.bench.detection_tables import (
    alarm_table,
    detection_table,
    goal_rows,
    missed_table,
    reasons_table,
    several_table,
    size_found,
    smallest_table,
    unsaid_table,
)
from pipeline.judgement import Fault, Finding
from pipeline.model import OwnError

# Subject, label, injected faults, and for vaulting and hip hiking: verdict, true size beyond the limit.
VISITS = [
    ("E1", "every view", {"vaulting"}, ("present", 2.5), ("present", -1.0)),
    ("E2", "every view", {"vaulting"}, ("borderline", 2.5), ("cannot say", -1.0)),
    ("F1", "mild", {"vaulting"}, ("borderline", 0.5), ("not seen", -3.0)),
    ("F2", "mild", {"vaulting"}, ("present", 0.6), ("not seen", -3.0)),
    ("F3", "clear", {"vaulting"}, ("present", 2.5), ("present", 0.4)),
    ("F4", "clear", {"vaulting"}, ("present", 2.6), ("present", -1.0)),
    ("F5", "clear", {"vaulting"}, ("cannot say", 2.7), ("not seen", -2.0)),
    ("F6", "clear", {"vaulting"}, ("present", 2.8), ("not seen", -2.0)),
    ("N1", "none", set(), ("not seen", -1.0), ("present", -0.5)),
    ("N2", "none", set(), ("cannot say", -1.2), ("present", 0.1)),
    ("S1", "several", {"vaulting", "hip_hiking"}, ("present", 3.0), ("not seen", 2.0)),
]
WANTED = {"mild": 2.0, "clear": 4.0, "several": 4.0, "every view": 4.0}
# Only these cannot be said anything of.
REASONS = {
    "F5": "left limb: only 2 whole strides were found; at least 3 are needed; the shoe is hidden",
    "N2": "right limb: no whole strides were found; at least 3 are needed",
    "E2": "no clip",
}


def verdicts() -> pd.DataFrame:
    """One row a visit and fault."""
    rows = []
    for subject, label, injected, *said in VISITS:
        for fault, (verdict, beyond) in zip(("vaulting", "hip_hiking"), said, strict=True):
            rows.append(
                {
                    "subject": subject, "label": label, "limb": "cover" if subject == "N1" else "bare_pylon",
                    "too_slow": subject == "N2" and fault == "hip_hiking",
                    "injected": fault in injected, "alone": injected == {fault},
                    "fault": fault, "verdict": verdict, "wanted": WANTED[label] if fault in injected else np.nan,
                    "reason": REASONS.get(subject, ""),
                    "metric": fault + "_size", "unit": "deg", "beyond": beyond, "true": beyond + 1.5, "limit": 1.5,
                    "found": beyond + 1.4, "found_beyond": beyond - 0.1,
                    "margin": np.nan if verdict == "cannot say" else 0.55, "own_error": 0.2,
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def test_what_cannot_be_said_counts_as_missed() -> None:
    table = detection_table(verdicts()).set_index("size")
    assert table.loc["mild", ["visits", "present", "borderline"]].tolist() == [2, 1, 1]
    assert table.loc["clear", ["visits", "present", "cannot say"]].tolist() == [4, 3, 1]
    # Wilson's interval of 3 of 4, printed in tables: 30 to 95 %.
    assert table.loc["clear", "sensitivity"] == "75% (30% to 95%)"
    assert table["injected"].tolist() == ["2", "4"]
    assert table.loc["clear", "true beyond"] == pytest.approx(2.65)
    assert table.loc["clear", "found beyond"] == pytest.approx(2.55)


def test_a_fault_is_missed_since_nothing_can_be_said_or_the_margin_covers_it_or_it_is_read_too_small() -> None:
    rows = verdicts()
    mild, clear = missed_table(rows).to_dict("records")
    counted = ["missed", "cannot say", "margin covers it", "read too small"]
    assert [mild[name] for name in counted] == ["1 of 2", 0, 1, 0]
    assert [clear[name] for name in counted] == ["1 of 4", 1, 0, 0]
    assert (mild["metric"], mild["beyond"], mild["margin"]) == ("vaulting_size", pytest.approx(0.55), 0.55)
    # Measured without error, 0.5 deg beyond the limit would be present with a margin of 0.4 deg.
    rows.loc[(rows["subject"] == "F1") & (rows["fault"] == "vaulting"), "margin"] = 0.4
    assert [missed_table(rows).to_dict("records")[0][name] for name in counted] == ["1 of 2", 0, 0, 1]


def test_false_alarms_are_those_of_walkers_without_any_fault() -> None:
    table = alarm_table(verdicts()).set_index("fault")
    assert table.loc["vaulting", ["visits", "present", "cannot say"]].tolist() == [2, 0, 1]
    # The second walker was filmed too slowly for hip hiking.
    hiking = table.loc["hip_hiking", ["visits", "present", "really beyond", "filmed too slowly"]]
    assert hiking.tolist() == [1, 1, 0, 1]


def test_what_cannot_be_said_is_told_by_limb() -> None:
    table = unsaid_table(verdicts()).set_index("fault")
    assert table.loc["vaulting", ["cover", "bare_pylon"]].tolist() == ["0 of 1", "1 of 1"]
    assert table.loc["hip_hiking", ["cover", "bare_pylon"]].tolist() == ["0 of 1", "-"]


def test_why_nothing_can_be_said_is_counted_over_limbs_and_numbers_of_strides() -> None:
    rows = reasons_table(verdicts()).to_dict("records")
    both = {"with the fault": 1, "without a fault": 1}
    assert rows == [
        {"fault": "vaulting", "reason": "too few whole strides were found; at least 3 are needed"} | both,
        {"fault": "vaulting", "reason": "the shoe is hidden", "with the fault": 1, "without a fault": 0},
    ]


def test_a_fault_called_beside_the_injected_one_is_told_with_what_is_true() -> None:
    (row,) = confusion_table(verdicts()).to_dict("records")
    assert row == {
        "injected": "vaulting", "also called present": "hip_hiking", "visits": 3, "of": 5, "really beyond": 1
    }  # fmt: skip


def test_pairs_that_no_visit_tells_anything_of_are_counted() -> None:
    rows = verdicts()
    assert unjudged_pairs(rows) == (0, 1)
    rows.loc[rows["fault"] == "hip_hiking", "verdict"] = "cannot say"
    assert unjudged_pairs(rows) == (1, 1)
    assert confusion_table(rows).empty


def test_alarms_beside_other_faults_are_counted_where_something_is_said() -> None:
    """In every view hip hiking is called once, without being there, and once nothing is said of it."""
    (row,) = raised_table(verdicts()).to_dict("records")
    counts = [row[name] for name in ("fault", "visits", "said", "present", "really beyond")]
    assert counts == ["hip_hiking", 2, 1, 1, 0]
    assert row["false alarms"].startswith("100% (21% to")


def test_several_faults_are_counted_one_by_one() -> None:
    table = several_table(verdicts()).set_index("fault")
    assert (table.loc["vaulting", "present"], table.loc["hip_hiking", "present"]) == (1, 0)
    slow = verdicts().assign(too_slow=True)
    rows = several_table(slow)[["visits", "sensitivity", "filmed too slowly"]].to_dict("records")
    assert rows == [{"visits": 0, "sensitivity": "-", "filmed too slowly": 1}] * 2


def test_goals_leave_out_a_mild_size_within_twice_the_own_error() -> None:
    rows = goal_rows(verdicts()).set_index("fault")
    assert rows.loc["vaulting", "clear, goal 95 %"] == "3 of 4, 75% (30% to 95%)"
    assert rows.loc["vaulting", "mild, goal 80 % where far enough"].startswith("1 of 2, 50%")
    assert rows.loc["vaulting", "mild is far enough"] == "yes"
    assert rows.loc["vaulting", "cannot say without a fault, goal 10 %"] == "50%"
    # The median true size of the mild ones lies 0.55 beyond the limit, less than 2 x 0.3.
    rows = goal_rows(verdicts().assign(own_error=0.3)).set_index("fault")
    assert rows.loc["vaulting", "mild, goal 80 % where far enough"].startswith("1 of 2, 50%")
    assert rows.loc["vaulting", "mild is far enough"] == "no"


def test_smallest_size_is_where_a_known_logistic_curve_reaches_80_percent() -> None:
    """4,000 walkers found with chance 1 / (1 + exp(-(size - 2) / 0.5)): 80 % at 2 + 0.5 ln 4 = 2.693."""
    rng = np.random.default_rng(5)
    beyond = rng.uniform(0, 5, 4000)
    found = rng.random(4000) < 1 / (1 + np.exp(-(beyond - 2) / 0.5))
    assert size_found(beyond, found) == pytest.approx(2 + 0.5 * np.log(4), abs=0.08)


def test_smallest_size_lies_between_a_size_partly_found_and_one_always_found() -> None:
    """8 of 12 are found at 3.2 and all at 7 and 12: the curve reaches 80 % between 3.2 and 7."""
    beyond = np.repeat([3.2, 7.0, 12.0], 12)
    found = np.array([True] * 8 + [False] * 4 + [True] * 24)
    assert 3.2 < size_found(beyond, found) < 7


def test_no_size_is_made_up_beyond_what_was_tried() -> None:
    beyond = np.array([1.0, 2.0, 3.0, 4.0])
    assert np.isnan(size_found(beyond, np.array([False, False, False, False])))
    assert np.isnan(size_found(beyond, np.array([True, False, True, False])))
    assert size_found(beyond, np.array([True, True, True, True])) == 1.0
    table = smallest_table(verdicts())
    assert table["n"].tolist() == [6]


def test_the_smallest_size_counts_visits_in_which_another_measure_is_further_beyond() -> None:
    """Of six, two are led by a measure of another unit; in shares of their limits all six stand in one row."""
    rows = verdicts()
    usual = smallest_table(rows)
    own = rows["fault"] == "vaulting"
    other = own & rows["subject"].isin(["F5", "F6"])
    rows.loc[other, ["metric", "unit"]] = ["other_size", "%"]
    rows.loc[other, ["beyond", "limit"]] *= 20.0
    pd.testing.assert_frame_equal(smallest_table(rows), usual)


def test_the_margin_of_a_visit_is_how_far_its_interval_reaches_towards_the_limit() -> None:
    """By hand: 2.4 found, 1.3 to 2.6, 2.6 true: above 1.5 the margin is 1.1, below 3 it is 0.2. Error 0.3, 0.4."""
    rows = []
    for direction, limit in (("above", 1.5), ("below", 3.0)):
        finding = Finding(
            "high", "vaulting", "hip_vault_height", "left", 2.4, 1.3, 2.6, limit, direction, "% leg length",
            "borderline", "", 4, "provisional", "source",
        )  # fmt: skip
        fault = Fault("vaulting", "Vaulting", "left", "borderline", "", False, (finding,))
        visit = Judged(
            "F1", "mild", "cover", 60.0, {"vaulting": 3.0}, ("right",), (), {("hip_vault_height", "left"): 2.6},
            (fault,), {"hip_vault_height": OwnError(0.3, bias=-0.4, prosthetic_sd=5.0)},
        )  # fmt: skip
        rows.append(verdict_rows([visit]).iloc[0])
    above, below = rows
    assert (above["beyond"], above["found_beyond"], above["margin"]) == pytest.approx((1.1, 0.9, 1.1))
    assert (below["beyond"], below["found_beyond"], below["margin"]) == pytest.approx((0.4, 0.6, 0.2))
    assert above["own_error"] == pytest.approx(0.5)
