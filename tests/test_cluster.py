"""A run on several worker processes: the same bytes as without, and what is lost is done again. Small work."""

from __future__ import annotations

import csv
import json
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline import batch, cluster_crew, cluster_link, cluster_worker, live
from pipeline import cluster as client
from pipeline.batch import run_study
from pipeline.cluster_crew import Cluster
from pipeline.errors import ClusterError, ManyProblems
from pipeline.judgement import Limits
from pipeline.manifest_row import COLUMN_NAMES
from pipeline.stage_record import read_record
from pipeline.study_result import Progress, StudyResult
from tests import standins
from tests.machines import S3, Machines, wait_for
from tests.studies import ROOT, make_study, quick_settings

pytest.importorskip("distributed")
NO_LIMITS = Limits((), (), {}, "0")
# What a run may change from one time to the next: its own folder, and what holds its name or the time.
RUN_OR_TIME = re.compile(rb"\d{8}T\d{6}Z_[0-9a-f]{6}|\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")
OWN = ("runs/", "study.", "record.json", "visit.json")


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Machines]:
    """A scheduler and two workers that a nanny starts again when they are killed."""
    started = Machines(tmp_path_factory.mktemp("machines"))
    yield started
    started.stop()


@pytest.fixture(autouse=True)
def plain_page(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """The page of the study is made by the run's own machine, with a cluster or without: most tests leave it out."""
    if "slow" not in request.keywords:
        monkeypatch.setattr(batch, "make_study_page", lambda out, *_, **__: (out / "study.html", ""))


def study_of(folder: Path, names: list[str]) -> Path:
    """A study of small files; those that begin with b are of the second visit."""
    study = make_study(folder / "study", {f"{name}.mp4": "02" if name.startswith("b") else "01" for name in names})
    for name in names:
        (study / f"{name}.mp4").write_text(f"pictures of {name}")
    return study


def measure(study: Path, out: Path, cluster: Cluster | None = None, **options: Any) -> StudyResult:
    """Run a study on stand-ins."""
    return run_study(
        study,
        out,
        cluster=cluster,
        **{
            "settings": quick_settings(),
            "limits": NO_LIMITS,
            "clip_work": standins.measure_by_name,
            "visit_work": standins.tell_frames,
        }
        | options,
    )


def contents(out: Path) -> dict[str, tuple[bytes, int]]:
    """Every file with its rights, but for those that tell run and time."""
    return {
        name: (path.read_bytes(), path.stat().st_mode & 0o777)
        for path in sorted(out.rglob("*"))
        if path.is_file() and not any(part in (name := path.relative_to(out).as_posix()) for part in OWN)
    }


def told(result: StudyResult) -> dict[str, Any]:
    """How clips and visits ended, without times."""
    return {clip.clip_id: (clip.state, clip.stage, clip.error_type, clip.message) for clip in result.clips} | {
        visit.visit: (visit.message, visit.page is not None) for visit in result.visits
    }


def left_beside(out: Path) -> list[Path]:
    """What a cluster leaves beside the results: nothing."""
    return list(out.glob(".cluster-*"))


NAMES = ["a-one", "a-abort", "a-error", "a-refuse", "a-denied", "b-two"]


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, StudyResult]:
    """A study measured on this machine alone: its folder, its results, and what the run told."""
    folder = tmp_path_factory.mktemp("alone")
    study = study_of(folder, NAMES)
    return study, folder / "out", measure(study, folder / "out")


@pytest.mark.parametrize("kind", ["shared folder", "store in a folder", "store that speaks S3"])
def test_results_are_those_of_one_machine_and_nothing_else_is_left(
    kind: str, alone: tuple[Path, Path, StudyResult], machines: Machines, tmp_path: Path, request: Any
) -> None:
    study, expected, result = alone
    out = tmp_path / "R ü #1"
    store = None
    if kind == "store in a folder":
        store = (tmp_path / "store").as_uri()
    elif kind == "store that speaks S3":
        store = request.getfixturevalue("bucket")
    found = measure(study, out, Cluster(machines.address, store))
    assert told(found) == told(result)
    assert contents(out) == contents(expected)
    frames = "sub-P01/ses-01/frames"
    assert (out / frames).stat().st_mode == (expected / frames).stat().st_mode
    assert machines.left() == []
    assert left_beside(out) == []
    assert {path.name for path in tmp_path.iterdir()} <= {out.name, "store"}
    if store is not None:
        import fsspec

        files, root = fsspec.core.url_to_fs(store)
        files.invalidate_cache()
        assert not files.exists(root) or files.find(root) == []
    # Nothing is done again, and what is left of an earlier run is not touched.
    again = measure(study, out, Cluster(machines.address, store), subject="P01", visit="02")
    assert [clip.reused for clip in again.clips] != [()]
    assert contents(out) == contents(expected)


