"""One fault as its page shows it: findings, limits, curve, key frames and the values of every stride."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline.figures import LimitStrip
from pipeline.judgement import Fault, FaultDefinition, Finding, VisitReport, severity_in_force, verdict_in_force
from pipeline.kept import FRAMES_FOLDER
from pipeline.language import say, say_saved
from pipeline.model import MetricValue, OwnError, Side, StrideSet, anatomical_side
from pipeline.report.corrections import Marks, overruled_words
from pipeline.report.drawings import (
    NoPicture,
    Picture,
    curve_picture,
    curve_title,
    curve_unit,
    data_uri,
    limit_picture,
    values_of,
)
from pipeline.report.layout import Layout, Source
from pipeline.report.parts import FrameIndex
from pipeline.report.words import (
    fault_limb_words,
    fault_reason_words,
    interval_words,
    limb_words,
    limit_words,
    metric_title,
    number_words,
    own_error_words,
    severity_words,
    sign_words,
    unit_words,
    view_words,
    with_unit,
)


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding, in words."""

    metric: str
    sign: str
    limb: str
    verdict: str
    value: str
    interval: str
    limit: str
    strides: int
    reason: str
    standing: str
    source: str
    note: str
    error: str
    severity: str
    by_view: str
    applies: bool
    mark: str


@dataclass(frozen=True, slots=True)
class FrameView:
    """One key frame inside a page."""

    content: bytes
    caption: str
    alt: str

    @property
    def uri(self) -> str:
        """The picture inside the page."""
        return data_uri(self.content, "image/jpeg")


@dataclass(frozen=True, slots=True)
class StrideTable:
    """Values of every stride: heads with units, and rows of text."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class FaultView:
    """All that a page shows of one fault."""

    name: str
    file: str
    title: str
    limb: str
    verdict: str
    reason: str
    urgent: bool
    severity: str
    limits_file: str
    seen: str
    phase: str
    cannot_tell: str
    caution: str
    findings: tuple[FindingRow, ...]
    curve: Picture | NoPicture | None
    limits: Picture | None
    frames: tuple[FrameView, ...]
    frames_caption: str
    stride_table: StrideTable
    own_verdict: str
    overruled: str
    mark: str


@dataclass(frozen=True, slots=True)
class FaultMaker:
    """What every fault's view is made from: saved parts of a visit, and words of the configuration."""

    folder: Path
    report: VisitReport
    strides: StrideSet
    frames: FrameIndex
    layout: Layout
    sources: dict[str, Source]
    definitions: dict[str, FaultDefinition]
    check_notes: dict[str, str]
    measurement_error: dict[str, OwnError]
    marks: Marks

    def view(self, fault: Fault) -> FaultView:
        """Return one fault's view."""
        definition = self.definitions.get(fault.name)
        shown = self._frames(fault)
        sides = self.report.prosthetic_sides
        curve: Picture | NoPicture | None = None
        if definition is not None and definition.curve:
            curve = curve_picture(
                self.strides, definition.curve, name=f"{fault.name}-curve", prosthetic_sides=sides,
                layout=self.layout, sources=self.sources, definition=definition,
            )  # fmt: skip
        return FaultView(
            name=fault.name,
            file=page_name(fault.name),
            title=say(fault.title),
            limb=fault_limb_words(fault, definition, sides),
            verdict=verdict_in_force(fault),
            reason=fault_reason_words(fault, definition, sides),
            urgent=fault.urgent,
            severity=say(severity_in_force(fault)),
            limits_file=self._limits_file(fault),
            seen=say(definition.seen) if definition else "",
            phase=say(definition.phase) if definition else "",
            cannot_tell=say(definition.cannot_tell) if definition else "",
            caution=say(definition.caution) if definition else "",
            findings=tuple(self._finding(finding) for finding in fault.findings),
            curve=curve,
            limits=self._limits(fault),
            frames=shown,
            frames_caption=self._frames_caption(fault, bool(shown)),
            stride_table=self._stride_table(fault, definition),
            own_verdict=fault.verdict,
            overruled=overruled_words(fault),
            mark=self.marks.words(fault.corrections),
        )

    def _finding(self, finding: Finding) -> FindingRow:
        """One finding in words, with the standing and the source of its limit."""
        return FindingRow(
            metric=metric_title(finding.metric),
            sign=sign_words(finding.metric),
            limb=limb_words(finding.side, self.report.prosthetic_sides),
            verdict=finding.verdict,
            value=with_unit(finding.value, finding.unit),
            interval=interval_words(finding.low, finding.high, finding.unit),
            limit=limit_words(finding),
            strides=finding.n_strides,
            reason=say_saved(finding.reason),
            standing=self.layout.standing.get(finding.standing, finding.standing),
            source=self._source_words(finding.source),
            note=say(self.check_notes.get(finding.check, "")),
            error=own_error_words(finding, self.measurement_error, self.report.prosthetic_sides),
            severity=severity_words(finding.severity, finding.clear, finding.severe, finding.unit),
            by_view=view_words(self._metric_of(finding)),
            applies=finding.applies,
            mark=self.marks.of_strides(finding.stride_ids),
        )

    def _limits_file(self, fault: Fault) -> str:
        """Which file of limits judged a fault."""
        return f"{fault.name}.toml, SHA-256 {fault.limits_sha256}" if fault.limits_sha256 else ""

    def _source_words(self, key: str) -> str:
        """A limit's source as a line for a reader."""
        if key == "definition":
            return say("Follows from the definition of the metric.")
        source = self.sources.get(key)
        return source.words() if source else say("The source {key} is not in configs/sources.toml.", key=key)

    def _limits(self, fault: Fault) -> Picture | None:
        """Picture of the measured findings against their limits."""
        strips = limit_strips(fault, self.report.metrics, self.report.prosthetic_sides)
        return limit_picture(strips, name=f"{fault.name}-limits", captions=self.layout.caption)

    def _metric_of(self, finding: Finding) -> MetricValue | None:
        """The metric value that a finding judged."""
        return metric_of(finding, self.report.metrics, self.report.prosthetic_sides)

    def _frames(self, fault: Fault) -> tuple[FrameView, ...]:
        """The key frames of a fault that are really there."""
        views = []
        for frame in self.frames.frames:
            # Only the name counts: an index must not reach outside its folder.
            path = self.folder / FRAMES_FOLDER / Path(frame.file).name
            if frame.fault == fault.name and path.is_file() and not path.is_symlink():
                views.append(FrameView(path.read_bytes(), say_saved(frame.caption), say_saved(frame.alt)))
        return tuple(views)

    def _frames_caption(self, fault: Fault, any_shown: bool) -> str:
        """Which stride the frames show, and why frames are missing."""
        captions = self.layout.caption
        left_out = say_saved(self.frames.left_out.get(fault.name, ""))
        if not any_shown:
            has_strides = any(finding.stride_ids for finding in fault.findings)
            why = say("they were not kept in this run.") if has_strides else say("no stride lies behind this verdict.")
            return captions.frames_none.format(reason=left_out or why)
        stride_id = next(frame.stride_id for frame in self.frames.frames if frame.fault == fault.name)
        text = captions.frames.format(stride_id=stride_id)
        return f"{text} {captions.frames_partly.format(reason=left_out)}" if left_out else text

    def _stride_table(self, fault: Fault, definition: FaultDefinition | None) -> StrideTable:
        """One row for each stride behind the findings: when it was, and each value that it has."""
        ids = list(dict.fromkeys(one for finding in fault.findings for one in finding.stride_ids))
        metrics = list(
            dict.fromkeys(metric for finding in fault.findings if (metric := self._metric_of(finding)) is not None)
        )
        metrics = [metric for metric in metrics if metric.stride_values]
        heads = [say("Stride (clip, side, number)"), say("Limb"), say("Starts [s]"), say("Ends [s]")]
        heads += [f"{metric_title(metric.metric)} [{unit_words(metric.unit)}]" for metric in metrics]
        curve = definition.curve if definition and definition.curve in self.strides.curves else ""
        if definition and curve:
            low, high = definition.phase_pct
            values = {
                "curve": curve_title(curve),
                "low": f"{low:.0f}",
                "high": f"{high:.0f}",
                "unit": curve_unit(curve),
            }
            heads += [
                say("{curve}, {low}-{high} % of stride: lowest [{unit}]", **values),
                say("{curve}, {low}-{high} % of stride: highest [{unit}]", **values),
            ]
        by_metric = [dict(zip(metric.stride_ids, metric.stride_values, strict=False)) for metric in metrics]
        rows = []
        for position, row in enumerate(self.strides.table.to_dict("records")):
            if row["stride_id"] not in ids:
                continue
            mark = self.marks.of_strides([row["stride_id"]])
            cells = [
                f"{row['stride_id']}{f' ({mark})' if mark else ''}",
                limb_words(str(row["side"]), self.report.prosthetic_sides),
                number_words(float(row["start_s"]), "s"),
                number_words(float(row["end_s"]), "s"),
            ]
            cells += [
                number_words(values[row["stride_id"]], metric.unit) if row["stride_id"] in values else "-"
                for metric, values in zip(metrics, by_metric, strict=True)
            ]
            if definition and curve:
                cells += _extremes(self.strides, curve, position, definition.phase_pct)
            rows.append(tuple(cells))
        return StrideTable(tuple(heads), tuple(rows))


