"""How far the work in one folder has come: which stages are finished, what they depended on, what they wrote.

With these records a run goes on where another was stopped, and nothing that was changed since is taken for a result.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path, PurePosixPath

from pydantic import TypeAdapter

from pipeline.outside import LARGEST_SAVED, read_outside
from pipeline.places import refuse_links_out
from pipeline.store import PARTS, file_sha256, now_text, write_json

# Raised when the form of the records changes: a record of another form is not read, its stages run again.
RECORD_FORMAT = 1
RECORD_NAME = "record.json"
# A file that was changed less long ago may be changed once more within one tick of the disk's clock. Own choice. [ns]
SETTLED_NS = 2_000_000_000


@dataclass(frozen=True, slots=True)
class StageRecord:
    """One finished stage: what it depended on, and the hashes of what it wrote."""

    fingerprint: str
    finished: str
    seconds: float
    outputs: dict[str, str]


@dataclass(frozen=True, slots=True)
class FileSeen:
    """A file as it was when it was hashed. With the same size, times and place on the disk it is not hashed again."""

    size: int
    changed_ns: tuple[int, int]
    place: tuple[int, int]
    sha256: str


@dataclass(frozen=True, slots=True)
class FolderRecord:
    """How far the work in one folder has come. Only `done` means finished; a `damaged` record cannot be read.

    `clip` is the file that the folder's results were made from, where they come from one.
    """

    state: str
    format: int = RECORD_FORMAT
    stages: dict[str, StageRecord] = field(default_factory=dict)
    clip: FileSeen | None = None


@dataclass(frozen=True, slots=True)
class StageEnd:
    """How a stage ended: unchanged `since` a time, or run; then with what was found `damaged` before, if anything."""

    stage: str
    since: str = ""
    damaged: str = ""


def told(end: StageEnd) -> str:
    """What to tell of a stage: since when it is unchanged, or why it was made again; "" when it simply ran."""
    if end.damaged:
        return f"{end.stage} made again: {end.damaged}"
    return f"{end.stage} unchanged since {end.since}" if end.since else ""


def read_record(folder: Path) -> FolderRecord:
    """The folder's record; one without stages when there is none, or when it is damaged or of another form.

    Damaged is one too that names a file elsewhere: what a record names is deleted before its stage runs again.
    """
    try:
        record = _reader().validate_json(read_outside(folder / RECORD_NAME, LARGEST_SAVED))
    except FileNotFoundError:
        return FolderRecord("new")
    except (OSError, ValueError):
        return FolderRecord("damaged")
    names = (PurePosixPath(name) for stage in record.stages.values() for name in stage.outputs)
    if any(name.is_absolute() or ".." in name.parts or {"\\", "\0"} & set(str(name)) for name in names):
        return FolderRecord("damaged")
    return record if record.format == RECORD_FORMAT else FolderRecord("new")


@cache
def _reader() -> TypeAdapter[FolderRecord]:
    """The reader of records; making one takes longer than reading a record."""
    return TypeAdapter(FolderRecord)


def write_record(folder: Path, record: FolderRecord) -> None:
    """Write the folder's record."""
    write_json(folder / RECORD_NAME, record)


def see(path: Path) -> tuple[str, FileSeen | None]:
    """SHA-256 of a file, and what to know it by; None while it is so new that it may still be changing."""
    before = _looks(path, "")
    digest = file_sha256(path)
    after = _looks(path, digest)
    settled = time.time_ns() - max(after.changed_ns) > SETTLED_NS
    return digest, after if settled and _looks_same(before, after) else None


def known_sha256(path: Path, seen: FileSeen | None) -> str:
    """SHA-256 of a file, which is not read when it looks as it did when it was seen."""
    if seen is not None and _looks_same(seen, _looks(path, "")):
        return seen.sha256
    return file_sha256(path)


