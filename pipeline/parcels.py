"""What a job needs and gives, as files that can travel: out to the machine that does it, and back.

The worker computes in a folder of its own, and only the machine that runs the command writes into the results: what
comes back from an attempt that was given up is never asked for, so that two attempts cannot meet in one folder.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import stat
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import TypeAdapter, ValidationError
from pydantic_core import to_json

from pipeline.errors import ClusterError
from pipeline.jobs import VisitJob
from pipeline.landmark_file import is_landmark_file
from pipeline.model import Clip
from pipeline.object_store import Place
from pipeline.picture_stages import ClipJob
from pipeline.places import make_private_folder
from pipeline.review_files import CORRECTIONS_FOLDER
from pipeline.stage_record import RECORD_NAME, read_record
from pipeline.store import file_sha256, write_bytes

HANDED = "handed.json"
# Where things lie in the folder that a worker makes for a job.
CLIPS, RESULTS = "clips", "results"


@dataclass(frozen=True, slots=True)
class Item:
    """One file of the results: its content, and whether it, and its folder, are for the owner alone."""

    sha256: str
    private: bool
    private_folder: bool


@dataclass(frozen=True, slots=True)
class Handed:
    """What a job changed: new content by place in the results, and the files that are gone."""

    changed: dict[str, Item]
    gone: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Parcel:
    """A job with the files that it needs.

    `clips` are the SHA-256 of clips that travel, by their number in the job; None for one that the worker reads where
    it lies. `items` are files of the results by their place under `root`, the results folder.
    """

    job: ClipJob | VisitJob
    root: Path
    clips: dict[int, str] | None
    items: dict[str, Item]


def parcel_of(job: ClipJob | VisitJob, *, clips_travel: bool) -> Parcel:
    """The parcel of a job, its paths made absolute."""
    # RESULTS/sub-P01/ses-01/CLIP, or the visit's folder above it.
    depth = 3 if isinstance(job, ClipJob) else 2
    folder = job.folder.resolve()
    root = folder.parents[depth - 1]
    job = with_clips(replace(job, folder=folder), [_absolute(clip.path) for clip in clips_of_job(job)])
    items = listing(root, folder)
    if isinstance(job, ClipJob):
        items |= listing(root, folder.parent / CORRECTIONS_FOLDER)
    clips = None
    if clips_travel:
        clips = {
            number: file_sha256(clip.path)
            for number, clip in enumerate(clips_of_job(job))
            if clip.path.is_file() and reads_clip(job, clip)
        }
    return Parcel(job, root, clips, items)


def _absolute(path: Path) -> Path:
    """A clip's absolute path with the name that the manifest gives it: a link's target may have any, and the ending
    tells landmark files from videos.
    """
    return path.parent.resolve() / path.name


def clips_of_job(job: ClipJob | VisitJob) -> tuple[Clip, ...]:
    """The clips that a job is about."""
    return (job.clip,) if isinstance(job, ClipJob) else job.clips


def with_clips(job: ClipJob | VisitJob, paths: Iterable[Path]) -> ClipJob | VisitJob:
    """The job with its clips in other places."""
    moved = tuple(replace(clip, path=path) for clip, path in zip(clips_of_job(job), paths, strict=True))
    return replace(job, clip=moved[0]) if isinstance(job, ClipJob) else replace(job, clips=moved)


def reads_clip(job: ClipJob | VisitJob, clip: Clip) -> bool:
    """Whether a job reads a clip's file: a visit does for the pictures that it keeps."""
    if isinstance(job, ClipJob):
        return True
    done = {result.clip_id for result in job.results if result.state == "done"}
    keeps = job.settings.run.keep_pictures != "none"
    return keeps and clip.clip_id in done and not is_landmark_file(clip.path)


def listing(root: Path, folder: Path) -> dict[str, Item]:
    """Every file of a folder, by its place under the root."""
    return {
        path.relative_to(root).as_posix(): Item(
            file_sha256(path), not path.stat().st_mode & stat.S_IROTH, _is_private_folder(path.parent)
        )
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.endswith(".part")
    }


def _is_private_folder(folder: Path) -> bool:
    """Whether a folder has the rights that `make_private_folder` gives."""
    mode = folder.stat().st_mode
    return not mode & stat.S_IRWXO and bool(mode & stat.S_ISGID or not mode & stat.S_IRWXG)


