"""How long the page of a large study takes, and how large it gets: invented visits, nothing measured."""

from __future__ import annotations

import tempfile
import time
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from pipeline import __version__
from pipeline.judgement import ClipResult, Fault, FaultDefinition, Finding, Limits, RunRecord, Severity, VisitReport
from pipeline.metrics import METRICS
from pipeline.model import SIDES, MetricValue
from pipeline.report.faults import page_name
from pipeline.report.page import VISIT_PAGE
from pipeline.report.words import VERDICTS
from pipeline.store import write_json
from pipeline.thresholds import load_limits

VISITS_OF_A_SUBJECT = 4
CLIPS_OF_A_VISIT = 4
FIRST_DAY = date(2026, 1, 5)
# Shares of present, borderline, cannot say and not seen, about those of the example study. Own choice.
SHARES = (0.05, 0.15, 0.15, 0.65)
STEPS: tuple[Severity, ...] = ("slight", "clear", "severe")
FAILED = "the person is seen in 18 of 330 frames; at least 60 % are needed. Check that the whole body is in view."
RUN = RunRecord(
    run_id="20260105T090000Z_000000",
    started="2026-01-05T09:00:00Z",
    finished="2026-01-05T17:00:00Z",
    code_version=__version__,
    package_versions={"numpy": "2"},
    model="heavy",
    model_sha256="0" * 64,
    settings_sha256="0" * 64,
    limits_sha256="0" * 64,
)


def study_page(
    visits: Annotated[int, typer.Option(min=1, help="Number of visits.")] = 1000,
    out: Annotated[Path | None, typer.Option(help="Keep the invented results in this folder.")] = None,
) -> None:
    """Time page and PDF of a study of many invented visits, whose saved reports are as large as real ones."""
    from pipeline.report.study import build_study
    from pipeline.report.study_pdf import STUDY_PDF

    limits = load_limits()
    with tempfile.TemporaryDirectory() as scratch:
        folder = out or Path(scratch)
        save_visits(folder, visits, limits, n_strides=16)
        read = sum(path.stat().st_size for path in folder.glob("sub-*/ses-*/visit.json"))
        typer.echo(f"{visits} visits, {read / 1e6:.0f} MB of saved reports")
        for what in ("page and PDF", "again, PDF unchanged"):
            start_s, start_cpu_s = time.perf_counter(), time.process_time()
            page = build_study(folder, limits)
            took_s, cpu_s = time.perf_counter() - start_s, time.process_time() - start_cpu_s
            typer.echo(f"{what}: {took_s:.2f} s, {cpu_s:.2f} s of processor time")
        for path in (page, folder / STUDY_PDF):
            typer.echo(f"{path.name}: {path.stat().st_size / 1e6:.2f} MB")


def save_visits(out: Path, n_visits: int, limits: Limits, *, n_strides: int = 0, seed: int = 7) -> None:
    """Write saved reports of invented visits, with empty pages beside them.

    Parameters
    ----------
    out : Path
        Results folder; made if it is not there.
    n_visits : int
        Four a subject, a month apart.
    limits : Limits
        Its faults are judged at random.
    n_strides : int
        Strides behind every value, so that a report is as large as a real one; without any, no value is written.
    seed : int
    """
    random = np.random.default_rng(seed)
    for number in range(n_visits):
        report = invented_visit(number, limits, n_strides, random)
        folder = out / f"sub-{report.subject}" / f"ses-{report.visit}"
        write_json(folder / "visit.json", report)
        for name in (VISIT_PAGE, *(page_name(fault.name) for fault in report.faults)):
            (folder / name).touch()


def invented_visit(number: int, limits: Limits, n_strides: int, random: np.random.Generator) -> VisitReport:
    """Return one invented visit; now and then a clip failed, or other limits judged it."""
    subject, place = f"S{number // VISITS_OF_A_SUBJECT + 1:04}", number % VISITS_OF_A_SUBJECT
    visit = f"{place + 1:02}"
    ids = [f"sub-{subject}_ses-{visit}_run-{one + 1}" for one in range(CLIPS_OF_A_VISIT)]
    clips = [ClipResult(one, f"clips/{one}.mp4", "done", "measures", "", "", 25.0) for one in ids]
    if number % 50 == 7:
        failed = replace(clips[0], state="failed", stage="landmarks", error_type="QualityError")
        clips[0] = replace(failed, message=f"clip {ids[0]}: {FAILED}")
    strides = tuple(f"{ids[one % CLIPS_OF_A_VISIT]}:left:1.{one}" for one in range(n_strides))
    return VisitReport(
        subject=subject,
        visit=visit,
        visit_date=FIRST_DAY + timedelta(days=30 * place + number % 28),
        prosthetic_sides=("left",) if number // VISITS_OF_A_SUBJECT % 2 else ("right",),
        changes="softer heel cushion; prosthesis shortened 8 mm" if place else "",
        clips=tuple(clips),
        quality={},
        metrics=_values(strides, random),
        faults=tuple(_fault(definition, limits, strides, random) for definition in limits.faults),
        run=replace(RUN, limits_sha256="1" * 64) if number % 200 == 11 else RUN,
    )


def _values(strides: tuple[str, ...], random: np.random.Generator) -> tuple[MetricValue, ...]:
    """A value of every metric and limb."""
    values = []
    for name, spec in METRICS.items() if strides else ():
        for side in SIDES:
            single = tuple(float(one) for one in random.normal(10.0, 1.0, len(strides)))
            middle = float(np.median(single))
            bounds = (middle - 1.0, middle + 1.0)
            values.append(
                MetricValue(
                    name, side, middle, spec.unit, len(strides), 1.0, *bounds, "ok", "", strides, stride_values=single
                )
            )
    return tuple(values)


def _fault(definition: FaultDefinition, limits: Limits, strides: tuple[str, ...], random: np.random.Generator) -> Fault:
    """A fault with a verdict by chance, and its findings."""
    verdict = VERDICTS[int(random.choice(len(SHARES), p=SHARES))]
    severity = STEPS[int(random.integers(3))] if verdict == "present" else ""
    reason = "needs a usable posterior clip" if verdict == "cannot say" else ""
    seen = verdict in ("present", "borderline")
    findings = tuple(
        Finding(
            check=check.id,
            fault=check.fault,
            metric=check.metric,
            side="left",
            value=None if reason else 10.0,
            low=None if reason else 9.0,
            high=None if reason else 11.0,
            limit=check.limit,
            direction=check.direction,
            unit=check.unit,
            verdict=verdict,
            reason=reason,
            n_strides=len(strides),
            standing=check.standing,
            source=check.source,
            stride_ids=strides,
            severity=severity,
        )
        for check in limits.checks
        if check.fault == definition.name
    )
    return Fault(
        definition.name, definition.title, "left", verdict, reason, definition.urgent and seen, findings, severity
    )
