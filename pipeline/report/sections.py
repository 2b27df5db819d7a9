"""The sections of a visit's page apart from its faults, as rows of words for the templates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.judgement import ClipResult, Fault, FaultDefinition, Limits, VisitReport, leading_finding
from pipeline.language import in_sentence, say, say_count, say_saved
from pipeline.model import SIDES, MetricValue, QualityNote, Side, StrideSet
from pipeline.quantities import QUANTITIES
from pipeline.report.drawings import NoPicture, Picture, curve_picture
from pipeline.report.faults import page_name
from pipeline.report.layout import Layout, Source
from pipeline.report.layout_records import QuantityText
from pipeline.report.words import (
    in_reading_order,
    interval_words,
    limb_words,
    limit_words,
    metric_title,
    plain_name,
    plain_number,
    sides_in_order,
    sign_words,
    with_unit,
)


@dataclass(frozen=True, slots=True)
class SummaryRow:
    """One fault in one line; `reason` stands in place of size and limit where it cannot be said."""

    name: str
    file: str
    title: str
    verdict: str
    urgent: bool
    limb: str
    metric: str
    size: str
    interval: str
    limit: str
    standing: str
    strides: int
    reason: str
    more: str
    severity: str


@dataclass(frozen=True, slots=True)
class UrgentPart:
    """What to do before anything else: dangers seen, and dangers that could not be judged."""

    heading: str
    seen: tuple[SummaryRow, ...]
    unknown: tuple[SummaryRow, ...]


@dataclass(frozen=True, slots=True)
class MetricRow:
    """One metric of one limb: numbers, or the reason why there are none."""

    metric: str
    sign: str
    limb: str
    value: str
    interval: str
    spread: str
    strides: int
    reason: str


@dataclass(frozen=True, slots=True)
class QuantityView:
    """One of the quantities of every visit."""

    title: str
    note: str
    curve: Picture | NoPicture | None
    rows: tuple[MetricRow, ...]


@dataclass(frozen=True, slots=True)
class QualityRow:
    """One thing looked at in a recording."""

    item: str
    value: str
    limit: str
    ok: bool
    advice: str


@dataclass(frozen=True, slots=True)
class ClipView:
    """One clip: how it ended, what was looked at, and how many strides it gave."""

    clip: ClipResult
    file: str
    view: str
    strides: str
    quality: tuple[QualityRow, ...]


def summary_rows(
    faults: Sequence[Fault], definitions: dict[str, FaultDefinition], sides: Sequence[Side], layout: Layout
) -> tuple[SummaryRow, ...]:
    """Return one row a fault, in the order in which they ask for action."""
    return tuple(_summary_row(fault, definitions, sides, layout) for fault in in_reading_order(faults))


def _summary_row(
    fault: Fault, definitions: dict[str, FaultDefinition], sides: Sequence[Side], layout: Layout
) -> SummaryRow:
    """One fault's line: the finding that decided it, or why it cannot be said."""
    finding = leading_finding(fault)
    definition = definitions.get(fault.name)
    others = sum(finding.applies for finding in fault.findings) - 1
    return SummaryRow(
        name=fault.name,
        file=page_name(fault.name),
        title=say(fault.title),
        verdict=fault.verdict,
        urgent=fault.urgent or (definition is not None and definition.urgent),
        limb=limb_words(fault.side, sides),
        metric=metric_title(finding.metric) if finding else "",
        size=with_unit(finding.value, finding.unit) if finding else "",
        interval=interval_words(finding.low, finding.high, finding.unit) if finding else "",
        limit=limit_words(finding) if finding else "",
        standing=layout.standing.get(finding.standing, finding.standing) if finding else "",
        strides=finding.n_strides if finding else 0,
        reason=say_saved(fault.reason) or (say("no finding was made") if fault.verdict == "cannot say" else ""),
        more=say_count("and {n} other finding", "and {n} other findings", others) if others > 0 else "",
        severity=say(fault.severity),
    )


def urgent_part(rows: Sequence[SummaryRow], layout: Layout) -> UrgentPart | None:
    """Return the dangers among the rows; None when every urgent fault was judged and not seen."""
    urgent = [row for row in rows if row.urgent]
    seen = tuple(row for row in urgent if row.verdict in ("present", "borderline"))
    unknown = tuple(row for row in urgent if row.verdict == "cannot say")
    if not seen and not unknown:
        return None
    titles = say(" and ").join(in_sentence(row.title) for row in seen)
    return UrgentPart(layout.cautions.urgent_heading.format(faults=titles), seen, unknown)


def quantity_views(
    report: VisitReport, strides: StrideSet, layout: Layout, sources: dict[str, Source]
) -> tuple[QuantityView, ...]:
    """Return the quantities of every visit, each with its numbers or its reason for both limbs."""
    views = []
    for number, text in enumerate(layout.quantity, start=1):
        curve = None
        if text.curve:
            curve = curve_picture(
                strides,
                text.curve,
                name=f"quantity-{number}-{text.curve}",
                prosthetic_sides=report.prosthetic_sides,
                layout=layout,
                sources=sources,
            )
        views.append(QuantityView(text.title, text.note, curve, _quantity_rows(text, report)))
    return tuple(views)


