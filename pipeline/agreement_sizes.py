"""How far raters give the same sizes: intraclass correlations, and the limits of agreement of two raters.

Pure functions of arrays; all intervals are 95 %, and hold for errors that are normal and alike at every size.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import nct
from scipy.stats import t as t_distribution

from pipeline.agreement import TINY, Z_95, Estimate
from pipeline.model import FloatArray
from pipeline.shown import Shown

IccForm = Literal["1,1", "2,1", "3,1", "1,k", "2,k", "3,k"]
ICC_FORMS: tuple[IccForm, ...] = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")
ALL_EQUAL = "all sizes are equal: nothing varies between the targets or the raters"
NO_ERROR = "the raters do not differ at all: the interval has no width"
NOT_DEFINED = "not defined: the targets vary less than the raters' differences alone would make them"
NO_BOUND = "an end of the interval is not defined: the targets hardly vary beyond the raters' differences"


@dataclass(frozen=True, slots=True)
class BlandAltman(Shown):
    """The difference of two raters' sizes.

    Attributes
    ----------
    means, differences : (n,)
        Of each pair: the mean of both sizes, and the first less the second. In the unit of the sizes.
    bias : Estimate
        Mean difference.
    sd : float or None
        Standard deviation of the differences.
    lower, upper : Estimate
        Limits of agreement, between which 95 % of the differences are expected.
    n_left_out : int
        Pairs with a missing size. [1]
    """

    means: FloatArray
    differences: FloatArray
    bias: Estimate
    sd: float | None
    lower: Estimate
    upper: Estimate
    n_left_out: int


@dataclass(frozen=True, slots=True)
class MeanSquares:
    """The two-way table of sizes taken apart: mean squares between targets, raters, within targets, and of the rest."""

    n: int
    k: int
    targets: float
    raters: float
    within: float
    rest: float


def mean_squares(sizes: FloatArray) -> MeanSquares:
    """Return the mean squares of a table without gaps, (n_targets, k_raters); a rest that is only rounding is 0."""
    (n, k), from_mean = sizes.shape, sizes - sizes.mean()
    total = float((from_mean**2).sum())
    targets = k * float((from_mean.mean(axis=1) ** 2).sum())
    raters = n * float((from_mean.mean(axis=0) ** 2).sum())
    floor = TINY * (total + TINY * float((sizes**2).sum()))
    sums = (targets, raters, total - targets, total - targets - raters)
    freedoms = (n - 1, k - 1, n * (k - 1), (n - 1) * (k - 1))
    squares = [part / freedom if part > floor else 0.0 for part, freedom in zip(sums, freedoms, strict=True)]
    return MeanSquares(n, k, *squares)


def intraclass_correlation(sizes: FloatArray, form: IccForm) -> Estimate:
    """Return an intraclass correlation: the share of the variance of sizes that lies between the targets. [1]

    Parameters
    ----------
    sizes : (n_targets, k_raters)
        One unit for all. Targets with a missing size (NaN) are left out and counted in the note.
    form : {"1,1", "2,1", "3,1", "1,k", "2,k", "3,k"}
        1: each target has raters of its own. 2: the same raters, a sample of all raters; a rater who reads higher
        counts as disagreement. 3: these raters alone; a steady difference of raters does not count. `1`: a single
        rater's size; `k`: the mean of the k raters' sizes.

    Notes
    -----
    Intervals by F distributions, as printed for each form; that of (2,1) is approximate, and that of (2,k) follows from
    it by the Spearman-Brown step. The correlation rises with the spread of the targets: the same raters have a lower
    one among people who are alike. Read it beside the limits of agreement.

    References
    ----------
    shrout_fleiss_1979
    """
    if sizes.ndim != 2 or sizes.shape[1] < 2:
        raise ValueError(f"sizes of two or more raters are needed, (n_targets, k_raters); found {sizes.shape}")
    whole = sizes[np.isfinite(sizes).all(axis=1)]
    gone = len(sizes) - len(whole)
    left_out = f"targets left out, because a size is missing: {gone}" if gone else ""
    if len(whole) < 2:
        found = f"sizes of two targets or more are needed; found {len(whole)}"
        return Estimate(None, None, None, len(whole), "; ".join(filter(None, (found, left_out))))
    squares = mean_squares(whole)
    value = _icc_value(squares, form)
    if value is None:
        why = NOT_DEFINED if squares.within or squares.targets else ALL_EQUAL
        return Estimate(None, None, None, squares.n, "; ".join(filter(None, (why, left_out))))
    low, high, why = _icc_interval(squares, form)
    return Estimate(value, low, high, squares.n, "; ".join(filter(None, (why, left_out))))


def _icc_value(squares: MeanSquares, form: IccForm) -> float | None:
    """The correlation; None where nothing varies."""
    error = squares.within if form[0] == "1" else squares.rest
    offset = (squares.raters - squares.rest) / squares.n if form[0] == "2" else 0.0
    if form[2] == "1":
        whole = squares.targets + (squares.k - 1) * error + squares.k * offset
    else:
        whole = squares.targets + offset
    return (squares.targets - error) / whole if whole > 0.0 else None


def _icc_interval(squares: MeanSquares, form: IccForm) -> tuple[float | None, float | None, str]:
    """Low and high end, and why there is none."""
    n, k = squares.n, squares.k
    ends: tuple[float | None, ...]
    error = squares.within if form[0] == "1" else squares.rest
    if error == 0.0:
        return None, None, NO_ERROR
    if form[0] == "2":
        ends = _two_way_random(squares)
        if form[2] == "k":
            ends = tuple(_of_mean(end, k) for end in ends)
        return ends[0], ends[1], NO_BOUND if None in ends else ""
    of_targets, of_error = n - 1, n * (k - 1) if form[0] == "1" else (n - 1) * (k - 1)
    ratio = squares.targets / error
    lowest = ratio / float(f_distribution.ppf(0.975, of_targets, of_error))
    highest = ratio * float(f_distribution.ppf(0.975, of_error, of_targets))
    if form[2] == "1":
        return (lowest - 1.0) / (lowest + k - 1.0), (highest - 1.0) / (highest + k - 1.0), ""
    if lowest == 0.0:
        return None, None, NO_BOUND
    return 1.0 - 1.0 / lowest, 1.0 - 1.0 / highest, ""


def _of_mean(single: float | None, k: int) -> float | None:
    """The correlation of the mean of k raters, from that of one (Spearman-Brown)."""
    below = 0.0 if single is None else 1.0 + (k - 1) * single
    return k * single / below if single is not None and below > TINY else None


def _two_way_random(squares: MeanSquares) -> tuple[float | None, ...]:
    """Low and high end of form 2,1; the degrees of freedom of its error are those of Satterthwaite."""
    n, k = squares.n, squares.k
    single = _icc_value(squares, "2,1") or 0.0
    of_raters = k * single * squares.raters / squares.rest
    of_rest = n * (1.0 + (k - 1) * single) - k * single
    freedom = (k - 1) * (n - 1) * (of_raters + of_rest) ** 2 / ((n - 1) * of_raters**2 + of_rest**2)
    if freedom < TINY:
        return None, None
    above = float(f_distribution.ppf(0.975, n - 1, freedom))
    below = float(f_distribution.ppf(0.975, freedom, n - 1))
    both = k * squares.raters + (k * n - k - n) * squares.rest
    parts = (
        (squares.targets - above * squares.rest, above * both + n * squares.targets),
        (below * squares.targets - squares.rest, both + n * below * squares.targets),
    )
    return tuple(n * over / under if under > 0.0 else None for over, under in parts)


def bland_altman(first: FloatArray, second: FloatArray) -> BlandAltman:
    """Return bias and limits of agreement of two raters' sizes, in the unit of the sizes.

    Parameters
    ----------
    first, second : (n_targets,)
        Sizes of the same targets in one unit; NaN where a rater gave none: such pairs are left out and counted.

    Notes
    -----
    Bias +- 1.96 standard deviations of the differences. All intervals are exact for normal differences: that of the
    bias by Student's t, those of the limits by the noncentral t distribution (the large-sample one of 1986 does
    not reach far enough outward with few pairs). Look at the figure first: limits mean little where the
    difference grows with the size.

    References
    ----------
    bland_altman_1986; carkeet_2015
    """
    if first.shape != second.shape or first.ndim != 1:
        raise ValueError(f"sizes of the same targets are needed; found {first.shape} and {second.shape}")
    seen = np.isfinite(first) & np.isfinite(second)
    one, other = first[seen], second[seen]
    means, differences, n = (one + other) / 2.0, one - other, int(seen.sum())
    gone = int((~seen).sum())
    if n < 2:
        why = f"sizes of two targets or more are needed; found {n}"
        bias = Estimate(float(differences[0]) if n else None, None, None, n, why)
        none = Estimate(None, None, None, n, why)
        return BlandAltman(means, differences, bias, None, none, none, gone)
    mean, sd = float(differences.mean()), float(differences.std(ddof=1))
    if sd <= TINY * float(np.abs(np.concatenate([one, other])).max()):
        flat = Estimate(mean, None, None, n, "all differences are equal: the interval has no width")
        return BlandAltman(means, differences, flat, sd, flat, flat, gone)
    error = sd / float(np.sqrt(n))
    half = float(t_distribution.ppf(0.975, n - 1)) * error
    # The far end of a limit is its outer one.
    near, far = (float(nct.ppf(share, n - 1, Z_95 * np.sqrt(n))) * error for share in (0.025, 0.975))
    return BlandAltman(
        means,
        differences,
        Estimate(mean, mean - half, mean + half, n),
        sd,
        Estimate(mean - Z_95 * sd, mean - far, mean - near, n),
        Estimate(mean + Z_95 * sd, mean + near, mean + far, n),
        gone,
    )
