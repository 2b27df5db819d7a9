"""Files on disk: names, whole-or-nothing writes, and hashes.

The results folder is the database: `key-value` names, one folder per subject, visit and clip. Every write
goes to a temporary name first and is renamed, so that a reader never meets half a file.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import TypeAdapter, ValidationError
from pydantic_core import to_json

from pipeline.errors import ConfigError, StageError
from pipeline.outside import LARGEST_SAVED, open_outside, read_outside
from pipeline.places import is_shared, leads_outside, lies_inside, resolved
from pipeline.plain_text import one_line, visible_json

T = TypeVar("T")

# Read in pieces, so that hashing a long clip does not fill the memory. [bytes]
CHUNK_SIZE = 1 << 20
# Files that a write that was killed has left.
PARTS = ".*.part"
# Begin the names of folders that are there while a run is at work: in its own folder that of its processes, in the
# results folder that in which a cluster's workers hand over what they did.
JOBS = ".jobs-"
HANDING = ".cluster-"
# The page of a whole study, at the root of the results folder.
STUDY_PAGE = "study.html"
# The page of one person across the visits, in the person's folder.
SUBJECT_PAGE = "track.html"


def shown_path(path: Path) -> str:
    """The path as messages show it: relative to the working folder, never a home folder's name."""
    try:
        return one_line(resolved(path).relative_to(resolved(Path.cwd())).as_posix()) or "."
    except ValueError:
        return one_line(path.name)


def openable_path(path: Path) -> str:
    """The path as a user opens it: from the working folder, wherever it lies."""
    return one_line(os.path.relpath(path))


def without_home(text: str) -> str:
    """The text without the names of the working folder and the home folder, which is often a person's."""
    for folder, sign in ((str(Path.cwd()), "."), (str(Path.home()), "~")):
        text = text.replace(folder, sign) if len(folder) > 1 else text
    return text


def write_bytes(path: Path, data: bytes, *, private: bool = False, lasting: bool = False) -> None:
    """Write a file whole or not at all; folders are made as needed.

    A `lasting` file is on the disk when this returns, whatever happens to the machine then: for what no run can make
    again. Others are known by their hashes, and made again where a power cut took them.

    A `private` file is for its owner alone, since it may show a person. Where the folder carries the set-group-ID
    bit, by which colleagues share one, its group reads it too. Elsewhere than on POSIX the folder's own rights count.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    part = Path(temporary)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            if lasting:
                file.flush()
                os.fsync(file.fileno())
        # mkstemp makes files that only their owner can read, but tables are shared within a clinic.
        part.chmod((0o640 if is_shared(path.parent) else 0o600) if private else 0o644)
        part.replace(path)
        if lasting:
            _to_disk(path.parent)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _to_disk(folder: Path) -> None:
    """Bring a folder's list of names to the disk, where the system lets a folder be opened."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_text(path: Path, text: str, *, private: bool = False) -> None:
    """Write UTF-8 text whole or not at all, with the same line ends on every system."""
    write_bytes(path, text.encode("utf-8"), private=private)


def json_bytes(value: object) -> bytes:
    """Return a record (dataclass, dict, tuple of them) as indented JSON; NaN becomes the text "NaN"."""
    return to_json(value, indent=1, inf_nan_mode="strings") + b"\n"


def write_json(path: Path, value: object, *, lasting: bool = False) -> None:
    """Write a record as `json_bytes` gives it."""
    write_bytes(path, json_bytes(value), lasting=lasting)


def write_table(path: Path, table: pd.DataFrame) -> None:
    """Write a table as CSV without its index, floats in their shortest exact form."""
    write_text(path, table.to_csv(index=False, lineterminator="\n"))


def write_arrays(path: Path, arrays: Mapping[str, NDArray[Any]], *, private: bool = False) -> None:
    """Write named arrays as one compressed npz file; equal arrays give equal bytes."""
    buffer = io.BytesIO()
    np.savez_compressed(buffer, allow_pickle=False, **dict(arrays))
    write_bytes(path, buffer.getvalue(), private=private)


def read_json(path: Path, kind: type[T]) -> T:
    """Read what `write_json` wrote.

    Raises
    ------
    StageError
        The file is missing, or not a record of this kind.
    """
    do = "Run the study again into the same folder; what is missing is made anew."
    try:
        record: T = _adapter(cast(Any, kind)).validate_json(visible_json(read_outside(path, LARGEST_SAVED)))
        return record
    except FileNotFoundError:
        raise StageError(shown_path(path), "no such file", "expected a saved result", do) from None
    except OSError as error:
        raise StageError(shown_path(path), f"cannot be read ({error.strerror})", "", do) from error
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = "".join(f"{part}: " for part in first["loc"])
        raise StageError(shown_path(path), f"cannot be read ({place}{first['msg']})", "", do) from error
    except ValueError as error:
        raise StageError(shown_path(path), f"cannot be read ({error})", "", do) from error


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    """The reader of a kind of record; making one takes longer than reading a record."""
    return TypeAdapter(kind)


def file_sha256(path: Path) -> str:
    """SHA-256 of a file's content."""
    digest = hashlib.sha256()
    with open_outside(path) as handle:
        while chunk := handle.read(CHUNK_SIZE):
            digest.update(chunk)
    return digest.hexdigest()


def fingerprint(**parts: object) -> str:
    """SHA-256 of everything that a stage's result depends on, independent of the order of the names."""
    plain = json.loads(to_json(parts, inf_nan_mode="strings"))
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode("utf-8")).hexdigest()


def nothing_saved(
    results: Path, found: str = "no visit with saved results", *, expected: str = "sub-*/ses-*/visit.json"
) -> ConfigError:
    """The error of a folder that should hold results of a run, and does not."""
    return ConfigError(
        shown_path(results),
        found,
        f"expected {expected}",
        "Give the folder that was given to `strideledger run --out`.",
    )


@dataclass(frozen=True, slots=True)
class OutputTree:
    """The results folder and the names inside it.

    Raises
    ------
    ConfigError
        A name would lie outside the results folder, or the folder's name belongs to a file.
    """

    root: Path

    def __post_init__(self) -> None:
        if self.root.exists() and not self.root.is_dir():
            raise ConfigError(
                shown_path(self.root),
                "is a file",
                "expected a folder for the results",
                "Give another folder with --out.",
            )

    def inside(self, *parts: str) -> Path:
        """A path under the root, links followed; refused when it leads outside."""
        path = self.root.joinpath(*parts)
        if not lies_inside(path, self.root):
            raise leads_outside("/".join(parts))
        return path

    def visit_folder(self, subject: str, visit: str) -> Path:
        """Folder of one visit: its report, tables, figures, and one folder per clip."""
        return self.inside(f"sub-{subject}", f"ses-{visit}")

    def clip_folder(self, subject: str, visit: str, clip_id: str) -> Path:
        """Folder of one clip's landmarks, events, strides and record."""
        return self.inside(f"sub-{subject}", f"ses-{visit}", clip_id)

    def run_folder(self, run_id: str) -> Path:
        """Folder of one run's settings, versions, table of clips and log."""
        return self.inside("runs", run_id)

    def visit_folders(self) -> list[Path]:
        """Folders of all visits that have a saved report, by name."""
        found = sorted(path.parent for path in self.root.glob("sub-*/ses-*/visit.json"))
        return [self.inside(*folder.relative_to(self.root).parts) for folder in found]


def now_text() -> str:
    """The time now, to the second, in UTC."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
