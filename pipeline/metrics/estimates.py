"""How declared metrics become values with an interval, or a reason why there is none."""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.stats import t as student

from pipeline.metrics.registry import MetricSpec, PairSpec
from pipeline.model import (
    SIDES,
    VIEWS,
    FloatArray,
    MetricValue,
    OwnError,
    Side,
    Status,
    StrideSet,
    View,
    ViewValue,
    other_side,
)
from pipeline.strides import LAST_STANCE, LIMB_SEEN, select

# The standard error of a median over that of a mean, for normal values: exact for small counts (1 / sqrt(efficiency),
# Dixon & Massey 1957, from memory; a test works them out again), sqrt(pi / 2) for large ones (textbook result).
MEDIAN_OVER_MEAN = {1: 1.0, 2: 1.0, 3: 1.160, 4: 1.092, 5: 1.197, 6: 1.135, 7: 1.214, 8: 1.160, 9: 1.223, 10: 1.176}
LARGE_MEDIAN_OVER_MEAN = float(np.sqrt(np.pi / 2))
NO_ERROR = OwnError()


@dataclass(frozen=True, slots=True)
class Estimate:
    """A median over strides with its standard error, or the reason why there is none.

    `freedom` are the degrees of freedom behind the standard error. `scale_error` is one standard deviation that a scale
    in metres adds. It is common to all strides and both limbs: it does not shrink with their number, and cancels where
    limbs are compared. `by_view` holds the estimate of each view alone, where more than one gave strides enough.
    """

    value: float = float("nan")
    spread: float = float("nan")
    error: float = float("nan")
    scale_error: float = 0.0
    freedom: float = 1.0
    n_strides: int = 0
    n_clips: int = 0
    status: Status = "ok"
    reason: str = ""
    stride_ids: tuple[str, ...] = ()
    stride_values: tuple[float, ...] = ()
    by_view: Mapping[View, Estimate] = field(default_factory=dict)


def run_metrics(
    specs: dict[str, MetricSpec],
    pairs: dict[str, PairSpec],
    strides: StrideSet,
    *,
    prosthetic_sides: tuple[Side, ...],
    min_strides: int,
    measurement_error: dict[str, OwnError],
) -> tuple[MetricValue, ...]:
    """Return every metric of both limbs and every comparison, in the catalogue's order.

    Parameters
    ----------
    strides : StrideSet
        All strides of a visit, used and excluded.
    prosthetic_sides : tuple of Side
        With exactly one, comparisons are prosthetic against sound; else left against right.
    min_strides : int
        Fewest strides of any metric; a metric may ask for more.
    measurement_error : dict of metric id to OwnError
        A metric without an entry counts as free of error.
    """
    first: Side = prosthetic_sides[0] if len(prosthetic_sides) == 1 else "left"
    second = other_side(first)
    label = "prosthetic/sound" if len(prosthetic_sides) == 1 else "left/right"
    values: list[MetricValue] = []
    estimates: dict[tuple[str, str], Estimate] = {}
    for spec in specs.values():
        for side in SIDES:
            own = measurement_error.get(spec.id, NO_ERROR).of_limb(side in prosthetic_sides)
            estimate = _estimate(spec, strides, side, max(min_strides, spec.min_strides), own)
            estimates[spec.id, side] = estimate
            values.append(_value(spec.id, side, spec.unit, estimate, own))
    for pair in pairs.values():
        estimate = compare(pair, estimates[pair.metric, first], estimates[pair.metric, second], first, second)
        values.append(_value(pair.id, label, pair.unit, estimate, measurement_error.get(pair.id, NO_ERROR)))
    return tuple(values)


