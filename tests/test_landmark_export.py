"""A measured study without its pictures: what is written, what is left out, and that it measures to the same bytes."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from pipeline.batch import run_study
from pipeline.config import ModelChoice, PicturesKept, Settings, load_settings, with_choices
from pipeline.errors import ConfigError, ManifestError, ManyProblems
from pipeline.goals import read_goals
from pipeline.judgement import VisitReport
from pipeline.landmark_export import Exported, export_landmarks
from pipeline.manifest import read_manifest
from pipeline.recorded import load_measures, read_recorded
from pipeline.store import read_json
from tests.studies import make_study

ROOT = Path(__file__).resolve().parent.parent
CLIPS = ("sub-P01_ses-01_task-walk_acq-sagittal_run-1_video", "sub-P01_ses-01_task-walk_acq-anterior_run-1_video")
NOT_MEASURED = "sub-P01_ses-01_task-walk_acq-posterior_run-1_video"
MEASURES = ("events.csv", "strides.csv", "curves.npz", "quality.json")


@pytest.fixture(scope="module")
def settings() -> Settings:
    """The quick model; no pictures are needed here."""
    return with_choices(load_settings(), model=ModelChoice.full, pictures=PicturesKept.none)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory, settings: Settings) -> Path:
    """Two measured clips of the example study, and one that is not measured, in `study` and `results`."""
    top = tmp_path_factory.mktemp("export")
    example = ROOT / "example_data" / "study"
    rows = list(csv.reader((example / "manifest.csv").read_text(encoding="utf-8").splitlines()))
    column = rows[0].index("clip")
    (top / "study").mkdir()

    def write_manifest(names: tuple[str, ...]) -> None:
        wanted = [row for row in rows[1:] if Path(row[column]).stem in names]
        with (top / "study" / "manifest.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows([rows[0], *wanted])

    for row in rows[1:]:
        if Path(row[column]).stem in (*CLIPS, NOT_MEASURED):
            (top / "study" / row[column]).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(example / row[column], top / "study" / row[column])
    write_manifest(CLIPS)
    run_study(top / "study", top / "results", settings=settings)
    write_manifest((*CLIPS, NOT_MEASURED))
    exported = export_landmarks(top / "study", top / "results", top / "new", settings)
    assert [path.name for path in exported.files] == [f"{name}.landmarks" for name in CLIPS] + ["manifest.csv"]
    assert list(exported.failures) == [f"sub-P01/ses-01/{NOT_MEASURED}.mp4"]
    assert "is not measured (no stage landmarks, pictures)" in next(iter(exported.failures.values()))
    return top


@pytest.mark.slow
def test_the_new_study_measures_to_the_same_bytes(study: Path) -> None:
    """Also with another model asked for: no model looks at it, and the visit names the one that did."""
    done = run_study(
        study / "new", study / "again", settings=with_choices(load_settings(), pictures=PicturesKept.clips)
    )
    assert done.all_done
    for name in CLIPS:
        first, again = (study / out / "sub-P01" / "ses-01" / name for out in ("results", "again"))
        assert all((first / file).read_bytes() == (again / file).read_bytes() for file in MEASURES)
    visit = study / "again" / "sub-P01" / "ses-01"
    report = read_json(visit / "visit.json", VisitReport)
    assert report.run.model == "full"
    assert report.notes[-1] == f"These clips came as landmark files, without pictures: {', '.join(CLIPS)}."
    assert not list((visit / "frames").glob("*.jpg"))
    page = (visit / "visit.html").read_text(encoding="utf-8")
    assert f"Clip {CLIPS[0]} shows the skeleton alone" in page
    assert "came as a landmark file, without pictures." in page


@pytest.mark.slow
def test_a_landmark_file_is_passed_on_as_it_is(study: Path, settings: Settings) -> None:
    exported = export_landmarks(study / "new", study / "nothing", study / "copy", settings)
    assert not exported.failures
    for path in exported.files:
        assert path.read_bytes() == (study / "new" / path.relative_to(study / "copy")).read_bytes()


@pytest.mark.slow
def test_a_clip_that_changed_since_it_was_measured_is_left_out(study: Path, settings: Settings) -> None:
    clip = study / "study" / "sub-P01" / "ses-01" / f"{CLIPS[0]}.mp4"
    before = clip.read_bytes()
    try:
        clip.write_bytes(before + b"more")
        exported = export_landmarks(study / "study", study / "results", study / "changed", settings)
    finally:
        clip.write_bytes(before)
    assert "has changed since it was measured" in exported.failures[f"sub-P01/ses-01/{CLIPS[0]}.mp4"]
    rows = (study / "changed" / "manifest.csv").read_text(encoding="utf-8").splitlines()
    assert len(rows) == 2
    assert f"{CLIPS[1]}.landmarks" in rows[1]


@pytest.mark.slow
def test_a_manifest_that_is_there_is_not_overwritten(study: Path, settings: Settings) -> None:
    with pytest.raises(ConfigError, match="is there already"):
        export_landmarks(study / "study", study / "results", study / "study", settings)


# --- landmark files passed on: nothing looks into them, so any bytes will do


def passed_on(folder: Path, clips: dict[str, str], *missing: str) -> Exported:
    """Export a study whose clips (path and visit) are landmark files, some of them missing, into `new`."""
    make_study(folder / "study", clips)
    for name in clips.keys() - set(missing):
        (folder / "study" / name).parent.mkdir(exist_ok=True)
        (folder / "study" / name).write_bytes(b"landmarks")
    return export_landmarks(folder / "study", folder / "results", folder / "new", load_settings())


def test_a_clip_is_listed_however_the_manifest_writes_its_path(tmp_path: Path) -> None:
    clips = {"./clips/a.landmarks": "01", "clips//b.landmarks": "01", "clips/./c.landmarks": "01"}
    exported = passed_on(tmp_path, clips)
    assert exported.failures == {}
    assert [clip.relative_path for clip in read_manifest(tmp_path / "new")] == [
        "clips/a.landmarks", "clips/b.landmarks", "clips/c.landmarks",
    ]  # fmt: skip


def test_a_clip_that_is_not_there_is_told_without_the_folders_above_the_study(tmp_path: Path) -> None:
    exported = passed_on(tmp_path, {"clips/a.landmarks": "01", "clips/b.landmarks": "01"}, "clips/a.landmarks")
    assert exported.failures == {
        "clips/a.landmarks": "clip a: there is no file clips/a.landmarks in the study; expected the clip that was "
        "measured. Copy the file back to its place, or correct its path in the manifest."
    }
    assert [clip.clip_id for clip in read_manifest(tmp_path / "new")] == ["b"]


def test_a_clip_that_is_no_file_is_told_without_the_folders_above_the_study(tmp_path: Path) -> None:
    (tmp_path / "study" / "clips" / "a.landmarks").mkdir(parents=True)
    exported = passed_on(tmp_path, {"clips/a.landmarks": "01"}, "clips/a.landmarks")
    assert exported == Exported(
        (),
        {
            "clips/a.landmarks": "clip a: clips/a.landmarks cannot be read or written (Is a directory). Check free "
            "space, the right to read the study, and the right to write into the folder given with --out."
        },
    )


RECORDED = "subject,visit,measure,value,note\n"
GOALS = "subject,measure,limb,at_least,at_most,unit,baseline\n"
LEFT_OUT = "rows or baselines that name a person or a visit of which no clip was written"


def with_tables(folder: Path, recorded: str, goals: str) -> None:
    (folder / "study").mkdir()
    (folder / "study" / "recorded.csv").write_text(recorded, encoding="utf-8")
    (folder / "study" / "goals.csv").write_text(goals, encoding="utf-8")


def test_of_what_was_recorded_and_of_goals_the_rows_about_written_visits_are_kept(tmp_path: Path) -> None:
    kept = "P01,01,walk_10m_time,11.8,\n"
    with_tables(
        tmp_path,
        f"{RECORDED}{kept}P01,02,walk_10m_time,9.6,\n",
        f"{GOALS}P01,hip_vault_height,left,,2.5,,02\nP01,,,,,,02\nP01,step_time_ratio,,0.95,1.05,,\n",
    )
    exported = passed_on(tmp_path, {"clips/a.landmarks": "01", "clips/b.landmarks": "02"}, "clips/b.landmarks")
    assert exported.failures["recorded.csv"] == f"{LEFT_OUT}: 1"
    assert exported.failures["goals.csv"] == f"{LEFT_OUT}: 2"
    new = tmp_path / "new"
    assert (new / "recorded.csv").read_text(encoding="utf-8") == RECORDED + kept
    clips, known = read_manifest(new), load_measures()
    assert list(read_recorded(new, clips, known)) == [("P01", "01")]
    goals = read_goals(new, clips, known)["P01"]
    assert (goals.baseline, [goal.measure for goal in goals.goals]) == ("", ["hip_vault_height", "step_time_ratio"])


def test_tables_of_a_study_that_is_written_whole_are_copied(tmp_path: Path) -> None:
    recorded = f"{RECORDED}P01,01,walk_10m_time,11.8,with rail\n".replace(",", ";").replace("11.8", "11,8")
    goals = f"{GOALS}P01,hip_vault_height,left,,2.5,,01\n"
    with_tables(tmp_path, recorded, goals)
    exported = passed_on(tmp_path, {"clips/a.landmarks": "01"})
    assert exported.failures == {}
    assert [path.name for path in exported.files] == ["a.landmarks", "recorded.csv", "goals.csv", "manifest.csv"]
    assert (tmp_path / "new" / "recorded.csv").read_text(encoding="utf-8") == recorded
    assert (tmp_path / "new" / "goals.csv").read_text(encoding="utf-8") == goals


def test_a_table_with_mistakes_is_told_and_nothing_is_written(tmp_path: Path) -> None:
    with_tables(tmp_path, RECORDED.replace("visit", "vizit"), GOALS)
    with pytest.raises(ManyProblems, match=r'recorded.csv row 1: column "vizit" is unknown; did you mean visit\?'):
        passed_on(tmp_path, {"clips/a.landmarks": "01"})
    (tmp_path / "study" / "recorded.csv").unlink()
    (tmp_path / "goals.csv").write_text(GOALS, encoding="utf-8")
    (tmp_path / "study" / "goals.csv").unlink()
    (tmp_path / "study" / "goals.csv").symlink_to(tmp_path / "goals.csv")
    with pytest.raises(ManifestError, match=r"goals.csv: is a link that leads outside"):
        passed_on(tmp_path, {"clips/a.landmarks": "01"})
    assert not (tmp_path / "new").exists()
