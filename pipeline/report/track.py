"""One person's visits read from the results folder and compared, as rows of words and as a table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.comparability import Visit
from pipeline.errors import ConfigError, PipelineError
from pipeline.goals import NO_GOALS, PersonGoals, load_goals
from pipeline.judgement import VisitReport
from pipeline.language import say
from pipeline.report.outcomes import change_cells, target_cells
from pipeline.report.parts import guarded, load_parts
from pipeline.report.words import interval_words, limb_words, metric_title, with_unit
from pipeline.shown import Shown
from pipeline.slopes import Slope
from pipeline.store import OutputTree, shown_path
from pipeline.tables import Column, check_table
from pipeline.tracking import Change, Track, in_order, track
from pipeline.tracking_rules import TrackingRules, load_tracking_rules

CHANGES: tuple[Column, ...] = (
    Column("subject", "text", "", "pseudonym of the person"),
    Column("metric", "text", "", "id of the metric in the catalogue, or name of a recorded measure"),
    Column("side", "text", "", "left, right, or the limbs compared; empty for a recorded measure"),
    Column("unit", "text", "", "unit of the numbers here; 1 for a ratio"),
    Column("baseline", "text", "", "visit that the latest one is compared with"),
    Column("baseline_date", "text", "", "its date"),
    Column("before", "number", "see unit", "value at the baseline; empty where there is none"),
    Column("before_low", "number", "see unit", "lower end of its 95 % interval"),
    Column("before_high", "number", "see unit", "upper end of its 95 % interval"),
    Column("latest", "text", "", "the latest visit"),
    Column("latest_date", "text", "", "its date"),
    Column("after", "number", "see unit", "value at the latest visit; empty where there is none"),
    Column("after_low", "number", "see unit", "lower end of its 95 % interval"),
    Column("after_high", "number", "see unit", "upper end of its 95 % interval"),
    Column("change", "number", "see unit", "after minus before"),
    Column("detectable", "number", "see unit", "smallest change that is more than chance"),
    Column("verdict", "text", "", "better, worse, changed, no clear change, cannot say"),
    Column("reasons", "text", "", "why it cannot be said, separated by semicolons"),
    Column("at_least", "number", "see unit", "lower end of the person's target; empty where there is none"),
    Column("at_most", "number", "see unit", "upper end of the person's target; empty where there is none"),
    Column("target", "text", "", "reached, not yet, cannot tell; empty without a target"),
    Column(
        "slope_visits", "text", "", "visits of the line, separated by a space; empty where there are fewer than three"
    ),
    Column("slope_30_days", "number", "see unit", "change in 30 days along the line; empty where there is none"),
    Column("slope_low", "number", "see unit", "lower end of its 95 % interval"),
    Column("slope_high", "number", "see unit", "upper end of its 95 % interval"),
    Column("slope_straight", "text", "", "yes where the values lie as near the line as their intervals say, else no"),
    Column("slope_left_out", "text", "", "visits that the line leaves out, each with its reason, separated by a bar"),
)


@dataclass(frozen=True, slots=True)
class SubjectTrack(Shown):
    """A person's track, what was compared by what, which visits could not be read, and what is to be reached.

    `losses` has a message for each visit folder that could not be read. `note` says that the baseline of the goals
    could not be used; else it is empty.
    """

    track: Track
    losses: dict[str, str]
    baseline: Visit
    latest: Visit
    rules: TrackingRules
    goals: PersonGoals = NO_GOALS
    note: str = ""


def track_subject(
    results: Path | str, subject: str, rules: TrackingRules | None = None, *, baseline: str | None = None
) -> SubjectTrack:
    """Compare the visits of one person in a results folder.

    Parameters
    ----------
    results : Path or str
        Folder with results of a run.
    subject : str
        Pseudonym, as in the manifest.
    rules : TrackingRules, optional
        By default those that ship.
    baseline : str, optional
        Visit that the latest one is compared with; by default that of the person's goals where it lies before
        the latest, else the first.

    Returns
    -------
    SubjectTrack

    Raises
    ------
    StageError
        The goals that were kept are damaged.
    ConfigError
        There is no such subject, fewer than two of its visits can be read, or the baseline is none of those before the
        latest.
    """
    results = Path(results)
    tree = OutputTree(results)
    folders = [folder for folder in tree.visit_folders() if folder.parent.name == f"sub-{subject}"]
    visits: list[Visit] = []
    losses: dict[str, str] = {}
    for folder in folders:
        try:
            visits.append(Visit(*load_parts(folder)))
        except PipelineError as error:
            losses[folder.relative_to(results).as_posix()] = str(error)
    if not folders:
        known = sorted({folder.parent.name.removeprefix("sub-") for folder in tree.visit_folders()})
        raise ConfigError(
            shown_path(results),
            f"has no visit of subject {subject!r}",
            f"expected one of: {', '.join(known) or 'none, since nothing was measured into it'}",
        )
    if len(visits) < 2:
        raise ConfigError(
            f"subject {subject}",
            f"{len(visits)} of {len(folders)} visits can be read",
            "at least 2 are needed for a change",
            " ".join(losses.values()),
        )
    goals, note = load_goals(results, subject), ""
    if baseline is None and goals.baseline:
        *earlier, _ = in_order(visits)
        if goals.baseline in [visit.report.visit for visit in earlier]:
            baseline = goals.baseline
        else:
            note = f"goals.csv names visit {goals.baseline} as the baseline; it does not lie before the latest visit"
    try:
        rules = rules or load_tracking_rules()
        found = track(visits, rules, baseline=baseline)
    except ValueError as error:
        raise ConfigError(f"subject {subject}", str(error)) from None
    by_name = {visit.report.visit: visit for visit in visits}
    before, latest = by_name[found.baseline], by_name[found.visits[-1].visit]
    return SubjectTrack(found, losses, before, latest, rules, goals, note)


def fault_rows(found: Track) -> list[tuple[str, ...]]:
    """Return one row of words a fault: its verdicts, and how its size changed since the baseline."""
    sides = found.visits[-1].prosthetic_sides
    rows: list[tuple[str, ...]] = []
    for fault in found.faults:
        verdicts = " > ".join(
            f"{verdict or '-'}{f' (by {by})' if by else ''}"
            for verdict, by in zip_longest(fault.verdicts, fault.by, fillvalue="")
        )
        change = fault.change
        if change is None:
            rows.append((fault.title, verdicts, "-", "-", "-", "-", "cannot say"))
            continue
        measure = f"{metric_title(change.metric)}, {limb_words(change.side, sides)}"
        rows.append((fault.title, verdicts, measure, *change_words(change), change.verdict))
    return rows


def change_words(change: Change) -> tuple[str, str, str]:
    """Both values, and the change with the smallest detectable one."""
    values = []
    for point in (change.before, change.after):
        interval = interval_words(point.low, point.high, change.unit)
        values.append(f"{with_unit(point.value, change.unit)} ({interval})" if point.value is not None else "-")
    if change.change is None or change.detectable is None:
        return values[0], values[1], "-"
    sign = "+" if change.change > 0 else ""
    size, detectable = with_unit(change.change, change.unit), with_unit(change.detectable, change.unit)
    return values[0], values[1], say("{change}; detectable {detectable}", change=f"{sign}{size}", detectable=detectable)


def open_reasons(changes: Sequence[Change]) -> list[str]:
    """Return why changes cannot be said, each reason once with how many measures it holds for."""
    counts: dict[str, int] = {}
    for change in changes:
        for reason in change.reasons:
            counts[reason] = counts.get(reason, 0) + 1
    return [f"{reason}: {count} of {len(changes)} measures" for reason, count in counts.items()]


def time_line(reports: Sequence[VisitReport]) -> list[str]:
    """Return one line a visit: its date, and what was changed on the prosthesis before it."""
    return [
        f"{report.visit}, {report.visit_date.isoformat()}: {report.changes or 'nothing was noted'}"
        for report in reports
    ]


def track_table(found: Track, goals: PersonGoals = NO_GOALS) -> pd.DataFrame:
    """Return every change since the baseline as a table with the columns of `CHANGES`, recorded measures at its end.

    Parameters
    ----------
    found : Track
        What `track_subject` found, its `track`.
    goals : PersonGoals, optional
        Targets that stand beside the changes.

    Returns
    -------
    DataFrame, one row a measure of a limb
        Values before and after with their intervals, change, smallest detectable change [in the unit of the row],
        verdict, reasons, target.
    """
    targets = target_cells(found, goals)
    slopes = {(slope.metric, slope.side): slope for slope in found.slopes}
    rows: list[dict[str, Any]] = [
        {
            "subject": found.subject,
            "metric": change.metric,
            "side": change.side,
            "unit": change.unit,
            "baseline": change.before.visit,
            "baseline_date": change.before.visit_date.isoformat(),
            "before": change.before.value,
            "before_low": change.before.low,
            "before_high": change.before.high,
            "latest": change.after.visit,
            "latest_date": change.after.visit_date.isoformat(),
            "after": change.after.value,
            "after_low": change.after.low,
            "after_high": change.after.high,
            "change": change.change,
            "detectable": change.detectable,
            "verdict": change.verdict,
            "reasons": "; ".join(change.reasons),
        }
        | _slope_cells(slopes.get((change.metric, change.side)))
        for change in found.changes
    ]
    rows += [{"subject": found.subject, **cells} for cells in change_cells(found, goals)]
    for row in rows:
        row |= targets.get((row["metric"], row["side"]), {"target": ""})
    table = pd.DataFrame(rows, columns=[column.name for column in CHANGES])
    numbers = [column.name for column in CHANGES if column.kind == "number"]
    table[numbers] = table[numbers].astype(float)
    return guarded(check_table(table, CHANGES, "changes"), CHANGES)


def _slope_cells(slope: Slope | None) -> dict[str, object]:
    """The cells of a slope, empty ones where there is none."""
    if slope is None:
        numbers = dict.fromkeys(("slope_30_days", "slope_low", "slope_high"))
        return {"slope_visits": "", **numbers, "slope_straight": "", "slope_left_out": ""}
    return {
        "slope_visits": " ".join(slope.visits),
        "slope_30_days": slope.line.per_30_days,
        "slope_low": slope.line.low,
        "slope_high": slope.line.high,
        "slope_straight": "yes" if slope.line.is_straight else "no",
        "slope_left_out": " | ".join(slope.left_out),
    }
