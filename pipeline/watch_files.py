"""Which files of an incoming folder are there and whole: unchanged for a while, and complete by their own structure.

Folders are listed every few seconds. Notices of the operating system are not used: network shares send none for what
another computer writes.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from pipeline.clip_file import missing_part


@dataclass(frozen=True, slots=True)
class FileKey:
    """What changes when a file does: also its inode and the time of its last change of any kind, so that another file
    of equal size and date in its place is noticed.
    """

    size: int
    changed_ns: int
    inode: int
    status_ns: int


@dataclass(slots=True)
class SeenFile:
    """A file as it was last seen: since when it is unchanged [s], and what keeps it from being whole once looked at."""

    key: FileKey
    since_s: float
    checked: bool = False
    fault: tuple[str, str] = ("", "")


class Incoming:
    """What is known of the files that are waited for.

    Parameters
    ----------
    settle_s : float
        A file that did not change for this time is no longer being copied. [s]
    """

    def __init__(self, settle_s: float) -> None:
        self.settle_s = settle_s
        self.files: dict[Path, SeenFile] = {}

    def look(self, paths: Iterable[Path], now_s: float) -> None:
        """List the folders of these files; files that are gone are forgotten.

        Parameters
        ----------
        paths : iterable of Path
        now_s : float
            By `time.monotonic`: the times in the files are of another clock. [s]
        """
        wanted: dict[Path, set[str]] = {}
        for path in paths:
            wanted.setdefault(path.parent, set()).add(path.name)
        there: dict[Path, SeenFile] = {}
        for folder, names in wanted.items():
            for name, key in _listed(folder, names).items():
                path = folder / name
                seen = self.files.get(path)
                there[path] = seen if seen is not None and seen.key == key else SeenFile(key, now_s)
        self.files = there
        for path, seen in there.items():
            if not seen.checked and now_s - seen.since_s >= self.settle_s:
                seen.checked = True
                try:
                    seen.fault = missing_part(path)
                except OSError as error:
                    seen.fault = (f"the file cannot be read ({error.strerror})", "Ask for the right to read it.")

    def is_there(self, path: Path) -> bool:
        """Whether there is such a file."""
        return path in self.files

    def whole(self, path: Path) -> FileKey | None:
        """The key of a file that is whole; None for one that is not there, is being copied, or is no whole clip."""
        seen = self.files.get(path)
        return seen.key if seen is not None and seen.checked and not seen.fault[0] else None

    def fault(self, path: Path) -> tuple[str, str]:
        """What keeps a file that does not change any more from being whole, and what to do; empty texts if nothing."""
        seen = self.files.get(path)
        return seen.fault if seen is not None else ("", "")


def key_of(path: Path) -> FileKey | None:
    """The key of a file; None where there is none."""
    try:
        return _key(path.stat())
    except OSError:
        return None


def _listed(folder: Path, names: set[str]) -> dict[str, FileKey]:
    """Keys of the files of these names in a folder; none where it is not there."""
    found = {}
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.name in names:
                    try:
                        if entry.is_file():
                            found[entry.name] = _key(entry.stat())
                    except OSError:
                        # It went away between the list and the look.
                        continue
    except OSError:
        return {}
    return found


def _key(stat: os.stat_result) -> FileKey:
    return FileKey(stat.st_size, stat.st_mtime_ns, stat.st_ino, stat.st_ctime_ns)
