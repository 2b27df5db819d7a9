"""What travels to another machine and back: whole, checked, and never into the folder of another attempt."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.errors import ClusterError
from pipeline.landmark_file import is_landmark_file
from pipeline.manifest import read_manifest
from pipeline.object_store import Place, shared_place
from pipeline.parcels import HANDED, Handover, Parcel, parcel_of, take_over, unpack_parcel
from pipeline.picture_stages import ClipJob
from pipeline.places import make_private_folder
from pipeline.sent_files import SentFiles
from pipeline.stage_record import FolderRecord, StageRecord, write_record
from pipeline.store import file_sha256, write_text
from tests.studies import make_study, quick_settings

pytest.importorskip("fsspec")


@pytest.fixture
def job(tmp_path: Path) -> ClipJob:
    """The job of a clip that was measured before, in a visit with a correction."""
    study = make_study(tmp_path / "study", {"walk.mp4": "01"})
    (study / "walk.mp4").write_text("a film")
    (clip,) = read_manifest(study)
    folder = tmp_path / "results/sub-P01/ses-01/walk"
    write_text(folder / "old.txt", "old")
    write_text(folder / "kept.txt", "kept")
    write_text(folder.parent / "corrections/one.json", "{}")
    return ClipJob(clip, folder, quick_settings())


@pytest.fixture
def place(tmp_path: Path) -> Place:
    return shared_place(tmp_path / "store")


def sent(job: ClipJob, place: Place, *, clips_travel: bool = True) -> Parcel:
    """The job's parcel, its files in the store."""
    parcel = parcel_of(job, clips_travel=clips_travel)
    SentFiles(place, travel=clips_travel).put(parcel)
    return parcel


def at_worker(parcel: Parcel, place: Place, site: Path, key: str) -> tuple[ClipJob, Handover]:
    """A worker's folder with a parcel laid out."""
    moved = unpack_parcel(parcel, place, site)
    assert isinstance(moved, ClipJob)
    return moved, Handover(place.below(key), parcel, site)


@pytest.mark.parametrize("name", ["R ü #1", "100%", "R%20", "a::b", "[x]*", "file:"])
def test_what_is_handed_over_lies_in_the_results_folder_whatever_its_name_is(tmp_path: Path, name: str) -> None:
    folder = tmp_path / name / ".cluster-1"
    folder.mkdir(parents=True)
    place = shared_place(folder)
    place.below("key").write("result", b"measured")
    assert (folder / "key/result").read_bytes() == b"measured"
    (tmp_path / "clip").write_text("a film")
    place.put("in/clip", tmp_path / "clip")
    place.get("in/clip", tmp_path / "copy", file_sha256(tmp_path / "clip"))
    assert place.has("in/clip") and place.below("key").read("result") == b"measured"
    place.remove("key")
    assert [path.name for path in folder.iterdir()] == ["in"]
    place.remove_all(".cluster-1")
    assert sorted(path.name for path in tmp_path.rglob("*")) == sorted([name, "clip", "copy"])


def test_errors_name_the_results_folder_where_no_store_was_given(tmp_path: Path) -> None:
    do = "Check that it is the same on every machine, the right to write there, and free space."
    with pytest.raises(ClusterError) as caught:
        shared_place(tmp_path).read("nothing")
    assert str(caught.value) == f"results folder: cannot be used (No such file or directory). {do}"
    with pytest.raises(ClusterError, match=r"^store: cannot be used .* --store"):
        Place(tmp_path.as_uri()).read("nothing")


