"""Saved parts of a visit in, self-contained pages out: one for the visit, one for each fault.

A page holds its style and its pictures, asks no network for anything, and shows all text as text. It is made
from the files of the visit's folder alone, so it can be made again, or in another style, without the clips.
The same views give a PDF and a plain text of the visit.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from pipeline.config import ENGLISH, Paper
from pipeline.judgement import Limits, VisitReport
from pipeline.language import in_sentence, say, say_count, say_saved, speaking, spoken
from pipeline.report.consider import consider_view
from pipeline.report.corrections import correction_rows, marks
from pipeline.report.drawings import Picture
from pipeline.report.faults import FaultMaker, FaultView
from pipeline.report.layout import SCREEN_ONLY, Layout, load_layout, load_sources
from pipeline.report.parts import load_frames, load_parts
from pipeline.report.pdf import VISIT_PDF, visit_pdf
from pipeline.report.plain import VISIT_TEXT, visit_text
from pipeline.report.recorded import recorded_facts, recorded_rows
from pipeline.report.sections import (
    QuantityView,
    cited_sources,
    clip_views,
    curve_signs,
    method_facts,
    other_metric_rows,
    quantity_views,
)
from pipeline.report.summary import summary_rows, urgent_part
from pipeline.report.viewer import ViewerView, viewer_view
from pipeline.report.words import counts_sentence, in_reading_order, prosthetic_words
from pipeline.store import write_bytes, write_text

VISIT_PAGE = "visit.html"
FIGURES_FOLDER = "figures"


def build_visit(
    visit_folder: Path,
    limits: Limits,
    *,
    config_folder: Path | None = None,
    paper: Paper = "A4",
    language: str = ENGLISH,
) -> list[Path]:
    """Make a visit's pages from its saved parts and return the files written, the visit's page first.

    Parameters
    ----------
    visit_folder : Path
        Holds what `parts.save_parts` wrote, and the key frames if they were kept.
    limits : Limits
        For the definitions of the faults and the notes of the limits. Verdicts come from the saved report.
    config_folder : Path, optional
        Folder of `report.toml` and `sources.toml`; by default the ones that ship.
    paper : {"A4", "Letter"}
        Of the PDF.
    language : str
        Of all words but those of the saved parts and of the bibliography; one of `config.languages()`.

    Raises
    ------
    StageError
        A saved part is missing or damaged.
    ConfigError, ManyProblems
        The layout, the bibliography or the language is wrong.
    """
    with speaking(language):
        return write_visit(visit_folder, limits, config_folder=config_folder, paper=paper)


def write_visit(
    visit_folder: Path, limits: Limits, *, config_folder: Path | None = None, paper: Paper = "A4"
) -> list[Path]:
    """`build_visit` in the language that is spoken."""
    layout, sources = load_layout(config_folder), load_sources(config_folder)
    report, strides = load_parts(visit_folder)
    maker = FaultMaker(
        folder=visit_folder,
        report=report,
        strides=strides,
        frames=load_frames(visit_folder),
        layout=layout,
        sources=sources,
        definitions={definition.name: definition for definition in limits.faults},
        check_notes={check.id: check.note for check in limits.checks},
        measurement_error=limits.measurement_error,
        marks=marks(report),
    )
    faults = [maker.view(fault) for fault in in_reading_order(report.faults)]
    quantities = quantity_views(report, strides, layout, sources)
    rows = summary_rows(report, maker.definitions, layout)
    context: dict[str, Any] = {
        "layout": layout,
        "report": report,
        "prosthetic": prosthetic_words(report.prosthetic_sides),
        "levels": " / ".join(say(level) for level in report.levels),
        "aid": say(report.aid) if report.aid else "",
        "footwear": report.footwear,
        "notes": tuple(say_saved(note) for note in report.notes),
        "language": spoken().code,
        "counts": counts_sentence(report.faults),
        "rows": rows,
        "urgent": urgent_part(rows, layout),
        "faults": faults,
        "consider": consider_view(report, layout, sources),
        "quantities": quantities,
        "other_metrics": other_metric_rows(report, layout),
        "recorded": recorded_rows(report, sources),
        "clips": clip_views(report, strides),
        "corrections": correction_rows(report),
        "failed": [clip for clip in report.clips if clip.state == "failed"],
        "facts": (*method_facts(report, limits), *recorded_facts(report)),
        "curve_signs": curve_signs(),
        "cited": cited_sources([*maker.check_notes.values(), *(s.reason for s in sources.values())], sources),
        "visit_page": VISIT_PAGE,
        "style": style_text(),
    }
    _save_figures(visit_folder, faults, quantities)
    viewer = None
    if "viewer" in layout.visit_sections:
        drawn = [*(text.curve for text in layout.quantity), *(one.curve for one in maker.definitions.values())]
        viewer = viewer_view(visit_folder, report, strides, drawn, layout)
    written = _write_pages(visit_folder, report, layout, faults, context, viewer)
    on_paper = [name for name in layout.visit_sections if name not in SCREEN_ONLY]
    pdf = visit_pdf(context, on_paper, title=_visit_title(report), paper=paper)
    write_bytes(visit_folder / VISIT_PDF, pdf, private=True)
    write_text(visit_folder / VISIT_TEXT, visit_text(context))
    return [*written, visit_folder / VISIT_PDF, visit_folder / VISIT_TEXT]


def style_text(*more: str) -> Markup:
    """The style sheet of all pages, followed by others of the assets."""
    assets = files(__package__) / "assets"
    return Markup("\n".join((assets / name).read_text(encoding="utf-8") for name in ("style.css", *more)))


def template_environment() -> Environment:
    """What fills the templates: every text is escaped, and a name that is missing is an error."""
    environment = Environment(
        loader=PackageLoader("pipeline.report", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(say=_said_safely, say_count=_counted_safely, in_sentence=in_sentence)
    return environment


def _visit_title(report: VisitReport) -> str:
    """Title of the visit's report."""
    return say("Visit report: {subject}, visit {visit}", subject=report.subject, visit=report.visit)


