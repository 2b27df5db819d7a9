"""A cluster of several processes on this machine: a scheduler and workers, started with the commands of the docs."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from pathlib import Path

from tests.studies import ROOT

# Where the stand-in for an object store listens, if a test starts one.
S3 = {"AWS_ACCESS_KEY_ID": "test", "AWS_SECRET_ACCESS_KEY": "test", "AWS_DEFAULT_REGION": "us-east-1"}


def free_port() -> int:
    """A port that nobody listens at."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port: int = listener.getsockname()[1]
    return port


class Machines:
    """Scheduler and workers, and how they are lost and come back."""

    def __init__(self, folder: Path, *, n_workers: int = 2, kind: str = "tcp") -> None:
        self.folder = folder
        self.port = free_port()
        self.s3_port = free_port()
        self.address = f"{kind}://127.0.0.1:{self.port}"
        self.started: list[subprocess.Popen[bytes]] = []
        folder.mkdir(parents=True, exist_ok=True)
        self.scheduler = self.start_scheduler()
        self.workers = self.start_workers(n_workers)

    def start_scheduler(self) -> subprocess.Popen[bytes]:
        """`dask scheduler`, at the same address each time."""
        options = ["--host", self.address.rpartition(":")[0], "--port", str(self.port), "--no-dashboard"]
        return self._start("dask_scheduler", *options)

    def start_workers(self, n_workers: int, *options: str) -> subprocess.Popen[bytes]:
        """`dask worker ADDRESS --nworkers N --nthreads 1`."""
        local = self.folder / f"local-{len(self.started)}"
        more = ["--nworkers", str(n_workers), "--nthreads", "1", "--no-dashboard", "--local-directory", str(local)]
        return self._start("dask_worker", self.address, *more, *options)

    def _start(self, program: str, *arguments: str) -> subprocess.Popen[bytes]:
        """Start a program of distributed; what it prints goes to a file."""
        paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
        environment = os.environ | S3 | {"PYTHONPATH": os.pathsep.join(paths), "AWS_ENDPOINT_URL": self.s3_url}
        with (self.folder / f"{program}-{len(self.started)}.log").open("wb") as log:
            command = [sys.executable, "-m", f"distributed.cli.{program}", *arguments]
            self.started.append(subprocess.Popen(command, env=environment, stdout=log, stderr=log))
        return self.started[-1]

    @property
    def s3_url(self) -> str:
        """Address of the stand-in for an object store."""
        return f"http://127.0.0.1:{self.s3_port}"

    def left(self) -> list[str]:
        """Files of jobs that are still in the workers' own folders."""
        return [str(path) for path in self.folder.glob("local-*/**/job-*")]

    def stop(self) -> None:
        """End everything that was started here."""
        for process in self.started:
            process.terminate()
        for process in self.started:
            try:
                process.wait(timeout=30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def wait_for(what: str, happened: object, timeout_s: float = 240.0) -> None:
    """Wait until a callable says yes."""
    assert callable(happened)
    deadline_s = time.monotonic() + timeout_s
    while not happened():
        assert time.monotonic() < deadline_s, f"{what} did not happen within {timeout_s:g} s"
        time.sleep(0.1)
