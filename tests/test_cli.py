"""The command line: exit codes, messages without tracebacks, and lines that read well in a file."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

import pipeline
from pipeline import cluster_link, goals, recorded
from pipeline.cli import main
from pipeline.config import config_dir
from pipeline.console import follow_run, show_summary
from pipeline.judgement import ClipResult, Fault, RunRecord, VisitReport
from pipeline.manifest_row import COLUMN_NAMES
from pipeline.store import file_sha256, read_json
from pipeline.study_result import Progress, StudyResult, VisitResult
from tests.studies import make_study
from tests.test_manifest import HELP, study

ROOT = Path(__file__).parents[1]
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Run the command in a folder of its own; gives exit code, output and error output."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["strideledger", *arguments])
        with pytest.raises(SystemExit) as caught:
            main()
        code = caught.value.code or 0
        assert isinstance(code, int)
        return code, *capsys.readouterr()

    return call


def test_version_is_that_of_the_distribution(run: Run) -> None:
    written = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["version"]
    assert run("--version") == (0, f"strideledger {written}\n", "")
    assert pipeline.__version__ == written


def test_module_is_the_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "--version"], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert done.stdout == f"strideledger {pipeline.__version__}\n"


def test_import_of_the_package_loads_nothing_heavy() -> None:
    code = (
        "import pipeline, sys\nprint(sorted({'mediapipe', 'cv2', 'numpy', 'pandas', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout == "[]\n"


def test_every_name_that_the_package_offers_is_there() -> None:
    assert all(hasattr(pipeline, name) for name in pipeline.__all__)
    with pytest.raises(AttributeError, match="module 'pipeline' has no attribute 'run_studdy'"):
        pipeline.run_studdy  # noqa: B018


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("run", "study"), "Missing option '--out'"),
        (("run", "study", "--out", "out", "--model", "lite"), "'lite' is not one of 'heavy', 'full'"),
        (("run", "study", "--out", "out", "--workers", "0"), "Invalid value for '--workers'"),
        (("walk",), "No such command 'walk'"),
    ],
)
def test_wrong_use_ends_with_2_and_says_why(run: Run, arguments: tuple[str, ...], message: str) -> None:
    code, _, error = run(*arguments)
    assert code == 2
    assert message in error


def test_wrong_manifest_ends_with_2_before_anything_is_written(run: Run, tmp_path: Path) -> None:
    (tmp_path / "study").mkdir()
    study(tmp_path / "study", {"view": "side"}, {"clip": "clips/b.mp4", "date": "1 March"})
    assert run("run", "study", "--out", "out") == (
        2,
        "",
        "error: manifest.csv: 2 problems found.\n"
        '  manifest.csv row 2, column view: found "side"; allowed: sagittal, anterior, posterior.\n'
        '  manifest.csv row 3, column date: found "1 March"; expected a day as 2026-03-14.\n'
        f"{HELP}\n",
    )
    assert not (tmp_path / "out").exists()


def test_study_that_is_not_there_ends_with_2(run: Run) -> None:
    message = f"error: studdy: no such folder; expected a study folder with manifest.csv. {HELP}\n"
    assert run("run", "studdy", "--out", "out") == (2, "", message)


def test_wrong_settings_end_with_2(run: Run, tmp_path: Path) -> None:
    study(tmp_path, {})
    (tmp_path / "mine.toml").write_text("[signals]\ncutof_hz = 6.0\n")
    assert run("run", ".", "--out", "out", "--settings", "mine.toml") == (
        2,
        "",
        "error: settings: 1 problem found.\n  mine.toml: signals.cutof_hz: unknown; did you mean cutoff_hz?\n",
    )


def test_wrong_limits_end_with_2(run: Run, tmp_path: Path) -> None:
    (tmp_path / "limits").mkdir()
    text = (config_dir() / "checks/vaulting.toml").read_text(encoding="utf-8")
    (tmp_path / "limits/vaulting.toml").write_text(text.replace('"hip_vault_height"', '"hip_vault_hight"'))
    code, _, error = run("check-limits", "limits")
    assert code == 2
    assert error.startswith("error: limits in limits: 1 problem found.\n  limits/vaulting.toml: ")
    study(tmp_path, {})
    assert run("run", ".", "--out", "out", "--limits", "limits")[::2] == (2, error)


def test_wrong_causes_end_with_2_and_are_told_at_once(run: Run, tmp_path: Path) -> None:
    study(tmp_path, {})
    text = (config_dir() / "causes.toml").read_text(encoding="utf-8")
    wrong = text.replace('explains = ["vaulting", "circum', 'explains = ["vaultin", "circum', 1)
    (tmp_path / "own.toml").write_text(wrong.replace("present = 2", "present = 1", 1), encoding="utf-8")
    assert run("run", ".", "--out", "out", "--causes", "own.toml") == (
        2,
        "",
        "error: causes in own.toml: 2 problems found.\n"
        "  own.toml: points.borderline: must be less than points.present\n"
        "  own.toml: cause 'prosthesis_long': explains: 'vaultin' is unknown; did you mean 'vaulting'?\n"
        "Correct these lines; no cause was ranked.\n",
    )
    message = (
        "error: none.toml: cannot be read (No such file or directory); a file of causes expected. Check its name.\n"
    )
    assert run("run", ".", "--out", "out", "--causes", "none.toml") == (2, "", message)
    assert not (tmp_path / "out").exists()


def test_causes_of_ones_own_are_recorded_with_the_run(run: Run, tmp_path: Path) -> None:
    study(tmp_path, {})
    text = (config_dir() / "causes.toml").read_text(encoding="utf-8")
    (tmp_path / "own.toml").write_text(text.replace("present = 2", "present = 3", 1), encoding="utf-8")
    code, _, _ = run("run", ".", "--out", "out", "--causes", "own.toml")
    # The clip is not there, so that nothing is measured; the visit is judged all the same.
    assert code == 1
    (saved,) = [read_json(path, VisitReport) for path in tmp_path.glob("out/sub-*/ses-*/visit.json")]
    assert (saved.run.causes_file, saved.run.causes_sha256) == ("own.toml", file_sha256(tmp_path / "own.toml"))


def test_only_one_person_or_visit_is_measured(run: Run, tmp_path: Path) -> None:
    """The clips are not there: each one that is looked at fails, and no other is named."""
    make_study(tmp_path / "study", {"a.mp4": "01", "b.mp4": "02"})
    for wanted, clips in ((("--visit", "01"), "a"), (("--subject", "P01", "--visit", "02"), "b"), ((), "ab")):
        code, out, err = run("run", "study", "--out", "out", *wanted)
        assert code == 1
        assert {name for name in "ab" if f"clip {name}" in out + err} == set(clips)
    code, _, err = run("run", "study", "--out", "out", "--subject", "P09")
    assert code == 2
    assert "has no clip of subject P09; expected one of: P01-01, P01-02" in err


def test_results_folder_that_is_a_file_ends_with_2(run: Run, tmp_path: Path) -> None:
    study(tmp_path, {})
    (tmp_path / "out").write_text("")
    message = "error: out: is a file; expected a folder for the results. Give another folder with --out.\n"
    assert run("run", ".", "--out", "out") == (2, "", message)


def test_results_folder_that_cannot_be_made_ends_with_2(run: Run, tmp_path: Path) -> None:
    study(tmp_path, {})
    (tmp_path / "file").write_text("")
    code, _, error = run("run", ".", "--out", "file/out")
    assert code == 2
    assert error.startswith("error: file")
    assert error.endswith("Check free space, and the right to write into the folder given with --out.\n")


def test_store_without_a_cluster_ends_with_2(run: Run, tmp_path: Path) -> None:
    study(tmp_path, {})
    message = "error: --store: is given without --cluster. Add the scheduler's address, or leave it out.\n"
    assert run("run", ".", "--out", "out", "--store", "s3://clinic/runs") == (2, "", message)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            ["--cluster", ""],
            "cluster: its address is empty; expected the address that `dask scheduler` prints. "
            "Give it, or leave out --cluster.",
        ),
        (
            ["--cluster", "tcp://127.0.0.1:9", "--store", " "],
            "store: its address is empty; expected one folder, such as s3://bucket/folder. "
            "Give it, or leave out --store.",
        ),
        (
            ["--cluster", "tcp://127.0.0.1:9", "--store", "file:///mnt/a::b"],
            "store: its address holds `::`, a chain of addresses; expected one folder, such as s3://bucket/folder. "
            "Give one address.",
        ),
    ],
)
def test_addresses_of_a_cluster_that_are_none_end_with_2(
    run: Run, tmp_path: Path, options: list[str], message: str
) -> None:
    study(tmp_path, {})
    assert run("run", ".", "--out", "out", *options) == (2, "", f"error: {message}\n")
    assert not (tmp_path / "out").exists()


def test_cluster_where_nobody_answers_ends_with_2_and_writes_nothing(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr(cluster_link, "ANSWER_S", 1.0)
    study(tmp_path, {})
    code, output, error = run("run", ".", "--out", "out", "--cluster", "tcp://127.0.0.1:9")
    assert (code, output) == (2, "")
    assert error.startswith("error: cluster tcp://127.0.0.1:9: no scheduler answers (")
    assert error.endswith("pipeline/docs/cluster.md tells how.\n")
    assert error.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_notice_about_a_machine_is_a_line_of_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    with follow_run(1) as progress:
        progress(Progress("cluster", "notice", state="notice", message="worker w1 is gone; its jobs go to others."))
    assert capsys.readouterr().err == "caution: worker w1 is gone; its jobs go to others.\n"


def test_manifest_command_explains_every_column(run: Run) -> None:
    code, output, _ = run("manifest")
    assert code == 0
    parts = [part.splitlines() for part in output.rstrip().split("\n\n")]
    heads, explained = [part[0] for part in parts[::2]], parts[1::2]
    assert [head.split(":")[0] for head in heads] == ["manifest.csv", "recorded.csv", "goals.csv"]
    tables = [COLUMN_NAMES, *([column.name for column in table] for table in (recorded.COLUMNS, goals.COLUMNS))]
    for lines, names in zip(explained, tables, strict=True):
        assert [line.split(":")[0] for line in lines[::2]] == list(names)
        assert all(re.match(r"    allowed: .+\. Example: .+", line) for line in lines[1::2])


def test_manifest_command_checks_a_study(run: Run, tmp_path: Path) -> None:
    study(tmp_path, {})
    counts = "manifest.csv: no problem found; clips: 1, visits: 1.\n"
    assert run("manifest", ".") == (1, f"{counts}no such file: clips/walk.mp4\n", "")
    (tmp_path / "clips").mkdir()
    (tmp_path / "clips/walk.mp4").touch()
    assert run("manifest", ".") == (0, counts, "")
    (tmp_path / "recorded.csv").write_text("subject,visit,measure,value\nP01,01,pain,3\n")
    (tmp_path / "goals.csv").write_text("subject,measure,limb,at_least,at_most\nP01,pain,,,2\n")
    counts += "recorded.csv: no problem found; values: 1, visits: 1.\n"
    counts += "goals.csv: no problem found; targets: 1, persons: 1.\n"
    assert run("manifest", ".") == (0, counts, "")


def test_shipped_limits_are_listed_with_their_standing(run: Run) -> None:
    code, output, _ = run("check-limits")
    assert code == 0
    assert "no problem found; faults: " in output.splitlines()[-1]
    assert all(
        "provisional" in line or "from memory" in line or "published" in line or "common" in line
        for line in output.splitlines()[1:-1]
    )


def test_report_of_a_folder_without_results_ends_with_2(run: Run, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    assert run("report", "out") == (
        2,
        "",
        "error: out: no visit with saved results; expected sub-*/ses-*/visit.json. "
        "Give the folder that was given to `strideledger run --out`.\n",
    )


def test_summary_reads_well_in_a_file(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    clips = (
        ClipResult("a", "clips/a.mp4", "done", "measures", "", "", 1.0),
        ClipResult("b", "clips/b.mp4", "failed", "landmarks", "VideoError", "clip b: no [such] file.", 1.0),
    )
    record = RunRecord("r", "", "", "", {}, "", "", "", "")
    faults = (
        Fault("vaulting", "Vaulting", "sound", "present", "", False, ()),
        Fault("knee_instability", "Knee instability", "prosthetic", "borderline", "", True, ()),
        Fault("medial_whip", "Medial whip", "prosthetic", "cannot say", "no clip from behind", False, ()),
    )
    report = VisitReport("P01", "01", date(2026, 3, 14), ("left",), "", clips, {}, (), faults, record)
    folder = tmp_path / "out/sub-P01/ses-01"
    visits = (
        VisitResult("P01", "01", folder, folder / "visit.html", report, ""),
        VisitResult("P01", "02", folder, None, None, "visit P01-02: the process ended with signal 6."),
    )
    show_summary(StudyResult(record, tmp_path, clips, visits, page=tmp_path / "out/study.html"))
    assert [line.rstrip() for line in capsys.readouterr().out.splitlines()] == [
        "",
        "clips: 1 done, 1 failed",
        "visit   clips done  present  borderline  not seen  cannot say  present faults",
        "P01-01  1 of 2      1        1           0         1           Vaulting",
        "P01-02                                                         no report, see below",
        "failed: clip b: no [such] file.",
        "failed: visit P01-02: the process ended with signal 6.",
        "URGENT: P01-01: Knee instability (borderline). Read the caution in the report before further walking.",
        "",
        "reports: 1 of 2 visits",
        "out/sub-P01/ses-01/visit.html",
        "",
        "the whole study: out/study.html",
    ]
    failed = StudyResult(record, tmp_path, clips, visits, page_message="study.html: cannot be written.")
    show_summary(failed)
    assert capsys.readouterr().out.splitlines()[-1] == "failed: study.html: cannot be written."
    assert not failed.all_done


def test_progress_in_a_file_is_one_line_for_each_clip(capsys: pytest.CaptureFixture[str]) -> None:
    with follow_run(2) as progress:
        for done in range(100):
            progress(Progress("clip a", "landmarks", done, 100))
        progress(Progress("clip a", "end", state="done", message="landmarks unchanged since then"))
        progress(Progress("clip b", "end", state="failed", message=f"clip b: {'long ' * 60}[s]."))
    assert capsys.readouterr().err.splitlines() == [
        "done    clip a (landmarks unchanged since then)",
        f"failed  clip b: {'long ' * 60}[s].",
    ]


def test_benchmarks_are_reached_through_the_command(run: Run) -> None:
    code, output, _ = run("bench", "--help")
    assert code == 0
    assert "accuracy" in output
    assert run("bench", "accuracy", "--no-such-option")[0] == 2