def _write_pages(
    folder: Path,
    report: VisitReport,
    layout: Layout,
    faults: Sequence[FaultView],
    context: dict[str, Any],
    viewer: ViewerView | None,
) -> list[Path]:
    """Fill the templates and write the pages."""
    environment = template_environment()
    visit = say("{subject}, visit {visit}", subject=report.subject, visit=report.visit)
    pages = {
        VISIT_PAGE: environment.get_template("visit.html").render(
            context,
            sections=layout.visit_sections,
            page_title=_visit_title(report),
            viewer=viewer,
            policy=viewer.policy if viewer else "",
        )
    }
    for fault in faults:
        pages[fault.file] = environment.get_template("fault_page.html").render(
            context, sections=layout.fault_sections, fault=fault, page_title=f"{fault.title}: {visit}"
        )
    for name, text in pages.items():
        write_text(folder / name, text, private=True)
    return [folder / name for name in pages]


def _said_safely(text: str, **values: object) -> Markup:
    """`say` for the templates: what stands in the places is text, unless it is markup of the template's own."""
    return Markup(escape(say(text))).format(**values) if values else Markup(escape(say(text)))


def _counted_safely(singular: str, plural: str, count: int, **values: object) -> Markup:
    """`say_count` for the templates."""
    places = {name: f"{{{name}}}" for name in values}
    return Markup(escape(say_count(singular, plural, count, **places))).format(**values)


def _save_figures(folder: Path, faults: Sequence[FaultView], quantities: Sequence[QuantityView]) -> None:
    """Keep the figures beside the pages too, for talks and papers."""
    candidates = [picture for fault in faults for picture in (fault.curve, fault.limits)]
    candidates += [quantity.curve for quantity in quantities]
    for picture in candidates:
        if isinstance(picture, Picture):
            write_text(folder / FIGURES_FOLDER / picture.name, picture.svg)
