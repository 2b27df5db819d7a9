"""What a results folder holds of a whole study: the verdicts of every visit, what failed, and the runs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from pipeline.errors import StageError
from pipeline.judgement import ClipResult, RunRecord, Severity, Verdict
from pipeline.model import Aid, Level, Side
from pipeline.outside import LARGEST_SAVED, read_outside
from pipeline.plain_text import natural_key, visible
from pipeline.report.layout_records import StudyTexts
from pipeline.report.parts import REPORT_NAME
from pipeline.review import PersonVerdict, in_force
from pipeline.stage_record import read_record
from pipeline.store import read_json

# Where a run leaves the reason why a clip or a visit has no result.
ERROR_NAME = "error.txt"


@dataclass(frozen=True, slots=True)
class SavedFault:
    """A fault as a study's page shows it; the rest of what `visit.json` says of it is passed over."""

    name: str
    title: str
    verdict: Verdict
    urgent: bool
    severity: Severity = ""
    person: PersonVerdict | None = None
    corrections: tuple[str, ...] = ()

    @property
    def in_force(self) -> Verdict:
        """The verdict that holds: a person's where there is one."""
        return in_force(self.verdict, self.person)


@dataclass(frozen=True, slots=True)
class SavedVisit:
    """What a study's page shows of a visit's saved `VisitReport`."""

    subject: str
    visit: str
    visit_date: date
    prosthetic_sides: tuple[Side, ...]
    changes: str
    clips: tuple[ClipResult, ...]
    faults: tuple[SavedFault, ...]
    run: RunRecord
    levels: tuple[Level, ...] = ()
    aid: Aid | None = None


@dataclass(frozen=True, slots=True)
class FoundVisit:
    """A visit with its folder inside the results, such as `sub-P01/ses-01`, and the names of the files there."""

    folder: str
    saved: SavedVisit
    names: frozenset[str]

    @property
    def title(self) -> str:
        """The visit as messages name it."""
        return f"{self.saved.subject}-{self.saved.visit}"


@dataclass(frozen=True, slots=True)
class Loss:
    """A clip or a visit that failed: which, where its files lie, at which stage, and the message."""

    kind: str
    name: str
    place: str
    stage: str
    message: str


@dataclass(frozen=True, slots=True)
class SavedRun:
    """What `run.json` says of a run; `problem` stands in place of it where it cannot be read."""

    run: RunRecord | None
    state: str = ""
    clips: dict[str, int] = field(default_factory=dict)
    visits: dict[str, int] = field(default_factory=dict)
    name: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class StudyParts:
    """All visits by subject and date, all losses by folder, all runs by name."""

    visits: tuple[FoundVisit, ...]
    losses: tuple[Loss, ...]
    runs: tuple[SavedRun, ...]


def read_study(root: Path, texts: StudyTexts) -> StudyParts:
    """Read every visit of a results folder; what cannot be read is a loss and stops nothing."""
    visits: list[FoundVisit] = []
    losses: list[Loss] = []
    folders = [path for path in root.glob("sub-*/ses-*") if path.is_dir()]
    for path in sorted(folders, key=lambda path: natural_key(path.relative_to(root).as_posix())):
        folder = path.relative_to(root).as_posix()
        reason = left_reason(path)
        found = None
        try:
            found = _visit(path, folder, texts)
        except (StageError, OSError) as error:
            missing = not reason and not (path / REPORT_NAME).exists()
            losses.append(_visit_loss(folder, reason or (texts.never_judged if missing else _words(error))))
        if found is not None:
            visits.append(found)
            if reason:
                losses.append(_visit_loss(folder, texts.earlier_report.format(message=reason)))
        losses += _clip_losses(path, folder, found)
    visits.sort(key=lambda one: (natural_key(one.saved.subject), one.saved.visit_date, natural_key(one.saved.visit)))
    return StudyParts(tuple(visits), tuple(losses), tuple(_runs(root)))


def _visit(path: Path, folder: str, texts: StudyTexts) -> FoundVisit:
    """A visit by its saved report, which must be that of its folder."""
    saved = read_json(path / REPORT_NAME, SavedVisit)
    names = (f"sub-{saved.subject}", f"ses-{saved.visit}")
    if names != (path.parent.name, path.name):
        raise StageError("", texts.wrong_place.format(found="/".join(names)))
    return FoundVisit(folder, saved, frozenset(entry.name for entry in path.iterdir()))


def _words(error: StageError | OSError) -> str:
    """Why a visit's report cannot be read; the place stands beside it, so that no path is repeated."""
    if isinstance(error, OSError):
        return f"The folder cannot be read ({error.strerror})."
    return f"{REPORT_NAME}: {error.found}. {error.do}" if error.item else error.found


def left_reason(path: Path) -> str:
    """The message that a run left in a folder; empty where it left none."""
    try:
        return visible(read_outside(path / ERROR_NAME, LARGEST_SAVED).decode("utf-8", errors="replace")).strip()
    except OSError:
        return ""


def _visit_loss(folder: str, message: str) -> Loss:
    """A visit whose results are missing, damaged, or older than the last run."""
    subject, visit = (part.partition("-")[2] for part in folder.split("/"))
    return Loss("visit", f"{subject}-{visit}", folder, "", message)


def _clip_losses(path: Path, folder: str, found: FoundVisit | None) -> Iterator[Loss]:
    """Clips that failed, by the visit's report, and by the records of clips that a later run met or left behind."""
    failed = [clip for clip in found.saved.clips if clip.state == "failed"] if found else []
    for clip in failed:
        stage = f"{clip.stage} ({clip.error_type})" if clip.error_type else clip.stage
        yield Loss("clip", clip.clip_id, clip.relative_path, stage, clip.message)
    told = {clip.clip_id for clip in failed}
    for file in sorted(path.glob(f"*/{ERROR_NAME}")):
        name = file.parent.name
        if name not in told and read_record(file.parent).state == "failed":
            yield Loss("clip", name, f"{folder}/{name}", "", left_reason(file.parent))


def _runs(root: Path) -> Iterator[SavedRun]:
    """The records of all runs into the folder, the latest first."""
    for path in sorted(root.glob("runs/*/run.json"), reverse=True):
        try:
            yield read_json(path, SavedRun)
        except StageError as error:
            yield SavedRun(None, name=path.parent.name, problem=error.found)
