"""The figures of the pages for a notebook: from what is shown there, into a new figure or into axes of the caller's."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pipeline.agreement_sizes import BlandAltman
from pipeline.errors import ConfigError
from pipeline.figures import curve_figure, limit_figure
from pipeline.figures_agreement import bland_altman_figure
from pipeline.figures_track import TrackPoint, track_figure
from pipeline.judgement import Fault, VisitReport
from pipeline.model import StrideSet
from pipeline.report.drawings import curve_title, curve_unit, drawn_limbs
from pipeline.report.faults import limit_strips
from pipeline.report.words import limb_words, metric_title, unit_words
from pipeline.tracking import Change, Track


def plot_curve(
    report: VisitReport,
    strides: StrideSet,
    curve: str = "knee_flexion_deg",
    *,
    phase_pct: tuple[float, float] | None = None,
    axes: Axes | None = None,
) -> Figure:
    """Draw a quantity over the stride: for each limb its mean over strides, and one standard deviation to each side.

    Parameters
    ----------
    report : VisitReport
        Tells which limb is prosthetic: drawn solid, the sound one dashed.
    strides : StrideSet
        All strides of the visit; those that metrics use are drawn.
    curve : str
        Name of the quantity in `strides.curves`.
    phase_pct : pair of float, optional
        Start and end of a stretch to shade. [% of stride]
    axes : Axes, optional
        Where to draw, with room on the right for the labels; by default in a new figure.

    Returns
    -------
    Figure
        The new one, or the one that the axes belong to.

    Raises
    ------
    ConfigError
        There is no such curve.
    ValueError
        Neither limb has two strides in which it was seen.
    """
    if curve not in strides.curves:
        raise unknown("curve", curve, sorted(strides.curves))
    limbs = drawn_limbs(strides, curve, report.prosthetic_sides)
    title, unit = curve_title(curve), curve_unit(curve)
    return curve_figure(
        tuple(limbs.values()), title=title, axis_label=f"{title} [{unit}]", phase_pct=phase_pct, axes=axes
    )


def plot_fault(report: VisitReport, fault: Fault | str, *, axes: Axes | None = None) -> Figure:
    """Draw the measured values of a fault, their 95 % intervals and their strides against the limits.

    Parameters
    ----------
    report : VisitReport
    fault : Fault or str
        One of the report, or its name, such as `vaulting`.
    axes : Axes, optional
        Where to draw, one value below the other; by default in a new figure.

    Returns
    -------
    Figure
        The new one, or the one that the axes belong to.

    Raises
    ------
    ConfigError
        The report has no such fault.
    ValueError
        Nothing of it was measured; the message says why.
    """
    found = fault_named(report, fault) if isinstance(fault, str) else fault
    strips = limit_strips(found, report.metrics, report.prosthetic_sides)
    if not strips:
        raise ValueError(f"{found.title}: there is no value to draw, because {found.reason}")
    return limit_figure(strips, axes=axes)


def plot_visits(track: Track, fault: str, *, axes: Axes | None = None) -> Figure:
    """Draw the measure that decided a fault over the visits, with its limits and what chance alone explains.

    Parameters
    ----------
    track : Track
        What `track_subject` found, its `track`.
    fault : str
        Name of a fault, such as `vaulting`.
    axes : Axes, optional
        Where to draw; by default in a new figure.

    Returns
    -------
    Figure
        The new one, or the one that the axes belong to.

    Raises
    ------
    ConfigError
        No visit was looked at for such a fault.
    ValueError
        No visit has a value.
    """
    by_name = {found.name: found for found in track.faults}
    if fault not in by_name:
        raise unknown("fault", fault, list(by_name))
    change = by_name[fault].change
    if change is None:
        raise ValueError(f"{by_name[fault].title}: no visit has a value")
    return change_figure(track, fault, change, axes=axes)


def change_figure(
    track: Track,
    fault: str,
    change: Change,
    *,
    target: tuple[float | None, float | None] = (None, None),
    axes: Axes | None = None,
) -> Figure:
    """Return the figure of one measure of a fault over the visits; ValueError where no visit has a value.

    `target` is the lower and upper end of what is to be reached.
    """
    chance = None
    if change.before.value is not None and change.detectable is not None:
        chance = (change.before.value - change.detectable, change.before.value + change.detectable)
    latest = track.visits[-1]
    findings = [one for found in latest.faults if found.name == fault for one in found.findings]
    return track_figure(
        visit_points(track, change),
        title=change_title(track, change),
        axis_label=f"[{unit_words(change.unit)}]",
        # As the latest visit was judged.
        limits=tuple(dict.fromkeys((one.limit, one.direction) for one in findings if one.metric == change.metric)),
        chance=chance,
        target=target,
        axes=axes,
    )


def change_title(track: Track, change: Change) -> str:
    """Measure and limb of a change, in words."""
    return f"{metric_title(change.metric)}, {limb_words(change.side, track.visits[-1].prosthetic_sides)}"


def visit_points(track: Track, change: Change) -> list[TrackPoint]:
    """Return the value of the measure at each visit."""
    points = []
    for report in track.visits:
        point = TrackPoint(f"{report.visit}\n{report.visit_date.isoformat()}", None, None, None)
        for value in report.metrics:
            if (value.metric, value.side) == (change.metric, change.side):
                low, high = (None if one is None or not np.isfinite(one) else one for one in (value.low, value.high))
                point = TrackPoint(point.label, value.value, low, high)
        points.append(point)
    return points


def fault_named(report: VisitReport, name: str) -> Fault:
    """Return one fault of a report.

    Raises
    ------
    ConfigError
        The report has no such fault.
    """
    by_name = {fault.name: fault for fault in report.faults}
    if name not in by_name:
        raise unknown("fault", name, list(by_name))
    return by_name[name]


def unknown(kind: str, name: str, known: Sequence[str]) -> ConfigError:
    """The error of a name that there is not."""
    return ConfigError(kind, f"found {name!r}", f"expected one of: {', '.join(known) or 'none, as nothing was saved'}")


def plot_differences(
    agreement: BlandAltman, *, title: str, unit: str, first: str, second: str, axes: Axes | None = None
) -> Figure:
    """Draw two raters' differences over their means, with bias and limits of agreement.

    Parameters
    ----------
    agreement : BlandAltman
        From `compare_sizes`.
    title : str
        What was sized.
    unit : str
        Unit of the sizes.
    first, second : str
        Names of the raters; differences are first less second.
    axes : Axes, optional
        Where to draw, with room on the right for words; by default in a new figure.

    Returns
    -------
    Figure
        The new one, or the one that the axes belong to.

    Raises
    ------
    ValueError
        There are fewer than two pairs: nothing can be said of their spread.
    """
    return bland_altman_figure(agreement, title=title, unit=unit, first=first, second=second, axes=axes)
