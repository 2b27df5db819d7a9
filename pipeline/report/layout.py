"""What the pages show: `configs/report.toml` (sections, titles, captions) and `configs/sources.toml`."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal, TypeVar

from pipeline.config import ENGLISH, config_dir
from pipeline.errors import ManyProblems
from pipeline.judgement import Standing, Verdict
from pipeline.language import say, spoken
from pipeline.report.layout_records import (
    Captions,
    Cautions,
    ConsiderTexts,
    ContextValue,
    Definition,
    QuantityText,
    SectionText,
    StudyTexts,
    ViewerTexts,
)
from pipeline.toml_record import Table, read_record

T = TypeVar("T")

VisitSection = Literal[
    "urgent",
    "summary",
    "viewer",
    "faults",
    "consider",
    "quantities",
    "recorded",
    "quality",
    "corrections",
    "failures",
    "cautions",
    "methods",
]
# Sections that paper and plain text cannot show.
SCREEN_ONLY = ("viewer",)
FaultSection = Literal["urgent", "fault", "stride_values", "failures", "cautions", "methods"]
# Keys whose values are names of sections or metrics, not words for a reader.
NOT_WORDS = frozenset({"visit_sections", "fault_sections", "study_sections", "metrics"})
StudySection = Literal["study_urgent", "study_grid", "study_visits", "study_failures", "cautions", "study_made"]
# A page without these would hide a danger or a loss.
NEVER_LEFT_OUT = ("urgent", "failures", "cautions")
NEVER_LEFT_OUT_OF_STUDY = ("study_urgent", "study_failures", "cautions")


class Layout(Table):
    """All of `configs/report.toml`."""

    visit_sections: tuple[VisitSection, ...]
    fault_sections: tuple[FaultSection, ...]
    study_sections: tuple[StudySection, ...]
    section: dict[str, SectionText]
    verdict: dict[Verdict, str]
    standing: dict[Standing, str]
    caption: Captions
    consider: ConsiderTexts
    study: StudyTexts
    viewer: ViewerTexts
    quantity: tuple[QuantityText, ...]
    context: tuple[ContextValue, ...] = ()
    cautions: Cautions
    definition: tuple[Definition, ...]


class Source(Table):
    """One entry of `configs/sources.toml`: a publication, common practice, or a choice of this project."""

    kind: Literal["publication", "common practice", "own choice"]
    supports: str
    authors: str = ""
    year: int | None = None
    title: str = ""
    where: str = ""
    doi: str = ""
    known: Literal["read", "read second hand", "from memory", ""] = ""
    reason: str = ""

    def problems(self) -> list[str]:
        """What the entry lacks for its kind."""
        if self.kind == "publication":
            needed = {"authors": self.authors, "year": self.year, "title": self.title, "known": self.known}
        else:
            needed = {"reason": self.reason}
        return [f"{name}: missing; kind {self.kind!r} needs it" for name, value in needed.items() if not value]

    @property
    def short(self) -> str:
        """Authors and year of a publication; empty for anything else."""
        return f"{self.authors} ({self.year})" if self.kind == "publication" else ""

    def words(self) -> str:
        """The entry as one line for a reader."""
        if self.kind != "publication":
            kind = say(self.kind)
            return f"{kind[:1].upper()}{kind[1:]}: {say(self.reason)}"
        place = ". ".join(part for part in (self.title, self.where) if part)
        doi = f", doi {self.doi}" if self.doi else ""
        known = say("Known here: {known}.", known=say(self.known))
        return f"{self.authors} ({self.year}). {place}{doi}. {known}"


def load_layout(folder: Path | None = None) -> Layout:
    """Return the layout of the pages, its words in the language spoken.

    Parameters
    ----------
    folder : Path, optional
        Folder of `report.toml`; by default the settings that ship.

    Raises
    ------
    ManyProblems
        Unknown or missing keys, unknown sections, a section that may not be left out: all at once.
    """
    layout = _read(folder, "report.toml", Layout)
    problems = []
    for name, sections, needed in (
        ("visit_sections", layout.visit_sections, NEVER_LEFT_OUT),
        ("fault_sections", layout.fault_sections, NEVER_LEFT_OUT),
        ("study_sections", layout.study_sections, NEVER_LEFT_OUT_OF_STUDY),
    ):
        problems += [
            f"{name}: {gone!r} is missing; it may be moved but not left out" for gone in needed if gone not in sections
        ]
        problems += [
            f"{name}: {extra!r} has no title; add [section.{extra}]"
            for extra in sections
            if extra not in layout.section
        ]
    if problems:
        raise ManyProblems("configs/report.toml", problems)
    said = Layout.model_validate(_said(layout.model_dump()))
    if spoken().code == ENGLISH:
        return said
    points = (*said.cautions.points, say("These words were translated from English. In doubt, the English ones count."))
    return said.model_copy(update={"cautions": said.cautions.model_copy(update={"points": points})})


def load_sources(folder: Path | None = None) -> dict[str, Source]:
    """Return the bibliography by key.

    Parameters
    ----------
    folder : Path, optional
        Folder of `sources.toml`; by default the settings that ship.

    Raises
    ------
    ManyProblems
        An entry lacks what its kind needs, or has a key that is not known.
    """
    sources = _read(folder, "sources.toml", dict[str, Source])
    problems = [f"{key}.{problem}" for key, source in sources.items() for problem in source.problems()]
    if problems:
        raise ManyProblems("configs/sources.toml", problems)
    return sources


def _said(value: Any) -> Any:
    """Settings with all their words in the language spoken."""
    if isinstance(value, dict):
        return {key: one if key in NOT_WORDS else _said(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return tuple(_said(one) for one in value)
    return say(value) if isinstance(value, str) else value


def _read(folder: Path | None, name: str, kind: type[T]) -> T:
    """A file of the settings as the record that it has to be."""
    expected, do = "expected it beside default.toml", "Install the package again."
    return read_record((folder or config_dir()) / name, f"configs/{name}", kind, expected=expected, do=do)
