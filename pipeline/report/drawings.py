"""The figures of a page: drawn from saved parts, with caption and alternative text."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from string import ascii_lowercase
from typing import Literal

import numpy as np

from pipeline.figure_style import svg_text
from pipeline.figures import CURVE_AXES, ContextMark, LimbCurves, LimitStrip, curve_figure, limit_figure
from pipeline.judgement import FaultDefinition
from pipeline.language import in_sentence, localised, say, say_count
from pipeline.metrics import METRICS
from pipeline.metrics.reading import mean_and_spread, usable_strides
from pipeline.model import FloatArray, MetricValue, Side, StrideSet, anatomical_side
from pipeline.quantities import QUANTITIES, Quantity
from pipeline.report.layout import Layout, Source
from pipeline.report.layout_records import Captions, ContextValue
from pipeline.report.words import (
    limb_words,
    number_words,
    plain_name,
    sides_in_order,
    stride_words,
)

MIN_STRIDES = 2
BY_NAME = {quantity.name: quantity for quantity in QUANTITIES}
# Curves that only the limb towards the camera shows well enough: those that a near-only metric reads.
NEAR_CURVES = frozenset(name for spec in METRICS.values() if spec.near_only for name in spec.needs) & set(BY_NAME)


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure ready for a page: `name` is its file in the folder of figures, `uri` the picture itself.

    A quantity over the stride names it as `curve`, with the `limb` whose stride a click means.
    """

    name: str
    svg: str
    title: str
    caption: str
    alt: str
    curve: str = ""
    limb: str = ""

    @property
    def axes(self) -> str:
        """The box of the axes: left, top, width and height in shares of the picture."""
        left, bottom, width, height = CURVE_AXES
        return f"{left:.4f} {1.0 - bottom - height:.4f} {width:.4f} {height:.4f}"

    @property
    def uri(self) -> str:
        """The picture inside the page."""
        return data_uri(self.svg.encode("utf-8"), "image/svg+xml")


@dataclass(frozen=True, slots=True)
class NoPicture:
    """Why a figure could not be drawn."""

    title: str
    reason: str


def data_uri(content: bytes, media_type: str) -> str:
    """A file's content as an address inside the page."""
    return f"data:{media_type};base64,{base64.b64encode(content).decode('ascii')}"


def quantity_of(name: str) -> Quantity | None:
    """The declared quantity of a curve."""
    return BY_NAME.get(name)


def curve_title(name: str) -> str:
    """Title of a curve, from its declaration where there is one."""
    quantity = quantity_of(name)
    return say(quantity.title) if quantity else plain_name(name)


def curve_unit(name: str) -> str:
    """Unit of a curve; a name without a declaration ends in its unit."""
    quantity = quantity_of(name)
    return say(quantity.unit) if quantity else {"pct": "%"}.get(name.rsplit("_", 1)[-1], name.rsplit("_", 1)[-1])


def limb_values(strides: StrideSet, curve: str, side: Side) -> FloatArray:
    """Return one quantity over the used strides of one side in which it was seen.

    In a side view the far limb is hidden by the near one: where metrics leave it out, so does the drawing.

    Returns
    -------
    (n_strides, 101)
        Empty where the quantity is not there.
    """
    if curve not in strides.curves:
        return np.empty((0, 101))
    used = strides.table["use"].to_numpy(dtype=bool) & (strides.table["side"] == side).to_numpy(dtype=bool)
    if curve in NEAR_CURVES:
        used &= strides.table["near"].to_numpy(dtype=bool)
    values = strides.curves[curve][used]
    return values[usable_strides(values)]


def drawn_limbs(strides: StrideSet, curve: str, prosthetic_sides: Sequence[Side]) -> dict[Side, LimbCurves]:
    """Return the limbs with strides enough to draw, labelled, the prosthetic one first."""
    limbs = {}
    for side in sides_in_order(prosthetic_sides):
        values = limb_values(strides, curve, side)
        if len(values) >= MIN_STRIDES:
            words = limb_words(side, prosthetic_sides).replace(" (", "\n(")
            label = f"{words}\n{stride_words(len(values))}"
            limbs[side] = LimbCurves(label, line_of(side, prosthetic_sides), values)
    return limbs


