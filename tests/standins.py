"""Small stand-ins for the work on clips and visits, run in real child processes."""

from __future__ import annotations

import errno
import os
import signal
import sys
import threading
import time
from pathlib import Path

from pipeline import job_process, store
from pipeline.errors import QualityError
from pipeline.job_process import Tell
from pipeline.jobs import VisitJob
from pipeline.judgement import VisitReport
from pipeline.picture_stages import ClipJob
from pipeline.places import make_private_folder
from pipeline.stage_record import StageEnd, run_stage
from pipeline.store import write_bytes, write_json, write_text


def behave(manner: str, tell: Tell) -> str:
    """Do as told; the manner of a clip is the last part of its name."""
    tell("landmarks", 3, 10)
    if manner == "abort":
        print("last words of a native library", flush=True)
        os.abort()
    if manner == "kill":
        os.kill(os.getpid(), signal.SIGKILL)
    if manner == "leave":
        os._exit(3)
    if manner == "hang":
        time.sleep(600)
    if manner == "error":
        raise ZeroDivisionError("division by zero")
    if manner == "full":
        raise OSError(errno.ENOSPC, "No space left on device", str(Path.home() / "clinic" / "strides.csv"))
    if manner == "denied":
        raise PermissionError(errno.EACCES, "Permission denied", str(Path.home() / "clinic" / "walk.mp4"))
    if manner == "refuse":
        raise QualityError(
            "clip a-refuse", "the walker fills 4% of the picture", "at least 15% is needed", "Go closer."
        )
    if manner == "linger":
        threading.Thread(target=time.sleep, args=(600,)).start()
    if manner == "grow":
        held = [b"x" * 10_000_000]
        while True:
            held.append(b"x" * 10_000_000)
            time.sleep(0.01)
    if manner == "silenced":
        # As on a disk that is full by the time that the work is done.
        store.write_bytes = job_process.write_bytes = _no_space
    print("chatter on the screen")
    print("more chatter", file=sys.stderr)
    return f"done by {manner}"


def behave_as_named(job: ClipJob, tell: Tell) -> tuple[StageEnd, ...]:
    """Stand-in for the work on a clip."""
    behave(job.clip.clip_id.rpartition("-")[2], tell)
    if job.clip.clip_id.endswith("-large"):
        write_bytes(job.folder / "landmarks.npz", bytes(300_000))
    if not job.clip.clip_id.endswith("-silenced"):
        write_text(job.folder / "strides.csv", "measured\n")
    return ()


def _no_space(*_: object, **__: object) -> None:
    """Stand-in for a write on a full disk."""
    raise OSError(errno.ENOSPC, "No space left on device")


def name_of_handle(handle: int) -> str:
    """Name of the open file or folder; Linux alone knows it."""
    return Path(f"/proc/self/fd/{handle}").readlink().name


def beat(path: Path, tell: Tell) -> None:
    """Count for a minute, and leave the count in a file; nothing is told."""
    for done in range(600):
        path.write_text(str(done))
        time.sleep(0.1)


def measure_by_name(job: ClipJob, tell: Tell) -> tuple[StageEnd, ...]:
    """Stand-in for the work on a clip on another machine: a stage `landmarks`, and what the name says between it and
    the stage `measures`.

    `once` kills the worker whose process this is at its first try, `always` at every one, `wait` goes on once a file
    called `go` lies beside the clip, `filled` meets a full disk at its first try. What the stages write tells clip and
    settings, `tries` how often they ran.
    """
    manner = job.clip.clip_id.rpartition("-")[2]
    beside = job.clip.path.parent
    tell("landmarks", 0, 0)
    job.folder.mkdir(parents=True, exist_ok=True)
    ends = [_stage(job, "landmarks")]
    tell("measures", 1, 2)
    if manner in ("once", "always") and (manner == "always" or not (beside / "killed").exists()):
        # What is finished is on its way by now.
        time.sleep(2.0)
        (beside / "killed").write_text(str(os.getppid()))
        os.kill(os.getppid(), signal.SIGKILL)
        time.sleep(60)
    deadline_s = time.monotonic() + 120.0
    while manner == "wait" and not (beside / "go").exists() and time.monotonic() < deadline_s:
        (beside / "waits").touch()
        time.sleep(0.1)
    if manner == "filled" and not (beside / "filled").exists():
        (beside / "filled").touch()
        behave("full", tell)
    if manner not in ("once", "always", "wait", "filled"):
        behave(manner, tell)
    ends.append(_stage(job, "measures"))
    write_text(job.folder / "private.txt", "only for its owner\n", private=True)
    return tuple(ends)


