"""A metric of a caller's own: declared, limited and judged without entering the catalogue."""

from __future__ import annotations

import numpy as np
import pytest

import pipeline
from pipeline.errors import ConfigError, ManyProblems
from pipeline.judgement import Limits, OwnError
from pipeline.metrics import CATALOGUE
from pipeline.metrics.registry import Family, PairSpec
from pipeline.model import FloatArray, StrideSet
from tests import report_fixture as fixture

TEXT = """
[fault]
order = 1
title = "Little flexion"
view = "sagittal"
side = "prosthetic"
phase = "mid-swing"
seen = "The knee stays straight."
cannot_tell = "A locked knee looks alike."
rule = "any"
urgent = false
caution = ""
curve = "knee_flexion_deg"
phase_pct = [60.0, 80.0]

[[check]]
id = "middle_low"
metric = "flexion_in_middle"
side = "prosthetic"
below = 100.0
unit = "deg"
standing = "provisional"
source = "definition"
note = "Invented for a test."
"""
OWN = Family("own")
ERROR = {"flexion_in_middle": OwnError(sd=2.0, stride_sd=1.0, stride_freedom=5.0)}


@OWN.metric(
    title="Flexion in the middle", unit="deg", views=("sagittal",), needs=("knee_flexion_deg",), source="definition"
)
def flexion_in_middle(strides: StrideSet) -> FloatArray:
    """Return knee flexion at 50 % of the stride, (n_strides,). [deg]"""
    return strides.curves["knee_flexion_deg"][:, 50]


def own_limits(text: str = TEXT, **more: object) -> Limits:
    return pipeline.limits_from_text(text, "little_flexion", **({"metrics": OWN.specs, "errors": ERROR} | more))  # type: ignore[arg-type]


def judged(limits: Limits, catalogue: object = None):
    person = pipeline.Person(("right",))
    return pipeline.judge_visit(
        fixture.strides(), person, pipeline.load_settings(), limits, catalogue=catalogue or OWN.specs
    )


def test_an_own_metric_is_computed_and_judged_with_its_own_error() -> None:
    values, (fault,) = judged(own_limits())
    assert [(one.metric, one.side) for one in values] == [("flexion_in_middle", "left"), ("flexion_in_middle", "right")]
    strides = fixture.strides()
    table = strides.table
    used = (table["side"] == "right") & (table["view"] == "sagittal") & table["use"]
    right = values[1]
    assert right.value == pytest.approx(float(np.median(strides.curves["knee_flexion_deg"][used.to_numpy(), 50])))
    assert right.low is not None and right.value is not None and right.value - right.low >= 1.96 * 2.0
    assert (fault.name, fault.verdict) == ("little_flexion", "present")


def test_a_larger_error_widens_the_interval_alone() -> None:
    sure, unsure = (judged(own_limits(errors={"flexion_in_middle": OwnError(sd=sd)}))[0][1] for sd in (0.0, 60.0))
    assert sure.value == unsure.value
    assert sure.low is not None and unsure.low is not None and unsure.low < sure.low - 100.0


def test_the_catalogue_does_not_learn_it() -> None:
    judged(own_limits())
    assert "flexion_in_middle" not in CATALOGUE
    assert "flexion_in_middle" not in pipeline.load_limits().measurement_error


def test_an_own_comparison_of_limbs_is_computed_too() -> None:
    pair = PairSpec("more", "More", "deg", "", "flexion_in_middle", "definition", lambda first, second: first - second)
    values, _ = judged(own_limits(), {**OWN.specs, "more": pair})
    by_side = {one.side: one.value for one in values}
    assert by_side["prosthetic/sound"] == pytest.approx(by_side["right"] - by_side["left"])  # type: ignore[operator]


def test_own_metrics_and_the_shipped_ones_go_together() -> None:
    values, _ = judged(own_limits(), {**CATALOGUE, **OWN.specs})
    assert {one.metric for one in values} == {*CATALOGUE, "flexion_in_middle"}


def test_every_mistake_in_a_text_is_told_at_once() -> None:
    wrong = TEXT.replace('"deg"', '"cm"').replace('source = "definition"', 'source = "defintion"')
    with pytest.raises(ManyProblems) as caught:
        own_limits(wrong, errors={"flexion_in_midle": OwnError()})
    assert caught.value.problems == (
        "check 'middle_low': source 'defintion' is unknown; did you mean 'definition'?",
        "check 'middle_low': unit 'cm'; metric flexion_in_middle is in 'deg'",
        "errors: metric 'flexion_in_midle' is unknown; did you mean 'flexion_in_middle'?",
    )
    with pytest.raises(ManyProblems, match="not TOML"):
        own_limits("[fault")


def test_a_source_of_ones_own_can_be_named() -> None:
    text = TEXT.replace('source = "definition"', 'source = "our_study"')
    with pytest.raises(ManyProblems, match="'our_study' is unknown"):
        own_limits(text)
    assert own_limits(text, sources=["our_study"]).checks[0].source == "our_study"


def test_the_hash_tells_text_and_error_apart() -> None:
    hashes = {
        own_limits().sha256,
        own_limits(TEXT.replace("100.0", "90.0")).sha256,
        own_limits(errors={"flexion_in_middle": OwnError(sd=3.0)}).sha256,
    }
    assert len(hashes) == 3
    assert own_limits().sha256 in hashes


def test_a_limit_or_a_comparison_without_its_metric_is_refused() -> None:
    with pytest.raises(ConfigError, match=r"^limit .*: needs metric \w+; expected one of: flexion_in_middle\. Give"):
        judged(pipeline.load_limits())
    pair = PairSpec("more", "More", "deg", "", "flexion", "definition", lambda first, second: first - second)
    with pytest.raises(ConfigError, match=r"^comparison more: needs metric flexion;"):
        judged(own_limits(), {**OWN.specs, "more": pair})
