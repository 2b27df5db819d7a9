"""The page of one person: visits with what was changed, and how each fault's size changed since the baseline."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.config import ENGLISH, Paper, config_dir
from pipeline.figure_style import svg_text
from pipeline.goals import PersonGoals
from pipeline.judgement import Limits
from pipeline.language import localised, say, say_saved, speaking, spoken
from pipeline.plots import change_figure, change_title, visit_points
from pipeline.report.drawings import Picture
from pipeline.report.faults import page_name
from pipeline.report.layout import load_layout, load_sources
from pipeline.report.outcomes import goal_rows, outcome_rows, target_of
from pipeline.report.page import style_text, template_environment
from pipeline.report.time_line import line_of_visits
from pipeline.report.track import SubjectTrack, change_words
from pipeline.report.track_curves import curves_view, is_followed
from pipeline.report.track_pdf import TRACK_PDF, track_pdf
from pipeline.report.track_slopes import slopes_view
from pipeline.report.words import limb_words, metric_title, prosthetic_words
from pipeline.store import SUBJECT_PAGE, write_bytes, write_text
from pipeline.thresholds import load_limits
from pipeline.tracking import Change, FaultTrack, Track

# What a reader looks for first.
ORDER = ("worse", "better", "changed", "no clear change", "cannot say")


@dataclass(frozen=True, slots=True)
class FaultRow:
    """One fault across the visits in words, with its figure where there is something to see."""

    title: str
    verdicts: tuple[tuple[str, str, str], ...]
    measure: str
    before: str
    after: str
    change: str
    verdict: str
    reasons: tuple[str, ...]
    figure: Picture | None


def build_subject(
    results: Path,
    found: SubjectTrack,
    *,
    limits: Limits | None = None,
    paper: Paper = "A4",
    language: str = ENGLISH,
) -> Path:
    """Make the page of a person and return it: `track.html` in the person's folder of the results, a PDF beside it.

    Parameters
    ----------
    results : Path
        Folder with results of a run.
    found : SubjectTrack
    limits : Limits, optional
        Tells which curve belongs to a fault; by default the limits that ship. Verdicts come from the saved reports.
    paper : {"A4", "Letter"}
        Of the PDF.
    language : str
        Of the words of the page; one of `config.languages()`.

    Raises
    ------
    ConfigError, ManyProblems
        The layout or the language is wrong.
    """
    if limits is None:
        limits = load_limits(config_dir() / "checks")
    with speaking(language):
        track = found.track
        latest = track.visits[-1]
        context = {
            "layout": load_layout(),
            "language": spoken().code,
            "style": style_text("track.css"),
            "page_title": say("{subject}: change across visits", subject=track.subject),
            "sections": (),
            "subject": track.subject,
            "latest": latest.visit,
            "baseline": track.baseline,
            "prosthetic": prosthetic_words(latest.prosthetic_sides),
            "time_line": line_of_visits(track),
            "slopes": slopes_view(track),
            "curves": curves_view(found, limits),
            "rows": sorted(
                (_row(fault, track, found.goals) for fault in track.faults), key=lambda row: ORDER.index(row.verdict)
            ),
            "outcomes": outcome_rows(track, found.goals, load_sources()),
            "goals": goal_rows(track, found.goals),
            "note": say_saved(found.note),
            "losses": found.losses,
            "judged": track.n_judged,
            "by_chance": f"{track.by_chance:.1f}",
        }
        page = results / f"sub-{track.subject}" / SUBJECT_PAGE
        write_text(page, template_environment().get_template("subject.html").render(context))
        write_bytes(page.with_name(TRACK_PDF), track_pdf(context, latest, paper=paper))
        return page


def _row(fault: FaultTrack, track: Track, goals: PersonGoals) -> FaultRow:
    """One fault in words."""
    pages = [f"ses-{report.visit}/{page_name(fault.name)}" for report in track.visits]
    by = fault.by or ("",) * len(pages)
    verdicts = tuple(zip((verdict or "" for verdict in fault.verdicts), pages, by, strict=True))
    change = fault.change
    if change is None:
        return FaultRow(say(fault.title), verdicts, "", "", "", "", "cannot say", (), None)
    sides = track.visits[-1].prosthetic_sides
    before, after, size = change_words(change)
    return FaultRow(
        title=say(fault.title),
        verdicts=verdicts,
        measure=f"{metric_title(change.metric)}, {limb_words(change.side, sides)}",
        before=before,
        after=after,
        change=size,
        verdict=change.verdict,
        reasons=tuple(say_saved(reason) for reason in change.reasons),
        figure=_figure(fault, change, track, goals) if is_followed(fault) else None,
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
