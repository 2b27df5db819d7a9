"""Pages made again from what is saved: of every visit and person, each in a process of its own, and of the study."""

from __future__ import annotations

import tempfile
import traceback
from collections import deque
from collections.abc import Callable
from pathlib import Path

from pipeline.config import ENGLISH, Paper, RunSettings, Settings, config_dir, load_settings
from pipeline.errors import PipelineError
from pipeline.isolate import Job, run_jobs
from pipeline.job_process import Tell
from pipeline.judgement import Limits
from pipeline.kept import remove_pictures
from pipeline.person_pages import make_person_pages
from pipeline.places import refuse_links_out
from pipeline.results_lock import hold_results
from pipeline.store import STUDY_PAGE, OutputTree, without_home


def rebuild_reports(
    out: Path, *, limits: Limits | None = None, settings: Settings | None = None
) -> tuple[list[Path], dict[str, str]]:
    """Make the pages of all visits, persons and of the study again from saved parts; nothing is measured or judged.

    Where the settings keep no pictures, those that are there are deleted.

    Returns
    -------
    pages : list of Path
        Each visit's main page, each person's with several visits, and the study's page at the end.
    failures : dict of visit folder, person's folder or page, inside the results folder, to message

    Raises
    ------
    PipelineError
        The limits or the settings are wrong, or something else is at work in the results folder.
    """
    if limits is None:
        from pipeline.thresholds import load_limits

        limits = load_limits(config_dir() / "checks")
    run = (settings or load_settings()).run
    if not OutputTree(out).visit_folders():
        return [], {}
    with hold_results(out, "report"):
        return _made_again(out, limits, run)


def _made_again(out: Path, limits: Limits, run: RunSettings) -> tuple[list[Path], dict[str, str]]:
    """All pages, and what failed."""
    pages: list[Path] = []
    failures: dict[str, str] = {}
    with tempfile.TemporaryDirectory() as scratch:
        folders = {folder.relative_to(out).as_posix(): folder for folder in OutputTree(out).visit_folders()}
        queue = deque(Job(name, build_pages, (folder, limits, run), 600.0) for name, folder in folders.items())
        for outcome in run_jobs(queue, scratch=Path(scratch), workers=1):
            if outcome.failure:
                failures[outcome.name] = outcome.failure.message
            else:
                pages.append(folders[outcome.name] / "visit.html")
    persons, lost = make_person_pages(out, limits, run)
    pages += persons
    failures |= lost
    page, message = make_study_page(out, limits, paper=run.paper, language=run.language)
    if page is None:
        failures[STUDY_PAGE] = message
    else:
        pages.append(page)
    return pages, failures


def build_pages(folder: Path, limits: Limits, run: RunSettings, tell: Tell) -> None:
    """The pages of one visit, in a process of its own; without its pictures when none are to be kept."""
    from pipeline.report import build_visit

    tell("report", 0, 0)
    refuse_links_out(folder)
    if run.keep_pictures == "none":
        remove_pictures(folder)
    build_visit(folder, limits, paper=run.paper, language=run.language)


def make_study_page(
    out: Path,
    limits: Limits,
    *,
    paper: Paper = "A4",
    language: str = ENGLISH,
    log: Callable[[str], None] = lambda _: None,
) -> tuple[Path | None, str]:
    """Make page and PDF of the whole study; return the page, or None and what went wrong.

    Parameters
    ----------
    out : Path
        The results folder.
    limits : Limits
    paper : {"A4", "Letter"}
        Of the PDF.
    language : str
        Of the words of the page.
    log : callable, optional
        Called with the traceback of an error that nobody foresaw.
    """
    from pipeline.report.study import build_study

    try:
        return build_study(out, limits, paper=paper, language=language), ""
    except PipelineError as error:
        return None, f"{STUDY_PAGE}: {error}"
    except OSError as error:
        do = "Check free space and the right to write into the results folder."
        return None, f"{STUDY_PAGE}: cannot be read or written ({error.strerror}). {do}"
    except Exception as error:  # the results are there, and one page must not hide them
        log(without_home(traceback.format_exc()))
        found = f"{STUDY_PAGE}: {type(error).__name__} ({error}); this is a fault of the program"
        return None, without_home(f"{found}. Report it with the log of this run.")
