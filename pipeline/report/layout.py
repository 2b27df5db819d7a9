"""What the pages show: `configs/report.toml` (sections, titles, captions) and `configs/sources.toml`."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from pipeline.config import ENGLISH, config_dir
from pipeline.errors import ConfigError, ManyProblems
from pipeline.judgement import Standing, Verdict
from pipeline.language import say, spoken

T = TypeVar("T")

VisitSection = Literal[
    "urgent", "summary", "viewer", "faults", "consider", "quantities", "quality", "failures", "cautions", "methods"
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


class _Table(BaseModel):
    """A table of a configuration file: every key needed, no other allowed."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class SectionText(_Table):
    """Title and first sentence of a section; `paper` stands in place of `intro` in the PDF, where it is given."""

    title: str
    intro: str
    paper: str = ""


class Captions(_Table):
    """Captions, with the words in braces filled in by the page."""

    curve: str
    curve_phase: str
    limit: str
    frames: str
    frames_none: str
    frames_partly: str


class ConsiderTexts(_Table):
    """What stands around the list of what to consider, with the words in braces filled in by the page."""

    arithmetic: str
    known: str
    nothing_present: str
    not_in_file: str
    no_prosthesis: str
    no_knee: str
    earlier: str
    folded: str
    for_fault: str
    fault_alone: str


class ViewerTexts(_Table):
    """Words of the viewer, with those in braces filled in by the page or its script."""

    no_script: str
    none: str
    not_stored: str
    grey: str
    cut: str
    too_large: str
    clip: str
    clip_name: str
    curve: str
    curve_name: str
    speed: str
    speeds: dict[str, str]
    play: str
    pause: str
    back: str
    forward: str
    event_before: str
    event_after: str
    skeleton: str
    moment: str
    picture: str
    strip: str
    time: str
    percent: str
    stance: str
    swing: str
    outside: str
    far: str
    not_in_view: str
    contact: str
    toe_off: str
    is_grey: str
    keys: str
    figures: str
    to_figure: str


class FilterTexts(_Table):
    """Labels of the study's filter; `shown` has its words in braces filled in by the script."""

    subject: str
    verdict: str
    fault: str
    any_verdict: str
    all_faults: str
    show_all: str
    shown: str
    note: str


class StudyTexts(_Table):
    """What stands on the page of a study; `short` heads the columns of its grid, by the fault's name."""

    kind: str
    urgent_latest: str
    urgent_earlier: str
    urgent_unknown: str
    region: str
    all_visits: str
    no_visits: str
    not_judged: str
    nothing_seen: str
    nothing_failed: str
    alike: str
    unlike: str
    differs: str
    never_judged: str
    wrong_place: str
    earlier_report: str
    filter: FilterTexts
    short: dict[str, str]


class QuantityText(_Table):
    """One of the quantities that every visit shows."""

    title: str
    curve: str
    metrics: tuple[str, ...]
    note: str


class Cautions(_Table):
    """What every page says about its own limits."""

    points: tuple[str, ...]
    urgent_heading: str
    urgent_steps: tuple[str, ...]


class Definition(_Table):
    """A term and its meaning."""

    term: str
    meaning: str


class Layout(_Table):
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
    cautions: Cautions
    definition: tuple[Definition, ...]


class Source(_Table):
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
    """A TOML file as the record that it has to be."""
    path = (folder or config_dir()) / name
    shown = f"configs/{name}"
    try:
        values: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
        return TypeAdapter(kind).validate_python(values)
    except OSError as error:
        raise ConfigError(
            shown,
            f"cannot be read ({error.strerror})",
            "expected it beside default.toml",
            "Install the package again.",
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(shown, f"is not TOML ({error})") from None
    except ValidationError as error:
        raise ManyProblems(
            shown,
            [
                f"{'.'.join(str(part) for part in details['loc'])}: {details['msg'].lower()}"
                for details in error.errors()
            ],
        ) from None
