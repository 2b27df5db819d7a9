"""`kill -9` at any moment, and the same command again: the same results as of a run that nobody disturbed."""

from __future__ import annotations

import csv
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from pipeline.bench.same_results import comparable
from tests.studies import ROOT

EXAMPLE = ROOT / "example_data" / "study"
# Own choice, printed by a failing test, so that it can be repeated as far as time allows.
SEED = 7


def study_of(folder: Path, visits: dict[str, Sequence[str]]) -> Path:
    """A study of some visits of one person of the example, each with the clips whose names hold one of the words."""
    folder.mkdir()
    with (EXAMPLE / "manifest.csv").open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        rows = [
            row
            for row in reader
            if row["subject"] == "P01" and any(word in row["clip"] for word in visits.get(row["visit"], ()))
        ]
    with (folder / "manifest.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, reader.fieldnames or ())
        writer.writeheader()
        writer.writerows(rows)
    for row in rows:
        (folder / row["clip"]).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(EXAMPLE / row["clip"], folder / row["clip"])
    return folder


def start(folder: Path, out: str) -> subprocess.Popen[str]:
    """The command as a user starts it, in a group of processes of its own."""
    command = [sys.executable, "-m", "pipeline", "run", "study", "--out", out, "--model", "full"]
    environment = {"PYTHONPATH": str(ROOT), "PATH": "", "HOME": str(folder)}
    return subprocess.Popen(
        command, cwd=folder, env=environment, text=True, start_new_session=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip


def finished(folder: Path, out: str) -> float:
    """Run to the end; return how long it took. [s]"""
    started_s = time.monotonic()
    run = start(folder, out)
    printed, _ = run.communicate(timeout=1200)
    assert run.returncode == 0, printed
    assert "Traceback" not in printed
    return time.monotonic() - started_s


def killed(folder: Path, out: str, after_s: float, whole_group: bool) -> bool:
    """Kill a run after a time, alone or with its processes; whether it was still at work."""
    run = start(folder, out)
    try:
        run.communicate(timeout=after_s)
        return False
    except subprocess.TimeoutExpired:
        if whole_group:
            os.killpg(run.pid, signal.SIGKILL)
        else:
            run.kill()
        run.communicate()
        return True


def kill_often(folder: Path, n_kills: int) -> int:
    """Kill runs at random moments, each going on where the one before was killed; compare whenever one ends by itself.

    Returns
    -------
    int
        How many times a run came to its end after kills.
    """
    draw = random.Random(SEED)
    whole_s = finished(folder, "whole")
    wanted = comparable(folder / "whole")
    n_ends, n_done, since_end = 0, 0, 0
    while n_done < n_kills or since_end:
        out = f"out-{n_ends}"
        if n_done < n_kills and killed(folder, out, draw.uniform(0.0, whole_s), draw.random() < 0.5):
            n_done, since_end = n_done + 1, since_end + 1
            continue
        finished(folder, out)
        found = comparable(folder / out)
        assert found.keys() == wanted.keys(), f"after {since_end} kills, seed {SEED}"
        differing = [name for name in wanted if found[name] != wanted[name]]
        assert not differing, f"after {since_end} kills, seed {SEED}"
        assert not list((folder / out).glob("sub-*/**/.*.part"))
        shutil.rmtree(folder / out)
        n_ends, since_end = n_ends + 1, 0
    return n_ends


@pytest.mark.slow
def test_results_after_a_few_kills_are_those_of_an_undisturbed_run(tmp_path: Path) -> None:
    """Landmark files stand for clips, so that every stage after landmarks runs and no pose model does."""
    study_of(tmp_path / "study", {"03": ["sagittal_run-1", "anterior"]})
    assert kill_often(tmp_path, 4) >= 1


@pytest.mark.slow
@pytest.mark.long
def test_results_after_sixty_kills_are_those_of_an_undisturbed_run(tmp_path: Path) -> None:
    """Two visits, the person's page, and a clip that the pose model has to read."""
    study_of(tmp_path / "study", {"01": ["anterior"], "03": ["sagittal_run-1", "anterior"]})
    assert kill_often(tmp_path, 60) >= 5
