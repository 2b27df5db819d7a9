"""Agreement: against published tables, against independent programs, and by laws."""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from scipy.stats import binomtest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from pipeline.agreement import (
    FEW,
    NO_PAIR,
    NO_WIDTH,
    ORDERED,
    VERDICTS,
    Z_95,
    Estimate,
    VerdictPairs,
    Weighting,
    agreement_weights,
    cohen_kappa,
    gwet_ac1,
    pair_verdicts,
    percent_agreement,
    sensitivity_and_specificity,
    wilson_interval,
)
from pipeline.agreement_sizes import (
    ALL_EQUAL,
    ICC_FORMS,
    NO_ERROR,
    NOT_DEFINED,
    IccForm,
    bland_altman,
    intraclass_correlation,
)
from pipeline.model import FloatArray

# Shrout & Fleiss 1979, table 2: six targets, four judges. Table and printed correlations from memory.
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=np.float64
)
PRINTED: dict[IccForm, float] = {"1,1": 0.17, "2,1": 0.29, "3,1": 0.71, "1,k": 0.44, "2,k": 0.62, "3,k": 0.91}
# Bland & Altman 1986, table 1: peak expiratory flow of 17 people by a large and a small meter, first readings [l/min].
# From memory; that the printed results follow from it to every digit speaks for the copy.
LARGE_METER = np.array(
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427], dtype=np.float64
)
SMALL_METER = np.array(
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451], dtype=np.float64
)
# An invented table of 60 visits; rows: first rater.
TABLE = np.array([[20, 5, 1], [3, 8, 4], [0, 2, 17]], dtype=np.float64)
WEIGHTINGS: tuple[Weighting, ...] = ("none", "linear", "quadratic")

verdicts = some.lists(some.tuples(some.sampled_from(VERDICTS), some.sampled_from(VERDICTS)), max_size=60)
tables = some.lists(some.integers(0, 12), min_size=9, max_size=9).map(
    lambda cells: np.array(cells, dtype=np.float64).reshape(3, 3)
)


def pairs_of(table: FloatArray) -> VerdictPairs:
    return VerdictPairs(ORDERED, table)


def lists_of(table: FloatArray) -> tuple[list[str], list[str]]:
    cells = [(ORDERED[i], ORDERED[j]) for i in range(3) for j in range(3) for _ in range(int(table[i, j]))]
    return [one for one, _ in cells], [other for _, other in cells]


def close(found: Estimate, other: Estimate) -> None:
    for name in ("value", "low", "high"):
        assert getattr(found, name) == pytest.approx(getattr(other, name), abs=1e-9), name
    assert found.note == other.note


def noisy(seed: int) -> FloatArray:
    """Sizes of invented targets by invented raters, each with a steady difference and noise."""
    random = np.random.default_rng(seed)
    n, k = int(random.integers(3, 15)), int(random.integers(2, 5))
    return np.asarray(random.normal(size=(n, 1)) + random.normal(size=(1, k)) + 0.5 * random.normal(size=(n, k)))


# Verdicts: published numbers, other programs


def test_kappa_of_a_table_worked_by_hand() -> None:
    # 60 visits. Agreed: (20 + 8 + 17) / 60 = 0.75. Rows 26 15 19, columns 23 15 22:
    # expected (26*23 + 15*15 + 19*22) / 3600 = 1241 / 3600 = 0.34472. Kappa 0.40528 / 0.65528 = 0.61848.
    found = cohen_kappa(pairs_of(TABLE))
    assert found.value == pytest.approx(0.61848, abs=5e-6)
    assert found.n == 60
    assert percent_agreement(pairs_of(TABLE)).value == 75.0


