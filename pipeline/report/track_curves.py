"""Curves of the baseline and of the latest visit over each other: knee flexion, and what the faults are seen in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.comparability import Visit, why_not_comparable
from pipeline.figure_style import svg_text
from pipeline.figures_overlay import Panel, overlay_figure
from pipeline.judgement import FaultDefinition, Limits
from pipeline.language import in_sentence, say, say_saved
from pipeline.metrics.reading import usable_strides
from pipeline.model import FloatArray
from pipeline.report.drawings import (
    MIN_STRIDES,
    NoPicture,
    Picture,
    curve_title,
    curve_unit,
    limb_values,
    quantity_of,
    shape_words,
)
from pipeline.report.track import SubjectTrack
from pipeline.report.words import limb_words, sides_in_order, stride_words
from pipeline.tracking import FaultTrack

# Always drawn, whatever was seen: it is the first curve of every visit's report.
FIRST_CURVE = "knee_flexion_deg"
WHOLE_STRIDE = (0.0, 100.0)


@dataclass(frozen=True, slots=True)
class CurveView:
    """One quantity at two visits: the faults it belongs to, its picture, and why the two cannot be compared in it."""

    title: str
    faults: str
    picture: Picture | NoPicture
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CurvesView:
    """All quantities that are drawn, and what keeps the two visits from being compared in any of them."""

    curves: tuple[CurveView, ...]
    reasons: tuple[str, ...]


def is_followed(fault: FaultTrack) -> bool:
    """Whether a fault was seen at any visit, or changed clearly: then there is something to look at."""
    seen = any(verdict in ("present", "borderline") for verdict in fault.verdicts)
    return seen or (fault.change is not None and fault.change.verdict in ("better", "worse"))


def curves_view(found: SubjectTrack, limits: Limits) -> CurvesView:
    """Return knee flexion, and the curve of every fault that was seen or changed clearly, each once."""
    definitions = {definition.name: definition for definition in limits.faults}
    followed = [fault for fault in found.track.faults if is_followed(fault) and fault.name in definitions]
    by_curve: dict[str, list[FaultDefinition]] = {FIRST_CURVE: []}
    for fault in followed:
        if curve := definitions[fault.name].curve:
            by_curve.setdefault(curve, []).append(definitions[fault.name])
    views = [_view(found, curve, shown) for curve, shown in by_curve.items()]
    everywhere = [reason for reason in views[0].reasons if all(reason in view.reasons for view in views)]
    own = [replace(view, reasons=tuple(one for one in view.reasons if one not in everywhere)) for view in views]
    return CurvesView(tuple(own), tuple(everywhere))


def _view(found: SubjectTrack, curve: str, shown: Sequence[FaultDefinition]) -> CurveView:
    """One quantity at the baseline and at the latest visit."""
    visits = (found.baseline, found.latest)
    views = (_views(visits[0], curve), _views(visits[1], curve))
    reasons = why_not_comparable(*visits, views, curve, found.rules)
    return CurveView(
        title=curve_title(curve),
        faults="; ".join(say(definition.title) for definition in shown),
        picture=_picture(visits, curve, {definition.phase_pct for definition in shown}),
        reasons=tuple(say_saved(reason) for reason in reasons),
    )


def _views(visit: Visit, curve: str) -> tuple[str, ...]:
    """The views whose used strides show a quantity."""
    if curve not in visit.strides.curves:
        return ()
    table = visit.strides.table
    shown = table["use"].to_numpy(dtype=bool) & usable_strides(visit.strides.curves[curve])
    return tuple(sorted(set(table.loc[shown, "view"])))


def _picture(visits: tuple[Visit, Visit], curve: str, phases: set[tuple[float, float]]) -> Picture | NoPicture:
    """The quantity of both limbs at both visits, or why there is none."""
    title, unit = curve_title(curve), curve_unit(curve)
    names = (visits[0].report.visit, visits[1].report.visit)
    sides = visits[1].report.prosthetic_sides
    panels, phrases, alts = [], [], []
    for side in sides_in_order(sides):
        limb, drawn, counts = limb_words(side, sides), list[FloatArray](), []
        for name, visit in zip(names, visits, strict=True):
            values = limb_values(visit.strides, curve, side)
            count = stride_words(len(values))
            if len(values) < MIN_STRIDES:
                count = say("{strides}, not drawn", strides=count)
                values = values[:0]
            else:
                where = say("{limb}, visit {visit}: {strides}", limb=limb, visit=name, strides=count)
                alts.append(f"{where}, {shape_words(values, unit)}")
            counts.append(count)
            drawn.append(values)
        phrases.append(say("{limb}: {first}, then {second}", limb=limb, first=counts[0], second=counts[1]))
        panels.append(Panel(limb, *drawn))
    if not any(len(values) for panel in panels for values in (panel.earlier, panel.later)):
        return NoPicture(title, say("too few strides of either limb were seen at either visit"))
    # Where faults look at different stretches, none is shaded.
    phase = next(iter(phases)) if len(phases) == 1 and phases != {WHOLE_STRIDE} else None
    figure = overlay_figure(
        panels,
        title=title,
        axis_label=f"[{unit}]",
        visits=(_name(visits[0]), _name(visits[1])),
        phase_pct=phase,
    )
    caption = say(
        "Dashed: visit {baseline}, solid: visit {latest}. Mean of the strides, and one standard deviation to each side "
        "(between dots, and shaded), from one contact of a foot to its next. {limbs}.",
        baseline=names[0],
        latest=names[1],
        limbs="; ".join(phrases),
    )
    if phase is not None:
        low, high = (f"{end:.0f}" for end in phase)
        caption += " " + say(
            "Shaded from top to bottom: {low} to {high} %, the stretch to look at.", low=low, high=high
        )
    if quantity := quantity_of(curve):
        caption += " " + say("Positive: {what}.", what=say(quantity.positive))
    alt = say(
        "Line chart of {curve} in {unit} over the stride, visit {baseline} against visit {latest}.",
        curve=in_sentence(title),
        unit=unit,
        baseline=names[0],
        latest=names[1],
    )
    return Picture(f"track-{curve}.svg", svg_text(figure), title, caption, " ".join([alt, *alts]))


def _name(visit: Visit) -> str:
    """A visit as the key of the figure names it."""
    return f"{visit.report.visit}, {visit.report.visit_date.isoformat()}"
