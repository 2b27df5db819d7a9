"""The sections of a visit's page apart from its faults, as rows of words for the templates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.judgement import ClipResult, Limits, VisitReport
from pipeline.language import say, say_count, say_saved
from pipeline.model import SIDES, MetricValue, QualityNote, Side, StrideSet
from pipeline.quantities import QUANTITIES
from pipeline.report.corrections import Marks, marks
from pipeline.report.drawings import NoPicture, Picture, curve_picture
from pipeline.report.layout import Layout, Source
from pipeline.report.layout_records import QuantityText
from pipeline.report.words import (
    interval_words,
    limb_words,
    metric_title,
    plain_name,
    plain_number,
    sides_in_order,
    sign_words,
    with_unit,
)


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
    mark: str = ""


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
    marked = marks(report)
    return tuple(_metric_row(metric, report.prosthetic_sides, marked) for metric in rest)


def _quantity_rows(text: QuantityText, report: VisitReport) -> tuple[MetricRow, ...]:
    """Rows of one quantity; a limb or a metric without a value gets a row that says so."""
    sides, marked = report.prosthetic_sides, marks(report)
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
            rows.append(_metric_row(metric, sides, marked) if metric else missing)
        rows += [_metric_row(metric, sides, marked) for metric in values.values()]
    return tuple(rows)


def _metric_row(metric: MetricValue, sides: Sequence[Side], marked: Marks) -> MetricRow:
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
        mark=marked.of_strides(metric.stride_ids),
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
        by_hand = int(rows["why_not"].astype(str).str.startswith("left out by hand").sum())
        if by_hand:
            per_side += "; " + say_count("{n} left out by hand", "{n} left out by hand", by_hand)
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