def die_once_beside(job: ClipJob, tell: Tell) -> tuple[StageEnd, ...]:
    """As `once`, for a clip that lies in a worker's own folder: the clip says where the marker is."""
    tell("landmarks", 0, 0)
    job.folder.mkdir(parents=True, exist_ok=True)
    ends = [_stage(job, "landmarks")]
    tell("measures", 1, 2)
    marker = Path(job.clip.path.read_text()) / "killed"
    if not marker.exists():
        time.sleep(2.0)
        marker.write_text(str(os.getppid()))
        os.kill(os.getppid(), signal.SIGKILL)
        time.sleep(60)
    ends.append(_stage(job, "measures"))
    return tuple(ends)


def _stage(job: ClipJob, stage: str) -> StageEnd:
    """One stage of the stand-in, kept like a real one."""

    def work() -> list[str]:
        (job.folder / f"{stage}.old").unlink(missing_ok=True)
        write_text(job.folder / f"{stage}.txt", f"{stage} of {job.clip.path.read_text()} {job.settings.run.paper}\n")
        return [f"{stage}.txt"]

    return run_stage(job.folder, stage, wanted_fingerprint=job.settings.run.paper, stale=(), work=work)


def tell_frames(job: VisitJob, tell: Tell) -> StageEnd:
    """Stand-in for the work on a visit that looks at its clips and at what was measured."""
    seen = [clip.path.read_text() for clip in job.clips if clip.clip_id in _done(job)]
    measured = [(job.folder / name / "measures.txt").read_text() for name in _done(job)]
    make_private_folder(job.folder / "frames")
    write_text(job.folder / "frames/frames.txt", "".join(seen + measured), private=True)
    return report_plainly(job, tell)


def _done(job: VisitJob) -> list[str]:
    """Clips that were measured."""
    return [result.clip_id for result in job.results if result.state == "done"]


def report_plainly(job: VisitJob, tell: Tell) -> StageEnd:
    """Stand-in for the work on a visit: its record and an empty page."""
    tell("report", 0, 0)
    report = VisitReport(
        subject=job.subject,
        visit=job.visit,
        visit_date=job.visit_date,
        prosthetic_sides=job.person.prosthetic_sides,
        changes=job.changes,
        clips=job.results,
        quality={},
        metrics=(),
        faults=(),
        run=job.run,
        footwear=job.footwear,
        recorded=job.recorded,
    )
    write_json(job.folder / "visit.json", report)
    write_text(job.folder / "visit.html", "")
    return StageEnd("report")


def linger_on_person(out: Path, folder: Path, limits: object, settings: object, wanted: str, tell: Tell) -> None:
    """Stand-in for the work on a person's page that takes very long."""
    tell("change across visits", 0, 0)
    write_text(out / "lingers", "")
    time.sleep(600)


def abort_on_visit_02(job: VisitJob, tell: Tell) -> StageEnd:
    """Stand-in for the work on a visit whose pages crash the process."""
    if job.visit == "02":
        os.abort()
    return report_plainly(job, tell)


def write_half_a_file(path: Path, tell: Tell) -> None:
    """Be killed in the middle of a write."""
    from pipeline import store

    def stopped(*_: object) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    store.Path.replace = stopped  # type: ignore[method-assign, assignment]
    store.write_text(path, "new")


def run_stage_and_die(folder: Path, tell: Tell) -> None:
    """Be killed after a stage wrote its files and before it entered the record."""
    from pipeline import stage_record, store

    def work() -> list[str]:
        store.write_text(folder / "result.txt", "complete")
        os.kill(os.getpid(), signal.SIGKILL)
        return ["result.txt"]

    stage_record.run_stage(folder, "measures", wanted_fingerprint="a", stale=("result.txt",), work=work)
