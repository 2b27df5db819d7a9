"""How declared metrics become values with an interval, or a reason why there is none."""

from __future__ import annotations

import traceback
from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from pipeline.metrics.registry import MetricSpec, PairSpec
from pipeline.model import SIDES, MetricValue, Side, Status, StrideSet, other_side
from pipeline.strides import select

# The standard error of a median is sqrt(pi / 2) times that of a mean, for normal values (textbook result).
MEDIAN_OVER_MEAN = float(np.sqrt(np.pi / 2))


@dataclass(frozen=True, slots=True)
class Estimate:
    """A median over strides with its standard error, or the reason why there is none.

    `scale_error` is one standard deviation that a scale in metres adds. It is common to all strides and both limbs: it
    does not shrink with their number, and cancels where limbs are compared.
    """

    value: float = float("nan")
    spread: float = float("nan")
    error: float = float("nan")
    scale_error: float = 0.0
    n_strides: int = 0
    status: Status = "ok"
    reason: str = ""
    stride_ids: tuple[str, ...] = ()
    stride_values: tuple[float, ...] = ()


def run_metrics(
    specs: dict[str, MetricSpec],
    pairs: dict[str, PairSpec],
    strides: StrideSet,
    *,
    prosthetic_sides: tuple[Side, ...],
    min_strides: int,
    measurement_error: dict[str, float],
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
    measurement_error : dict of metric id to number
        Standard deviation of the metric's own error, in its unit.
    """
    first: Side = prosthetic_sides[0] if len(prosthetic_sides) == 1 else "left"
    second = other_side(first)
    label = "prosthetic/sound" if len(prosthetic_sides) == 1 else "left/right"
    values: list[MetricValue] = []
    estimates: dict[tuple[str, str], Estimate] = {}
    for spec in specs.values():
        for side in SIDES:
            estimate = _estimate(spec, strides, side, max(min_strides, spec.min_strides))
            estimates[spec.id, side] = estimate
            values.append(_value(spec.id, side, spec.unit, estimate, measurement_error.get(spec.id, 0.0)))
    for pair in pairs.values():
        estimate = compare(pair, estimates[pair.metric, first], estimates[pair.metric, second], first, second)
        values.append(_value(pair.id, label, pair.unit, estimate, measurement_error.get(pair.id, 0.0)))
    return tuple(values)


def compare(pair: PairSpec, first: Estimate, second: Estimate, first_name: str, second_name: str) -> Estimate:
    """Return a comparison of two estimates; its standard error by first-order propagation."""
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
        n_strides=min(first.n_strides, second.n_strides),
        stride_ids=first.stride_ids + second.stride_ids,
    )


def _estimate(spec: MetricSpec, strides: StrideSet, side: Side, min_strides: int) -> Estimate:
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
        found = f"only {count}" if count else "no"
        reason = f"{found} whole strides {where} were found; at least {min_strides} are needed"
        return Estimate(status=status, n_strides=count, reason=reason)
    kept = per_stride[seen]
    spread = float(np.std(kept, ddof=1)) if count > 1 else float("nan")
    value = float(np.median(kept))
    return Estimate(
        value=value,
        spread=spread,
        error=MEDIAN_OVER_MEAN * spread / count**0.5,
        scale_error=abs(value) * _scale_sd(spec, part),
        n_strides=count,
        stride_ids=tuple(part.table["stride_id"][seen]),
        stride_values=tuple(float(value) for value in kept),
    )


def _usable(spec: MetricSpec, strides: StrideSet, side: Side) -> tuple[StrideSet, str, Estimate | None]:
    """The strides that a metric may read, what they are in words, and the refusal when it may read none."""
    table = strides.table
    in_view = table["view"].isin(spec.views)
    chosen = in_view & (table["side"] == side) & table["use"]
    where = "with this limb"
    if spec.near_only:
        chosen &= table["near"]
        where += " towards the camera"
    # The frame rate is the more basic reason: it is named even where the leg was not followed.
    slow = chosen & (table["fps"] < spec.min_fps)
    if spec.sure_leg:
        chosen &= table["leg_sure"]
        where += " and its leg followed without doubt"
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


def _value(metric: str, side: str, unit: str, estimate: Estimate, own_error: float) -> MetricValue:
    """A metric value with its 95 % interval, from stride spread and the metric's own error."""
    if estimate.status != "ok":
        return MetricValue(
            metric, side, None, unit, estimate.n_strides, None, None, None, estimate.status, estimate.reason
        )
    from_strides = float(student.ppf(0.975, max(1, estimate.n_strides - 1))) * estimate.error
    half = float(np.hypot(from_strides, 1.96 * np.hypot(own_error, estimate.scale_error)))
    return MetricValue(
        metric=metric,
        side=side,
        value=estimate.value,
        unit=unit,
        n_strides=estimate.n_strides,
        spread=estimate.spread,
        low=estimate.value - half,
        high=estimate.value + half,
        status="ok",
        reason="",
        stride_ids=estimate.stride_ids,
        stride_values=estimate.stride_values,
    )
