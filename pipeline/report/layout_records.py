"""The tables of `configs/report.toml`: the words of the pages, and what stands around them."""

from __future__ import annotations

from pydantic import Field

from pipeline.toml_record import Table


class SectionText(Table):
    """Title and first sentence of a section; `paper` stands in place of `intro` in the PDF, where it is given."""

    title: str
    intro: str
    paper: str = ""


class Captions(Table):
    """Captions, with the words in braces filled in by the page."""

    curve: str
    curve_context: str
    curve_phase: str
    limit: str
    frames: str
    frames_none: str
    frames_partly: str


class ConsiderTexts(Table):
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


class ViewerTexts(Table):
    """Words of the viewer, with those in braces filled in by the page or its script."""

    no_script: str
    none: str
    not_stored: str
    grey: str
    all_grey: str
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


class FilterTexts(Table):
    """Labels of the study's filter; `shown` has its words in braces filled in by the script."""

    subject: str
    verdict: str
    fault: str
    any_verdict: str
    all_faults: str
    show_all: str
    shown: str
    note: str


class StudyTexts(Table):
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


class QuantityText(Table):
    """One of the quantities that every visit shows."""

    title: str
    curve: str
    metrics: tuple[str, ...]
    note: str


class Cautions(Table):
    """What every page says about its own limits."""

    points: tuple[str, ...]
    urgent_heading: str
    urgent_steps: tuple[str, ...]


class Definition(Table):
    """A term and its meaning."""

    term: str
    meaning: str


class ContextValue(Table):
    """A published value drawn beside a curve: mean and standard deviation in the curve's unit; never a limit.

    It stands at `at_pct` of the stride. `text` says whose value it is, `source` is its key in the bibliography.
    """

    curve: str
    at_pct: float = Field(ge=0, le=100)
    mean: float
    sd: float = Field(ge=0)
    text: str
    source: str
