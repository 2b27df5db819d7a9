"""How fast a visit was walked, in words: sizes of almost all faults change with speed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np
import pandas as pd

from pipeline.metrics.temporal import cadence
from pipeline.model import SIDES, MetricValue, StrideSet
from pipeline.strides import select

# Cadences of a visit's clips that differ by more than this are not one pace. Own choice: the step-to-step spread of an
# even walk is 2 to 3 % (from memory).
ONE_PACE_SHARE = 0.10


class LimbValue(Protocol):
    """What is needed of a metric's value: whole, or as a part of a record that was read back."""

    @property
    def metric(self) -> str: ...
    @property
    def side(self) -> str: ...
    @property
    def value(self) -> float | None: ...


def pace_notes(strides: StrideSet, values: tuple[MetricValue, ...]) -> tuple[str, ...]:
    """Return the pace of a visit, and a caution where its clips were walked at different ones.

    Parameters
    ----------
    strides : StrideSet
        All strides of the visit.
    values : tuple of MetricValue
        From `metrics.estimates.run_metrics`; the mean of both limbs is told.
    """
    parts = [_mean(values, "walking_speed", "{:.2f} m/s"), _mean(values, "walking_speed_legs", "{:.2f} leg lengths/s")]
    parts += [_mean(values, "froude_number", "Froude number {:.2f}"), _mean(values, "cadence", "{:.0f} steps/min")]
    known = [part for part in parts if part]
    notes = [f"Walked at {', '.join(known)}."] if known else []
    cadence_of = clip_cadences(strides)
    if len(cadence_of) > 1 and cadence_of.max() > (1.0 + ONE_PACE_SHARE) * cadence_of.min():
        listed = ", ".join(f"{clip} {value:.0f}" for clip, value in cadence_of.items())
        notes.append(
            f"The clips were not walked at one pace (steps/min: {listed}). Sizes of faults change with speed: do not "
            "set values of one view against those of another."
        )
    return tuple(notes)


def clip_cadences(strides: StrideSet) -> pd.Series:
    """Return the median cadence of each clip with used strides, by clip id. [steps/min]"""
    used = select(strides, strides.table["use"])
    return pd.Series(cadence(used)).groupby(used.table["clip_id"], sort=True).median()


def view_cadence(strides: StrideSet, view: str) -> float | None:
    """Return the median cadence of the used strides of a view; None where there are none. [steps/min]"""
    used = strides.table["use"].astype(bool) & (strides.table["view"] == view)
    return float(np.nanmedian(cadence(select(strides, used)))) if used.any() else None


def mean_of_limbs(values: Iterable[LimbValue], metric: str) -> float | None:
    """Return the mean of both limbs' values of a metric, or the one that there is; None where no limb has one."""
    known = [one.value for one in values if one.metric == metric and one.side in SIDES and one.value is not None]
    return sum(known) / len(known) if known else None


def _mean(values: tuple[MetricValue, ...], metric: str, words: str) -> str:
    """The mean of both limbs' values in words; empty where no limb has one."""
    mean = mean_of_limbs(values, metric)
    return "" if mean is None else words.format(mean)
