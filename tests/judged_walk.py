"""From landmark tracks to values and verdicts, by the pipeline's own settings, limits and errors."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache

from pipeline.checks import Person, judge
from pipeline.config import Settings, load_settings
from pipeline.judgement import Fault, Limits, Verdict
from pipeline.metrics import COMPARISONS, METRICS
from pipeline.metrics.estimates import run_metrics
from pipeline.model import LandmarkTrack, MetricValue, Side, StrideSet, VideoInfo, View
from pipeline.stages import judge_visit, measure_clip
from pipeline.strides import join
from pipeline.thresholds import load_limits
from tests.walker import make_clip


@dataclass(frozen=True)
class Judged:
    """Values by metric and side, faults by name."""

    values: dict[tuple[str, str], MetricValue]
    faults: dict[str, Fault]

    def value(self, metric: str, side: str) -> float:
        """Return a number; fails with the reason where there is none."""
        found = self.values[metric, side]
        assert found.value is not None, f"{metric} of {side}: {found.reason}"
        return found.value

    def named(self, *verdicts: Verdict) -> set[str]:
        """Return the faults with one of the verdicts."""
        return {name for name, fault in self.faults.items() if fault.verdict in verdicts}


def measured(
    track: LandmarkTrack, *, view: View = "sagittal", name: str = "clip", prosthetic_sides: tuple[Side, ...] = ()
) -> StrideSet:
    """Return the strides of one clip."""
    fps = (len(track.time_s) - 1) / float(track.time_s[-1] - track.time_s[0])
    n_frames = len(track.time_s)
    info = VideoInfo(track.width_px, track.height_px, n_frames, n_frames, n_frames / fps, fps, fps, 0, False, True)
    with warnings.catch_warnings():
        # Landmarks that a hand-made track does not have are NaN.
        warnings.simplefilter("ignore", RuntimeWarning)
        return measure_clip(make_clip(view, name, prosthetic_sides=prosthetic_sides), info, track, _settings()).strides


def judged(strides: Iterable[StrideSet], prosthetic_sides: tuple[Side, ...] = (), *, only: str | None = None) -> Judged:
    """Return what a visit of these clips gives; with `only`, of one fault and the metrics that it needs."""
    joined, person = join(list(strides)), Person(prosthetic_sides)
    if only is None:
        values, faults = judge_visit(joined, person, _settings(), _limits())
    else:
        limits = _limits_of(only)
        needed = {check.metric for check in limits.checks}
        pairs = {name: pair for name, pair in COMPARISONS.items() if name in needed}
        single = needed | {pair.metric for pair in pairs.values()}
        values = run_metrics(
            {name: spec for name, spec in METRICS.items() if name in single},
            pairs,
            joined,
            prosthetic_sides=prosthetic_sides,
            min_strides=_settings().metrics.min_strides,
            measurement_error=limits.measurement_error,
        )
        faults = judge(values, limits, person)
    return Judged({(one.metric, one.side): one for one in values}, {fault.name: fault for fault in faults})


def _limits_of(fault: str) -> Limits:
    """The limits of one fault."""
    every = _limits()
    return replace(
        every,
        faults=tuple(one for one in every.faults if one.name == fault),
        checks=tuple(one for one in every.checks if one.fault == fault),
    )


@cache
def _settings() -> Settings:
    return load_settings()


@cache
def _limits() -> Limits:
    return load_limits()
