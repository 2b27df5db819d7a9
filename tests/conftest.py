"""The example study, measured once for all tests that need it."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from filelock import FileLock

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example study measured with the default, heavy model, as a user does: once, and a copy for each process."""
    # Processes of one run of the tests share the folder above their own.
    top = tmp_path_factory.getbasetemp()
    top = top.parent if "PYTEST_XDIST_WORKER" in os.environ else top
    measured = top / "example-results"
    with FileLock(top / "example-results.lock"):
        if not measured.exists():
            _measure(top / "example-results-started")
            (top / "example-results-started").rename(measured)
    return Path(shutil.copytree(measured, tmp_path_factory.mktemp("example") / "results"))


def _measure(out: Path) -> None:
    """Run the command line on the example study."""
    done = subprocess.run(
        [sys.executable, "-m", "pipeline", "run", "example_data/study", "--out", str(out)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 failed" in done.stdout
    assert "Traceback" not in done.stderr