def compare(pair: PairSpec, first: Estimate, second: Estimate, first_name: str, second_name: str) -> Estimate:
    """Return a comparison of two estimates, and of those of each view; standard errors by first-order propagation."""
    for name, side in ((first_name, first), (second_name, second)):
        if side.status != "ok":
            return Estimate(status=side.status, reason=f"{name} limb: {side.reason}")
    value = pair.compute(first.value, second.value)
    if not np.isfinite(value):
        return Estimate(status="failed", reason=f"{first.value:g} and {second.value:g} cannot be compared")
    step = 1e-4 * max(abs(first.value), abs(second.value), 1e-6)
    by_first = (pair.compute(first.value + step, second.value) - value) / step
    by_second = (pair.compute(first.value, second.value + step) - value) / step
    return Estimate(
        value=value,
        spread=float(np.hypot(by_first * first.spread, by_second * second.spread)),
        error=float(np.hypot(by_first * first.error, by_second * second.error)),
        freedom=min(first.freedom, second.freedom),
        n_strides=min(first.n_strides, second.n_strides),
        n_clips=max(first.n_clips, second.n_clips),
        stride_ids=first.stride_ids + second.stride_ids,
        by_view={
            view: compare(pair, of_view, second.by_view[view], first_name, second_name)
            for view, of_view in first.by_view.items()
            if view in second.by_view
        },
    )


def standard_error(values: FloatArray, own: OwnError) -> tuple[float, float]:
    """Return the standard error of a median over strides, and the degrees of freedom behind it.

    Parameters
    ----------
    values : (n_strides,)
        One or more.
    own : OwnError
        Its usual spread is weighed in, as `stride_freedom` more degrees of freedom.

    Notes
    -----
    Three or four strides tell their own spread badly: the interval of three would be 4.3 times the standard error. The
    variance of the strides is therefore averaged with the usual one of the metric, each weighted with its degrees of
    freedom, as in smyth_2004. Who walks much less evenly than usual still gets a wider interval.
    """
    count = len(values)
    freedom = own.stride_freedom + count - 1
    squares = float(np.sum((values - np.mean(values)) ** 2)) + own.stride_freedom * own.stride_sd**2
    if freedom <= 0:
        return float("nan"), 0.0
    factor = MEDIAN_OVER_MEAN.get(count, LARGE_MEDIAN_OVER_MEAN)
    return factor * float(np.sqrt(squares / freedom / count)), freedom


def _estimate(spec: MetricSpec, strides: StrideSet, side: Side, min_strides: int, own: OwnError) -> Estimate:
    """Median of a metric over one limb's usable strides, or the reason why there is none."""
    part, where, refused = _usable(spec, strides, side)
    if refused is not None:
        return refused
    try:
        per_stride = np.asarray(spec.compute(part), dtype=float)
    except Exception as error:  # one metric must not take the others with it
        traceback.print_exc()
        return Estimate(status="failed", reason=f"{type(error).__name__}: {error}")
    seen = np.isfinite(per_stride)
    count = int(seen.sum())
    if count < min_strides:
        status: Status = "not_visible" if len(per_stride) >= min_strides else "too_few_strides"
        found = f"{f'only {count}' if count else 'no'} whole strides {where} were found"
        if len(per_stride) >= min_strides:
            found = f"it could be read in {count} of {len(per_stride)} whole strides {where}"
        reason = f"{found}; at least {min_strides} are needed"
        return Estimate(status=status, n_strides=count, reason=reason)
    table, values, scale_sd = part.table[seen], per_stride[seen], _scale_sd(spec, part)
    by_view = {
        view: _of_strides(table[of_view], values[of_view], own, scale_sd)
        for view in VIEWS
        if (of_view := (table["view"] == view).to_numpy()).sum() >= min_strides
    }
    return replace(_of_strides(table, values, own, scale_sd), by_view=by_view if len(by_view) > 1 else {})


def _of_strides(table: pd.DataFrame, values: FloatArray, own: OwnError, scale_sd: float) -> Estimate:
    """The median of some strides with its error."""
    value = float(np.median(values))
    error, freedom = standard_error(values, own)
    return Estimate(
        value=value,
        spread=float(np.std(values, ddof=1)) if len(values) > 1 else float("nan"),
        error=error,
        scale_error=abs(value) * scale_sd,
        freedom=freedom,
        n_strides=len(values),
        n_clips=table["clip_id"].nunique(),
        stride_ids=tuple(table["stride_id"]),
        stride_values=tuple(float(value) for value in values),
    )


