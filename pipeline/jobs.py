"""What happens to one visit inside its process: judge it, save its parts, make its pages."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path

from pipeline import __version__
from pipeline.causes import Causes, candidates
from pipeline.checks import Person
from pipeline.clip_stages import saved_legs
from pipeline.config import ENGLISH, Settings, config_dir
from pipeline.errors import PipelineError
from pipeline.job_process import Tell
from pipeline.judgement import ClipResult, Limits, Recorded, RunRecord, VisitReport
from pipeline.kept import FRAMES_FOLDER, FRAMES_PATTERNS, kept_pictures, remove_pictures, viewer_pictures
from pipeline.landmark_file import is_landmark_file
from pipeline.model import Clip, QualityNote
from pipeline.picture_stages import landmark_file_notes, with_models
from pipeline.review import Reviewed
from pipeline.review_files import reviewed
from pipeline.review_verdicts import as_in_force, correction_notes, person_verdicts, with_corrections
from pipeline.stage_record import StageEnd, finish, is_unchanged, read_record, run_stage
from pipeline.store import PARTS, file_sha256, fingerprint, now_text, read_json

# Raised when the report changes for the same input; an earlier one is then made again.
VISIT_VERSION = 9

# What sets the pages and draws their figures; another version may set them differently.
PAGE_PACKAGES = ("jinja2", "matplotlib", "typst")
ASSETS = Path(__file__).parent / "report" / "assets"

# What a killed report may have left and no record tells of. Nothing wider: a person may keep files beside it.
VISIT_FILES = (
    *("visit.html", "visit.json", "visit.pdf", "visit.txt", "fault-*.html", "columns.json", "curves.npz"),
    *("strides.csv", "metrics.csv", "findings.csv", "faults.csv", "candidates.csv", "corrections.csv"),
    *("figures/*-curve.svg", "figures/*-limits.svg", "figures/quantity-*.svg", f"figures/{PARTS}"),
    *(f"{FRAMES_FOLDER}/{pattern}" for pattern in FRAMES_PATTERNS),
)


@dataclass(frozen=True, slots=True)
class VisitJob:
    """One visit after all of its clips ended, well or not."""

    subject: str
    visit: str
    visit_date: date
    person: Person
    changes: str
    clips: tuple[Clip, ...]
    results: tuple[ClipResult, ...]
    folder: Path
    settings: Settings
    limits: Limits
    causes: Causes
    run: RunRecord
    footwear: str = ""
    recorded: tuple[Recorded, ...] = ()


def visit_job(
    clips: Sequence[Clip],
    results: Mapping[str, ClipResult],
    folder: Path,
    *,
    settings: Settings,
    limits: Limits,
    causes: Causes,
    run: RunRecord,
    recorded: tuple[Recorded, ...],
) -> VisitJob:
    """The job of a visit whose clips have all ended; `results` are by clip."""
    first = clips[0]
    return VisitJob(
        subject=first.subject,
        visit=first.visit,
        visit_date=first.visit_date,
        person=Person(
            first.prosthetic_sides,
            next((clip.levels for clip in clips if clip.levels), ()),
            next((clip.aid for clip in clips if clip.aid), None),
        ),
        changes=next((clip.changes for clip in clips if clip.changes), ""),
        clips=tuple(clips),
        results=tuple(results[clip.clip_id] for clip in clips),
        folder=folder,
        settings=settings,
        limits=limits,
        causes=causes,
        run=run,
        footwear=next((clip.footwear for clip in clips if clip.footwear), ""),
        recorded=recorded,
    )


@dataclass(frozen=True, slots=True)
class WantedReport:
    """What the report of a visit depends on: its clips that were measured, its corrections, and the fingerprint."""

    done: list[str]
    records: tuple[Reviewed, ...]
    damaged: dict[str, str]
    fingerprint: str


def report_visit(job: VisitJob, tell: Tell) -> StageEnd:
    """Judge one visit and make its pages, unless they are unchanged."""
    tell("report", 0, 0)
    job.folder.mkdir(parents=True, exist_ok=True)
    (job.folder / "error.txt").unlink(missing_ok=True)
    wanted = wanted_report(job)
    if job.settings.run.keep_pictures == "none":
        remove_pictures(job.folder)
    end = run_stage(
        job.folder,
        "report",
        wanted_fingerprint=wanted.fingerprint,
        stale=(*VISIT_FILES, *(viewer_pictures(clip.clip_id) for clip in job.clips)),
        work=lambda: _report(job, wanted.done, wanted.records, correction_notes(wanted.records, wanted.damaged)),
    )
    finish(job.folder)
    return end


def unchanged_visit(job: VisitJob) -> StageEnd | None:
    """Tell since when a visit's report is unchanged; None where something is to be done. Only reads."""
    try:
        record = read_record(job.folder)
        report = record.stages.get("report")
        if record.state != "done" or report is None or (job.folder / "error.txt").exists():
            return None
        if job.settings.run.keep_pictures == "none" and kept_pictures(job.folder):
            return None
        unchanged = is_unchanged(job.folder, report, wanted_report(job).fingerprint)
        return StageEnd("report", since=report.finished) if unchanged else None
    except (OSError, PipelineError, KeyError):
        # The visit's own process meets it again, and says it.
        return None


