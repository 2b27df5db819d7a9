"""How long one visit takes."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import Annotated

import typer

from pipeline.batch import run_study
from pipeline.config import load_settings
from pipeline.manifest import read_manifest

EXAMPLE = Path("example_data/study")


def speed(
    study: Annotated[Path, typer.Option(help="Study folder.")] = EXAMPLE,
    workers: Annotated[int, typer.Option(help="Clips at the same time.")] = 2,
) -> None:
    """Time a fresh run of a whole study, per visit and per second of video."""
    clips = read_manifest(study)
    visits = {(clip.subject, clip.visit) for clip in clips}
    settings = load_settings()
    with tempfile.TemporaryDirectory() as folder:
        start_s = time.perf_counter()
        result = run_study(study, Path(folder), settings=settings, workers=workers)
        took_s = time.perf_counter() - start_s
    done = sum(clip.state == "done" for clip in result.clips)
    typer.echo(f"model {settings.landmarks.model}, {workers} at a time: {done} of {len(clips)} clips done")
    typer.echo(f"{took_s:.1f} s in all, {took_s / len(visits):.1f} s a visit, {took_s / len(clips):.1f} s a clip")