@pytest.mark.parametrize("url", ["{folder}", "{folder}::b/strideledger-1"])
def test_only_the_folder_of_the_run_itself_is_deleted(tmp_path: Path, url: str) -> None:
    """fsspec takes `A::B` for a chain, and its first part for the folder."""
    (tmp_path / "clinic").mkdir()
    (tmp_path / "clinic/precious.txt").write_text("")
    place = Place(url.format(folder=(tmp_path / "clinic").as_uri()))
    with pytest.raises(ClusterError, match=r"another folder than the run's own, .*; expected strideledger-1\."):
        place.remove_all("strideledger-1")
    assert (tmp_path / "clinic/precious.txt").exists()
    own = Place((tmp_path / "clinic").as_uri()).below("strideledger-1")
    own.write("token", b"")
    own.remove_all("strideledger-1")
    assert [path.name for path in (tmp_path / "clinic").iterdir()] == ["precious.txt"]


@pytest.mark.parametrize("clips_travel", [True, False])
def test_a_worker_has_the_job_in_a_folder_of_its_own(
    job: ClipJob, place: Place, tmp_path: Path, clips_travel: bool
) -> None:
    moved, _ = at_worker(sent(job, place, clips_travel=clips_travel), place, tmp_path / "site", "1")
    assert moved.clip.path.read_text() == "a film"
    assert (moved.clip.path == job.clip.path) is not clips_travel
    assert moved.folder == tmp_path / "site/results/sub-P01/ses-01/walk"
    assert (moved.folder / "old.txt").read_text() == "old"
    # A correction names subject and visit, and is only read from folders of these names.
    assert (moved.folder.parent / "corrections/one.json").read_text() == "{}"


@pytest.mark.parametrize("clips_travel", [True, False])
def test_a_landmark_file_that_is_a_link_stays_one_by_its_name(
    tmp_path: Path, place: Place, monkeypatch: pytest.MonkeyPatch, clips_travel: bool
) -> None:
    """As tools that keep large files apart lay them out: the link's target has neither its name nor its ending."""
    study = make_study(tmp_path / "study", {"clips/c.landmarks": "01"})
    (study / "clips").mkdir()
    (study / "objects").mkdir()
    (study / "objects/SHA256E-s99").write_text("landmarks")
    (study / "clips/c.landmarks").symlink_to("../objects/SHA256E-s99")
    monkeypatch.chdir(tmp_path)
    (clip,) = read_manifest(Path("study"))
    (tmp_path / "results/sub-P01/ses-01/c").mkdir(parents=True)
    job = ClipJob(clip, Path("results/sub-P01/ses-01/c"), quick_settings())
    moved, _ = at_worker(sent(job, place, clips_travel=clips_travel), place, tmp_path / "site", "1")
    assert is_landmark_file(moved.clip.path)
    assert moved.clip.path.is_absolute()
    assert moved.clip.path.read_text() == "landmarks"


def test_what_changed_comes_back_with_its_rights_and_what_is_gone_is_gone(
    job: ClipJob, place: Place, tmp_path: Path
) -> None:
    parcel = sent(job, place)
    moved, handover = at_worker(parcel, place, tmp_path / "site", "1")
    (moved.folder / "old.txt").unlink()
    make_private_folder(moved.folder / "frames")
    write_text(moved.folder / "frames/one.jpg", "picture", private=True)
    handover.send()
    assert sorted(json.loads(place.read(f"1/{HANDED}"))["changed"]) == ["sub-P01/ses-01/walk/frames/one.jpg"]
    take_over(place.below("1"), parcel)
    assert sorted(path.name for path in job.folder.iterdir()) == ["frames", "kept.txt"]
    picture = job.folder / "frames/one.jpg"
    assert (picture.read_text(), picture.stat().st_mode & 0o777) == ("picture", 0o600)
    assert picture.parent.stat().st_mode & 0o777 == 0o700
    assert (job.folder.parent / "corrections/one.json").exists()


