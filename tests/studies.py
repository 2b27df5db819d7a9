"""Small studies for tests: settings that run fast, and a manifest of clips of one invented person."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path
from typing import Any

from pipeline.config import Settings, load_settings
from pipeline.manifest_row import COLUMN_NAMES

ROOT = Path(__file__).parents[1]


def quick_settings(**run: Any) -> Settings:
    settings = load_settings()
    return settings.model_copy(
        update={
            "run": settings.run.model_copy(update={"workers": 2, "clip_time_limit_s": 60.0} | run),
            "landmarks": settings.landmarks.model_copy(update={"model": "full"}),
        }
    )


def make_study(folder: Path, clips: dict[str, str], **row: str) -> Path:
    """A study of clips (path and visit) of one person, without the clips' files."""
    folder.mkdir(exist_ok=True)
    with (folder / "manifest.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMN_NAMES, restval="")
        writer.writeheader()
        for clip, visit in clips.items():
            cells = {"date": f"2026-03-{visit}", "view": "sagittal", "prosthetic_side": "left"} | row
            writer.writerow({"subject": "P01", "visit": visit, "clip": clip} | cells)
    return folder


def run_command(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """The command as a user starts it."""
    return subprocess.run(
        [sys.executable, "-m", "pipeline", *arguments],
        capture_output=True,
        text=True,
        timeout=500,
        cwd=folder,
        env={"PYTHONPATH": str(ROOT), "PATH": "", "HOME": str(folder)},
        check=False,
    )