def unpack_parcel(parcel: Parcel, place: Place, site: Path) -> ClipJob | VisitJob:
    """Lay a parcel's files out in a worker's own folder; return the job as it stands there.

    Raises
    ------
    ClusterError
        A file did not arrive as it was sent.
    """
    paths = [clip.path for clip in clips_of_job(parcel.job)]
    for name, item in parcel.items.items():
        target = site / RESULTS / name
        if parcel.clips is None:
            target.parent.mkdir(parents=True, exist_ok=True)
            _copied(parcel.root / name, target, item.sha256)
        else:
            place.get(f"in/{item.sha256}", target, item.sha256)
        target.chmod(0o600 if item.private else 0o644)
        if item.private_folder:
            make_private_folder(target.parent)
    if parcel.clips is not None:
        for number, path in enumerate(paths):
            paths[number] = site / CLIPS / str(number) / path.name
            if number in parcel.clips:
                place.get(f"in/{parcel.clips[number]}", paths[number], parcel.clips[number])
    folder = site / RESULTS / parcel.job.folder.relative_to(parcel.root)
    return with_clips(replace(parcel.job, folder=folder), paths)


def _copied(source: Path, target: Path, sha256: str) -> None:
    """Copy a file that all machines see under the same path."""
    try:
        shutil.copyfile(source, target)
    except OSError as error:
        do = "Check that the results folder is the same on every machine, and the right to read it."
        raise ClusterError("results folder", f"{source.name} cannot be read ({error.strerror})", "", do) from error
    if file_sha256(target) != sha256:
        raise ClusterError("results folder", f"{source.name} has other content on this machine")


class Handover:
    """The worker's side of handing results over: only what changed, and nothing twice."""

    def __init__(self, place: Place, parcel: Parcel, site: Path) -> None:
        self._place = place
        self._root = site / RESULTS
        self._folder = self._root / parcel.job.folder.relative_to(parcel.root)
        self._before = {name: item for name, item in parcel.items.items() if self._is_own(name)}
        self._sent: set[str] = set()

    def _is_own(self, name: str) -> bool:
        """Whether a file belongs to the job; corrections that were only read do not."""
        return (self._root / name).is_relative_to(self._folder)

    def send_finished(self) -> None:
        """Hand over what the record calls finished, while the job goes on."""
        record = read_record(self._folder)
        names = [name for stage in record.stages.values() for name in stage.outputs]
        own = self._folder.relative_to(self._root)
        # A file that is being replaced just now is left for the next time.
        with suppress(FileNotFoundError):
            self._send({(own / name).as_posix() for name in (*names, RECORD_NAME)})

    def send(self) -> None:
        """Hand over everything that the job changed, after its end."""
        self._send(None)

    def _send(self, wanted: set[str] | None) -> None:
        """Put changed files into the store; the list of them comes last."""
        now = listing(self._root, self._folder) if self._folder.is_dir() else {}
        changed: dict[str, Item] = {}
        for name, item in now.items():
            if self._before.get(name) == item or (wanted is not None and name not in wanted):
                continue
            data = (self._root / name).read_bytes()
            sha256 = hashlib.sha256(data).hexdigest()
            if sha256 not in self._sent:
                self._place.write(sha256, data)
                self._sent.add(sha256)
            changed[name] = replace(item, sha256=sha256)
        if wanted is not None and not changed:
            return
        gone = () if wanted is not None else tuple(name for name in self._before if name not in now)
        self._place.write(HANDED, to_json(Handed(changed, gone)))


def take_over(place: Place, parcel: Parcel) -> None:
    """Bring what a job changed into the results; all of it is fetched and checked before the first file changes.

    Raises
    ------
    ClusterError
        Something is missing, or is not what the worker's list says.
    OSError
        The results folder cannot be written.
    """
    try:
        handed = TypeAdapter(Handed).validate_json(place.read(HANDED))
    except ValidationError as error:
        raise ClusterError(place.item, f"{HANDED} cannot be read ({error.error_count()} mistakes)") from error
    folder = parcel.job.folder
    for name in (*handed.changed, *handed.gone):
        if not Path(os.path.normpath(parcel.root / name)).is_relative_to(folder):
            found = f"{name!r} leads out of the job's folder"
            raise ClusterError(place.item, found, f"expected a place in {folder.name}")
    contents = {name: place.read(item.sha256, item.sha256) for name, item in handed.changed.items()}
    for name in handed.gone:
        (parcel.root / name).unlink(missing_ok=True)
    # The records last: what they say is there by then.
    for name in sorted(contents, key=lambda one: (one.endswith(RECORD_NAME), one)):
        target, item = parcel.root / name, handed.changed[name]
        if item.private_folder and target.parent != folder:
            target.parent.parent.mkdir(parents=True, exist_ok=True)
            make_private_folder(target.parent)
        write_bytes(target, contents[name], private=item.private)
