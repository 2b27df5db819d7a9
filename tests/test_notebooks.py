"""The notebooks: each is a lesson that runs, on one folder of results, and is stored without its outputs."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import Any

import nbformat
import pytest
from nbclient import NotebookClient

from pipeline.report.layout import load_layout

ROOT = Path(__file__).resolve().parent.parent
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
NAMES = ("01_one_visit", "02_batch_study", "03_across_visits", "04_agreement", "05_own_metric")
CAUTION = load_layout().cautions.points[0]
# A cell fits on a screen. Own choice. [lines]
LONGEST_CELL = 30


def stem(path: Path) -> str:
    """A notebook's name, as pytest shows it."""
    return path.stem


def test_the_five_lessons_are_there() -> None:
    assert tuple(path.stem for path in NOTEBOOKS) == NAMES


@pytest.mark.parametrize("path", NOTEBOOKS, ids=stem)
def test_a_notebook_is_stored_without_outputs(path: Path) -> None:
    for cell in nbformat.read(path, as_version=4).cells:
        if cell.cell_type == "code":
            assert cell.outputs == [] and cell.execution_count is None


@pytest.mark.parametrize("path", NOTEBOOKS, ids=stem)
def test_a_notebook_reads_as_a_lesson(path: Path) -> None:
    cells = nbformat.read(path, as_version=4).cells
    words = " ".join(cell.source for cell in cells if cell.cell_type == "markdown")
    assert cells[0].cell_type == "markdown" and cells[0].source.startswith("# ")
    assert "invented" in words and "no diagnosis" in words
    assert sum(cell.cell_type == "markdown" for cell in cells) >= len(cells) / 3
    assert max(len(cell.source.splitlines()) for cell in cells) <= LONGEST_CELL


@pytest.fixture(scope="module")
def shared(results: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the measured example study, for the notebooks alone."""
    return Path(shutil.copytree(results, tmp_path_factory.mktemp("notebooks") / "results"))


def executed(name: str, results: Path, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """The outputs of a notebook; a cell that fails fails the test."""
    monkeypatch.setenv("STRIDELEDGER_OUT", str(results))
    notebook = nbformat.read(ROOT / "notebooks" / f"{name}.ipynb", as_version=4)
    NotebookClient(notebook, timeout=900, resources={"metadata": {"path": str(ROOT / "notebooks")}}).execute()
    return [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]


def words_of(outputs: list[Any]) -> str:
    """All that the outputs say, tables without tags."""

    def texts() -> Iterator[str]:
        for output in outputs:
            data = output.get("data", {"text/plain": output.get("text", "")})
            yield unescape(re.sub(r"<[^>]+>", " ", data.get("text/html", data.get("text/plain", ""))))

    return " ".join(" ".join(texts()).split())


def pictures(outputs: list[Any]) -> int:
    """How many outputs are pictures."""
    return sum(bool({"image/svg+xml", "image/png"} & set(output.get("data", {}))) for output in outputs)


@pytest.mark.slow
def test_one_visit(shared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outputs = executed("01_one_visit", shared, monkeypatch)
    said = words_of(outputs)
    assert CAUTION in said
    assert "P01, visit 01, 2026-03-10" in said
    assert "Vaulting: present" in said and "could not be measured, because" in said
    assert "visit.html" in said
    assert pictures(outputs) == 3
    # Nothing but this visit is part of the run.
    assert "P02" not in said


@pytest.mark.slow
def test_batch_study(shared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outputs = executed("02_batch_study", shared, monkeypatch)
    said = words_of(outputs)
    assert (CAUTION in said and "report unchanged" in said) or "unchanged since" in said
    assert "dictionary.csv" in said
    assert pictures(outputs) == 1


@pytest.mark.slow
def test_across_visits(shared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outputs = executed("03_across_visits", shared, monkeypatch)
    said = words_of(outputs)
    assert CAUTION in said
    assert "better" in said and "no clear change" in said
    assert pictures(outputs) == 2


@pytest.mark.slow
def test_agreement(shared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outputs = executed("04_agreement", shared, monkeypatch)
    said = words_of(outputs)
    assert "kappa_quadratic" in said and "sensitivity" in said and "Upper limit of agreement" in said
    assert pictures(outputs) == 1


@pytest.mark.slow
def test_own_metric(shared: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    outputs = executed("05_own_metric", shared, monkeypatch)
    said = words_of(outputs)
    assert CAUTION in said
    assert re.search(r"Late peak of knee flexion in swing: (present|borderline|not seen|cannot say)", said)
    assert "'abov' is unknown; did you mean 'above'?" in said
    assert said.endswith("False)")
    assert pictures(outputs) == 1
