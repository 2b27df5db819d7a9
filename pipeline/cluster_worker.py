"""The worker's side of a run on many machines: is this machine like the run's own, and one job at a time.

A job has its files in a folder of its own here, and still runs in a short-lived process: a crash, a hang or a full
memory costs that job alone. The folder is deleted afterwards, however the job ends.
"""

from __future__ import annotations

import hashlib
import os
import pickle
import tempfile
import traceback
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.cluster_link import Post
from pipeline.config import config_dir
from pipeline.errors import PipelineError
from pipeline.isolate import Job, Outcome, run_jobs
from pipeline.models import verify_models
from pipeline.object_store import Place
from pipeline.parcels import Handover, Parcel, unpack_parcel
from pipeline.runs import package_versions
from pipeline.store import file_sha256, without_home

PACKAGE = Path(__file__).parent
# What a run's own machine puts beside the jobs, and a worker must be able to read.
TOKEN = "token"


@dataclass(frozen=True, slots=True)
class Program:
    """What a worker must have in common with the run: results depend on it."""

    version: str
    packages: dict[str, str]
    model_sha256: str
    files_sha256: str


@dataclass(frozen=True, slots=True)
class Check:
    """What a worker is asked before its first job.

    A token lies in the store, or in `folder`, beside the results, where all machines see the same files.
    """

    program: Program
    model: str
    place: Place
    token: bytes
    folder: Path | None
    study: Path
    manifest_sha256: str


@dataclass(frozen=True, slots=True)
class Order:
    """A job as it is sent: the function by its name, the parcel, and where its files go."""

    program: Program
    model: str
    name: str
    function: Callable[..., Any]
    parcel: Parcel
    time_limit_s: float
    memory_limit_mb: float
    place: Place
    key: str
    topic: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What comes back: how the job ended, or why this worker could not do it."""

    outcome: Outcome | None
    trouble: str = ""
    traceback: str = ""


def program(model: str) -> Program:
    """This machine's versions, and a hash of the files that results depend on.

    Raises
    ------
    ModelError
        A model's file is missing, or not the one that was shipped.
    """
    _, own = verify_models(model)
    digest = hashlib.sha256()
    parts = [(PACKAGE, path) for path in PACKAGE.rglob("*") if path.suffix == ".py" or "assets" in path.parts]
    parts += [(config_dir(), path) for path in config_dir().rglob("*")]
    for top, path in sorted(parts, key=lambda part: (part[0] != PACKAGE, part[1].relative_to(part[0]).as_posix())):
        if path.is_file() and "__pycache__" not in path.parts:
            digest.update(f"{path.relative_to(top).as_posix()} {file_sha256(path)}\n".encode())
    return Program(__version__, package_versions(), own.sha256, digest.hexdigest())


def differences(here: Program, run: Program) -> str:
    """What differs between a worker and the run, in words; empty where nothing does."""
    found = [f"strideledger is {here.version}, the run's {run.version}"] if here.version != run.version else []
    found += [
        f"{name} is {here.packages.get(name, 'not known')}, the run's {version}"
        for name, version in run.packages.items()
        if here.packages.get(name) != version
    ]
    if here.model_sha256 != run.model_sha256:
        found.append("the pose model is another file")
    if not found and here.files_sha256 != run.files_sha256:
        found.append("the program's own files are not the run's, though the version is")
    return "; ".join(found)


def examine(packed: bytes) -> str:
    """Compare this worker with the run, and look whether it reaches the run's files; return what is wrong, or ""."""
    check: Check = pickle.loads(packed)
    try:
        if found := differences(program(check.model), check.program):
            return f"{found}. Install the same there, and start the worker again."
        if check.folder is not None:
            return _share(check.folder, check)
        if check.place.read(TOKEN) != check.token:
            return "the store is not the run's. Give the same store to every machine."
    except (PipelineError, OSError) as error:
        return without_home(str(error))
    return ""


def _share(folder: Path, check: Check) -> str:
    """What keeps this machine from seeing the run's folders under the same paths, or from writing there."""
    mount = "Mount study and results under the same path on every machine, or give --store."
    try:
        if (folder / TOKEN).read_bytes() != check.token:
            return f"the results folder is another one there. {mount}"
        handle, name = tempfile.mkstemp(dir=folder)
        os.close(handle)
        Path(name).unlink()
    except OSError as error:
        return f"the run's results folder cannot be used there ({error.strerror}). {mount}"
    try:
        same = file_sha256(check.study / "manifest.csv") == check.manifest_sha256
    except OSError as error:
        return f"the study folder cannot be read there ({error.strerror}). {mount}"
    return "" if same else f"the study folder is another one there. {mount}"


def do_job(packed: bytes) -> Answer:
    """Do one job on this worker, and hand over what it changed."""
    order: Order = pickle.loads(packed)
    try:
        # Asked again, since the program may have been replaced while the worker ran.
        if found := differences(program(order.model), order.program):
            return Answer(None, found)
        return _do(order)
    except (PipelineError, OSError) as error:
        return Answer(None, without_home(str(error)), without_home(traceback.format_exc()))


def _do(order: Order) -> Answer:
    """The job, in a folder that is deleted afterwards."""
    post = Post(order.key, order.topic)
    with tempfile.TemporaryDirectory(dir=post.folder, prefix="job-", ignore_cleanup_errors=True) as folder:
        site = Path(folder)
        job = unpack_parcel(order.parcel, order.place, site)
        handover = Handover(order.place.below(order.key), order.parcel, site)
        at = ""

        def hear(name: str, stage: str, done: int, total: int) -> None:
            nonlocal at
            # What is finished goes back at once, so that a lost worker costs only the stage that it was at.
            if stage != at and post.is_wanted():
                handover.send_finished()
            at = stage
            post.tell(name, stage, done, total)

        queue = deque([Job(order.name, order.function, (job,), order.time_limit_s, order.memory_limit_mb)])
        outcomes = list(run_jobs(queue, scratch=site, workers=1, on_progress=hear, is_wanted=post.is_wanted))
        if not outcomes:
            return Answer(None, "it was given up")
        failure = outcomes[0].failure
        if failure is not None and failure.machine:
            do = "Check free space and memory there, also where its --local-directory lies."
            return Answer(None, f"{failure.machine}. {do}", failure.traceback)
        handover.send()
    return Answer(outcomes[0])