def test_ac1_where_nearly_all_is_not_seen_stays_high_and_kappa_falls_below_chance() -> None:
    # Invented table 118 5 / 2 0 of 125. Agreed 118/125 = 0.944. Mean shares (123 + 120) / 250 = 0.972 and 0.028.
    # AC1: expected 2 * 0.972 * 0.028 = 0.054432; 0.889568 / 0.945568 = 0.94078. Kappa: expected
    # (123*120 + 2*5) / 15625 = 0.94528; -0.00128 / 0.05472 = -0.02339.
    pairs = VerdictPairs(("not seen", "present"), np.array([[118.0, 5.0], [2.0, 0.0]]))
    assert gwet_ac1(pairs).value == pytest.approx(0.94078, abs=5e-6)
    assert cohen_kappa(pairs).value == pytest.approx(-0.02339, abs=5e-6)


def test_ac1_and_its_error_agree_with_an_independent_program() -> None:
    # irrCAC 0.4.4 on TABLE, all three categories given: AC1 0.6285213084, standard error 0.0849685166. Its error
    # divides by n - 1 where the large-sample formula divides by n.
    found = gwet_ac1(pairs_of(TABLE))
    assert found.value == pytest.approx(0.6285213084, abs=1e-10)
    assert found.low is not None and found.high is not None
    assert (found.high - found.low) / (2 * Z_95) == pytest.approx(0.0849685166 * np.sqrt(59 / 60), abs=1e-10)


@pytest.mark.parametrize("weighting", WEIGHTINGS)
@settings(deadline=None)
@given(table=tables)
def test_kappa_agrees_with_scikit_learn(weighting: Weighting, table: FloatArray) -> None:
    found = cohen_kappa(pairs_of(table), weighting)
    if found.value is None:
        return
    first, second = lists_of(table)
    weights = None if weighting == "none" else weighting
    assert found.value == pytest.approx(cohen_kappa_score(first, second, labels=ORDERED, weights=weights), abs=1e-9)


@pytest.mark.parametrize(("weighting", "power"), [("none", 0), ("linear", 1), ("quadratic", 2)])
@settings(deadline=None)
@given(table=tables)
def test_the_interval_of_kappa_agrees_with_statsmodels(weighting: Weighting, power: int, table: FloatArray) -> None:
    found = cohen_kappa(pairs_of(table), weighting)
    if found.value is None or found.low is None or found.high is None:
        return
    other = (
        cohens_kappa(table)
        if power == 0
        else cohens_kappa(table, weights=np.arange(3), wt=[None, "linear", "quadratic"][power])
    )
    assert found.low == pytest.approx(max(-1.0, other.kappa - Z_95 * other.std_kappa), abs=1e-9)
    assert found.high == pytest.approx(min(1.0, other.kappa + Z_95 * other.std_kappa), abs=1e-9)


@pytest.mark.parametrize(
    "statistic", [gwet_ac1, cohen_kappa, lambda pairs: cohen_kappa(pairs, "quadratic")], ids=["ac1", "kappa", "square"]
)
def test_large_sample_errors_are_those_of_the_slopes_of_the_statistic(
    statistic: Callable[[VerdictPairs], Estimate],
) -> None:
    # The delta method with numerical slopes: variance = (sum p g^2 - (sum p g)^2) / n, g the slope by each share.
    n, step = TABLE.sum(), 1e-5
    slopes = np.zeros((3, 3))
    for place in np.ndindex(3, 3):
        up, down = TABLE.copy(), TABLE.copy()
        up[place], down[place] = up[place] + step * n, down[place] - step * n
        high, low = (statistic(pairs_of(np.round(table * n / table.sum(), 12))).value for table in (up, down))
        assert high is not None and low is not None
        # The sum of counts stays 60; a constant in all slopes changes no variance.
        slopes[place] = (high - low) / (2 * step)
    shares = TABLE / n
    error = np.sqrt(((shares * slopes**2).sum() - (shares * slopes).sum() ** 2) / n)
    found = statistic(pairs_of(TABLE))
    assert found.low is not None and found.high is not None
    assert (found.high - found.low) / (2 * Z_95) == pytest.approx(error, rel=1e-4)


@settings(deadline=None)
@given(n=some.integers(1, 300), share=some.floats(0, 1))
def test_wilson_interval_is_that_of_scipy(n: int, share: float) -> None:
    count = round(share * n)
    interval = binomtest(count, n).proportion_ci(method="wilson")
    found = wilson_interval(count, n)
    assert found.low == pytest.approx(100 * interval.low, abs=1e-9)
    assert found.high == pytest.approx(100 * interval.high, abs=1e-9)
    assert found.value == pytest.approx(100 * count / n)


