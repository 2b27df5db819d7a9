"""The tables of a study while people edit them: the last good ones hold until the next are good."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import PipelineError
from pipeline.goals import GOALS_NAME, read_goals
from pipeline.judgement import Recorded
from pipeline.manifest import read_manifest
from pipeline.manifest_row import MANIFEST_NAME
from pipeline.model import Clip
from pipeline.recorded import RECORDED_NAME, read_recorded
from pipeline.watch_files import FileKey, key_of

if TYPE_CHECKING:
    from pipeline.recorded import MeasureList


@dataclass(frozen=True, slots=True)
class StudyTables:
    """The clips of the manifest, what was recorded by visit, and the targets by person."""

    clips: tuple[Clip, ...]
    recorded: Mapping[tuple[str, str], tuple[Recorded, ...]]
    goals: Mapping[str, Any]


class Tables:
    """Reads the tables when they changed, and not while somebody saves them.

    Parameters
    ----------
    study : Path
        The study folder.
    measures : MeasureList
        What may stand in `recorded.csv`.
    settle_s : float
        A table that did not change for this time is saved. [s]
    tell : callable
        Called with each line for the user.
    """

    def __init__(self, study: Path, measures: MeasureList, settle_s: float, tell: Callable[[str], None]) -> None:
        self.study = study
        self.measures = measures
        self.settle_s = settle_s
        self.tell = tell
        self.good: StudyTables | None = None
        self.problem = ""
        self.keys: tuple[FileKey | None, ...] = ()
        self.since_s = float("-inf")
        self.read = False

    def look(self, now_s: float) -> StudyTables | None:
        """The tables that hold now; None while there were no good ones yet. `now_s` is by `time.monotonic`. [s]"""
        keys = tuple(key_of(self.study / name) for name in (MANIFEST_NAME, RECORDED_NAME, GOALS_NAME))
        if keys != self.keys:
            # The first look waits for nothing: most often nobody is saving just then.
            self.since_s = now_s if self.keys else float("-inf")
            self.keys, self.read = keys, False
        if not self.read and now_s - self.since_s >= self.settle_s:
            self.read = True
            self._read()
        return self.good

    def _read(self) -> None:
        """Read all tables; what is wrong is told once."""
        try:
            clips = read_manifest(self.study)
            recorded = read_recorded(self.study, clips, self.measures)
            goals = read_goals(self.study, clips, self.measures)
        except (PipelineError, OSError) as error:
            problem = str(error) if isinstance(error, PipelineError) else f"a table cannot be read ({error.strerror})."
            if problem != self.problem:
                kept = "the last good tables hold" if self.good else "nothing is measured"
                self.tell(f"{problem}\nUntil this is mended, {kept}.")
            self.problem = problem
            return
        if self.problem:
            self.tell("the tables are in order again.")
        self.problem = ""
        self.good = StudyTables(tuple(clips), recorded, goals)
