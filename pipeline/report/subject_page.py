"""The page of one person: visits with what was changed, and how each fault's size changed since the baseline."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.config import ENGLISH
from pipeline.figure_style import svg_text
from pipeline.goals import PersonGoals
from pipeline.language import localised, say, say_saved, speaking, spoken
from pipeline.plots import change_figure, change_title, visit_points
from pipeline.report.drawings import Picture
from pipeline.report.faults import page_name
from pipeline.report.layout import load_layout, load_sources
from pipeline.report.outcomes import goal_rows, outcome_rows, target_of
from pipeline.report.page import VISIT_PAGE, style_text, template_environment
from pipeline.report.track import SubjectTrack, change_words
from pipeline.report.words import limb_words, metric_title, prosthetic_words
from pipeline.store import write_text
from pipeline.tracking import Change, FaultTrack, Track

SUBJECT_PAGE = "track.html"
# What a reader looks for first.
ORDER = ("worse", "better", "changed", "no clear change", "cannot say")


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One fault across the visits in words, with its figure where there is something to see."""

    title: str
    verdicts: tuple[tuple[str, str], ...]
    measure: str
    before: str
    after: str
    change: str
    verdict: str
    reasons: tuple[str, ...]
    figure: Picture | None


def build_subject(results: Path, found: SubjectTrack, *, language: str = ENGLISH) -> Path:
    """Make the page of a person and return it: `track.html` in the person's folder of the results.

    Parameters
    ----------
    results : Path
        Folder with results of a run.
    found : SubjectTrack
    language : str
        Of the words of the page; one of `config.languages()`.

    Raises
    ------
    ConfigError, ManyProblems
        The layout or the language is wrong.
    """
    with speaking(language):
        track = found.track
        latest = track.visits[-1]
        context = {
            "layout": load_layout(),
            "language": spoken().code,
            "style": style_text(),
            "page_title": say("{subject}: change across visits", subject=track.subject),
            "sections": (),
            "track": track,
            "latest": latest,
            "prosthetic": prosthetic_words(latest.prosthetic_sides),
            "visits": [(report, f"ses-{report.visit}/{VISIT_PAGE}") for report in track.visits],
            "rows": sorted(
                (_row(fault, track, found.goals) for fault in track.faults), key=lambda row: ORDER.index(row.verdict)
            ),
            "outcomes": outcome_rows(track, found.goals, load_sources()),
            "goals": goal_rows(track, found.goals),
            "note": say_saved(found.note),
            "losses": found.losses,
            "judged": track.n_judged,
            "by_chance": f"{track.by_chance:.0f}",
        }
        page = results / f"sub-{track.subject}" / SUBJECT_PAGE
        write_text(page, template_environment().get_template("subject.html").render(context))
        return page


def _row(fault: FaultTrack, track: Track, goals: PersonGoals) -> FaultRow:
    """One fault in words."""
    pages = [f"ses-{report.visit}/{page_name(fault.name)}" for report in track.visits]
    verdicts = tuple(zip((verdict or "" for verdict in fault.verdicts), pages, strict=True))
    change = fault.change
    if change is None:
        return FaultRow(say(fault.title), verdicts, "", "", "", "", "cannot say", (), None)
    sides = track.visits[-1].prosthetic_sides
    before, after, size = change_words(change)
    seen = any(verdict in ("present", "borderline") for verdict in fault.verdicts)
    is_drawn = seen or change.verdict in ("better", "worse")
    return FaultRow(
        title=say(fault.title),
        verdicts=verdicts,
        measure=f"{metric_title(change.metric)}, {limb_words(change.side, sides)}",
        before=before,
        after=after,
        change=size,
        verdict=change.verdict,
        reasons=tuple(say_saved(reason) for reason in change.reasons),
        figure=_figure(fault, change, track, goals) if is_drawn else None,
    )


def _figure(fault: FaultTrack, change: Change, track: Track, goals: PersonGoals) -> Picture | None:
    """The measure over the visits; None where no visit has a value."""
    points = visit_points(track, change)
    if all(point.value is None for point in points):
        return None
    title = change_title(track, change)
    target = target_of(goals, change.metric, change.side, track.visits[-1])
    figure = change_figure(track, fault.name, change, target=target)
    values = [
        f"{point.label.splitlines()[0]} {localised(f'{point.value:.2f}')}"
        for point in points
        if point.value is not None
    ]
    alt = say("Values over the visits. {title}: {values}.", title=title, values="; ".join(values))
    return Picture(f"{fault.name}-track.svg", svg_text(figure), title, "", alt)
