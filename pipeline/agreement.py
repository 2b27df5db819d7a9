"""How far two raters give the same verdicts, and how often one finds what the other saw.

Pure functions of arrays. Every number comes as an `Estimate` with its 95 % interval and the number of pairs behind it;
what cannot be computed says why in words. Sizes in degrees or percent are compared in `agreement_sizes`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from scipy.stats import norm

from pipeline.judgement import Verdict
from pipeline.model import FloatArray
from pipeline.shown import Shown

VERDICTS: tuple[Verdict, ...] = get_args(Verdict)
# `cannot say` is no step between absence and presence: it has no place in an order, and two raters who both could not
# see a fault have not agreed about it. Own choice; how many pairs it costs is always told.
CANNOT_SAY: Verdict = "cannot say"
# From absence to presence, one step apart each, as weights need it. Own choice.
ORDERED: tuple[Verdict, ...] = ("not seen", "borderline", "present")
# Two-sided 95 %. [1]
Z_95 = float(norm.ppf(0.975))
# Rounding of sums of shares: a smaller variance or rest is none. [1]
TINY = 1e-12
# A large-sample interval of fewer pairs is too narrow. Own choice.
FEW_PAIRS = 30
Weighting = Literal["none", "linear", "quadratic"]

NO_PAIR = "there is no pair to compare"
NO_WIDTH = "the data give the large-sample interval no width: too few pairs, or nothing that differs"
FEW = f"fewer than {FEW_PAIRS} pairs: the large-sample interval is too narrow"


@dataclass(frozen=True, slots=True)
class Estimate(Shown):
    """A number with its 95 % interval.

    Attributes
    ----------
    value, low, high : float or None
        In the unit that the function tells; None where it cannot be computed.
    n : int
        Pairs (or targets) that it rests on. [1]
    note : str
        Why a number or its interval is missing, or what weakens it; empty when there is nothing to say.
    """

    value: float | None
    low: float | None
    high: float | None
    n: int
    note: str = ""


@dataclass(frozen=True, slots=True)
class VerdictPairs(Shown):
    """Two raters' verdicts of the same items, counted.

    Attributes
    ----------
    categories : tuple of str
        Names of rows and columns, in order.
    counts : (n_categories, n_categories)
        Items that the first rater put into the row and the second into the column. [1]
    n_left_out : int
        Items that are not counted, since a verdict of theirs is none of the categories. [1]
    """

    categories: tuple[str, ...]
    counts: FloatArray
    n_left_out: int = 0

    @property
    def n(self) -> int:
        """Items that are counted."""
        return round(float(self.counts.sum()))


def pair_verdicts(first: Sequence[str], second: Sequence[str], categories: Sequence[str] = ORDERED) -> VerdictPairs:
    """Return how often each pair of verdicts was given.

    Parameters
    ----------
    first, second : sequence of str, (n_items,)
        Verdicts of the same items, in the same order.
    categories : sequence of str
        What counts, in its order. By default the three verdicts without `cannot say`; `VERDICTS` keeps it, for
        unweighted numbers only.

    Raises
    ------
    ValueError
        The raters have different numbers of items, a category stands twice, or there are fewer than two.

    Notes
    -----
    An item of which either verdict is none of the categories is left out and counted.
    """
    if len(first) != len(second):
        raise ValueError(f"verdicts of the same items are needed; found {len(first)} and {len(second)}")
    names = tuple(categories)
    if len(set(names)) != len(names) or len(names) < 2:
        raise ValueError(f"two or more different categories are needed; found {names}")
    counts = np.zeros((len(names), len(names)))
    n_left_out = 0
    for one, other in zip(first, second, strict=True):
        if one in names and other in names:
            counts[names.index(one), names.index(other)] += 1.0
        else:
            n_left_out += 1
    return VerdictPairs(names, counts, n_left_out)


def percent_agreement(pairs: VerdictPairs) -> Estimate:
    """Return the share of items with the same verdict, with its interval. [%]

    Notes
    -----
    Chance alone gives agreement: where nearly everything is `not seen`, two raters who guess agree often. Read it
    beside kappa and AC1. The interval is Wilson's.

    References
    ----------
    definition; wilson_1927
    """
    return wilson_interval(int(np.trace(pairs.counts)), pairs.n)


def wilson_interval(count: int, n: int) -> Estimate:
    """Return a share with Wilson's 95 % interval. [%]

    Parameters
    ----------
    count, n : int
        Items that have it, of all items. [1]

    Notes
    -----
    The shares that a test of the share at the 5 % level would not refuse: (p + z^2/2n +- z sqrt(p(1-p)/n + z^2/4n^2)) /
    (1 + z^2/n). It keeps its width where all or no items have it.

    References
    ----------
    wilson_1927
    """
    if n == 0:
        return Estimate(None, None, None, 0, NO_PAIR)
    share, shrink = count / n, 1.0 + Z_95**2 / n
    centre = (share + Z_95**2 / (2 * n)) / shrink
    half = Z_95 / shrink * float(np.sqrt(share * (1.0 - share) / n + Z_95**2 / (4 * n**2)))
    # At both ends the interval touches 0 or 1 exactly; rounding must not leave it.
    low = 0.0 if count == 0 else centre - half
    high = 1.0 if count == n else centre + half
    return Estimate(100.0 * share, 100.0 * low, 100.0 * high, n)


def agreement_weights(n_categories: int, weighting: Weighting) -> FloatArray:
    """Return how far each pair of categories counts as agreement, (n_categories, n_categories), 0 to 1. [1]

    Notes
    -----
    `none`: 1 for the same category, else 0. `linear`: 1 - steps apart / most steps. `quadratic`: 1 - the square of it.
    """
    if weighting == "none":
        return np.eye(n_categories)
    places = np.arange(n_categories, dtype=np.float64)
    apart = np.abs(places[:, None] - places[None, :]) / (n_categories - 1)
    return np.asarray(1.0 - (apart if weighting == "linear" else apart**2))


def cohen_kappa(pairs: VerdictPairs, weighting: Weighting = "none") -> Estimate:
    """Return Cohen's kappa: agreement beyond chance over what is possible beyond chance, 1 at most. [1]

    Parameters
    ----------
    pairs : VerdictPairs
    weighting : {"none", "linear", "quadratic"}
        With weights the categories must stand in an order.

    Raises
    ------
    ValueError
        Weights are asked for verdicts that hold `cannot say`.

    Notes
    -----
    (po - pe) / (1 - pe), po the weighted share of agreement, pe the one expected when each rater keeps the own shares
    of verdicts and guesses. It falls when one verdict is rare, however well the raters agree: read it beside AC1. The
    interval is value +- 1.96 standard errors by the large-sample variance, cut at -1 and 1.

    References
    ----------
    cohen_1960; cohen_1968; fleiss_1969
    """
    if weighting != "none" and CANNOT_SAY in pairs.categories:
        raise ValueError(f"{CANNOT_SAY!r} has no place in an order: leave it out, or take no weights")
    if pairs.n == 0:
        return Estimate(None, None, None, 0, NO_PAIR)
    shares = pairs.counts / pairs.n
    weights = agreement_weights(len(pairs.categories), weighting)
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    agreed = float((weights * shares).sum())
    expected = float(rows @ weights @ columns)
    if 1.0 - expected < TINY:
        only = pairs.categories[int(rows.argmax())]
        note = f'both raters said only "{only}": chance alone explains all agreement'
        return Estimate(None, None, None, pairs.n, note)
    kappa = (agreed - expected) / (1.0 - expected)
    by_chance = (weights @ columns)[:, None] + (rows @ weights)[None, :]
    spread = float((shares * (weights - by_chance * (1.0 - kappa)) ** 2).sum())
    variance = (spread - (kappa - expected * (1.0 - kappa)) ** 2) / (pairs.n * (1.0 - expected) ** 2)
    return _large_sample(kappa, variance, pairs.n)


def gwet_ac1(pairs: VerdictPairs) -> Estimate:
    """Return Gwet's AC1: agreement beyond a chance that is small where one verdict is rare, 1 at most. [1]

    Notes
    -----
    (po - pe) / (1 - pe), pe the sum of s(1 - s) over the categories, over their number less one; s is the mean of both
    raters' shares of a category. Every category counts, also one that nobody used. The interval is value +- 1.96
    standard errors by the large-sample variance for the raters at hand, cut at -1 and 1.

    References
    ----------
    gwet_2008
    """
    if pairs.n == 0:
        return Estimate(None, None, None, 0, NO_PAIR)
    shares, others = pairs.counts / pairs.n, len(pairs.categories) - 1
    mean = (shares.sum(axis=1) + shares.sum(axis=0)) / 2.0
    agreed = float(np.trace(shares))
    expected = float((mean * (1.0 - mean)).sum()) / others
    ac1 = (agreed - expected) / (1.0 - expected)
    same = float((np.diag(shares) * (1.0 - mean)).sum()) / others - agreed * expected
    chance = (1.0 - (mean[:, None] + mean[None, :]) / 2.0) / others
    spread = float((shares * chance**2).sum()) - expected**2
    total = agreed * (1.0 - agreed) - 4.0 * (1.0 - ac1) * same + 4.0 * (1.0 - ac1) ** 2 * spread
    return _large_sample(ac1, total / (pairs.n * (1.0 - expected) ** 2), pairs.n)


def _large_sample(value: float, variance: float, n: int) -> Estimate:
    """An estimate with value +- 1.96 standard errors; no interval where it would have no width."""
    if variance < TINY:
        return Estimate(value, None, None, n, NO_WIDTH)
    half = Z_95 * float(np.sqrt(variance))
    return Estimate(value, max(-1.0, value - half), min(1.0, value + half), n, FEW if n < FEW_PAIRS else "")


def sensitivity_and_specificity(
    reference: Sequence[str], judged: Sequence[str], *, positive: Sequence[str] = ("present",)
) -> tuple[Estimate, Estimate]:
    """Return how much of what the reference saw was found, and of what it did not see was not said. [%]

    Parameters
    ----------
    reference, judged : sequence of str, (n_items,)
        Verdicts of the same items. The reference is a person with errors of its own, no truth.
    positive : sequence of str
        Verdicts that count as found. By default `borderline` counts as not found, for both. Own choice.

    Returns
    -------
    (Estimate, Estimate)
        Sensitivity and specificity, with Wilson's intervals; n is the number that the reference saw, or did not see.

    Notes
    -----
    Items with `cannot say` on either side are left out.

    References
    ----------
    definition; wilson_1927
    """
    if len(reference) != len(judged):
        raise ValueError(f"verdicts of the same items are needed; found {len(reference)} and {len(judged)}")
    said = [
        (one in positive, other in positive)
        for one, other in zip(reference, judged, strict=True)
        if CANNOT_SAY not in (one, other)
    ]
    found = [other for one, other in said if one]
    free = [not other for one, other in said if not one]
    sensitivity, specificity = wilson_interval(sum(found), len(found)), wilson_interval(sum(free), len(free))
    if not found:
        sensitivity = Estimate(None, None, None, 0, "the reference saw none")
    if not free:
        specificity = Estimate(None, None, None, 0, "the reference saw it in every item")
    return sensitivity, specificity
