"""The side of the process that does one job: what it tells while at work, and what it leaves for the run.

It reports through files, so that a crash cannot leave half a result.
"""

from __future__ import annotations

import errno
import multiprocessing
import os
import pickle
import sys
import threading
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import wait
from pathlib import Path
from typing import Any

from pipeline.errors import PipelineError
from pipeline.plain_text import one_line
from pipeline.store import without_home, write_bytes
from pipeline.usage import Usage

# Exit code of a process that cannot write its result (EX_IOERR of sysexits.h).
CANNOT_WRITE = 74
# What a system says where nothing more can be written: the disk is full, the quota used up, all of it read-only.
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EROFS)

Tell = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Failure:
    """Why a job has no result: the message for the user, and the traceback for the log.

    `machine` is what kept the machine from it, such as a full disk: another one may well do the job. It is empty where
    the job itself failed.
    """

    stage: str
    error_type: str
    message: str
    traceback: str = ""
    machine: str = ""


def work(function: Callable[..., Any], arguments: tuple[Any, ...], folder: Path) -> None:
    """Run the function, and hand its result or its error over in a file."""
    threading.Thread(target=_end_with_the_run, daemon=True).start()
    _redirect_output(folder / "output")
    stage = "start"
    usage = Usage(folder)

    def tell(new_stage: str, done: int, total: int) -> None:
        nonlocal stage
        stage = new_stage
        # Where the disk is full, the stage itself will say so.
        with suppress(OSError):
            usage.told(stage)
            write_bytes(folder / "progress", f"{done} {total} {stage}".encode())

    try:
        answer = pickle.dumps(function(*arguments, tell))
    except PipelineError as error:
        answer = pickle.dumps(Failure(stage, type(error).__name__, str(error)))
    except Exception as error:  # one job's bug must not end the run; the traceback is kept
        answer = pickle.dumps(_unexpected(stage, error))
    usage.ended()
    try:
        write_bytes(folder / "answer", answer)
    except OSError:
        os._exit(CANNOT_WRITE)


def _end_with_the_run() -> None:
    """Wait for the end of the process that started this one, and end with it.

    A run that was killed cannot stop its processes; a new run would meet them at the same files.
    """
    run = multiprocessing.parent_process()
    if run is not None:
        wait([run.sentinel])
        os._exit(1)


def _unexpected(stage: str, error: Exception) -> Failure:
    """Failure of an error that no module has foreseen, or of the machine."""
    kind, machine = type(error).__name__, ""
    if isinstance(error, OSError):
        # The full path would show the home folder's name.
        name = Path(str(error.filename)).name if error.filename else "a file"
        found = f"{name} cannot be read or written ({error.strerror or kind})"
        do = "Check free space, memory and the right to write into the results folder."
        # Reading never meets these, so that a clip that cannot be read is not among them.
        if error.errno in NO_ROOM:
            machine = f"{name} cannot be written ({error.strerror})"
    else:
        found = f"{kind} ({error}) in the stage {stage!r}; this is a fault of the program"
        do = "Report it with the log of this run."
    message = one_line(without_home(f"{found}. {do}"))
    return Failure(stage, kind, message, without_home(traceback.format_exc()), one_line(machine))


def _redirect_output(path: Path) -> None:
    """Send what this process prints to a file, native libraries included."""
    sys.stdout.flush()
    sys.stderr.flush()
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    os.dup2(handle, 1)
    os.dup2(handle, 2)
    os.close(handle)
