"""What a run of a study tells: what happens while it runs, how each visit ended, and all of it at the end."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from pipeline.judgement import ClipResult, RunRecord, VisitReport
from pipeline.shown import Shown


@dataclass(frozen=True, slots=True)
class Progress:
    """Something happened: a clip or a visit moved on (`state` is `running`), or ended.

    `done` and `total` count frames; `total` is 0 while it is not known. `seconds_left` is how long the whole run still
    takes, None while nothing tells. [s] `notice` is about the machines of a cluster.
    """

    name: str
    stage: str
    done: int = 0
    total: int = 0
    state: str = "running"
    message: str = ""
    seconds_left: float | None = None


@dataclass(frozen=True, slots=True)
class VisitResult:
    """How one visit ended. Without a page there is a message that says why; `repaired` tells of damaged files."""

    subject: str
    visit: str
    folder: Path
    page: Path | None
    report: VisitReport | None
    message: str
    unchanged_since: str = ""
    repaired: str = ""


@dataclass(frozen=True, slots=True)
class StudyResult(Shown):
    """All clips in the manifest's order, all visits in the order in which they first stand there.

    `notes` tell which pictures were deleted, and which are still there, when none are to be kept.
    `page` is that of the whole study; without it `page_message` says why. `persons` are the pages of the change across
    visits, `lost_persons` says by person's folder why one is missing.
    """

    run: RunRecord
    folder: Path
    clips: tuple[ClipResult, ...]
    visits: tuple[VisitResult, ...]
    notes: tuple[str, ...] = ()
    page: Path | None = None
    page_message: str = ""
    persons: tuple[Path, ...] = ()
    lost_persons: dict[str, str] = field(default_factory=dict)

    @property
    def all_done(self) -> bool:
        """Whether every clip was measured, and every visit, every person and the study have their pages."""
        has_pages = all(visit.page for visit in self.visits) and not self.page_message and not self.lost_persons
        return has_pages and all(clip.state == "done" for clip in self.clips)
