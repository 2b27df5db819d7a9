"""How a metric is declared, and how declared metrics become values with an interval or a reason.

A metric is a function of strides; its declaration sits on it as a decorator and leaves it unchanged.
Everything else (limits, figures, pages, the catalogue command) reads the declaration.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.stats import t as student

from pipeline.model import SIDES, FloatArray, MetricValue, Side, Status, StrideSet, View, other_side
from pipeline.strides import select

UNITS = frozenset({"s", "m", "steps/min", "deg", "deg/s", "%", "% leg length", "1"})
StrideFunction = Callable[[StrideSet], FloatArray]
PairFunction = Callable[[float, float], float]

# The standard error of a median is sqrt(pi / 2) times that of a mean, for normal values (textbook result).
MEDIAN_OVER_MEAN = float(np.sqrt(np.pi / 2))


@dataclass(frozen=True, slots=True)
class MetricSpec:
    """All that the rest of the pipeline may know about one metric of one limb.

    `needs` names columns of the stride table and curves. `near_only` keeps the limb towards the camera, `sure_leg`
    the strides in which its leg was followed without doubt.
    """

    id: str
    title: str
    unit: str
    positive: str
    views: frozenset[View]
    needs: tuple[str, ...]
    source: str
    min_strides: int
    near_only: bool
    sure_leg: bool
    min_fps: float
    compute: StrideFunction
    version: int = 1

    def __post_init__(self) -> None:
        if self.unit not in UNITS:
            raise ValueError(f"metric {self.id!r}: unit {self.unit!r} is not known; use one of {sorted(UNITS)}")


@dataclass(frozen=True, slots=True)
class PairSpec:
    """A comparison of a metric's sides: prosthetic with sound, or left with right without a prosthesis."""

    id: str
    title: str
    unit: str
    positive: str
    metric: str
    source: str
    compute: PairFunction
    version: int = 1


@dataclass(slots=True)
class Family:
    """One module's metrics, in the order in which they are written."""

    name: str
    specs: dict[str, MetricSpec] = field(default_factory=dict)

    def metric(
        self,
        *,
        title: str,
        unit: str,
        views: tuple[View, ...],
        needs: tuple[str, ...],
        source: str,
        positive: str = "",
        min_strides: int = 3,
        near_only: bool = False,
        sure_leg: bool = False,
        min_fps: float = 0.0,
    ) -> Callable[[StrideFunction], StrideFunction]:
        """Add the decorated function under its own name; the function is unchanged."""

        def add(function: StrideFunction) -> StrideFunction:
            name = function.__name__
            if name in self.specs:
                raise ValueError(f"metric {name!r} is declared twice in {self.name!r}")
            self.specs[name] = MetricSpec(
                id=name,
                title=title,
                unit=unit,
                positive=positive,
                views=frozenset(views),
                needs=needs,
                source=source,
                min_strides=min_strides,
                near_only=near_only,
                sure_leg=sure_leg,
                min_fps=min_fps,
                compute=function,
            )
            return function

        return add


@dataclass(frozen=True, slots=True)
class Estimate:
    """A median over strides with its standard error, or the reason why there is none."""

    value: float = float("nan")
    spread: float = float("nan")
    error: float = float("nan")
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
    table = strides.table
    in_view = table["view"].isin(spec.views)
    if not in_view.any():
        return Estimate(status="wrong_view", reason=f"no usable {' or '.join(sorted(spec.views))} clip was given")
    chosen = in_view & (table["side"] == side) & table["use"]
    where = "whole strides of this limb"
    if spec.near_only:
        chosen &= table["near"]
        where += " with it towards the camera"
    if spec.sure_leg:
        chosen &= table["leg_sure"]
        where += " and its leg followed without doubt"
    slow = chosen & (table["fps"] < spec.min_fps)
    chosen &= ~slow
    if slow.any() and not chosen.any():
        rate = f"{float(table['fps'][slow].median()):.0f}"
        return Estimate(
            status="not_visible",
            reason=f"it was filmed at {rate} frames/s; at least {spec.min_fps:.0f} are needed",
        )
    part = select(strides, chosen)
    if "m_per_px" in spec.needs and not part.table["m_per_px"].notna().any():
        return Estimate(status="no_scale", reason="the manifest gives no height or known length")
    missing = [name for name in spec.needs if name not in part.table and name not in part.curves]
    if missing:
        return Estimate(status="not_visible", reason=f"there is no usable signal for {', '.join(missing)}")
    try:
        per_stride = np.asarray(spec.compute(part), dtype=float)
    except Exception as error:  # one metric must not take the others with it
        traceback.print_exc()
        return Estimate(status="failed", reason=f"{type(error).__name__}: {error}")
    seen = np.isfinite(per_stride)
    count = int(seen.sum())
    if count < min_strides:
        status: Status = "not_visible" if len(per_stride) >= min_strides else "too_few_strides"
        return Estimate(
            status=status,
            n_strides=count,
            reason=f"{count} {where} were found; at least {min_strides} are needed",
        )
    kept = per_stride[seen]
    spread = float(np.std(kept, ddof=1)) if count > 1 else float("nan")
    return Estimate(
        value=float(np.median(kept)),
        spread=spread,
        error=MEDIAN_OVER_MEAN * spread / count**0.5,
        n_strides=count,
        stride_ids=tuple(part.table["stride_id"][seen]),
        stride_values=tuple(float(value) for value in kept),
    )


def _value(metric: str, side: str, unit: str, estimate: Estimate, own_error: float) -> MetricValue:
    """A metric value with its 95 % interval, from stride spread and the metric's own error."""
    if estimate.status != "ok":
        return MetricValue(
            metric, side, None, unit, estimate.n_strides, None, None, None, estimate.status, estimate.reason
        )
    from_strides = float(student.ppf(0.975, max(1, estimate.n_strides - 1))) * estimate.error
    half = float(np.hypot(from_strides, 1.96 * own_error))
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


def window(strides: StrideSet, curve: str, start_pct: pd.Series | float, end_pct: pd.Series | float) -> FloatArray:
    """Return a curve inside a stretch of each stride; NaN outside it.

    Parameters
    ----------
    start_pct, end_pct : float or Series
        Bounds, included; one for all strides or one for each. [%]

    Returns
    -------
    (n_strides, 101)
    """
    percent = np.arange(101)[None, :]
    start = np.broadcast_to(np.asarray(start_pct, dtype=float), len(strides.table))[:, None]
    end = np.broadcast_to(np.asarray(end_pct, dtype=float), len(strides.table))[:, None]
    return np.where((percent >= start) & (percent <= end), strides.curves[curve], np.nan)


def peak(values: FloatArray) -> FloatArray:
    """Return the highest value of each row, NaN for a row without any, (n_strides,)."""
    highest = np.max(np.where(np.isfinite(values), values, -np.inf), axis=1, initial=-np.inf)
    return np.where(np.isfinite(highest), highest, np.nan)


def average(values: FloatArray) -> FloatArray:
    """Return the mean of each row over its finite values, NaN for a row without any, (n_strides,)."""
    finite = np.isfinite(values)
    total = np.where(finite, values, 0.0).sum(axis=1)
    return np.where(finite.any(axis=1), total / np.maximum(1, finite.sum(axis=1)), np.nan)


def percent_of_stride(table: pd.DataFrame, event: str) -> pd.Series:
    """Return when an event happens, in percent of its stride. [%]"""
    return 100.0 * (table[event] - table["start_s"]) / (table["end_s"] - table["start_s"])
