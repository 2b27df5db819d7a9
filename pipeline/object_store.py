"""Files in an object store or a shared folder, through fsspec: the only module that uses it.

Every file is named by whoever puts it there, and read back only with the SHA-256 that it should have.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.errors import ClusterError
from pipeline.store import file_sha256, without_home

EXTRA = "Install it on every machine: python -m pip install 'strideledger[cluster]'"
DO = "Check the address given with --store, the rights to it, and free space."
DO_FOLDER = "Check that it is the same on every machine, the right to write there, and free space."


@dataclass(frozen=True, slots=True)
class Place:
    """A folder of a store, by its address: `s3://bucket/folder`, `file:///mnt/share/folder`.

    A `shared` one lies in the results folder, and `url` is its plain path: an address has signs of its own, such as
    `%20` for a space, that a file's name may hold too.

    Raises
    ------
    ClusterError
        From every method: the store, or the package that speaks to it, cannot be used.
    """

    url: str
    shared: bool = False

    @property
    def item(self) -> str:
        """What messages call it."""
        return "results folder" if self.shared else "store"

    def put(self, name: str, path: Path) -> None:
        """Copy a file of this machine into the store."""
        with self._open(name) as (files, place):
            files.makedirs(place.rpartition("/")[0], exist_ok=True)
            files.put_file(str(path), place)

    def write(self, name: str, data: bytes) -> None:
        """Put a small file's content into the store."""
        with self._open(name) as (files, place):
            files.makedirs(place.rpartition("/")[0], exist_ok=True)
            files.pipe_file(place, data)

    def get(self, name: str, path: Path, sha256: str) -> None:
        """Copy a file out of the store; it must have the content that is expected."""
        path.parent.mkdir(parents=True, exist_ok=True)
        with self._open(name) as (files, place):
            files.get_file(place, str(path))
        self._check(name, file_sha256(path), sha256)

    def read(self, name: str, sha256: str | None = None) -> bytes:
        """A file's content, which must be the expected one where that is known."""
        with self._open(name) as (files, place):
            data: bytes = files.cat_file(place)
        if sha256 is not None:
            self._check(name, hashlib.sha256(data).hexdigest(), sha256)
        return data

    def has(self, name: str) -> bool:
        """Whether a file is there now."""
        with self._open(name) as (files, place):
            files.invalidate_cache()
            return bool(files.exists(place))

    def remove(self, name: str) -> None:
        """Delete a file, or everything under a name; nothing where there is nothing."""
        with self._open(name) as (files, place):
            files.invalidate_cache()
            if files.exists(place):
                files.rm(place, recursive=True)

    def remove_all(self, own: str) -> None:
        """Delete this folder, whose name must be that of the run's own: nobody else's files go with it."""
        with self._open() as (files, root):
            is_own = root.rstrip("/").rpartition("/")[2] == own
            files.invalidate_cache()
            if is_own and files.exists(root):
                files.rm(root, recursive=True)
        if not is_own:
            raise ClusterError(
                self.item,
                "its address leads to another folder than the run's own, which stays",
                f"expected {own}",
                "Give the address of an ordinary folder, and delete by hand what the run left there.",
            )

    def below(self, name: str) -> Place:
        """A folder of this one."""
        return replace(self, url=f"{self.url.rstrip('/')}/{name}")

    def _check(self, name: str, found: str, expected: str) -> None:
        """Refuse content that is not the expected one."""
        if found != expected:
            raise ClusterError(self.item, f"{name} has other content than was put there", "", self._do)

    @property
    def _do(self) -> str:
        """What a user can do about it."""
        return DO_FOLDER if self.shared else DO

    @contextmanager
    def _open(self, name: str = "") -> Iterator[tuple[Any, str]]:
        """The file system and a file's name in it; what goes wrong inside becomes an error for the user."""
        fsspec = load_fsspec()
        try:
            files, root = (fsspec.filesystem("file"), self.url) if self.shared else fsspec.core.url_to_fs(self.url)
            yield files, f"{root.rstrip('/')}/{name}" if name else root
        except ImportError as error:
            do = f"{EXTRA}; and what the store itself needs (s3fs)."
            raise ClusterError(self.item, str(error), "", do) from error
        # Each kind of store has errors of its own, which only its package knows.
        except Exception as error:
            why = getattr(error, "strerror", None) or f"{type(error).__name__}: {error}"
            raise ClusterError(self.item, f"cannot be used ({without_home(why)})", "", self._do) from error


def load_fsspec() -> Any:
    """Return the package, or say how to install it."""
    try:
        import fsspec
        import fsspec.core
    except ImportError:
        raise ClusterError("package fsspec", "is not installed", "it is part of the extra `cluster`", EXTRA) from None
    for name in ("botocore", "s3fs", "fsspec"):
        logging.getLogger(name).setLevel(logging.ERROR)
    return fsspec


def shared_place(folder: Path) -> Place:
    """A folder that all machines see under the same path."""
    return Place(folder.resolve().as_posix(), shared=True)
