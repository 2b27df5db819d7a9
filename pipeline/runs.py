"""The record of one run: who made the results, with which settings and versions, and how each clip ended.

Written when the run starts and again when it ends, so that a run that was killed leaves its record too.
"""

from __future__ import annotations

import platform
import secrets
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from pipeline import __version__
from pipeline.causes import Causes
from pipeline.config import Settings, settings_sha256, settings_text
from pipeline.errors import StageError
from pipeline.judgement import ClipResult, Limits, RunRecord
from pipeline.models import verify_model
from pipeline.store import OutputTree, now_text, write_json, write_table, write_text
from pipeline.tables import Column, check_table

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


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What run.json holds: the state of the run, its record, and how many clips and visits ended how."""

    state: str
    run: RunRecord
    clips: dict[str, int]
    visits: dict[str, int]


def package_versions() -> dict[str, str]:
    """Versions of Python and of the packages that results depend on."""
    versions = {"python": platform.python_version()}
    for name in PACKAGES:
        try:
            versions[name] = version(name)
        except PackageNotFoundError:
            versions[name] = "not installed"
    return versions


class RunFolder:
    """The folder of one run, and what is written there as the run goes on."""

    def __init__(
        self, tree: OutputTree, settings: Settings, limits: Limits, causes: Causes, measures: MeasureList
    ) -> None:
        started = now_text()
        stamp = started.replace("-", "").replace(":", "")
        run_id = f"{stamp}_{secrets.token_hex(3)}"
        self.folder: Path = tree.run_folder(run_id)
        self.record = RunRecord(
            run_id=run_id,
            started=started,
            finished="",
            code_version=__version__,
            package_versions=package_versions(),
            model=settings.landmarks.model,
            model_sha256=verify_model(settings.landmarks.model).sha256,
            settings_sha256=settings_sha256(settings),
            limits_sha256=limits.sha256,
            causes_file=causes.file,
            causes_sha256=causes.sha256,
            recorded_file=measures.file,
            recorded_sha256=measures.sha256,
        )
        self._unwritten = ""
        write_text(self.folder / "config.toml", settings_text(settings))
        self._write("started", (), ())
        self.log(f"run {run_id} started, version {__version__}")

    def log(self, text: str) -> None:
        """Add to log.txt: the time and a line, or several. What a full disk refuses is written as soon as it can be."""
        self._unwritten += f"{now_text()} {text.rstrip()}\n"
        try:
            with (self.folder / "log.txt").open("a", encoding="utf-8") as file:
                file.write(self._unwritten)
        except OSError:
            return
        self._unwritten = ""

    def finish(self, state: str, clips: Sequence[ClipResult], visit_states: Sequence[str]) -> tuple[RunRecord, str]:
        """Write the final record; `state` is `done`, or `interrupted` when not all clips had their turn.

        Returns
        -------
        record : RunRecord
        message : str
            What of the record cannot be written and why, or "". The results of the clips are not touched by that.
        """
        self.record = replace(self.record, finished=now_text())
        self.log(f"run {state}: {dict(Counter(clip.state for clip in clips))}")
        try:
            self._write(state, clips, visit_states)
        except OSError as error:
            found = f"the record of this run cannot be written ({error.strerror})"
            do = "Check free space and the right to write into the results folder."
            return self.record, str(StageError(f"runs/{self.record.run_id}", found, "", do))
        return self.record, ""

    def _write(self, state: str, clips: Sequence[ClipResult], visit_states: Sequence[str]) -> None:
        """Write run.json and the table of clips."""
        counts: dict[str, int] = dict(Counter(clip.state for clip in clips))
        write_json(self.folder / "run.json", RunSummary(state, self.record, counts, dict(Counter(visit_states))))
        lists = ("reused", "repaired")
        rows = [asdict(clip) | {name: "; ".join(getattr(clip, name)) for name in lists} for clip in clips]
        table = pd.DataFrame(rows, columns=[column.name for column in CLIPS])
        write_table(self.folder / "clips.csv", check_table(table, CLIPS, "clips"))
