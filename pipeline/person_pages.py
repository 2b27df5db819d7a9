"""The pages of persons with two and more visits, each in a process of its own and only when something has changed."""

from __future__ import annotations

import tempfile
from collections import deque
from collections.abc import Callable
from importlib.metadata import version
from itertools import groupby
from pathlib import Path

from pipeline import __version__
from pipeline.config import RunSettings, config_dir
from pipeline.goals import SAVED_NAME as GOALS_SAVED
from pipeline.isolate import Job, run_jobs
from pipeline.job_process import Tell
from pipeline.jobs import PAGE_PACKAGES, page_hashes
from pipeline.judgement import Limits
from pipeline.stage_record import finish, is_unchanged, read_record, run_stage
from pipeline.store import SUBJECT_PAGE, OutputTree, file_sha256, fingerprint

# Raised when the page changes for the same input; an earlier one is then made again.
PERSON_VERSION = 1
STAGE = "track"
FILES = (SUBJECT_PAGE, "track.pdf")
# What a page is made from, of each visit.
VISIT_PARTS = ("visit.json", "strides.csv", "curves.npz")
TIME_LIMIT_S = 600.0


def make_person_pages(
    out: Path,
    limits: Limits,
    settings: RunSettings,
    *,
    workers: int | None = None,
    log: Callable[[str], None] = lambda _: None,
) -> tuple[list[Path], dict[str, str]]:
    """Make the page and the PDF of every person with two or more saved visits, the first visit as baseline.

    What was made from the same visits, limits, words and program is kept. Where a person's visits cannot be read any
    more, an earlier page stays.

    Parameters
    ----------
    out : Path
        The results folder.
    limits : Limits
    settings : RunSettings
        Paper and language.
    workers : int, optional
        Processes at a time; by default the setting run.workers. [1]
    log : callable, optional
        Called with the traceback of an error that nobody foresaw.

    Returns
    -------
    pages : list of Path
        By the persons' folders.
    failures : dict of person's folder, inside the results folder, to message
    """
    made_with = page_hashes(settings.language)
    folders: list[Path] = []
    failures: dict[str, str] = {}
    queue: deque[Job] = deque()
    for folder, group in groupby(OutputTree(out).visit_folders(), lambda visit: visit.parent):
        visits = list(group)
        if len(visits) < 2:
            continue
        folders.append(folder)
        try:
            wanted = _fingerprint(folder, visits, limits, settings, made_with)
        except OSError as error:
            found = f"{folder.name}: a visit cannot be read ({error.strerror})"
            failures[folder.name] = f"{found}. Check the right to read the results folder."
            continue
        if not is_unchanged(folder, read_record(folder).stages.get(STAGE), wanted):
            queue.append(Job(folder.name, build_person, (out, folder, limits, settings, wanted), TIME_LIMIT_S))
    if queue:
        with tempfile.TemporaryDirectory() as scratch:
            for outcome in run_jobs(queue, scratch=Path(scratch), workers=workers or settings.workers):
                if outcome.failure is not None:
                    failures[outcome.name] = f"{outcome.name}/{SUBJECT_PAGE}: {outcome.failure.message}"
                    log(outcome.failure.traceback or outcome.failure.message)
    return [folder / SUBJECT_PAGE for folder in folders if folder.name not in failures], failures


def build_person(out: Path, folder: Path, limits: Limits, settings: RunSettings, wanted: str, tell: Tell) -> None:
    """The page and the PDF of one person, in a process of its own."""
    from pipeline.report.subject_page import build_subject
    from pipeline.report.track import track_subject
    from pipeline.tracking_rules import load_tracking_rules

    tell("change across visits", 0, 0)
    # Read before anything is removed, so that an earlier page stays where a visit is damaged.
    found = track_subject(out, folder.name.removeprefix("sub-"), load_tracking_rules())

    def work() -> tuple[str, ...]:
        build_subject(out, found, limits=limits, paper=settings.paper, language=settings.language)
        return FILES

    run_stage(folder, STAGE, wanted_fingerprint=wanted, stale=(), work=work)
    finish(folder)


def _fingerprint(
    folder: Path, visits: list[Path], limits: Limits, settings: RunSettings, made_with: dict[str, str]
) -> str:
    """Everything that a person's page depends on."""
    parts = {
        f"{visit.name}/{name}": file_sha256(visit / name)
        for visit in visits
        for name in VISIT_PARTS
        if (visit / name).is_file()
    }
    goals = folder / GOALS_SAVED
    return fingerprint(
        version=PERSON_VERSION,
        code=__version__,
        person=folder.name,
        visits=parts,
        goals=file_sha256(goals) if goals.is_file() else "",
        limits=limits.sha256,
        rules=file_sha256(config_dir() / "tracking.toml"),
        settings=[settings.paper, settings.language],
        pages=made_with,
        page_makers={name: version(name) for name in PAGE_PACKAGES},
    )
