"""Benchmarks: figures printed in one run, against clips whose truth is known."""

from __future__ import annotations

import typer

from pipeline.bench.accuracy import accuracy
from pipeline.bench.cluster_sizes import cluster_sizes
from pipeline.bench.faults import faults
from pipeline.bench.handover import handover
from pipeline.bench.own_error import own_errors
from pipeline.bench.scale import memory, scale
from pipeline.bench.soak import soak
from pipeline.bench.speed import speed
from pipeline.bench.study_page import study_page
from pipeline.bench.study_tables import study_tables

app = typer.Typer(add_completion=False, no_args_is_help=True, help=__doc__)
app.command()(accuracy)
app.command()(cluster_sizes)
app.command()(faults)
app.command()(handover)
app.command()(own_errors)
app.command()(scale)
app.command()(memory)
app.command()(soak)
app.command()(speed)
app.command()(study_page)
app.command()(study_tables)


def main(arguments: list[str]) -> None:
    """Run `bench` with its own arguments."""
    app(arguments, prog_name="strideledger bench", standalone_mode=False)