def other_metric_rows(report: VisitReport, layout: Layout) -> tuple[MetricRow, ...]:
    """Return the metrics that none of the quantities shows."""
    shown = {name for text in layout.quantity for name in text.metrics}
    rest = [metric for metric in report.metrics if metric.metric not in shown]
    return tuple(_metric_row(metric, report.prosthetic_sides) for metric in rest)


def _quantity_rows(text: QuantityText, report: VisitReport) -> tuple[MetricRow, ...]:
    """Rows of one quantity; a limb or a metric without a value gets a row that says so."""
    sides = report.prosthetic_sides
    rows = []
    for name in text.metrics:
        values = {metric.side: metric for metric in report.metrics if metric.metric == name}
        if not values:
            rows.append(_missing_row(name, say("both limbs"), say("this run did not measure it")))
            continue
        order = [side for side in sides_in_order(sides) if values.keys() & {"left", "right"}]
        for side in order:
            metric = values.pop(side, None)
            missing = _missing_row(name, limb_words(side, sides), say("this run gave no value for this limb"))
            rows.append(_metric_row(metric, sides) if metric else missing)
        rows += [_metric_row(metric, sides) for metric in values.values()]
    return tuple(rows)


def _metric_row(metric: MetricValue, sides: Sequence[Side]) -> MetricRow:
    """A metric value in words."""
    is_measured = metric.status == "ok" and metric.value is not None
    spread = metric.spread if metric.spread is not None and math.isfinite(metric.spread) else None
    return MetricRow(
        metric=metric_title(metric.metric),
        sign=sign_words(metric.metric),
        limb=limb_words(metric.side, sides),
        value=with_unit(metric.value, metric.unit) if is_measured else "",
        interval=interval_words(metric.low, metric.high, metric.unit) if is_measured else "",
        spread=with_unit(spread, metric.unit) if is_measured else "",
        strides=metric.n_strides,
        reason="" if is_measured else _not_measured(say_saved(metric.reason) or say("no reason was recorded")),
    )


def _missing_row(metric: str, limb: str, reason: str) -> MetricRow:
    """A metric that the run did not give at all."""
    return MetricRow(metric_title(metric), sign_words(metric), limb, "", "", "", 0, _not_measured(reason))


def _not_measured(reason: str) -> str:
    """That there is no number, and why."""
    return say("could not be measured, because {reason}", reason=reason)


def clip_views(report: VisitReport, strides: StrideSet) -> tuple[ClipView, ...]:
    """Return every clip of the visit with its quality notes."""
    views = []
    for clip in report.clips:
        rows = strides.table[strides.table["clip_id"] == clip.clip_id]
        used = rows[rows["use"].astype(bool)]
        per_side = ", ".join(
            say(
                "{used} of {found} {side}",
                used=int((used["side"] == side).sum()),
                found=int((rows["side"] == side).sum()),
                side=say(side),
            )
            for side in SIDES
        )
        views.append(
            ClipView(
                clip=clip,
                file=Path(clip.relative_path).as_posix(),
                view=say(str(rows["view"].iloc[0])) if len(rows) else "",
                strides=per_side if len(rows) else "",
                quality=tuple(_quality_row(note) for note in report.quality.get(clip.clip_id, ())),
            )
        )
    return tuple(views)


def _quality_row(note: QualityNote) -> QualityRow:
    """A quality note in words."""
    return QualityRow(
        item=plain_name(say_saved(note.item)),
        value=plain_number(note.value, note.unit),
        limit=plain_number(note.limit, note.unit),
        ok=note.ok,
        advice=say(note.advice),
    )


def method_facts(report: VisitReport, limits: Limits) -> tuple[tuple[str, str], ...]:
    """Return the facts of the run, name and value."""
    run = report.run
    facts = [
        (say("Run"), run.run_id),
        (say("Started"), run.started),
        (say("Finished"), run.finished),
        (say("Code version"), run.code_version),
        (say("Pose model"), run.model),
        (say("Pose model SHA-256"), run.model_sha256),
        (say("Settings SHA-256"), run.settings_sha256),
        (
            say("Limits"),
            say(
                "{folder}, SHA-256 of all files {hash}",
                folder=limits.folder or say("folder not known"),
                hash=run.limits_sha256,
            ),
        ),
        (say("Causes"), f"{run.causes_file}, SHA-256 {run.causes_sha256}" if run.causes_sha256 else ""),
        (
            say("Packages"),
            ", ".join(f"{name} {version}" for name, version in sorted(run.package_versions.items())),
        ),
    ]
    if limits.sha256 != run.limits_sha256:
        facts.append(
            (
                say("Limits of this page"),
                say(
                    "{hash}: not those that the verdicts were made with. Verdicts and limits shown are the saved ones; "
                    "definitions of faults are of this page.",
                    hash=limits.sha256,
                ),
            )
        )
    return tuple(facts)


def cited_sources(texts: Sequence[str], sources: dict[str, Source]) -> tuple[tuple[str, str], ...]:
    """Return the sources that texts name by their key, key and words."""
    everything = " ".join(texts)
    return tuple((key, source.words()) for key, source in sources.items() if key in everything)


def curve_signs() -> tuple[tuple[str, str], ...]:
    """Return each curve's title with its unit, and which way is positive."""
    return tuple(
        (
            f"{say(quantity.title)} [{say(quantity.unit)}]",
            say(
                "positive: {what}; views: {views}",
                what=say(quantity.positive),
                views=", ".join(say(view) for view in quantity.views),
            ),
        )
        for quantity in QUANTITIES
    )
