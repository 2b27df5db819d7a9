"""Saved reports in, the table of agreement and its figures out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pandas as pd

from pipeline.agreement_table import AGREEMENT, agreement_table, size_agreement
from pipeline.errors import ConfigError
from pipeline.figure_style import svg_text
from pipeline.figures_agreement import bland_altman_figure
from pipeline.judgement import VisitReport
from pipeline.ratings import Rating
from pipeline.report.parts import REPORT_NAME, guarded
from pipeline.store import OutputTree, nothing_saved, read_json, write_table, write_text


def read_reports(results: Path | str) -> tuple[VisitReport, ...]:
    """Return every saved report of a results folder, by folder.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `run_study`.

    Returns
    -------
    tuple of VisitReport

    Raises
    ------
    ConfigError
        There is none.
    StageError
        A report is damaged.
    """
    results = Path(results)
    folders = OutputTree(results).visit_folders()
    if not folders:
        raise nothing_saved(results)
    return tuple(read_json(folder / REPORT_NAME, VisitReport) for folder in folders)


def write_agreement(
    csv: Path, ratings: Sequence[Rating], reports: Sequence[VisitReport], *, figures: Path | None = None
) -> Iterator[Path]:
    """Write the table, and a figure of the sizes of each pair and fault with two sizes or more; give their paths.

    Raises
    ------
    ConfigError
        There is nothing to compare: one rater, and no results.
    """
    table = agreement_table(ratings, reports)
    if table.empty:
        raise ConfigError(
            "ratings",
            "one rater and nothing to compare with",
            "expected two raters or more, or results",
            "Give another sheet, or the results with --results.",
        )
    write_table(csv, guarded(table, AGREEMENT))
    yield csv
    if figures is None:
        return
    for fault, first, second, unit in _sized(table):
        agreement = size_agreement(ratings, reports, fault=fault, first=first, second=second)[unit]
        title = f"{fault.replace('_', ' ').capitalize()}, n = {agreement.bias.n}"
        figure = bland_altman_figure(agreement, title=title, unit=unit, first=first, second=second)
        letters = unit.replace("%", "pct").replace("°", "deg").replace("/", "-per-").replace(" ", "-")
        path = figures / f"sizes-{fault}-{first}-{second}-{letters}.svg"
        write_text(path, svg_text(figure))
        yield path


def _sized(table: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    """Fault, raters and unit of each pair with limits of agreement."""
    drawn = table[(table["statistic"] == "upper_limit_of_agreement") & table["value"].notna()]
    return [(str(row.fault), str(row.first), str(row.second), str(row.unit)) for row in drawn.itertuples()]
