"""The metrics' own errors, from a benchmark, in the form of `configs/measurement_error.toml`."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.store import write_text

# Fewer visits and limbs give no error worth a line. Own choice.
FEWEST_CASES = 6
HEADER = """\
# Each metric's own error, as one standard deviation of a visit's value, in the metric's unit. A verdict adds it to
# the spread over strides. A metric without a line counts as free of error, which only a definition may be.
# standing "from benchmark" is written by the accuracy benchmark; "provisional" is an assumption until it is.
"""


def write_own_errors(path: Path, values: pd.DataFrame, what: str) -> None:
    """Replace the entries of a measurement-error file that the benchmark has measured; the others stay.

    The error is the root mean square of found minus true, bias included, over visits and limbs.

    Parameters
    ----------
    path : Path
        An existing file of this form; written anew.
    values : DataFrame
        From `value_errors`.
    what : str
        The clips and the day, for the notes.
    """
    entries = tomllib.loads(path.read_text(encoding="utf-8"))
    for metric, group in values.groupby("metric", sort=False):
        errors = group["error"].dropna().to_numpy(dtype=float)
        if len(errors) >= FEWEST_CASES:
            sd = float(f"{np.sqrt(np.mean(errors**2)):.2g}")
            note = f"Root mean square over {len(errors)} limbs or pairs, bias {np.mean(errors):+.2g}: {what}."
            entries[str(metric)] = {"sd": sd, "unit": group["unit"].iloc[0], "standing": "from benchmark", "note": note}
    lines = [HEADER]
    for name, entry in entries.items():
        fields = [f"{key} = {value if isinstance(value, float) else _quoted(value)}" for key, value in entry.items()]
        lines.append("\n".join([f"[{name}]", *fields]) + "\n")
    write_text(path, "\n".join(lines))


def _quoted(value: object) -> str:
    """A basic string of TOML."""
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'
