"""The shape of the code: imports go downward, two libraries stay behind one module each, modules stay short."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "pipeline"
LEVELS = [
    {"plain_text", "errors", "shown", "model", "review", "judgement", "tables"},
    {
        "config",
        "setting_words",
        "filled_table",
        "toml_record",
        "outside",
        "places",
        "kept",
        "manifest",
        "manifest_row",
        "pseudonyms",
        "store",
        "stage_record",
        "review_files",
        "language",
        "person_names",
        "name_search",
    },
    {
        "models",
        "containers",
        "video",
        "heads",
        "pictures",
        "skeleton",
        "subject",
        "crops",
        "landmarks",
        "track_file",
        "landmark_file",
        "clip_file",
    }
    | {"signals", "smoothing"},
    {"geometry", "identity", "motion", "pixels", "recording", "walkway", "camera", "walkline", "quality"}
    | {"quantities", "quantities_sagittal", "quantities_frontal", "parallax"}
    | {"passes", "standing", "treadmill"}
    | {"outline", "shoes", "shoe_shape", "leg_shape", "leg_evidence", "leg_smoothness", "leg_model", "legs"}
    | {"pylon"},
    {"event_timing", "events_frontal", "events", "steps", "strides", "review_apply"},
    {"metrics"},
    {
        "limits_file",
        "thresholds",
        "checks",
        "causes",
        "causes_file",
        "pace",
        "stages",
        "tracking_rules",
        "comparability",
    }
    | {"review_verdicts"}
    | {"slopes", "tracking", "agreement", "agreement_sizes", "ratings", "agreement_table"}
    | {"recorded", "goals", "outcomes"},
    {
        "figure_style",
        "figures",
        "figures_agreement",
        "figures_overlay",
        "figures_track",
        "plots",
        "report",
        "study_files",
        "study_visits",
        "study_tables",
        "study_query",
        "study_export",
        "study_result",
        "failure_kinds",
        "time_left",
    },
    {
        "isolate",
        "job_process",
        "study_run",
        "picture_stages",
        "clip_stages",
        "jobs",
        "runs",
        "rebuild",
        "batch",
        "precheck",
        "bench",
        "console",
        "cli",
        "cli_study",
    }
    | {"catalogue", "fault_pages", "texts", "saved_texts", "agreement_files", "landmark_export", "person_pages"}
    | {"notebook_tables", "notebook", "api_page"}
    | {"run_traces", "forget_plan", "forget", "cli_forget", "components"}
    | {"stopping", "usage", "results_lock", "run_record", "clip_log", "live", "metrics_text", "status"}
    | {"console_status", "cli_watch", "watch", "watch_files", "watch_record", "watch_run", "watch_tables"}
    | {"object_store", "parcels", "sent_files", "cluster_link", "cluster_worker", "cluster_crew", "cluster"}
    | {"review_saved", "review_requests", "review_table", "cli_review", "review_drawing", "review_widget"},
]
LEVEL = {name: level for level, names in enumerate(LEVELS) for name in names}
FILES = sorted(path for path in PACKAGE.rglob("*.py"))


def unit_of(path: Path) -> str:
    """The module or sub-package that a file belongs to, "" for the package itself."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return "" if parts[0] in ("__init__", "__main__") else parts[0]


def imports_of(path: Path) -> set[str]:
    """Full names of the modules that a file imports, anywhere in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{name.name}" for name in node.names} | {node.module}
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_imports_go_downward(path: Path) -> None:
    unit = unit_of(path)
    if not unit:
        return
    assert unit in LEVEL, f"{path.name}: give the new module a level in LEVELS of this test"
    for name in imports_of(path):
        parts = name.split(".")
        if parts[0] == "pipeline" and len(parts) > 1 and parts[1] in LEVEL:
            assert LEVEL[parts[1]] <= LEVEL[unit], f"{unit} (level {LEVEL[unit]}) imports {name} above it"


@pytest.mark.parametrize(
    ("library", "allowed"),
    [
        # The benchmark of speed compares with a loop of both libraries and nothing else.
        ("cv2", {"video", "pictures", "skeleton", "bench"}),
        ("mediapipe", {"landmarks", "models", "bench"}),
        ("distributed", {"cluster_link"}),
        ("fsspec", {"object_store"}),
        ("matplotlib", {"figure_style", "figures", "figures_agreement", "figures_overlay", "figures_track", "plots"}),
    ],
)
def test_a_library_stays_behind_its_module(library: str, allowed: set[str]) -> None:
    users = {unit_of(path) for path in FILES if any(n.split(".")[0] == library for n in imports_of(path))}
    assert users <= allowed


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_modules_can_be_read_in_one_sitting(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= 320, f"{path.name} has {lines} lines: split it by subject"


def test_the_pipeline_never_reads_truth_files() -> None:
    for path in FILES:
        if unit_of(path) != "bench":
            assert "truth.json" not in path.read_text(encoding="utf-8"), path.name
