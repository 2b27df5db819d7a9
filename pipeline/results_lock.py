"""One command at a time that writes into a results folder.

The lock is one of the operating system on an open file: it ends with the process, however that ends, so that nothing
stale is left by `kill -9` or a pulled plug. The file says who holds it.
"""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError
from pydantic_core import to_json

from pipeline.errors import ConfigError
from pipeline.places import make_results_folder
from pipeline.run_record import host_mark, this_process
from pipeline.store import HANDING, JOBS, now_text, shown_path

LOCK_NAME = ".in-use"
# Where locks must not cover what others read (Windows): far behind the text. [bytes]
FAR = 1 << 30
# What a file system answers that keeps no locks (POSIX: flock, fcntl).
NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EINVAL}


@dataclass(frozen=True, slots=True)
class Holder:
    """Who works in a results folder: the command, since when (UTC), its process, the computer's mark."""

    work: str
    since: str
    pid: int
    host: str


@contextmanager
def hold_results(out: Path, work: str, *, own: Path | None = None) -> Iterator[str]:
    """Hold a results folder while a command is at work there; give a caution where that cannot be made sure.

    Parameters
    ----------
    out : Path
        The results folder; made if needed.
    work : {"run", "watch", "report", "track", "forget"}
    own : Path, optional
        What a cluster's run has put there already.

    Raises
    ------
    ConfigError
        Another one is at work there, or the file of the lock is a link.

    Notes
    -----
    On a network share the lock holds between computers where the server passes locks on, as NFS 4 and SMB do; a share
    that is mounted without them (`nolock`, `nobrl`) keeps only the runs of one computer apart, or none.
    """
    make_results_folder(out)
    path = out / LOCK_NAME
    # What a link leads to is not ours to empty.
    if path.is_symlink():
        raise ConfigError(shown_path(path), "is a link", "expected a file of the results", "Delete the link.")
    handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
    try:
        caution = ""
        try:
            _lock(handle)
        except OSError as error:
            if error.errno not in NO_LOCKS:
                raise _in_use(out, read_holder(out)) from None
            caution = "The file system of the results keeps no locks: take care that only one run writes there."
        if not caution:
            # Nobody is at work here: what killed runs left of their processes' and workers' files is of no more use.
            for left in (*out.glob(f"runs/*/{JOBS}*"), *out.glob(f"{HANDING}*")):
                if (own is None or left.name != own.name) and not _is_linked(left, out):
                    shutil.rmtree(left, ignore_errors=True)
        with suppress(OSError):
            os.ftruncate(handle, 0)
            os.write(handle, to_json(Holder(work, now_text(), *this_process())))
        try:
            yield caution
        finally:
            with suppress(OSError):
                os.ftruncate(handle, 0)
    finally:
        # Closing ends the lock. The file stays: whoever removed it could meet one that opens it just then.
        os.close(handle)


def _is_linked(path: Path, out: Path) -> bool:
    """Whether a folder between the results folder and a path in it is a link."""
    return any(parent.is_symlink() for parent in path.parents if parent.is_relative_to(out) and parent != out)


def read_holder(out: Path) -> Holder | None:
    """Who last wrote that it holds a results folder; None when it was handed back, or is not readable."""
    try:
        return TypeAdapter(Holder).validate_json((out / LOCK_NAME).read_bytes())
    except (OSError, ValidationError):
        return None


def _in_use(out: Path, holder: Holder | None) -> ConfigError:
    """The error that says who is at work."""
    who = "by another run"
    if holder is not None:
        here = "this computer" if holder.host == host_mark() else "another computer"
        who = f"by `strideledger {holder.work}` since {holder.since}, process {holder.pid} of {here}"
    return ConfigError(
        shown_path(out),
        f"in use {who}",
        "expected a results folder in which nothing is at work",
        "Wait until it has ended, or stop it with Ctrl-C; `strideledger status` shows what it does.",
    )


def _lock(handle: int) -> None:
    """Lock an open file, or raise OSError at once."""
    try:
        import fcntl
    except ImportError:
        import msvcrt

        os.lseek(handle, FAR, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        os.lseek(handle, 0, os.SEEK_SET)
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
