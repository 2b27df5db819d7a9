"""The jobs of a run on many machines: which worker does which, what is done again, and what comes back.

`OpenCluster.run_jobs` keeps the contract of `isolate.run_jobs`. Each job is sent to one worker that was examined
before; dask's own repetitions are not used, since only the run knows that an attempt is over and another may begin.
"""

from __future__ import annotations

import itertools
import pickle
import secrets
import tempfile
import time
from collections import Counter, deque
from collections.abc import Callable, Generator, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from pipeline.cluster_crew import Cluster, Crew
from pipeline.cluster_link import WorkerInfo, answer_of, give_up, state_of
from pipeline.cluster_worker import TOKEN, Answer, Check, Order, do_job, program
from pipeline.errors import ClusterError
from pipeline.isolate import POLL_S, Job, OnProgress, Outcome
from pipeline.job_process import Failure
from pipeline.manifest_row import MANIFEST_NAME
from pipeline.object_store import Place, load_fsspec, shared_place
from pipeline.parcels import HANDED, Parcel, parcel_of, take_over
from pipeline.places import make_results_folder
from pipeline.sent_files import SentFiles
from pipeline.store import HANDING, file_sha256, write_bytes

# Times that a job is begun at most. One loss is bad luck; a clip that takes worker after worker with it is more.
# Own choice.
TRIES = 3


@dataclass(slots=True)
class _Sent:
    """A job at a worker."""

    job: Job
    worker: WorkerInfo
    key: str
    parcel: Parcel
    future: Any
    started_s: float = field(default_factory=time.monotonic)


@contextmanager
def open_cluster(cluster: Cluster | None, *, study: Path, out: Path, model: str) -> Iterator[OpenCluster | None]:
    """Connect to the workers, examine each, and clear up at the end what was put beside the results or into the store.

    Parameters
    ----------
    cluster : Cluster or None
        None gives None: the run keeps to this machine.
    study, out : Path
        Folders of the study and of the results.
    model : str
        Name of the pose model.

    Raises
    ------
    ClusterError
        A package of the extra is missing, or scheduler, workers or store cannot be used.
    ManyProblems
        Workers differ from this machine, or do not see the run's files; each is named.
    """
    if cluster is None:
        yield None
        return
    load_fsspec()
    crew = Crew(cluster)
    is_new = not out.exists()
    name, token = secrets.token_hex(6), secrets.token_bytes(16)
    own = f"strideledger-{name}"
    folder: Path | None = None
    place: Place | None = None
    try:
        if cluster.store is None:
            make_results_folder(out)
            folder = Path(tempfile.mkdtemp(dir=out.resolve(), prefix=HANDING))
            own, place = folder.name, shared_place(folder)
            write_bytes(folder / TOKEN, token, private=True)
        else:
            place = Place(cluster.store).below(own)
            place.write(TOKEN, token)
        manifest_sha256 = file_sha256(study / MANIFEST_NAME)
        check = Check(program(model), model, place, token, folder, study.resolve(), manifest_sha256)
        crew.assemble(check)
        yield OpenCluster(crew, check, name)
    finally:
        crew.link.close()
        if place is not None:
            place.remove_all(own)
        if is_new and out.is_dir() and not any(out.iterdir()):
            out.rmdir()


