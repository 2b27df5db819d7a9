"""The record of one run: who made the results, with which settings and versions, and how each clip ended.

Written when the run starts, every few seconds while it is at work, and when it ends, so that a run that was killed
leaves its record too.
"""

from __future__ import annotations

import csv
import platform
import secrets
import threading
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline import __version__
from pipeline.causes import Causes
from pipeline.config import Settings, measuring_sha256, settings_sha256, settings_text
from pipeline.errors import StageError
from pipeline.judgement import ClipResult, Limits, RunRecord
from pipeline.models import verify_models
from pipeline.plain_text import visible
from pipeline.run_record import CLIPS_NAME, RECORD_NAME, VISITS_NAME, RunSummary, this_process
from pipeline.store import OutputTree, now_text, write_json, write_table, write_text
from pipeline.study_result import VisitResult
from pipeline.tables import Column

if TYPE_CHECKING:
    from pipeline.recorded import MeasureList

# What can change a measured value or a page.
PACKAGES = (
    "mediapipe",
    "opencv-python-headless",
    "numpy",
    "scipy",
    "pandas",
    "matplotlib",
    "pydantic",
    "jinja2",
    "typst",
)

CLIPS: tuple[Column, ...] = (
    Column("clip_id", "text", "", "the clip"),
    Column("relative_path", "text", "", "its file, inside the study folder"),
    Column("state", "text", "", "done or failed"),
    Column("stage", "text", "", "where it failed; the last stage when it is done"),
    Column("error_type", "text", "", "kind of the error; empty when it is done"),
    Column("message", "text", "", "what was found, what was expected, what to do"),
    Column("seconds", "number", "s", "time that the clip took in this run"),
    Column("reused", "text", "", "stages taken over from an earlier run, and since when they are unchanged"),
    Column("repaired", "text", "", "stages made again because a saved file was missing or damaged, and what was found"),
)


VISITS: tuple[Column, ...] = (
    Column("subject", "text", "", "pseudonym of the person"),
    Column("visit", "text", "", "name of the visit"),
    Column("state", "text", "", "done, failed, or waiting where the run has not come to it"),
    Column("message", "text", "", "why there is no report"),
)


def package_versions() -> dict[str, str]:
    """Versions of Python and of the packages that results depend on."""
    versions = {"python": platform.python_version()}
    for name in PACKAGES:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            versions[name] = "not installed"
    return versions


def new_record(run_id: str, settings: Settings, limits: Limits, causes: Causes, measures: MeasureList) -> RunRecord:
    """The record of a run that starts now.

    Raises
    ------
    ModelError
        The pose model is missing, or not the one that was shipped.
    """
    _, model = verify_models(settings.landmarks.model)
    return RunRecord(
        run_id=run_id,
        started=now_text(),
        finished="",
        code_version=__version__,
        package_versions=package_versions(),
        model=model.name,
        model_sha256=model.sha256,
        settings_sha256=settings_sha256(settings),
        limits_sha256=limits.sha256,
        causes_file=causes.file,
        causes_sha256=causes.sha256,
        recorded_file=measures.file,
        recorded_sha256=measures.sha256,
        measuring_sha256=measuring_sha256(settings),
    )