def test_sensitivity_and_specificity_are_those_counted_by_hand() -> None:
    # The reference saw 4: 3 found, 1 borderline. It did not see 3 (one borderline): 2 free, 1 said. One left out.
    reference = ["present"] * 4 + ["not seen", "borderline", "not seen", "cannot say"]
    judged = ["present"] * 3 + ["borderline", "not seen", "not seen", "present", "present"]
    sensitivity, specificity = sensitivity_and_specificity(reference, judged)
    assert (sensitivity.value, sensitivity.n) == (75.0, 4)
    # Wilson's interval of 3 of 4, printed in tables: 30 to 95 %.
    assert (round(sensitivity.low or 0), round(sensitivity.high or 0)) == (30, 95)
    assert (specificity.value, specificity.n) == (pytest.approx(200 / 3), 3)
    wider, _ = sensitivity_and_specificity(reference, judged, positive=("present", "borderline"))
    assert (wider.value, wider.n) == (80.0, 5)


def test_sensitivity_says_when_the_reference_saw_none_or_all() -> None:
    sensitivity, _ = sensitivity_and_specificity(["not seen"], ["present"])
    assert sensitivity == Estimate(None, None, None, 0, "the reference saw none")
    _, specificity = sensitivity_and_specificity(["present"], ["present"])
    assert specificity == Estimate(None, None, None, 0, "the reference saw it in every item")


# Verdicts: laws


@settings(deadline=None)
@given(pairs=verdicts)
def test_every_item_is_counted_or_left_out(pairs: list[tuple[str, str]]) -> None:
    first, second = [one for one, _ in pairs], [other for _, other in pairs]
    found = pair_verdicts(first, second)
    assert found.n + found.n_left_out == len(pairs)
    assert found.n_left_out == sum("cannot say" in pair for pair in pairs)
    kept = pair_verdicts(first, second, VERDICTS)
    assert kept.n == len(pairs) and kept.n_left_out == 0


@settings(deadline=None)
@given(said=some.lists(some.sampled_from(ORDERED), min_size=2, max_size=50).filter(lambda said: len(set(said)) > 1))
def test_perfect_agreement_is_1_and_has_no_large_sample_interval(said: list[str]) -> None:
    pairs = pair_verdicts(said, said)
    for found in (gwet_ac1(pairs), *(cohen_kappa(pairs, weighting) for weighting in WEIGHTINGS)):
        assert found.value == pytest.approx(1.0)
        assert (found.low, found.high, found.note) == (None, None, NO_WIDTH)
    share = percent_agreement(pairs)
    assert share.value == share.high == 100.0
    assert share.low is not None and share.low < 100.0


@settings(deadline=None)
@given(table=tables)
def test_exchanging_the_raters_changes_no_agreement(table: FloatArray) -> None:
    one, other = pairs_of(table), pairs_of(table.T.copy())
    close(gwet_ac1(one), gwet_ac1(other))
    close(percent_agreement(one), percent_agreement(other))
    for weighting in WEIGHTINGS:
        close(cohen_kappa(one, weighting), cohen_kappa(other, weighting))


@settings(deadline=None)
@given(table=tables, order=some.permutations(range(3)))
def test_the_order_of_the_categories_matters_to_weights_only(table: FloatArray, order: list[int]) -> None:
    mixed = VerdictPairs(tuple(ORDERED[i] for i in order), table[np.ix_(order, order)])
    for statistic in (gwet_ac1, cohen_kappa, percent_agreement):
        found, other = statistic(mixed), statistic(pairs_of(table))
        assert found.value == pytest.approx(other.value, abs=1e-9)


@settings(deadline=None)
@given(table=tables)
def test_reversing_the_order_changes_no_weighted_kappa(table: FloatArray) -> None:
    turned = VerdictPairs(ORDERED[::-1], table[::-1, ::-1].copy())
    for weighting in WEIGHTINGS:
        assert cohen_kappa(turned, weighting).value == pytest.approx(cohen_kappa(pairs_of(table), weighting).value)