def metric_of(finding: Finding, metrics: Sequence[MetricValue], sides: Sequence[Side]) -> MetricValue | None:
    """Return the metric value that a finding judged."""
    wanted = {finding.side, anatomical_side(finding.side, sides)}
    candidates = [metric for metric in metrics if metric.metric == finding.metric]
    return next((metric for metric in candidates if metric.side in wanted), None)


def limit_strips(fault: Fault, metrics: Sequence[MetricValue], sides: Sequence[Side]) -> tuple[LimitStrip, ...]:
    """Return each measured value of a fault with all of its limits."""
    strips: dict[tuple[str, str], LimitStrip] = {}
    for finding in fault.findings:
        if finding.value is None or finding.low is None or finding.high is None or np.isnan(finding.low):
            continue
        earlier = strips.get((finding.metric, finding.side))
        strips[finding.metric, finding.side] = LimitStrip(
            title=f"{metric_title(finding.metric)}, {limb_words(finding.side, sides)}",
            unit=unit_words(finding.unit),
            value=finding.value,
            low=finding.low,
            high=finding.high,
            limits=(*(earlier.limits if earlier else ()), (finding.limit, finding.direction)),
            stride_values=values_of(metric_of(finding, metrics, sides)),
        )
    return tuple(strips.values())


def page_name(fault: str) -> str:
    """File name of a fault's page."""
    return f"fault-{fault}.html"


def _extremes(strides: StrideSet, curve: str, row: int, phase_pct: tuple[float, float]) -> list[str]:
    """Lowest and highest value of a stride's curve in the phase; a dash where it was not seen."""
    low, high = round(phase_pct[0]), round(phase_pct[1])
    part = strides.curves[curve][row, low : high + 1]
    if not np.isfinite(part).any():
        return ["-", "-"]
    unit = curve_unit(curve)
    return [number_words(float(np.nanmin(part)), unit), number_words(float(np.nanmax(part)), unit)]
