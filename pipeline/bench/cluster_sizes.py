"""What a large study takes on many machines: hours, storage and network, computed from figures that were measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import typer

MACHINES = (1, 4, 16, 64)


@dataclass(frozen=True, slots=True)
class Figures:
    """What one clip and one visit cost. Times are those of a processor core.

    Attributes
    ----------
    clips : int
        Clips of the study. [1]
    clips_a_visit : float
        Clips of a visit. [1]
    clip_s, visit_s : float
        Processor time of a clip, and of a visit's report. [s]
    clip_mb, clip_results_mb, visit_results_mb : float
        Size of a clip's file, of a clip's results without the report, and of a visit's report. [MB]
    cores : int
        Cores of a machine, each with a worker. [1]
    efficiency : float
        Share of the cores' time that becomes work when all are busy. [1]
    """

    clips: int
    clips_a_visit: float
    clip_s: float
    visit_s: float
    clip_mb: float
    clip_results_mb: float
    visit_results_mb: float
    cores: int
    efficiency: float


def sizing_rows(figures: Figures) -> list[tuple[str, str, str]]:
    """Return the table: what, how much, and how it follows.

    Notes
    -----
    Core hours are clips times `clip_s` plus visits times `visit_s`. A machine gives `cores` times `efficiency` of them
    an hour. What the run's own machine has to take in a second follows from how fast all machines together are.
    """
    visits = figures.clips / figures.clips_a_visit
    clip_h, visit_h = figures.clips * figures.clip_s / 3600, visits * figures.visit_s / 3600
    core_h = clip_h + visit_h
    clips_tb = figures.clips * figures.clip_mb / 1e6
    clip_results_tb = figures.clips * figures.clip_results_mb / 1e6
    results_tb = clip_results_tb + visits * figures.visit_results_mb / 1e6
    rows = [
        ("processor time", f"{core_h:,.0f} core hours", "clips x time of a clip + visits x time of a report"),
        ("of it for clips", f"{100 * clip_h / core_h:.0f} %", "the pose model, most of all"),
    ]
    for n_machines in MACHINES:
        hours = core_h / (n_machines * figures.cores * figures.efficiency)
        name = "1 machine" if n_machines == 1 else f"{n_machines} machines"
        follows = f"{figures.clips / hours / 3600:.1f} clips a second come in"
        rows.append((f"{name} of {figures.cores} cores", f"{hours:,.0f} h, {hours / 24:,.1f} days", follows))
    # A visit's clips, and what was measured of them, go out once more for its report; a clip itself only once.
    sent_tb = clips_tb + clip_results_tb
    return [
        *rows,
        ("storage for clips", f"{clips_tb:,.2f} TB", "clips x size of a clip"),
        ("storage for results", f"{results_tb:,.2f} TB", "clips and visits x size of their results"),
        (
            "with --store: into it from the run's machine",
            f"{sent_tb:,.2f} TB",
            "each clip once; its results for the report",
        ),
        ("with --store: out of it to the run's machine", f"{results_tb:,.2f} TB", "results"),
    ]


def sizing_table(figures: Figures) -> str:
    """Return the table as Markdown."""
    lines = ["| what | how much | from |", "|---|---|---|"]
    return "\n".join([*lines, *(f"| {' | '.join(row)} |" for row in sizing_rows(figures))])


def cluster_sizes(
    clip_s: Annotated[float, typer.Option(min=0.0, help="Processor time of a clip. [s]")],
    visit_s: Annotated[float, typer.Option(min=0.0, help="Processor time of a visit's report. [s]")],
    clip_mb: Annotated[float, typer.Option(min=0.0, help="Size of a clip. [MB]")],
    clip_results_mb: Annotated[float, typer.Option(min=0.0, help="Size of a clip's results. [MB]")],
    visit_results_mb: Annotated[float, typer.Option(min=0.0, help="Size of a visit's report. [MB]")],
    clips: Annotated[int, typer.Option(min=1, help="Clips of the study.")] = 1_000_000,
    clips_a_visit: Annotated[float, typer.Option(min=1.0, help="Clips of a visit.")] = 4.0,
    cores: Annotated[int, typer.Option(min=1, help="Cores of a machine.")] = 16,
    efficiency: Annotated[float, typer.Option(min=0.01, max=1.0, help="Share of the cores' time that is work.")] = 0.9,
) -> None:
    """Compute hours, storage and network of a large study on many machines from measured figures."""
    typer.echo(
        sizing_table(
            Figures(
                clips, clips_a_visit, clip_s, visit_s, clip_mb, clip_results_mb, visit_results_mb, cores, efficiency
            )
        )
    )