def _usable(spec: MetricSpec, strides: StrideSet, side: Side) -> tuple[StrideSet, str, Estimate | None]:
    """The strides that a metric may read, what they are in words, and the refusal when it may read none."""
    table = strides.table
    in_view = table["view"].isin(spec.views)
    used = table["use"]
    if not spec.leg_needed:
        used = used | table["why_not"].str.startswith(LIMB_SEEN)
    if spec.early:
        used = used | ((table["why_not"] == LAST_STANCE) & (table["early_sure"] | (not spec.leg_needed)))
    chosen = in_view & (table["side"] == side) & used
    where = "with this limb"
    if spec.near_only:
        chosen &= table["near"]
        where += " towards the camera"
    # The frame rate is the more basic reason: it is named even where the leg was not followed.
    # A camera's 60 is 59.94.
    slow = chosen & (table["fps"].round() < spec.min_fps)
    if spec.sure_leg:
        chosen &= table["early_sure" if spec.early else "leg_sure"]
        where += " and its leg followed without doubt"
    if spec.sure_foot:
        chosen &= table["foot_sure"]
        where += " and its foot followed without doubt"
    part = select(strides, chosen & ~slow)
    missing = [name for name in spec.needs if name not in part.table and name not in part.curves]
    refused = None
    if not in_view.any():
        reason = f"no usable {' or '.join(sorted(spec.views))} clip was given"
        refused = Estimate(status="wrong_view", reason=reason)
    elif slow.any() and not len(part.table):
        rate = f"{float(table['fps'][slow].median()):.0f}"
        reason = f"it was filmed at {rate} frames/s; at least {spec.min_fps:.0f} are needed"
        refused = Estimate(status="not_visible", reason=reason)
    elif "m_per_px" in spec.needs and not part.table["m_per_px"].notna().any():
        refused = Estimate(status="no_scale", reason="the manifest gives no height or known length")
    elif missing:
        reason = f"there is no usable signal for {', '.join(missing)}"
        refused = Estimate(status="not_visible", reason=reason)
    return part, where, refused


def _scale_sd(spec: MetricSpec, strides: StrideSet) -> float:
    """Largest relative standard deviation of the scales behind a metric in metres; 0 for any other metric."""
    known = strides.table["scale_relative_sd"].dropna() if "m_per_px" in spec.needs else ()
    return float(max(known, default=0.0))


def _interval(estimate: Estimate, own: OwnError) -> tuple[float, float]:
    """The 95 % interval, from stride spread, the metric's own error and that of a scale.

    The bias was found on rendered people and need not be there in others: the interval is that of the value as read and
    that of the value with the bias taken off, together.
    """
    from_strides = float(student.ppf(0.975, max(1.0, estimate.freedom))) * estimate.error
    half = float(np.hypot(from_strides, 1.96 * np.hypot(own.sd, estimate.scale_error)))
    return estimate.value - half - max(own.bias, 0.0), estimate.value + half + max(-own.bias, 0.0)


def _value(metric: str, side: str, unit: str, estimate: Estimate, own: OwnError) -> MetricValue:
    """A metric value with its 95 % interval."""
    if estimate.status != "ok":
        return MetricValue(
            metric, side, None, unit, estimate.n_strides, None, None, None, estimate.status, estimate.reason
        )
    low, high = _interval(estimate, own)
    return MetricValue(
        metric=metric,
        side=side,
        value=estimate.value,
        unit=unit,
        n_strides=estimate.n_strides,
        spread=estimate.spread,
        low=low,
        high=high,
        status="ok",
        reason="",
        stride_ids=estimate.stride_ids,
        stride_values=estimate.stride_values,
        by_view=tuple(_view_value(view, one, own) for view, one in estimate.by_view.items() if one.status == "ok"),
    )


def _view_value(view: View, estimate: Estimate, own: OwnError) -> ViewValue:
    """The value of one view with its 95 % interval."""
    low, high = _interval(estimate, own)
    return ViewValue(view, estimate.value, low, high, estimate.n_strides, estimate.n_clips)