def _looks(path: Path, sha256: str) -> FileSeen:
    """Size, times of change of content and of record, and place of a file."""
    status = path.stat()
    return FileSeen(status.st_size, (status.st_mtime_ns, status.st_ctime_ns), (status.st_dev, status.st_ino), sha256)


def _looks_same(one: FileSeen, other: FileSeen) -> bool:
    """Whether a file looks unchanged. The second time changes with whatever is done to it, and nobody can set it."""
    return (one.size, one.changed_ns, one.place) == (other.size, other.changed_ns, other.place)


def finish(folder: Path, clip: FileSeen | None = None) -> None:
    """Write into the folder's record that all of its stages are done, and which clip they were made from."""
    write_record(folder, FolderRecord("done", stages=read_record(folder).stages, clip=clip))
    _remove_parts(folder)


def is_unchanged(folder: Path, record: StageRecord | None, wanted_fingerprint: str) -> bool:
    """Tell whether a stage may be skipped: same fingerprint, and each output has its recorded content."""
    if record is None or record.fingerprint != wanted_fingerprint:
        return False
    return not _damage(folder, record)


def run_stage(
    folder: Path,
    stage: str,
    *,
    wanted_fingerprint: str,
    stale: tuple[str, ...],
    work: Callable[[], Iterable[str]],
) -> StageEnd:
    """Run a stage whose files lie in a folder, unless it is unchanged.

    Parameters
    ----------
    folder : Path
        Where the stage's files and the record lie.
    stage : str
        The stage's name in the record.
    wanted_fingerprint : str
        Of everything that the result depends on.
    stale : tuple of str
        Patterns of the files that an earlier run of the stage may have left; removed before the work, as is whatever
        the record says that it wrote.
    work : callable
        Does the work and returns the names of the files that it wrote, relative to the folder.

    Returns
    -------
    StageEnd
        With the time since which the stage is unchanged, where it is; else with what was found damaged, if anything.

    Notes
    -----
    The record says `started` before the first file changes, and the stage enters it with the hashes of its
    files after the last one: a killed run is never taken for a finished one.
    """
    record = read_record(folder)
    earlier = record.stages.get(stage)
    damaged = f"{RECORD_NAME} cannot be read" if record.state == "damaged" else ""
    if earlier is not None and earlier.fingerprint == wanted_fingerprint:
        damaged = _damage(folder, earlier)
        if not damaged:
            return StageEnd(stage, since=earlier.finished)
    others = {name: entry for name, entry in record.stages.items() if name != stage}
    refuse_links_out(folder)
    write_record(folder, FolderRecord("started", stages=others))
    old = {path for pattern in stale for path in folder.glob(pattern)}
    _remove_files(old | {folder / name for name in (earlier.outputs if earlier else ())})
    _remove_parts(folder)
    started_s = time.monotonic()
    outputs = {name: file_sha256(folder / name) for name in sorted(work())}
    entry = StageRecord(wanted_fingerprint, now_text(), round(time.monotonic() - started_s, 3), outputs)
    write_record(folder, FolderRecord("started", stages={**others, stage: entry}))
    return StageEnd(stage, damaged=damaged)


def _remove_parts(folder: Path) -> None:
    """Remove what writes that were killed have left."""
    _remove_files(folder.glob(PARTS))


def _remove_files(paths: Iterable[Path]) -> None:
    """Remove files and links; a folder of such a name is somebody else's."""
    for path in paths:
        if path.is_symlink() or not path.is_dir():
            path.unlink(missing_ok=True)


def _damage(folder: Path, record: StageRecord) -> str:
    """What is wrong with the files of a stage: one that is missing, or not as it was recorded; "" when nothing is."""
    for name, recorded in record.outputs.items():
        try:
            found = file_sha256(folder / name)
        except FileNotFoundError:
            return f"{name} is missing"
        except OSError as error:
            return f"{name} cannot be read ({error.strerror})"
        if found != recorded:
            return f"{name} is not as it was written at {record.finished}"
    return ""