class OpenCluster:
    """A cluster whose workers were examined."""

    def __init__(self, crew: Crew, check: Check, name: str) -> None:
        self._crew, self._check, self._place, self._name = crew, check, check.place, name
        self._numbers = itertools.count(1)
        self._told: SimpleQueue[Any] = SimpleQueue()
        self._files = SentFiles(check.place, travel=check.folder is None)
        self._active: dict[str, _Sent] = {}
        self._again: deque[Job] = deque()
        self._begun: Counter[str] = Counter()
        crew.link.follow(name, self._told.put)

    @property
    def folder(self) -> Path | None:
        """What lies beside the results while the run goes on; None where files travel through a store."""
        return self._check.folder

    @property
    def slots(self) -> int:
        """Jobs that the workers take at a time; 0 while none is there."""
        # Asked by the thread of the record too.
        return sum(worker.slots for worker in list(self._crew.members.values()))

    def run_jobs(
        self,
        queue: deque[Job],
        *,
        workers: int | None = None,
        on_progress: OnProgress | None = None,
        on_notice: Callable[[str], None] = lambda _: None,
    ) -> Generator[Outcome, None, None]:
        """Yield the outcome of each job as it ends; the caller may append to the queue meanwhile.

        Parameters
        ----------
        queue : deque of Job
            Each about a `ClipJob` or a `VisitJob`, its only argument.
        workers : int, optional
            Jobs at a time; by default as many as the workers have threads. [1]
        on_progress : callable, optional
            Called with name, stage, done and total whenever a job has told something new.
        on_notice : callable, optional
            Called with what happens to scheduler and workers, a sentence each.

        Raises
        ------
        ClusterError
            Scheduler, workers or store stayed away for longer than the run waits.
        """
        self._crew.notice = on_notice
        try:
            while queue or self._again or self._active:
                yield from self._look_after()
                for worker in self._free(workers):
                    if not (self._again or queue):
                        break
                    unread = self._send((self._again or queue).popleft(), worker)
                    if unread is not None:
                        yield unread
                self._relay(on_progress)
                ended = [sent for sent in self._active.values() if state_of(sent.future) in ("finished", "error")]
                for sent in ended:
                    outcome = self._end(sent)
                    if outcome is not None:
                        yield outcome
                if not ended:
                    time.sleep(POLL_S)
        finally:
            self.close()

    def close(self) -> None:
        """Give up what is still at work, so that its processes end."""
        for sent in self._active.values():
            give_up(sent.future)
        if self._active:
            # A worker looks several times a second whether its job is wanted; then it hands nothing over any more.
            time.sleep(10 * POLL_S)
        self._active.clear()

    def _relay(self, on_progress: OnProgress | None) -> None:
        """Pass on what jobs have told."""
        with suppress(Empty):
            while True:
                name, stage, done, total = self._told.get_nowait()
                if on_progress is not None and any(sent.job.name == name for sent in self._active.values()):
                    on_progress(name, stage, done, total)

    def _look_after(self) -> Iterator[Outcome]:
        """See what has become of scheduler and workers; the outcomes of jobs that were lost too often."""
        if not self._crew.link.is_there() or any(
            state_of(sent.future) == "cancelled" for sent in self._active.values()
        ):
            for sent in list(self._active.values()):
                # No fault of the job.
                self._begun[sent.job.name] -= 1
                self._once_more(sent, "", "")
            self._crew.come_back()
            self._crew.link.follow(self._name, self._told.put)
        self._crew.look()
        for sent in list(self._active.values()):
            if sent.worker.address not in self._crew.members and state_of(sent.future) == "pending":
                found = f"its worker was lost {TRIES} times in a row, the last one {sent.worker.address}"
                do = "Often a machine's memory ran out: start fewer workers on it."
                outcome = self._once_more(sent, found, do)
                if outcome is not None:
                    yield outcome

    def _free(self, limit: int | None) -> Iterator[WorkerInfo]:
        """A worker for every job that may be begun now."""
        busy = Counter(sent.worker.address for sent in self._active.values())
        n_free = None if limit is None else max(0, limit - len(self._active))
        return itertools.islice(self._crew.free(busy), n_free)

    def _send(self, job: Job, worker: WorkerInfo) -> Outcome | None:
        """Send a job to a worker; its outcome where its files cannot be read here."""
        started_s = time.monotonic()
        self._begun[job.name] += 1
        try:
            parcel = parcel_of(job.arguments[0], clips_travel=self._check.folder is None)
        except OSError as error:
            name = Path(str(error.filename)).name if error.filename else "a file"
            found = f"{name} cannot be read ({error.strerror})"
            return self._failed(job, found, "Check the right to read the study and the results.", started_s)
        self._files.put(parcel)
        key = f"{self._name}-{next(self._numbers)}"
        order = Order(
            program=self._check.program,
            model=self._check.model,
            name=job.name,
            function=job.function,
            parcel=parcel,
            time_limit_s=job.time_limit_s,
            memory_limit_mb=job.memory_limit_mb,
            place=self._place,
            key=key,
            topic=self._name,
        )
        future = self._crew.link.send(do_job, pickle.dumps(order), key=key, worker=worker.address)
        self._active[key] = _Sent(job, worker, key, parcel, future, started_s)
        return None

    def _end(self, sent: _Sent) -> Outcome | None:
        """Take over what a job gave; None where it is to be done again."""
        answer = answer_of(sent.future)
        if not isinstance(answer, Answer):
            answer = Answer(None, f"{type(answer).__name__}: {answer}")
        if answer.outcome is not None:
            try:
                take_over(self._place.below(sent.key), sent.parcel)
            except ClusterError as error:
                answer = Answer(None, str(error))
            except OSError as error:
                name = Path(str(error.filename)).name if error.filename else "a file"
                found = f"{name} cannot be read or written ({error.strerror})"
                do = "Check free space, memory and the right to write into the results folder."
                self._forget(sent, is_over=True)
                return self._failed(sent.job, found, do, sent.started_s)
        if answer.outcome is None:
            self._crew.rest(sent.worker)
            self._crew.notice(f"{sent.job.name}: worker {sent.worker.address} could not do it: {answer.trouble}")
            found = f"no worker could do it, the last one because: {answer.trouble.rstrip('.')}"
            return self._once_more(sent, found, "The log of this run names the workers.")
        self._forget(sent, is_over=True)
        return answer.outcome

    def _once_more(self, sent: _Sent, found: str, do: str) -> Outcome | None:
        """Put a job back in the queue, its finished stages taken over; its failure when it was begun often enough."""
        place = self._place.below(sent.key)
        with suppress(ClusterError, OSError):
            if place.has(HANDED):
                take_over(place, sent.parcel)
        is_over = self._begun[sent.job.name] >= TRIES
        self._forget(sent, is_over=is_over)
        if is_over:
            return self._failed(sent.job, found, do, sent.started_s)
        self._again.append(sent.job)
        return None

    def _forget(self, sent: _Sent, *, is_over: bool) -> None:
        """Delete what lies in the store for a job that is not at a worker any more."""
        give_up(sent.future)
        self._active.pop(sent.key, None)
        self._place.remove(sent.key)
        self._files.drop(sent.parcel, is_over=is_over)

    def _failed(self, job: Job, found: str, do: str, started_s: float) -> Outcome:
        """The outcome of a job without a result."""
        message = str(ClusterError(job.name, found, "", do))
        return Outcome(job.name, None, Failure("start", "ClusterError", message), time.monotonic() - started_s, "")
