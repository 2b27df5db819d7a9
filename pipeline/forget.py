"""Everything of one person taken out of a results folder, and the proof that nothing is left.

The order lets the same command finish what was cut off, and never leaves a half that looks measured: a note of the
person's names; the study's pages away; the person's folder away under another name in one step; its files deleted;
runs' records cleaned; the study's pages made again; every byte searched; the note away, once nothing is found.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.config import Settings, config_dir, load_settings
from pipeline.forget_plan import ForgetPlan, moved_folder, note_path, others_in, plan_forget
from pipeline.name_search import Searched, search_folder
from pipeline.person_names import Pattern
from pipeline.rebuild import make_study_page
from pipeline.results_lock import hold_results
from pipeline.run_traces import Traces, clean_run, remove_leftovers, run_folders
from pipeline.store import STUDY_PAGE, write_json
from pipeline.watch_record import NAME as WATCH_NAME

if TYPE_CHECKING:
    from pipeline.judgement import Limits

STUDY_FILES = (STUDY_PAGE, "study.pdf")


@dataclass(frozen=True, slots=True)
class Forgotten:
    """What was deleted, and what the search for the person's names found.

    Attributes
    ----------
    plan : ForgetPlan
        What there was.
    runs : tuple of Traces
        What was taken out of the records of runs.
    page : Path or None
        The study's page, made again; None where nobody is left, or it could not be made.
    page_message : str
        Why it could not be made.
    looked_for : tuple of str
        The spellings that were searched for.
    narrow : tuple of str
        Names that are too common to be searched for alone, only in the forms in which results write them.
    shared : tuple of str
        Ids of clips that somebody else has too; not searched for.
    searched : Searched
        Files and bytes that were searched, where names were found, what could not be read.
    """

    plan: ForgetPlan
    runs: tuple[Traces, ...]
    page: Path | None
    page_message: str
    looked_for: tuple[str, ...]
    narrow: tuple[str, ...]
    shared: tuple[str, ...]
    searched: Searched

    @property
    def is_clean(self) -> bool:
        """Whether every byte was searched and no name was found."""
        return self.searched.is_clean


def forget_subject(
    results: Path | str,
    subject: str,
    *,
    study: Path | str | None = None,
    limits: Limits | None = None,
    settings: Settings | None = None,
) -> Forgotten:
    """Delete everything of one person from a results folder at once, and search every byte for the person's names.

    Corrections by hand go too, and nobody can make them again. What lies elsewhere is not reached: the study with its
    clips and tables, exported tables, landmark files, raters' sheets, backups. `strideledger forget` shows first what
    will go, and asks.

    Parameters
    ----------
    results : Path or str
        Folder that was given to `run_study`.
    subject : str
        Pseudonym of the person.
    study : Path or str, optional
        Folder with the manifest: tells whether it still names the person, and the names of clips.
    limits, settings : optional
        For the study's page, which is made again; by default those that ship with the package.

    Returns
    -------
    Forgotten

    Raises
    ------
    ConfigError
        There is no such person or folder, the person's folder is a link, or a run or a watch is at work there.
    ManifestError
        The study's manifest cannot be read.
    """
    root = Path(results)
    if limits is None:
        from pipeline.thresholds import load_limits

        limits = load_limits(config_dir() / "checks")
    pages = (settings or load_settings()).run
    plan = plan_forget(root, subject, study=study)
    with hold_results(root, "forget"):
        note, moved, folder = note_path(root, subject), moved_folder(root, subject), root / f"sub-{subject}"
        pattern = Pattern(plan.names, others_in(root, subject))
        write_json(note, plan.names, lasting=True)
        for name in STUDY_FILES:
            (root / name).unlink(missing_ok=True)
        _delete(moved)
        if folder.is_dir():
            folder.rename(moved)
            _delete(moved)
        runs = tuple(clean_run(run, plan.names, pattern, write=True) for run in run_folders(root))
        remove_leftovers(root, write=True)
        # A watch writes it anew; its lists of clips may name the person.
        (root / WATCH_NAME).unlink(missing_ok=True)
        page, message = None, ""
        if any(path.is_dir() for path in root.glob("sub-*/ses-*")):
            page, message = make_study_page(root, limits, paper=pages.paper, language=pages.language)
        searched = search_folder(root, pattern, skip=frozenset({note.name}))
        if searched.is_clean:
            note.unlink()
    return Forgotten(
        plan, tuple(one for one in runs if one), page, message, pattern.forms, pattern.narrow, pattern.shared, searched
    )


def _delete(folder: Path) -> None:
    """Delete a folder; links in it are deleted, not followed."""
    if folder.is_dir():
        shutil.rmtree(folder)
