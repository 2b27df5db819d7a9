"""How long the tables of a large study take: invented visits and strides, nothing measured."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, TypeVar

import numpy as np
import pandas as pd
import typer

from pipeline.bench.study_page import invented_visit
from pipeline.model import SIDES, StrideSet
from pipeline.report.parts import save_parts
from pipeline.tables import STRIDES
from pipeline.thresholds import load_limits

T = TypeVar("T")
OF_STRIDES = """
SELECT subject, visit, side, count(*) AS n, avg(toe_off_s - start_s) AS stance_s
FROM strides WHERE use GROUP BY ALL ORDER BY ALL
"""
OF_VISITS = """
SELECT aid, year(visit_date) AS year, side, count(*) AS n, median(end_s - start_s) AS stride_s
FROM strides JOIN visits USING (subject, visit) WHERE use GROUP BY ALL ORDER BY ALL
"""


def study_tables(
    visits: Annotated[int, typer.Option(min=1, help="Number of visits.")] = 1000,
    strides: Annotated[int, typer.Option(min=1, help="Strides of each visit.")] = 100,
    out: Annotated[Path | None, typer.Option(help="Keep the invented results in this folder.")] = None,
) -> None:
    """Time a question in SQL, and all tables at once, over many invented visits saved as real ones are."""
    from pipeline.study_query import query
    from pipeline.study_tables import study_tables as read_tables

    with tempfile.TemporaryDirectory() as scratch:
        folder = out or Path(scratch)
        save_study(folder, visits, strides)
        files = [path for path in folder.glob("sub-*/ses-*/*") if path.suffix in (".csv", ".json")]
        size = sum(path.stat().st_size for path in files)
        typer.echo(f"{visits} visits, {visits * strides} strides, {size / 1e6:.0f} MB of saved tables and reports")
        answer = _timed("first question, strides alone (loads DuckDB)", lambda: query(folder, OF_STRIDES))
        _timed("the same question again", lambda: query(folder, OF_STRIDES))
        _timed("question on strides and visits", lambda: query(folder, OF_VISITS))
        tables = _timed("study_tables, all tables", lambda: read_tables(folder))
        used = tables.strides[tables.strides["use"]]
        pandas = _timed(
            "the first question to its frames",
            lambda: (
                (used["toe_off_s"] - used["start_s"])
                .groupby([used["subject"], used["visit"], used["side"]])
                .agg(["size", "mean"])
            ),
        )
        agree = np.allclose(pandas.to_numpy(), answer[["n", "stance_s"]].to_numpy())
        typer.echo(f"both ways {'agree' if agree else 'DO NOT AGREE'} in {len(answer)} rows")


def _timed(what: str, work: Callable[[], T]) -> T:
    """Do the work and print how long it took."""
    start_s, start_cpu_s = time.perf_counter(), time.process_time()
    result = work()
    took_s, cpu_s = time.perf_counter() - start_s, time.process_time() - start_cpu_s
    typer.echo(f"{what}: {took_s:.2f} s, {cpu_s:.2f} s of processor time")
    return result


def save_study(out: Path, n_visits: int, n_strides: int, *, seed: int = 7) -> None:
    """Write saved parts of invented visits, without curves; the values in `metrics.csv` have 16 strides each."""
    random, limits = np.random.default_rng(seed), load_limits()
    for number in range(n_visits):
        report = invented_visit(number, limits, 16, random)
        folder = out / f"sub-{report.subject}" / f"ses-{report.visit}"
        clips = [clip.clip_id for clip in report.clips]
        save_parts(folder, report, StrideSet(_strides(clips, n_strides, random), {}))


def _strides(clips: list[str], count: int, random: np.random.Generator) -> pd.DataFrame:
    """Strides of a visit whose times and lengths scatter as those of an even walk; a tenth is not used."""
    number = np.arange(count)
    clip = [clips[one % len(clips)] for one in number]
    side = [SIDES[one % 2] for one in number]
    start_s, stride_s = 0.55 * number, random.normal(1.1, 0.02, count)
    use = number % 10 > 0
    cells = {
        "stride_id": [f"{name}:{foot}:1.{one}" for name, foot, one in zip(clip, side, number, strict=True)],
        "clip_id": clip,
        "view": "sagittal",
        "side": side,
        "near": True,
        "pass_number": 1,
        "start_s": start_s,
        "opposite_toe_off_s": start_s + 0.12 * stride_s,
        "opposite_contact_s": start_s + 0.50 * stride_s,
        "toe_off_s": start_s + random.normal(0.62, 0.01, count) * stride_s,
        "end_s": start_s + stride_s,
        "fps": 30.0,
        "leg_length_px": random.normal(150.0, 1.0, count),
        "m_per_px": 0.0054,
        "scale_relative_sd": 0.011,
        "step_length_pct": random.normal(72.0, 2.0, count),
        "stride_length_pct": random.normal(145.0, 3.0, count),
        "seen_share": 1.0,
        "sure_share": random.uniform(0.9, 1.0, count),
        "leg_sure": True,
        "early_sure": True,
        "foot_sure": True,
        "use": use,
        "why_not": np.where(use, "", "before the first contact"),
    }
    return pd.DataFrame(cells, columns=[column.name for column in STRIDES])