@pytest.fixture
def bucket(machines: Machines, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A bucket of a stand-in for S3 that listens on this machine."""
    pytest.importorskip("s3fs")
    server = pytest.importorskip("moto.server").ThreadedMotoServer(ip_address="127.0.0.1", port=machines.s3_port)
    for name, value in {**S3, "AWS_ENDPOINT_URL": machines.s3_url}.items():
        monkeypatch.setenv(name, value)
    server.start()
    import s3fs

    s3fs.S3FileSystem(skip_instance_cache=True).mkdir("clinic")
    yield "s3://clinic/runs"
    server.stop()


@pytest.mark.parametrize("shared", [True, False], ids=["shared folder", "store"])
def test_job_of_a_killed_worker_goes_on_elsewhere_from_its_last_stage(
    shared: bool, machines: Machines, tmp_path: Path
) -> None:
    # In the store mode the worker's copy of the clip lies in its own folder: the marker is found beside the study.
    study = study_of(tmp_path, ["a-once"])
    marker = study if shared else tmp_path / "beside"
    notes: list[Progress] = []
    store = None if shared else (tmp_path / "store").as_uri()
    work = standins.measure_by_name if shared else standins.die_once_beside
    if not shared:
        marker.mkdir()
        (study / "a-once.mp4").write_text(str(marker))
    result = measure(study, tmp_path / "out", Cluster(machines.address, store), progress=notes.append, clip_work=work)
    assert [(clip.state, clip.message) for clip in result.clips] == [("done", "")]
    # The stage that was finished before the loss was not done again.
    assert len(result.clips[0].reused) == 1
    assert (marker / "killed").exists()
    assert any("is gone; its jobs go to others." in note.message for note in notes if note.state == "notice")
    assert "is gone" in (result.folder / "log.txt").read_text()
    assert sorted(read_record(tmp_path / "out/sub-P01/ses-01/a-once").stages) == ["landmarks", "measures"]
    assert left_beside(tmp_path / "out") == []
    assert store is None or list((tmp_path / "store").rglob("*.*")) == []


def test_clip_that_takes_every_worker_with_it_fails_and_the_others_are_measured(
    machines: Machines, tmp_path: Path
) -> None:
    study = study_of(tmp_path, ["a-always", "b-two"])
    result = measure(study, tmp_path / "out", Cluster(machines.address))
    assert [clip.state for clip in result.clips] == ["failed", "done"]
    message = result.clips[0].message
    assert message.startswith("clip a-always: its worker was lost 3 times in a row, the last one tcp://127.0.0.1:")
    assert message.endswith("Often a machine's memory ran out: start fewer workers on it.")
    assert not result.all_done


def test_job_of_a_worker_whose_disk_is_full_goes_to_another_one(machines: Machines, tmp_path: Path) -> None:
    notes: list[Progress] = []
    study = study_of(tmp_path, ["a-filled"])
    result = measure(study, tmp_path / "out", Cluster(machines.address), progress=notes.append)
    assert [(clip.state, clip.message) for clip in result.clips] == [("done", "")]
    (note,) = [note.message for note in notes if note.state == "notice"]
    assert re.fullmatch(
        r"clip a-filled: worker tcp://\S+ could not do it: "
        r"strides\.csv cannot be written \(No space left on device\)\. "
        r"Check free space and memory there, also where its --local-directory lies\.",
        note,
    )


def test_clip_that_no_worker_has_room_for_fails_with_the_reason(
    machines: Machines, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster_crew, "REST_S", 0.0)
    result = measure(study_of(tmp_path, ["a-silenced"]), tmp_path / "out", Cluster(machines.address))
    assert result.clips[0].message == (
        "clip a-silenced: no worker could do it, the last one because: the result cannot be written. "
        "Check free space and memory there, also where its --local-directory lies. "
        "The log of this run names the workers."
    )


@pytest.mark.parametrize(("given", "expected"), [(None, 2), (1, 1)])
def test_time_left_counts_the_workers_of_all_machines(
    given: int | None, expected: int, machines: Machines, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two workers of one thread each, whatever the setting says of this machine's own processes."""
    counted: list[int] = []

    def count(ended: Any, waiting: Any, at_work: Any, workers: int) -> None:
        counted.append(workers)

    link = cluster_link.Link(machines.address)
    wait_for("both workers", lambda: len(link.workers() or {}) == 2)
    link.close()
    monkeypatch.setattr(live, "seconds_left", count)
    study, cluster = study_of(tmp_path, ["a-one"]), Cluster(machines.address)
    measure(study, tmp_path / "out", cluster, settings=quick_settings(workers=5), workers=given)
    assert set(counted) == {expected}


def test_limit_of_memory_holds_on_other_machines_too(machines: Machines, tmp_path: Path) -> None:
    """Python alone holds more than this limit."""
    settings = quick_settings(clip_memory_limit_mb=3.0)
    study = study_of(tmp_path, ["a-one"])
    result = measure(study, tmp_path / "out", Cluster(machines.address), settings=settings)
    assert re.match(r"clip a-one: took \d+ MB of memory; at most 3 MB are allowed\.", result.clips[0].message)


def test_scheduler_that_comes_back_in_time_is_waited_for_and_one_that_does_not_ends_the_run(tmp_path: Path) -> None:
    study = study_of(tmp_path, ["a-one", "b-wait"])
    out = tmp_path / "out"
    own = Machines(tmp_path / "machines", n_workers=1)
    notes: list[str] = []
    ended: list[BaseException | StudyResult] = []

    def run(wait_s: float) -> None:
        try:
            cluster = Cluster(own.address, wait_s=wait_s)
            ended.append(measure(study, out, cluster, progress=lambda event: notes.append(event.message)))
        except ClusterError as error:
            ended.append(error)

    try:
        thread = threading.Thread(target=run, args=(20.0,))
        thread.start()
        wait_for("the second clip", (study / "waits").exists)
        own.scheduler.kill()
        thread.join(240)
        assert str(ended.pop()) == (
            f"cluster {own.address}: the scheduler did not come back within 20 s. "
            "Finished clips are kept: start scheduler and workers again, and then the same command."
        )
        (run_file,) = out.glob("runs/*/run.json")
        assert json.loads(run_file.read_text())["state"] == "interrupted"
        assert (out / "sub-P01/ses-01/a-one/measures.txt").exists()
        assert left_beside(out) == []

        (study / "waits").unlink()
        own.scheduler, own.workers = own.start_scheduler(), own.start_workers(1)
        thread = threading.Thread(target=run, args=(240.0,))
        thread.start()
        wait_for("the second clip", (study / "waits").exists)
        own.scheduler.kill()
        wait_for("the loss", lambda: any("is gone; the run waits" in note for note in notes))
        (study / "go").touch()
        own.scheduler, own.workers = own.start_scheduler(), own.start_workers(1)
        thread.join(240)
        (result,) = ended
        assert isinstance(result, StudyResult)
        assert [clip.state for clip in result.clips] == ["done", "done"]
        assert all(visit.page for visit in result.visits)
        assert "the scheduler answers again." in notes
    finally:
        own.stop()


@pytest.mark.parametrize("method", ["send", "follow"])
def test_connection_that_is_lost_just_before_something_is_sent_is_made_again(
    method: str, machines: Machines, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """distributed's client closes itself once its scheduler is gone, and then refuses what it is asked to send."""
    sending = getattr(cluster_link.Link, method)
    calls: list[str] = []

    def lose_first(link: cluster_link.Link, *arguments: Any, **options: Any) -> Any:
        calls.append(method)
        if len(calls) == 1:
            link.close()
        return sending(link, *arguments, **options)

    monkeypatch.setattr(cluster_link.Link, method, lose_first)
    notes: list[str] = []
    study = study_of(tmp_path, ["a-one", "b-two"])
    cluster = Cluster(machines.address)
    result = measure(study, tmp_path / "out", cluster, progress=lambda event: notes.append(event.message))
    assert [(clip.state, clip.message) for clip in result.clips] == [("done", "")] * 2
    assert len(calls) > 1
    assert "the scheduler answers again." in notes
    assert left_beside(tmp_path / "out") == []


def test_worker_of_another_version_is_named_before_anything_is_measured(
    machines: Machines, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = cluster_worker.program("full")
    packages = here.packages | {"numpy": "1.0", "scipy": "0.9"}
    other = cluster_worker.Program("9.9", packages, here.model_sha256, here.files_sha256)
    monkeypatch.setattr(client, "program", lambda _: other)
    with pytest.raises(ManyProblems) as caught:
        measure(study_of(tmp_path, ["a-one"]), tmp_path / "out", Cluster(machines.address))
    lines = str(caught.value).splitlines()
    assert lines[0] == f"cluster {machines.address}: 2 problems found."
    for line in lines[1:3]:
        assert line.startswith("  worker tcp://127.0.0.1:")
        found = (
            f"strideledger is {here.version}, the run's 9.9; numpy is {here.packages['numpy']}, the run's 1.0; scipy is"
        )
        assert found in line
        assert line.endswith("Install the same there, and start the worker again.")
    assert lines[3:] == ["Nothing was measured."]
    assert not (tmp_path / "out").exists()


def test_worker_of_another_version_that_joins_later_gets_no_job(machines: Machines, tmp_path: Path) -> None:
    study = study_of(tmp_path, ["a-wait"])
    (tmp_path / "other.py").write_text("import pipeline\npipeline.__version__ = '9.9'\n")
    notes: list[str] = []
    late: list[Any] = []

    def hear(event: Progress) -> None:
        if event.state == "running" and not late:
            late.append(machines.start_workers(1, "--preload", str(tmp_path / "other.py")))
        if event.state == "notice":
            notes.append(event.message)
            (study / "go").touch()

    try:
        result = measure(study, tmp_path / "out", Cluster(machines.address), progress=hear)
    finally:
        late[0].terminate()
        late[0].wait()
    assert result.all_done
    assert len(notes) == 1
    assert notes[0].startswith("worker tcp://127.0.0.1:")
    assert "strideledger is 9.9" in notes[0] and notes[0].endswith("It gets no jobs.")


def test_folder_that_the_workers_do_not_see_is_told_before_anything_is_measured(
    machines: Machines, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = study_of(tmp_path, ["a-one"])
    with monkeypatch.context() as patch:
        patch.setattr(client, "write_bytes", lambda *_, **__: None)
        with pytest.raises(ManyProblems) as caught:
            measure(study, tmp_path / "out", Cluster(machines.address))
    mount = "Mount study and results under the same path on every machine, or give --store."
    assert f": the run's results folder cannot be used there (No such file or directory). {mount}" in str(caught.value)
    assert not (tmp_path / "out").exists()
    with monkeypatch.context() as patch:
        patch.setattr(client, "file_sha256", lambda _: "0")
        with pytest.raises(ManyProblems, match="the study folder is another one there"):
            measure(study, tmp_path / "out", Cluster(machines.address))


def test_nobody_at_the_address_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_link, "ANSWER_S", 1.0)
    monkeypatch.setattr(cluster_crew, "ANSWER_S", 1.0)
    with pytest.raises(ClusterError, match=r"^cluster tcp://127\.0\.0\.1:9: no scheduler answers \("):
        measure(study_of(tmp_path, ["a-one"]), tmp_path / "out", Cluster("tcp://127.0.0.1:9"))
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("package", ["distributed", "fsspec"])
def test_extra_that_is_not_installed_is_told(
    package: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: Any
) -> None:
    address = "tcp://127.0.0.1:9" if package == "distributed" else request.getfixturevalue("machines").address
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(ClusterError) as caught:
        measure(study_of(tmp_path, ["a-one"]), tmp_path / "out", Cluster(address))
    assert str(caught.value) == (
        f"package {package}: is not installed; it is part of the extra `cluster`. "
        "Install it on every machine: python -m pip install 'strideledger[cluster]'"
    )
    assert not (tmp_path / "out").exists()


def test_store_that_cannot_be_used_is_told(machines: Machines, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    cluster = Cluster(machines.address, (tmp_path / "file").as_uri())
    with pytest.raises(ClusterError, match=r"^store: cannot be used \(.*\)\. Check the address given with --store"):
        measure(study_of(tmp_path, ["a-one"]), tmp_path / "out", cluster)


def test_run_that_is_stopped_stops_the_processes_of_its_workers(machines: Machines, tmp_path: Path) -> None:
    study = study_of(tmp_path, ["a-wait"])

    def stop(event: Progress) -> None:
        if event.stage == "measures":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        measure(study, tmp_path / "out", Cluster(machines.address), progress=stop)
    wait_for("the end of the job", lambda: machines.left() == [])
    (study / "waits").unlink()
    assert left_beside(tmp_path / "out") == []
    assert not (study / "waits").exists()
    (run_file,) = (tmp_path / "out").glob("runs/*/run.json")
    assert json.loads(run_file.read_text())["state"] == "interrupted"


def certificates(folder: Path) -> dict[str, str]:
    """A clinic's own authority and a certificate of it, as dask's settings."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl is not installed")
    new_key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    for arguments in (
        ["req", "-x509", *new_key, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", "-subj", "/CN=clinic"],
        ["req", *new_key, "-keyout", "machine.key", "-out", "machine.csr", "-subj", "/CN=machine"],
        ["x509", "-req", "-in", "machine.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial"],
    ):
        done = subprocess.run([openssl, *arguments], cwd=folder, check=True, capture_output=True)
    (folder / "machine.pem").write_bytes(done.stdout)
    ends = {"cert": str(folder / "machine.pem"), "key": str(folder / "machine.key")}
    return {"distributed.comm.tls.ca-file": str(folder / "ca.pem")} | {
        f"distributed.comm.tls.{role}.{name}": value
        for role in ("scheduler", "worker", "client")
        for name, value in ends.items()
    }


def as_variables(settings: dict[str, str]) -> dict[str, str]:
    """Settings of dask as its variables of the environment."""
    return {f"DASK_{name.upper().replace('.', '__').replace('-', '_')}": value for name, value in settings.items()}


def test_with_tls_only_who_has_a_certificate_is_let_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import dask.config

    settings = certificates(tmp_path)
    for name, value in as_variables(settings).items():
        monkeypatch.setenv(name, value)
    study = study_of(tmp_path, ["a-one"])
    own = Machines(tmp_path / "machines", n_workers=1, kind="tls")
    try:
        with dask.config.set(settings):
            assert measure(study, tmp_path / "out", Cluster(own.address)).all_done
        monkeypatch.setattr(cluster_link, "ANSWER_S", 2.0)
        for address in (own.address, own.address.replace("tls:", "tcp:")):
            with pytest.raises(ClusterError, match="no scheduler answers"):
                measure(study, tmp_path / "refused", Cluster(address))
    finally:
        own.stop()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["shared folder", "store in a folder"])
def test_real_clips_give_the_files_of_one_machine(kind: str, machines: Machines, tmp_path: Path) -> None:
    """Two landmark files, measured and reported in full."""
    example = ROOT / "example_data/study/sub-P03/ses-01"
    clips = {"sagittal": "sagittal_run-1", "anterior": "anterior_run-1"}
    rows = {}
    for view, name in clips.items():
        (path,) = example.glob(f"*{name}*.landmarks")
        (tmp_path / "study").mkdir(exist_ok=True)
        shutil.copy(path, tmp_path / "study" / f"{view}.landmarks")
        rows[f"{view}.landmarks"] = view
    with (ROOT / "example_data/study/manifest.csv").open(encoding="utf-8", newline="") as file:
        sides = next(row["prosthetic_side"] for row in csv.DictReader(file) if row["subject"] == "P03")
    with (tmp_path / "study/manifest.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMN_NAMES, restval="")
        writer.writeheader()
        for clip, view in rows.items():
            cells = {"visit": "01", "date": "2026-03-01", "view": view, "prosthetic_side": sides, "clip": clip}
            writer.writerow({"subject": "P03"} | cells)
    found = {}
    for name in ("alone", "together"):
        store = (tmp_path / "store").as_uri() if kind != "shared folder" else None
        cluster = Cluster(machines.address, store) if name == "together" else None
        result = run_study(tmp_path / "study", tmp_path / name, cluster=cluster)
        assert result.all_done, [clip.message for clip in result.clips]
        # A PDF carries the time of its report inside compressed streams.
        found[name] = {
            path: (RUN_OR_TIME.sub(b"", data), mode)
            for path, (data, mode) in contents(tmp_path / name).items()
            if not path.endswith(".pdf")
        }
    names = {path.rpartition("/")[2] for path in found["alone"]}
    assert names >= {"events.csv", "strides.csv", "curves.npz", "faults.csv", "visit.html", "fault-vaulting.html"}
    assert sorted(found["alone"]) == sorted(found["together"])
    assert [path for path, pair in found["alone"].items() if pair != found["together"][path]] == []
