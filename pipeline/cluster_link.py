"""The connection of a run to its workers, through dask.distributed: the only module that uses it.

Its two ends: `Link` on the machine that runs the command, `Post` inside a job on a worker. Everything that travels
between them is pickled by us, so that the scheduler carries bytes; it still has to import the functions by name.
"""

from __future__ import annotations

import logging
import multiprocessing
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from pipeline.errors import ClusterError
from pipeline.object_store import EXTRA

# Their lines about lost connections stay off the screen: the run says it in its own words.
LOGGERS = ("distributed.client", "distributed.core", "distributed.comm", "distributed.batched", "tornado.application")
# How long a scheduler that is there may take to answer. Own choice. [s]
ANSWER_S = 10.0


@dataclass(frozen=True, slots=True)
class WorkerInfo:
    """A worker: its address, and how many jobs it takes at a time."""

    address: str
    slots: int


def _distributed() -> Any:
    """The package, or how to install it."""
    try:
        import distributed
    except ImportError:
        item, part = "package distributed", "it is part of the extra `cluster`"
        raise ClusterError(item, "is not installed", part, EXTRA) from None
    return distributed


class Link:
    """A connection to a scheduler.

    Raises
    ------
    ClusterError
        distributed is not installed, or no scheduler answers.
    """

    def __init__(self, address: str, timeout_s: float | None = None) -> None:
        distributed = _distributed()
        timeout_s = ANSWER_S if timeout_s is None else timeout_s
        self.address = address
        for name in LOGGERS:
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            # TLS, where it is wanted, comes from dask's own settings.
            self._client = distributed.Client(address, timeout=timeout_s, set_as_default=False)
        # A refused or wrong certificate, an address that is none, nobody there: each has errors of its own.
        except Exception as error:
            raise ClusterError(
                f"cluster {address}",
                f"no scheduler answers ({type(error).__name__}: {error})",
                "expected the address that `dask scheduler` prints",
                "Start it, with the same TLS settings as here; pipeline/docs/cluster.md tells how.",
            ) from error

    def is_there(self) -> bool:
        """Whether the scheduler is still connected."""
        return bool(self._client.status == "running")

    def workers(self) -> dict[str, WorkerInfo] | None:
        """The workers now, by address; None when the scheduler does not answer, which says nothing of them."""
        try:
            # Not `scheduler_info`: the client's own look at the scheduler may empty its list of workers meanwhile.
            found = self._client.nthreads()
        except Exception:  # a connection breaks in many ways
            return None
        return {address: WorkerInfo(address, int(slots)) for address, slots in found.items()}

    def ask(self, function: Callable[[bytes], Any], packed: bytes, workers: list[str]) -> dict[str, Any]:
        """Call a function on workers, beside their jobs; its result or its exception by address."""
        try:
            answers: dict[str, Any] = self._client.run(function, packed, workers=workers, on_error="return")
        except Exception:  # the scheduler went away while it asked
            return {}
        return answers

    def send(self, function: Callable[[bytes], Any], packed: bytes, *, key: str, worker: str) -> Any:
        """Send a job to one worker; what comes back is asked with `state_of` and `answer_of`."""
        options = {"workers": [worker], "allow_other_workers": False, "pure": False}
        try:
            return self._client.submit(function, packed, key=key, **options)
        except Exception:  # the scheduler went away: a job of a lost connection counts as cancelled
            if self.is_there():
                raise
            return SimpleNamespace(status="cancelled")

    def follow(self, topic: str, handler: Callable[[Any], None]) -> None:
        """Have a function called with what jobs tell under a topic; it runs in another thread."""
        try:
            self._client.subscribe_topic(topic, lambda event: handler(event[1]))
        except Exception:  # the scheduler went away; the run sees it, connects again and follows again
            if self.is_there():
                raise

    def close(self) -> None:
        """End the connection; jobs that were sent are given up."""
        with suppress(Exception):
            self._client.close(timeout=2)


def state_of(future: Any) -> str:
    """Tell how a job that was sent stands: `pending`, `finished`, `error`, or `cancelled` with its scheduler."""
    status = str(future.status)
    # The result went away with its worker, which is then missed anyway.
    return "pending" if status == "lost" else status


def answer_of(future: Any) -> Any:
    """What a finished job gave, or its exception."""
    try:
        return future.result(timeout=ANSWER_S)
    except Exception as error:  # whatever ended the job, or the way to it
        return error


def give_up(future: Any) -> None:
    """Say that a job's result is not wanted any more."""
    with suppress(Exception):
        future.cancel(force=True)


class Post:
    """A job's place on the worker that does it."""

    def __init__(self, key: str, topic: str) -> None:
        self._worker = _distributed().get_worker()
        self._key, self._topic = key, topic
        self._told_s = 0.0
        self._stage = ""
        # A nanny's child may have no children of its own; the job's process is one, and ends with it.
        multiprocessing.current_process().daemon = False

    @property
    def folder(self) -> Path:
        """Where the worker keeps files; what a killed worker left there is deleted when the next one starts."""
        return Path(self._worker.local_directory)

    def is_wanted(self) -> bool:
        """Whether somebody waits for this job: the run has not given it up, the worker has not lost its scheduler."""
        task = self._worker.state.tasks.get(self._key)
        return self._worker.status.name in ("running", "paused") and task is not None and task.state == "executing"

    def tell(self, name: str, stage: str, done: int, total: int) -> None:
        """Tell the run how far the job is, at most once a second and at each new stage."""
        now_s = time.monotonic()
        if stage != self._stage or now_s - self._told_s >= 1.0:
            self._stage, self._told_s = stage, now_s
            self._worker.log_event(self._topic, [name, stage, done, total])