@settings(deadline=None)
@given(table=tables)
def test_an_interval_holds_its_value_and_stays_in_range(table: FloatArray) -> None:
    for found in (gwet_ac1(pairs_of(table)), *(cohen_kappa(pairs_of(table), weighting) for weighting in WEIGHTINGS)):
        if found.low is not None and found.high is not None:
            assert found.value is not None
            assert -1.0 <= found.low <= found.value <= found.high <= 1.0
        else:
            assert found.note


def test_four_times_the_visits_halve_the_interval() -> None:
    one, four = cohen_kappa(pairs_of(TABLE)), cohen_kappa(pairs_of(4 * TABLE))
    assert one.value == four.value
    assert one.low is not None and four.low is not None and one.value is not None
    assert one.value - one.low == pytest.approx(2 * (one.value - four.low))


def test_neighbouring_verdicts_count_half_and_three_quarters() -> None:
    assert agreement_weights(3, "linear")[0].tolist() == [1.0, 0.5, 0.0]
    assert agreement_weights(3, "quadratic")[0].tolist() == [1.0, 0.75, 0.0]
    assert agreement_weights(3, "none")[0].tolist() == [1.0, 0.0, 0.0]


def test_what_cannot_be_computed_is_said_in_words() -> None:
    nothing = pair_verdicts([], [])
    for found in (cohen_kappa(nothing), gwet_ac1(nothing), percent_agreement(nothing)):
        assert found == Estimate(None, None, None, 0, NO_PAIR)
    only = cohen_kappa(pair_verdicts(["present"] * 5, ["present"] * 5))
    assert (only.value, only.n) == (None, 5)
    assert only.note == 'both raters said only "present": chance alone explains all agreement'
    assert gwet_ac1(pair_verdicts(["present"] * 5, ["present"] * 5)).value == 1.0
    assert cohen_kappa(pairs_of(np.array([[6.0, 2, 0], [1, 3, 1], [0, 1, 5]]))).note == FEW


def test_mistakes_of_a_caller_are_refused() -> None:
    with pytest.raises(ValueError, match="found 1 and 2"):
        pair_verdicts(["present"], ["present", "present"])
    with pytest.raises(ValueError, match="found 1 and 2"):
        sensitivity_and_specificity(["present"], ["present", "present"])
    with pytest.raises(ValueError, match="two or more different categories"):
        pair_verdicts([], [], ("present", "present"))
    with pytest.raises(ValueError, match="'cannot say' has no place in an order"):
        cohen_kappa(pair_verdicts(["present"], ["present"], VERDICTS), "linear")


# Sizes: published numbers, other programs


@pytest.mark.parametrize("form", ICC_FORMS)
def test_intraclass_correlations_are_those_printed(form: IccForm) -> None:
    assert intraclass_correlation(SHROUT_FLEISS, form).value == pytest.approx(PRINTED[form], abs=0.005)


# Names of the forms in pingouin.
OTHER_NAMES: dict[IccForm, tuple[str, ...]] = {
    "1,1": ("ICC1", "ICC(1,1)"),
    "2,1": ("ICC2", "ICC(A,1)"),
    "3,1": ("ICC3", "ICC(C,1)"),
    "1,k": ("ICC1k", "ICC(1,k)"),
    "2,k": ("ICC2k", "ICC(A,k)"),
    "3,k": ("ICC3k", "ICC(C,k)"),
}


