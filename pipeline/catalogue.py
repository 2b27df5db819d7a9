"""The catalogue: faults with their limits, and metrics, as text for a terminal and as a table for a spreadsheet.

Everything is read from the metrics' declarations and the files of limits; nothing is written down twice.
"""

from __future__ import annotations

import textwrap
from dataclasses import asdict, dataclass

import pandas as pd

from pipeline.config import load_settings
from pipeline.judgement import Check, FaultDefinition, Limits
from pipeline.metrics import CATALOGUE, METRICS
from pipeline.metrics.registry import MetricSpec, PairSpec
from pipeline.model import VIEWS
from pipeline.report.layout import Source
from pipeline.report.parts import guard_text

# Width of the text, and of its columns, which stay below it together. [characters]
LINE_WIDTH = 100
LIMIT_WIDTH = 24
METRIC_WIDTH = 35
LIMB_WIDTH = 12
UNIT_WIDTH = 14


@dataclass(frozen=True, slots=True)
class Row:
    """One limit with the metric that it judges, or a metric without a limit (then without fault and limit).

    Attributes
    ----------
    view : str
        The views that the metric is read in.
    side : str
        `prosthetic` or `sound` limb, or `both`: the limbs compared.
    positive : str
        Which way the metric is positive.
    clear, severe : float or None
        Steps beyond the limit, in the metric's unit.
    known : str
        How well the limit's source is known: `read`, `read second hand`, `from memory`, or the kind of choice it is.
    speed : str
        Walking speeds that the limit is for; empty is for all, as for `levels` and `aids`. [leg lengths/s]
    min_strides : int
        Fewest strides of a limb. [1]
    min_fps : float
        Lowest frame rate; 0 is any. [frames/s]
    near_only : bool
        Only the limb towards the camera is measured.
    """

    fault: str
    title: str
    check: str
    view: str
    side: str
    metric: str
    what: str
    unit: str
    positive: str
    direction: str
    limit: float | None
    clear: float | None
    severe: float | None
    standing: str
    source: str
    known: str
    levels: str
    aids: str
    speed: str
    min_strides: int
    min_fps: float
    near_only: bool
    note: str


def catalogue_rows(limits: Limits, sources: dict[str, Source]) -> tuple[Row, ...]:
    """Return one row a limit, in the order of the faults, then one row a metric that judges no fault."""
    titles = {fault.name: fault.title for fault in limits.faults}
    fewest = load_settings().metrics.min_strides
    rows = [_row(CATALOGUE[check.metric], sources, fewest, check, titles[check.fault]) for check in limits.checks]
    judged = {row.metric for row in rows}
    return (*rows, *(_row(spec, sources, fewest) for spec in CATALOGUE.values() if spec.id not in judged))


def catalogue_table(rows: tuple[Row, ...]) -> pd.DataFrame:
    """Return the rows as a table with one column a field, safe for a spreadsheet; an empty cell does not apply."""
    return pd.DataFrame([asdict(row) for row in rows], dtype=object).map(guard_text)


def catalogue_text(limits: Limits, rows: tuple[Row, ...]) -> str:
    """Return the catalogue as plain lines of at most 100 characters."""
    lines = []
    for fault in limits.faults:
        lines += ["", *_fault_lines(fault)]
        for row in rows:
            if row.fault == fault.name:
                lines += _limit_lines(row)
    lines += ["", "Measured without a limit of its own"]
    for row in rows:
        if not row.fault:
            lines.append(f"  {row.metric:{METRIC_WIDTH}}{row.unit:{UNIT_WIDTH}}{row.what}")
            lines += _second_lines(METRIC_WIDTH, row.view, row.source, *conditions(row))
    n_metrics = len({row.metric for row in rows})
    n_checks = sum(bool(row.check) for row in rows)
    lines += ["", f"faults: {len(limits.faults)}, limits: {n_checks}, metrics: {n_metrics}."]
    return "\n".join(lines[1:])


