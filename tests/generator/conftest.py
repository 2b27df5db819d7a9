"""Puts the clip generator, a development-only package of the example data, on the import path."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "example_data"))