def wanted_report(job: VisitJob) -> WantedReport:
    """What the report of a visit depends on, as things stand."""
    done = [result.clip_id for result in job.results if result.state == "done"]
    measured = {clip_id: read_record(job.folder / clip_id).stages["measures"].fingerprint for clip_id in done}
    failed = [[r.clip_id, r.stage, r.message] for r in job.results if r.state == "failed"]
    records, damaged = reviewed(job.folder, done, lambda counting: person_verdicts(counting, job.limits))
    return WantedReport(
        done,
        records,
        damaged,
        fingerprint(
            version=VISIT_VERSION,
            code=__version__,
            visit=[job.subject, job.visit, job.visit_date, job.person, job.changes, job.footwear],
            recorded=[job.recorded, job.run.recorded_sha256] if job.recorded else [],
            measured=measured,
            failed=failed,
            settings=[
                job.settings.metrics,
                job.settings.run.keep_pictures,
                job.settings.run.paper,
                job.settings.run.language,
            ],
            limits=job.limits.sha256,
            causes=job.causes.sha256,
            pages=page_hashes(job.settings.run.language),
            page_makers={name: job.run.package_versions.get(name, "") for name in PAGE_PACKAGES},
            **({"corrections": [list(records), damaged]} if records or damaged else {}),
        ),
    )


def page_hashes(language: str = ENGLISH) -> dict[str, str]:
    """SHA-256 of every file that the pages are made with: templates, style, scripts, layout, bibliography, words."""
    folders = {"assets": ASSETS, "configs": config_dir()}
    wanted = [("assets", path) for path in ASSETS.rglob("*") if path.is_file()]
    names = ["report.toml", "sources.toml", *([] if language == ENGLISH else [f"languages/{language}.po"])]
    wanted += [("configs", config_dir() / name) for name in names]
    return {f"{kind}/{path.relative_to(folders[kind]).as_posix()}": _hash_of(path) for kind, path in wanted}


def _hash_of(path: Path) -> str:
    """SHA-256 of a file that every visit asks for, taken anew only where it was changed."""
    status = path.stat()
    return _known_hash(path, status.st_mtime_ns, status.st_size)


@cache
def _known_hash(path: Path, _changed_ns: int, _size: int) -> str:
    """SHA-256 of a file as it was then."""
    return file_sha256(path)


def _report(job: VisitJob, done: list[str], records: tuple[Reviewed, ...], notes: tuple[str, ...]) -> Iterable[str]:
    """The stage report of a visit."""
    from pipeline import report, strides
    from pipeline.pace import pace_notes
    from pipeline.stages import MEASURES_VERSION, judge_visit

    joined = strides.join([strides.load(job.folder / clip_id) for clip_id in done])
    clips = [clip for clip in job.clips if clip.clip_id in done]
    metrics, own = judge_visit(joined, job.person, job.settings, job.limits)
    faults = with_corrections(own, records, job.limits)
    visit = VisitReport(
        subject=job.subject,
        visit=job.visit,
        visit_date=job.visit_date,
        prosthetic_sides=job.person.prosthetic_sides,
        levels=job.person.levels,
        aid=job.person.aid,
        footwear=job.footwear,
        changes=job.changes,
        recorded=job.recorded,
        clips=job.results,
        quality={
            clip_id: read_json(job.folder / clip_id / "quality.json", tuple[QualityNote, ...]) for clip_id in done
        },
        metrics=metrics,
        faults=faults,
        run=with_models(replace(job.run, finished=now_text()), clips, job.folder),
        notes=(*pace_notes(joined, metrics), *landmark_file_notes(clips, job.folder), *notes),
        candidates=candidates(
            as_in_force(faults), job.causes, job.changes, has_prosthesis=bool(job.person.prosthetic_sides)
        ),
        measured_by=MEASURES_VERSION,
        corrections=records,
    )
    written = report.save_parts(job.folder, visit, joined)
    if job.settings.run.keep_pictures != "none":
        filmed = [clip for clip in clips if not is_landmark_file(clip.path)]
        legs = {clip.clip_id: saved_legs(clip, job.folder / clip.clip_id, job.settings)[1] for clip in clips}
        tracks = {clip_id: righted.track for clip_id, righted in legs.items()}
        written += report.save_key_frames(job.folder, visit, joined, filmed, tracks, limits=job.limits)
    if job.settings.run.keep_pictures == "clips":
        written += report.save_viewer_clips(job.folder, joined, clips, legs)
    run = job.settings.run
    written += report.build_visit(job.folder, job.limits, paper=run.paper, language=run.language)
    return [path.relative_to(job.folder).as_posix() for path in written]