def curve_picture(
    strides: StrideSet,
    curve: str,
    *,
    name: str,
    prosthetic_sides: Sequence[Side],
    layout: Layout,
    sources: Mapping[str, Source],
    definition: FaultDefinition | None = None,
) -> Picture | NoPicture:
    """Return a quantity over the stride for both limbs, or why there is none.

    Parameters
    ----------
    strides : StrideSet
        All strides of the visit.
    curve : str
        Name of the quantity in the curves.
    name : str
        File name of the figure, without ending.
    layout : Layout
        Gives the captions, and published values to draw beside the curve.
    sources : mapping of key to Source
    definition : FaultDefinition, optional
        Its phase is shaded and named in the caption.
    """
    title, unit = curve_title(curve), curve_unit(curve)
    limbs = drawn_limbs(strides, curve, prosthetic_sides)
    phrases, alts = [], []
    for side in sides_in_order(prosthetic_sides):
        words = limb_words(side, prosthetic_sides)
        if side not in limbs:
            seen = _seen_words(len(limb_values(strides, curve, side)))
            phrases.append(say("{limb}: not drawn, because {reason}.", limb=words, reason=seen))
            continue
        values = limbs[side].values
        n_words = stride_words(len(values))
        phrases.append(
            say("Solid line: {limb}, {strides}.", limb=words, strides=n_words)
            if limbs[side].line == "solid"
            else say("Dashed line: {limb}, {strides}.", limb=words, strides=n_words)
        )
        alts.append(f"{words}, {n_words}: {shape_words(values, unit)}")
    if not limbs:
        return NoPicture(title, say("{reason} of either limb in a view that shows it", reason=_seen_words(0)))
    # A phase that is the whole stride points at nothing.
    phase = definition.phase_pct if definition and definition.phase_pct != (0.0, 100.0) else None
    context = [entry for entry in layout.context if entry.curve == curve]
    marks = [
        ContextMark(letter, one.at_pct, one.mean, one.sd) for letter, one in zip(ascii_lowercase, context, strict=False)
    ]
    figure = curve_figure(
        tuple(limbs.values()), title=title, axis_label=f"{title} [{unit}]", phase_pct=phase, context=marks
    )
    phase_text = ""
    if definition is not None and phase is not None:
        low, high = (f"{end:.0f}" for end in phase)
        phase_text = layout.caption.curve_phase.format(low=low, high=high, phase=say(definition.phase))
    quantity = quantity_of(curve)
    sign = " " + say("Positive: {what}.", what=say(quantity.positive)) if quantity else ""
    caption = layout.caption.curve.format(limbs=" ".join(phrases), phase=phase_text).strip() + sign
    if marks:
        listed = [_context_words(mark, one, unit, sources) for mark, one in zip(marks, context, strict=True)]
        caption += " " + layout.caption.curve_context.format(values="; ".join(listed))
    alt = say("Line chart of {curve} in {unit} over the stride.", curve=in_sentence(title), unit=unit)
    alt = " ".join([alt, *alts])
    limb = anatomical_side(definition.side, prosthetic_sides) if definition else None
    limb = limb or sides_in_order(prosthetic_sides)[0]
    return Picture(f"{name}.svg", svg_text(figure), title, caption, alt, curve, limb)


def _context_words(mark: ContextMark, value: ContextValue, unit: str, sources: Mapping[str, Source]) -> str:
    """One published value: its letter, whose it is, how large, and where it stands."""
    mean, sd = number_words(value.mean, unit), number_words(value.sd, unit)
    source = sources[value.source].short if value.source in sources else value.source
    return f"{mark.letter}: {value.text}, {mean} \N{PLUS-MINUS SIGN} {sd} {unit}, {source}"


def limit_picture(strips: Sequence[LimitStrip], *, name: str, captions: Captions) -> Picture | None:
    """Return the values of a fault against their limits; None when nothing was measured."""
    if not strips:
        return None
    title = say("Values against their limits")
    alt = f"{title}. " + " ".join(
        say(
            "{title}: {value}, 95 % interval {low} to {high} {unit}, outside is {limits}.",
            title=strip.title,
            value=localised(f"{strip.value:.2f}"),
            low=localised(f"{strip.low:.2f}"),
            high=localised(f"{strip.high:.2f}"),
            unit=strip.unit,
            limits=say(" or ").join(
                f"{say(direction)} {localised(f'{limit:.2f}')}" for limit, direction in strip.limits
            ),
        )
        for strip in strips
    )
    svg = svg_text(limit_figure(strips))
    return Picture(f"{name}.svg", svg, title, captions.limit, alt)


def values_of(metric: MetricValue | None) -> tuple[float, ...]:
    """The values of single strides that can be drawn."""
    if metric is None:
        return ()
    return tuple(value for value in metric.stride_values if np.isfinite(value))


def line_of(side: Side, prosthetic_sides: Sequence[Side]) -> Literal["solid", "dashed"]:
    """Prosthetic solid, sound dashed; with none or two prostheses right solid, left dashed."""
    solid_side = prosthetic_sides[0] if len(prosthetic_sides) == 1 else "right"
    return "solid" if side == solid_side else "dashed"


def _seen_words(count: int) -> str:
    """That too few strides were seen to draw."""
    if not count:
        return say("at least {least} usable strides are needed and none was seen", least=MIN_STRIDES)
    return say_count(
        "at least {least} usable strides are needed and {n} was seen",
        "at least {least} usable strides are needed and {n} were seen",
        count,
        least=MIN_STRIDES,
    )


def shape_words(values: FloatArray, unit: str) -> str:
    """Lowest and highest point of a mean curve, for readers who do not see it."""
    mean, _ = mean_and_spread(values)
    if not np.isfinite(mean).any():
        return say("too few strides overlap.")
    low, high = int(np.nanargmin(mean)), int(np.nanargmax(mean))
    return say(
        "lowest {lowest} {unit} at {low} %, highest {highest} {unit} at {high} % of the stride.",
        lowest=number_words(float(mean[low]), unit),
        low=low,
        highest=number_words(float(mean[high]), unit),
        high=high,
        unit=unit,
    )
