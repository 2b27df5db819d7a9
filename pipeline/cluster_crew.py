"""The workers of a run: who is there, who was examined, who may be sent a job, and the way back after a loss."""

from __future__ import annotations

import pickle
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from pipeline.cluster_link import ANSWER_S, Link, WorkerInfo
from pipeline.cluster_worker import Check, examine
from pipeline.errors import ClusterError, ManyProblems
from pipeline.isolate import POLL_S
from pipeline.store import without_home

# How often the list of workers is asked for. [s]
LOOK_S = 1.0
# How long the first worker may take to join. [s]
JOIN_S = 30.0
# A worker that could not do a job for a reason of its own, such as a full disk, gets none for so long. [s]
REST_S = 30.0
KEPT = "Finished clips are kept: start scheduler and workers again, and then the same command."


@dataclass(frozen=True, slots=True)
class Cluster:
    """Where a run finds its workers, and how their files travel.

    Attributes
    ----------
    address : str
        Address that `dask scheduler` prints, such as `tcp://10.0.0.1:8786`; with TLS `tls://...`.
    store : str or None
        Folder in an object store, `s3://bucket/folder`, for workers that do not see the run's folders. Without it
        study and results lie under the same path on every machine.
    wait_s : float
        How long a run waits for a scheduler or a worker to come back. [s]

    Raises
    ------
    ClusterError
        An address is empty, or that of the store is a chain of several.
    """

    address: str
    store: str | None = None
    wait_s: float = 300.0

    def __post_init__(self) -> None:
        if not self.address.strip():
            expected = "expected the address that `dask scheduler` prints"
            raise ClusterError("cluster", "its address is empty", expected, "Give it, or leave out --cluster.")
        if self.store is None:
            return
        expected = "expected one folder, such as s3://bucket/folder"
        if not self.store.strip():
            raise ClusterError("store", "its address is empty", expected, "Give it, or leave out --store.")
        # fsspec would take the part before it for the folder, and delete that at the end of the run.
        if "::" in self.store:
            raise ClusterError("store", "its address holds `::`, a chain of addresses", expected, "Give one address.")


class Crew:
    """The workers that were examined and are there.

    Raises
    ------
    ClusterError
        No scheduler answers.
    """

    def __init__(self, cluster: Cluster) -> None:
        self._cluster = cluster
        self.notice: Callable[[str], None] = lambda _: None
        self.link = Link(cluster.address)
        self.members: dict[str, WorkerInfo] = {}
        self._check: Check | None = None
        self._refused: dict[str, str] = {}
        self._rests_until_s: dict[str, float] = {}
        self._looked_s = 0.0
        self._had_members_s = time.monotonic()

    def assemble(self, check: Check) -> None:
        """Wait until workers have joined, and examine them.

        Raises
        ------
        ManyProblems
            Workers cannot be used: this is put right before anything is measured.
        ClusterError
            Nobody joined.
        """
        self._check = check
        deadline_s = time.monotonic() + min(JOIN_S, self._cluster.wait_s)
        while True:
            self._meet()
            if self._refused:
                problems = list(self._refused.values())
                raise ManyProblems(f"cluster {self._cluster.address}", problems, "Nothing was measured.")
            if self.members:
                self._had_members_s = time.monotonic()
                return
            if time.monotonic() > deadline_s:
                raise self._error("its scheduler has no worker", f"Start some: dask worker {self._cluster.address}")
            time.sleep(POLL_S)

    def look(self) -> None:
        """See who has come and gone, once a second.

        Raises
        ------
        ClusterError
            There was no worker, or no answer from the scheduler, for longer than the run waits.
        """
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_S:
            return
        self._looked_s = now_s
        before = dict(self.members)
        refused = set(self._refused)
        answered = self._meet()
        for address, worker in before.items():
            if address not in self.members:
                self.notice(f"worker {worker.address} is gone; its jobs go to others.")
        for address in set(self._refused) - refused:
            self.notice(f"{self._refused[address]} It gets no jobs.")
        if answered and self.members:
            self._had_members_s = now_s
        elif now_s - self._had_members_s > self._cluster.wait_s:
            do = " ".join([KEPT, *self._refused.values()])
            raise self._error(f"no worker that can be used for {self._cluster.wait_s:g} s", do)

    def come_back(self) -> None:
        """Connect again after the scheduler was lost.

        Raises
        ------
        ClusterError
            It did not come back within the time that the run waits.
        """
        wait_s = self._cluster.wait_s
        self.notice(f"the scheduler {self._cluster.address} is gone; the run waits up to {wait_s:g} s for it.")
        self.link.close()
        self.members = {}
        deadline_s = time.monotonic() + wait_s
        while True:
            try:
                self.link = Link(self._cluster.address, max(1.0, min(ANSWER_S, deadline_s - time.monotonic())))
            except ClusterError:
                if time.monotonic() >= deadline_s:
                    raise self._error(f"the scheduler did not come back within {wait_s:g} s", KEPT) from None
                time.sleep(LOOK_S)
            else:
                break
        self.notice("the scheduler answers again.")
        self._had_members_s = time.monotonic()

    def rest(self, worker: WorkerInfo) -> None:
        """Send a worker no job for a while."""
        self._rests_until_s[worker.address] = time.monotonic() + REST_S

    def free(self, busy: Mapping[str, int]) -> Iterator[WorkerInfo]:
        """A worker for every job that may be begun now; `busy` are the jobs that each has, by address."""
        taken, now_s = Counter(busy), time.monotonic()
        for address, worker in self.members.items():
            if self._rests_until_s.get(address, 0.0) <= now_s:
                yield from [worker] * (worker.slots - taken[address])

    def _meet(self) -> bool:
        """Examine who is new, and forget who is gone; tell whether the scheduler answered."""
        found = self.link.workers()
        if found is None:
            return False
        new = [address for address in found if address not in self.members and address not in self._refused]
        answers = self.link.ask(examine, pickle.dumps(self._check), new) if new else {}
        self._refused = {address: text for address, text in self._refused.items() if address in found}
        self.members = {address: found[address] for address in self.members if address in found}
        for address, answer in answers.items():
            if answer == "":
                self.members[address] = found[address]
            elif isinstance(answer, str):
                self._refused[address] = f"worker {address}: {answer}"
            elif isinstance(answer, ImportError):
                found_there = f"strideledger cannot be loaded there ({answer})"
                self._refused[address] = f"worker {address}: {found_there}. Install it, and start it again."
            elif not isinstance(answer, OSError):
                text = without_home(f"{type(answer).__name__}: {answer}")
                self._refused[address] = f"worker {address}: it cannot be examined ({text})."
            # A lost connection is no answer: the worker is asked again, if it is still there.
        return True

    def _error(self, found: str, do: str) -> ClusterError:
        """The error that ends a run."""
        return ClusterError(f"cluster {self._cluster.address}", found, "", do)