class RunFolder:
    """The folder of one run, and what is written there as the run goes on.

    Rows are added to the tables of clips and visits as they end; at the end both are written anew, in the order of the
    manifest. Where the disk is full in between, the rows are missing until then.
    """

    def __init__(
        self,
        tree: OutputTree,
        settings: Settings,
        limits: Limits,
        causes: Causes,
        measures: MeasureList,
        *,
        visits: Iterable[tuple[str, str]] = (),
        n_clips: int = 0,
    ) -> None:
        run_id = f"{now_text().replace('-', '').replace(':', '')}_{secrets.token_hex(3)}"
        self.record = new_record(run_id, settings, limits, causes, measures)
        self.folder: Path = tree.run_folder(run_id)
        self._unwritten = ""
        self.lock = threading.Lock()
        self.ended = False
        write_text(self.folder / "config.toml", settings_text(settings))
        # Made with its rights here: what is added to it later asks for none.
        write_text(self.folder / "log.txt", "")
        self.visits = {key: ("waiting", "") for key in visits}
        pid, host = this_process()
        self.summary = RunSummary("started", self.record, {}, {}, n_clips, len(self.visits), pid=pid, host=host)
        self._write_tables(())
        self.refresh()
        self.log(f"run {run_id} started, version {__version__}")

    def log(self, text: str) -> None:
        """Add to log.txt: the time and a line, or several, of which only the first begins at the margin.

        What a full disk refuses is written as soon as it can be.
        """
        lines = visible(text.rstrip()).replace("\r", "\\r").replace("\n", "\n    ")
        self._unwritten += f"{now_text()} {lines}\n"
        try:
            with (self.folder / "log.txt").open("a", encoding="utf-8") as file:
                file.write(self._unwritten)
        except OSError:
            return
        self._unwritten = ""

    def refresh(self, **changes: Any) -> None:
        """Write run.json with these fields of `RunSummary` changed, and the time as the last sign of life."""
        with self.lock:
            if not self.ended:
                self.summary = replace(self.summary, alive=now_text(), **changes)
                write_json(self.folder / RECORD_NAME, self.summary)

    def clip_ended(self, clip: ClipResult) -> None:
        """Add a clip to the table of clips."""
        row = _clip_row(clip)
        self._add_row(CLIPS_NAME, [row[column.name] for column in CLIPS])

    def visit_ended(self, visit: VisitResult) -> None:
        """Add a visit to the table of visits: the last row of a visit counts."""
        key, state = (visit.subject, visit.visit), "done" if visit.page else "failed"
        self.visits[key] = (state, visit.message)
        self._add_row(VISITS_NAME, [*key, state, visit.message])

    def finish(self, state: str, clips: Sequence[ClipResult], messages: dict[str, str]) -> tuple[RunRecord, str]:
        """Write the final record; `state` is `done`, or `interrupted` when not all clips had their turn.

        `messages` tell of pages that could not be made, by their folder or file.

        Returns
        -------
        record : RunRecord
        message : str
            What of the record cannot be written and why, or "". The results of the clips are not touched by that.
        """
        self.record = replace(self.record, finished=now_text())
        clip_states = Counter(clip.state for clip in clips)
        visit_states = Counter(state for state, _ in self.visits.values() if state != "waiting")
        self.log(f"run {state}: {dict(clip_states)}")
        message = ""
        try:
            self._write_tables(clips)
            self.refresh(
                state=state,
                run=self.record,
                clips=dict(clip_states),
                visits=dict(visit_states),
                messages=messages,
                at_work=(),
                seconds_left=None,
            )
        except OSError as error:
            found = f"the record of this run cannot be written ({error.strerror})"
            do = "Check free space and the right to write into the results folder."
            message = str(StageError(f"runs/{self.record.run_id}", found, "", do))
        self.ended = True
        return self.record, message

    def amend(self, state: str, messages: dict[str, str]) -> None:
        """Write the final record again, after something went wrong with the page of the study."""
        self.ended = False
        with suppress(OSError):
            self.refresh(state=state, messages=self.summary.messages | messages)
        self.ended = True

    def _add_row(self, name: str, cells: Sequence[object]) -> None:
        """Add a row to a table; a disk that is full now may have room again when the run ends."""
        from pipeline.report.parts import guard_text

        with suppress(OSError), (self.folder / name).open("a", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerow([guard_text(cell) for cell in cells])

    def _write_tables(self, clips: Sequence[ClipResult]) -> None:
        """Write the tables of clips and visits."""
        # Here, so that a check does not wait for the libraries of the pages.
        from pipeline.report.parts import guarded

        table = pd.DataFrame([_clip_row(clip) for clip in clips], columns=[column.name for column in CLIPS])
        write_table(self.folder / CLIPS_NAME, guarded(table, CLIPS))
        rows = [(*key, *ended) for key, ended in self.visits.items()]
        visits = pd.DataFrame(rows, columns=[column.name for column in VISITS])
        write_table(self.folder / VISITS_NAME, guarded(visits, VISITS))


def _clip_row(clip: ClipResult) -> dict[str, Any]:
    """A clip's row of the table."""
    return asdict(clip) | {name: "; ".join(getattr(clip, name)) for name in ("reused", "repaired")}
