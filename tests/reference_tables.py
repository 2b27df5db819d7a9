"""Reads the tables of `tests/reference/`: facts from outside the project, each with its source in its first lines."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

HOME = Path(__file__).parent / "reference"


def reference(name: str) -> pd.DataFrame:
    """Return one table, without the lines that give its source."""
    return pd.read_csv(HOME / f"{name}.csv", comment="#")