@pytest.mark.parametrize("seed", range(12))
def test_intraclass_correlations_and_intervals_agree_with_pingouin(seed: int) -> None:
    table = SHROUT_FLEISS if seed == 0 else noisy(seed)
    long = pd.DataFrame(
        [(i, j, table[i, j]) for i in range(table.shape[0]) for j in range(table.shape[1])],
        columns=["target", "rater", "size"],
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = pingouin.intraclass_corr(long, targets="target", raters="rater", ratings="size")
    by_name = other.set_index("Type")
    interval = next(name for name in by_name.columns if name.startswith("CI95"))
    for form, names in OTHER_NAMES.items():
        row = by_name.loc[next(name for name in names if name in by_name.index)]
        found = intraclass_correlation(table, form)
        assert found.value == pytest.approx(row["ICC"], abs=1e-9), form
        # The other program rounds its intervals to two digits.
        assert [found.low, found.high] == pytest.approx(list(row[interval]), abs=0.00501), form


def test_bias_and_limits_of_peak_flow_are_those_printed() -> None:
    found = bland_altman(LARGE_METER, SMALL_METER)
    assert found.bias.value == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    # Printed: -22.0 to 17.8 for the bias. The printed limits, -79.7 and 75.5, are bias +- 2 sd.
    assert found.bias.low == pytest.approx(-22.0, abs=0.1)
    assert found.bias.high == pytest.approx(17.8, abs=0.1)
    assert found.sd is not None and found.bias.value is not None
    assert found.bias.value - 2 * found.sd == pytest.approx(-79.7, abs=0.1)
    assert found.lower.value == pytest.approx(found.bias.value - 1.96 * found.sd, abs=0.01)


def test_the_exact_interval_of_a_limit_reaches_further_out_than_the_large_sample_one() -> None:
    # Printed for the upper limit: 40.9 to 110.1, by the standard error sqrt(3 sd^2 / n) about bias + 2 sd.
    found = bland_altman(LARGE_METER, SMALL_METER).upper
    assert found.value is not None and found.low is not None and found.high is not None
    shift = 75.5 - found.value
    assert found.low > 40.9 - shift
    assert found.high > 110.1 - shift
    assert found.high - found.value > found.value - found.low


@settings(deadline=None)
@given(seed=some.integers(0, 1000))
def test_the_exact_interval_becomes_the_large_sample_one_with_many_pairs(seed: int) -> None:
    n = 20_000
    first = np.random.default_rng(seed).normal(size=n)
    found = bland_altman(first, np.zeros(n))
    assert found.upper.high is not None and found.upper.low is not None and found.sd is not None
    # Bland & Altman 1986: about sqrt(3 sd^2 / n); to the next digit sqrt((1 + 1.96^2 / 2) sd^2 / n).
    error = found.sd * np.sqrt((1 + Z_95**2 / 2) / n)
    assert (found.upper.high - found.upper.low) / (2 * Z_95) == pytest.approx(error, rel=0.01)


def test_the_exact_interval_of_a_limit_holds_the_true_one_in_95_percent_of_small_studies() -> None:
    # 4,000 invented studies of 8 pairs: 95 % +- 1.0 % (three standard errors of the share).
    random, held = np.random.default_rng(7), 0
    for _ in range(4000):
        upper = bland_altman(random.normal(size=8), np.zeros(8)).upper
        assert upper.low is not None and upper.high is not None
        held += upper.low <= Z_95 <= upper.high
    assert held / 4000 == pytest.approx(0.95, abs=0.0104)


# Sizes: laws


@settings(deadline=None)
@given(seed=some.integers(0, 10_000), scale=some.floats(0.1, 50), shift=some.floats(-100, 100))
def test_another_unit_changes_no_correlation(seed: int, scale: float, shift: float) -> None:
    table = noisy(seed)
    for form in ICC_FORMS:
        found, other = (intraclass_correlation(one, form) for one in (table, table * scale + shift))
        assert found.value == pytest.approx(other.value, abs=1e-6)


@settings(deadline=None)
@given(seed=some.integers(0, 10_000))
def test_order_of_raters_and_targets_changes_no_correlation(seed: int) -> None:
    table = noisy(seed)
    for form in ICC_FORMS:
        close(intraclass_correlation(table, form), intraclass_correlation(table[::-1, ::-1], form))


@settings(deadline=None)
@given(seed=some.integers(0, 10_000), offset=some.floats(0.5, 20))
def test_a_rater_who_reads_higher_counts_in_all_forms_but_the_third(seed: int, offset: float) -> None:
    table = noisy(seed)
    table = table - table.mean(axis=0)
    raised = table.copy()
    raised[:, 0] += offset
    third, same = intraclass_correlation(raised, "3,1").value, intraclass_correlation(table, "3,1").value
    assert third == pytest.approx(same, abs=1e-6)
    second, before = intraclass_correlation(raised, "2,1").value, intraclass_correlation(table, "2,1").value
    assert second is not None and before is not None
    if before > 0.05:
        assert second < before


@settings(deadline=None)
@given(seed=some.integers(0, 10_000))
def test_the_interval_of_a_correlation_holds_its_value(seed: int) -> None:
    for form in ICC_FORMS:
        found = intraclass_correlation(noisy(seed), form)
        assert found.value is not None
        if found.low is not None and found.high is not None:
            assert found.low <= found.value <= found.high <= 1.0
        else:
            assert found.note


def test_raters_who_agree_have_1_without_an_interval_and_equal_sizes_have_none() -> None:
    targets = np.array([[1.0, 1.0], [2.0, 2.0], [4.0, 4.0]])
    for form in ICC_FORMS:
        assert intraclass_correlation(targets + 0.1, form) == Estimate(1.0, None, None, 3, NO_ERROR)
        assert intraclass_correlation(np.full((4, 2), 3.3), form) == Estimate(None, None, None, 4, ALL_EQUAL)
    # Two targets, read the other way round by the second rater: 2,1 has nothing to divide by.
    assert intraclass_correlation(np.array([[1.0, 2.0], [2.0, 1.0]]), "2,1") == Estimate(
        None, None, None, 2, NOT_DEFINED
    )


def test_missing_sizes_are_left_out_and_said() -> None:
    gap = np.vstack([SHROUT_FLEISS, [5.0, np.nan, 4.0, 3.0]])
    found = intraclass_correlation(gap, "2,1")
    assert found.value == intraclass_correlation(SHROUT_FLEISS, "2,1").value
    assert (found.n, found.note) == (6, "targets left out, because a size is missing: 1")
    few = intraclass_correlation(np.array([[1.0, 2.0], [np.nan, 1.0]]), "1,1")
    assert few == Estimate(
        None,
        None,
        None,
        1,
        "sizes of two targets or more are needed; found 1; targets left out, because a size is missing: 1",
    )
    with pytest.raises(ValueError, match="two or more raters"):
        intraclass_correlation(np.ones((4, 1)), "1,1")


@settings(deadline=None)
@given(seed=some.integers(0, 10_000), offset=some.floats(-20, 20))
def test_a_steady_difference_moves_bias_and_limits_alike(seed: int, offset: float) -> None:
    first, second = noisy(seed)[:, 0], noisy(seed)[:, 1]
    found, moved = bland_altman(first, second), bland_altman(first + offset, second)
    turned = bland_altman(second, first)
    for name in ("bias", "lower", "upper"):
        assert getattr(moved, name).value == pytest.approx(getattr(found, name).value + offset, abs=1e-6)
    assert turned.upper.value == pytest.approx(-(found.lower.value or 0.0))
    assert turned.upper.high == pytest.approx(-(found.lower.low or 0.0))


def test_bland_altman_says_what_it_cannot_tell() -> None:
    one = bland_altman(np.array([3.0, np.nan]), np.array([1.0, 2.0]))
    assert one.bias == Estimate(2.0, None, None, 1, "sizes of two targets or more are needed; found 1")
    assert one.upper.value is None and one.sd is None and one.n_left_out == 1
    none = bland_altman(np.empty(0), np.empty(0))
    assert none.bias.value is None and none.bias.n == 0
    flat = bland_altman(np.array([2.1, 3.1, 4.1]), np.array([0.1, 1.1, 2.1]))
    assert flat.upper.value == pytest.approx(2.0) and flat.upper.low is None
    assert flat.upper.note == "all differences are equal: the interval has no width"
    with pytest.raises(ValueError, match="same targets"):
        bland_altman(np.ones(2), np.ones(3))