def base_metric(name: str) -> MetricSpec:
    """Return the metric of one limb that a metric is, or that a comparison of limbs is made from."""
    spec = CATALOGUE[name]
    return METRICS[spec.metric] if isinstance(spec, PairSpec) else spec


def limit_words(row: Row) -> str:
    """Return when a value is outside: `above 1.5 % leg length`; empty for a metric without a limit."""
    if row.limit is None:
        return ""
    return f"{row.direction} {row.limit:g}" + ("" if row.unit == "1" else f" {row.unit}")


def step_words(row: Row) -> str:
    """Return the steps of severity: `clear 3, severe 5`."""
    steps = (("clear", row.clear), ("severe", row.severe))
    return ", ".join(f"{name} {step:g}" for name, step in steps if step is not None)


def limb_words(row: Row) -> str:
    """Return the limb that a limit judges; comparisons are of both."""
    return {"both": "compared", "": "each limb"}.get(row.side, row.side)


def conditions(row: Row) -> list[str]:
    """Return for whom, and from which recordings, a row counts, where it is not everybody and any."""
    words = [
        f"{row.min_fps:g} frames/s or more" if row.min_fps else "",
        "near limb" if row.near_only else "",
        f"level: {row.levels}" if row.levels else "",
        f"aid: {row.aids}" if row.aids else "",
        f"speed: {row.speed} leg lengths/s" if row.speed else "",
    ]
    return [word for word in words if word]


def _row(
    spec: MetricSpec | PairSpec, sources: dict[str, Source], fewest: int, check: Check | None = None, title: str = ""
) -> Row:
    """The row of a metric, with a limit or without one."""
    base = base_metric(spec.id)
    source = check.source if check else spec.source
    speeds = check.speed_legs if check else None
    return Row(
        fault=check.fault if check else "",
        title=title,
        check=check.id if check else "",
        view="any" if set(base.views) == set(VIEWS) else " or ".join(sorted(base.views)),
        side=check.side if check else "both" if isinstance(spec, PairSpec) else "",
        metric=spec.id,
        what=spec.title,
        unit=spec.unit,
        positive=spec.positive,
        direction=check.direction if check else "",
        limit=check.limit if check else None,
        clear=check.clear if check else None,
        severe=check.severe if check else None,
        standing=check.standing if check else "",
        source=source,
        known=known_words(sources, source),
        levels=", ".join(check.levels) if check else "",
        aids=", ".join(check.aids) if check else "",
        speed=f"{speeds[0]:g} to {speeds[1]:g}" if speeds else "",
        min_strides=max(fewest, base.min_strides),
        min_fps=base.min_fps,
        near_only=base.near_only,
        note=check.note if check else "",
    )


def known_words(sources: dict[str, Source], key: str) -> str:
    """Return how well a source is known, or what kind of choice it is; `definition` for one that needs none."""
    source = sources.get(key)
    return (source.known or source.kind) if source else key


def _fault_lines(fault: FaultDefinition) -> list[str]:
    """Head of one fault: its name, where it is looked for, and when."""
    limb = {"both": "limbs compared"}.get(fault.side, f"{fault.side} limb")
    urgent = ", URGENT" if fault.urgent else ""
    every = ", all limits must be passed" if fault.rule == "all" else ""
    return [f"{fault.title} [{fault.name}]{urgent}", f"  {limb}; {fault.phase}{every}"]


def _limit_lines(row: Row) -> list[str]:
    """One limit: when it is passed, by what, on which limb; then views, standing and source."""
    first = (
        f"  {limit_words(row):{LIMIT_WIDTH}}{row.metric:{METRIC_WIDTH}}{limb_words(row):{LIMB_WIDTH}}{step_words(row)}"
    )
    return [first.rstrip(), *_second_lines(LIMIT_WIDTH, row.view, f"{row.standing} ({row.source})", *conditions(row))]


def _second_lines(indent: int, *parts: str) -> list[str]:
    """What stands under a first line, folded."""
    space = " " * (indent + 2)
    return textwrap.wrap("; ".join(parts), width=LINE_WIDTH, initial_indent=space, subsequent_indent=space)