def test_two_attempts_at_one_clip_never_meet(job: ClipJob, place: Place, tmp_path: Path) -> None:
    """The first worker is believed lost, and goes on all the same while and after the second one works."""
    first_parcel, second_parcel = sent(job, place), sent(job, place)
    first, first_handover = at_worker(first_parcel, place, tmp_path / "first", "1")
    second, second_handover = at_worker(second_parcel, place, tmp_path / "second", "2")
    write_text(first.folder / "result.txt", "of the first")
    first_handover.send()
    write_text(second.folder / "result.txt", "of the second")
    (first.folder / "kept.txt").unlink()
    second_handover.send()
    take_over(place.below("2"), second_parcel)
    first_handover.send()
    assert (job.folder / "result.txt").read_text() == "of the second"
    assert (job.folder / "kept.txt").read_text() == "kept"


def test_only_finished_stages_come_back_before_the_end(job: ClipJob, place: Place, tmp_path: Path) -> None:
    parcel = sent(job, place)
    moved, handover = at_worker(parcel, place, tmp_path / "site", "1")
    write_text(moved.folder / "landmarks.npz", "whole")
    write_text(moved.folder / "strides.csv", "half")
    (moved.folder / "old.txt").unlink()
    stage = StageRecord("0", "2026-03-01T12:00:00Z", 1.0, {"landmarks.npz": "0"})
    write_record(moved.folder, FolderRecord("started", stages={"landmarks": stage}))
    handover.send_finished()
    take_over(place.below("1"), parcel)
    names = ["kept.txt", "landmarks.npz", "old.txt", "record.json"]
    assert sorted(path.name for path in job.folder.iterdir()) == names


def test_what_does_not_arrive_as_it_was_sent_changes_nothing(job: ClipJob, place: Place, tmp_path: Path) -> None:
    parcel = sent(job, place)
    (tmp_path / "store/in" / next(iter((parcel.clips or {}).values()))).write_text("another film")
    with pytest.raises(ClusterError, match="has other content than was put there"):
        unpack_parcel(parcel, place, tmp_path / "site")
    parcel = sent(job, shared_place(tmp_path / "second"))
    moved, handover = at_worker(parcel, shared_place(tmp_path / "second"), tmp_path / "site2", "1")
    write_text(moved.folder / "kept.txt", "new")
    write_text(moved.folder / "more.txt", "more")
    handover.send()
    handed = json.loads((tmp_path / "second/1" / HANDED).read_text())
    (tmp_path / "second/1" / handed["changed"]["sub-P01/ses-01/walk/more.txt"]["sha256"]).write_text("else")
    with pytest.raises(ClusterError, match="has other content than was put there"):
        take_over(shared_place(tmp_path / "second").below("1"), parcel)
    assert (job.folder / "kept.txt").read_text() == "kept"


@pytest.mark.parametrize("name", ["../../../manifest.csv", "/etc/passwd", "sub-P01/ses-01/other/strides.csv"])
def test_a_worker_cannot_write_outside_of_its_job(job: ClipJob, place: Place, tmp_path: Path, name: str) -> None:
    parcel = sent(job, place)
    place.write(f"1/{HANDED}", json.dumps({"changed": {}, "gone": [name]}).encode())
    with pytest.raises(ClusterError, match="leads out of the job's folder"):
        take_over(place.below("1"), parcel)


def test_a_clip_stays_in_the_store_until_its_visit_has_its_report(job: ClipJob, place: Place, tmp_path: Path) -> None:
    files = SentFiles(place, travel=True)
    parcel = parcel_of(job, clips_travel=True)
    clip = (parcel.clips or {})[0]
    files.put(parcel)
    assert len(list((tmp_path / "store/in").iterdir())) == 4
    files.drop(parcel, is_over=True)
    assert [path.name for path in (tmp_path / "store/in").iterdir()] == [clip]
    none = job.settings.model_copy(update={"run": job.settings.run.model_copy(update={"keep_pictures": "none"})})
    parcel = parcel_of(ClipJob(job.clip, job.folder, none), clips_travel=True)
    files = SentFiles(place, travel=True)
    files.put(parcel)
    files.drop(parcel, is_over=True)
    assert list((tmp_path / "store/in").iterdir()) == []
