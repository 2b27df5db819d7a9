"""The metrics' own errors, from a benchmark, in the form of `configs/measurement_error.toml`."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated

import numpy as np
import pandas as pd
import typer
from scipy.optimize import brentq
from scipy.special import digamma, polygamma

from pipeline.errors import StageError
from pipeline.model import FloatArray
from pipeline.store import write_table, write_text

# Fewer visits and limbs give no error worth a line. Own choice.
FEWEST_CASES = 6
# The usual spread counts as no more strides than this, however alike the rendered walkers are: people differ more.
# Own choice.
MOST_STRIDE_FREEDOM = 6.0
HEADER = """\
# Each metric's own error, in the metric's unit: its `bias`, the mean of found minus true, and `sd`, one standard
# deviation of a visit's value about it; `prosthetic_bias` and `prosthetic_sd` are those of a prosthetic limb, where
# they are others. A verdict adds `sd` to the spread over strides; the bias is not taken off, but the interval reaches
# as far. A metric without a line counts as free of error, which only a definition may be.
# `stride_sd` is the usual standard deviation over strides; it is averaged with that of the strides seen, and counts as
# `stride_freedom` more of them, since three or four strides tell their own spread badly (smyth_2004).
# standing "from benchmark" is written by the accuracy benchmark; "provisional" is an assumption until it is.
"""


VALUES_NAME = "values.csv"


def own_errors(
    runs: Annotated[
        list[Path], typer.Argument(help="Result folders of `bench accuracy` and `bench faults`: their tuning halves.")
    ],
    write: Annotated[Path, typer.Option(help="The measurement_error.toml to bring up to date.")],
) -> None:
    """Write the metrics' own errors from the values of benchmark runs, all taken together."""
    tables = []
    for run in runs:
        path = run / VALUES_NAME
        if not path.is_file():
            raise StageError(
                VALUES_NAME, f"not found in {run.name}", "a benchmark writes it", "Run the benchmark into this folder."
            )
        tables.append(pd.read_csv(path))
    together = pd.concat(tables, ignore_index=True)
    write_own_errors(write, together, "; ".join(dict.fromkeys(together["what"])))


def save_values(folder: Path, values: pd.DataFrame, what: str) -> None:
    """Keep a benchmark's values beside its results; `what` names the clips and the day."""
    write_table(folder / VALUES_NAME, values.assign(what=what))


def write_own_errors(path: Path, values: pd.DataFrame, what: str) -> None:
    """Replace the entries of a measurement-error file that the benchmark has measured; the others stay.

    A prosthetic limb has an error of its own where it and the other limbs were measured often enough. The standard
    deviation is such that 95 % of the errors lie within 1.96 of it about the bias: that is how a verdict uses it, and
    one gross error among many does not widen every interval as a root mean square would.

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
        known = group.dropna(subset="error")
        if len(known) >= FEWEST_CASES:
            unit, standing = group["unit"].iloc[0], "from benchmark"
            entries[str(metric)] = (
                _sizes(known) | {"unit": unit, "standing": standing, "note": _note(known, what)} | _stride_entry(group)
            )
    lines = [HEADER]
    for name, entry in entries.items():
        fields = [f"{key} = {value if isinstance(value, float) else _quoted(value)}" for key, value in entry.items()]
        lines.append("\n".join([f"[{name}]", *fields]) + "\n")
    write_text(path, "\n".join(lines))


def usual_spread(spreads: FloatArray, freedoms: FloatArray) -> tuple[float, float]:
    """Return the usual standard deviation over strides of many walks, and the degrees of freedom that it counts as.

    Parameters
    ----------
    spreads : (n_walks,)
        Standard deviation over each walk's strides, above 0.
    freedoms : (n_walks,)
        Strides less one. [1]

    Returns
    -------
    spread, freedom : float
        The more the walks differ in their spread, the fewer degrees of freedom; infinite when they differ no more than
        by chance.

    References
    ----------
    smyth_2004
    """
    half = np.asarray(freedoms) / 2
    logs = np.log(np.square(spreads)) - digamma(half) + np.log(half)
    excess = float(np.var(logs, ddof=1) - np.mean(polygamma(1, half)))
    if excess <= 0:
        return float(np.exp(np.mean(logs) / 2)), float("inf")
    prior = float(brentq(lambda x: polygamma(1, x) - excess, 1e-3, 1e6))
    return float(np.exp((np.mean(logs) + digamma(prior) - np.log(prior)) / 2)), 2 * prior


def _sizes(known: pd.DataFrame) -> dict[str, float]:
    """The error of sound limbs and that of prosthetic ones; of all together where one kind is rare."""
    prosthetic = known["limb"] == "prosthetic"
    if min(prosthetic.sum(), (~prosthetic).sum()) < FEWEST_CASES:
        return _about_bias(known, "")
    return _about_bias(known[~prosthetic], "") | _about_bias(known[prosthetic], "prosthetic_")


def _about_bias(known: pd.DataFrame, of: str) -> dict[str, float]:
    """The bias, and a standard deviation such that 95 % of the errors lie within 1.96 of it about the bias."""
    errors = known["error"].to_numpy(dtype=float)
    bias = float(f"{errors.mean():.2g}")
    return {f"{of}sd": float(f"{np.quantile(np.abs(errors - bias), 0.95) / 1.96:.2g}"), f"{of}bias": bias}


def _note(known: pd.DataFrame, what: str) -> str:
    """From how many limbs or pairs an error is, how many of them prosthetic limbs, and from which clips."""
    prosthetic = known["limb"] == "prosthetic"
    of_them = f", {prosthetic.sum()} of them prosthetic limbs" if prosthetic.any() else ""
    return f"Holds 95 % of {len(known)} limbs or pairs{of_them}: {what}."


def _stride_entry(group: pd.DataFrame) -> dict[str, float]:
    """The usual spread of a metric over limbs with strides enough; nothing for a comparison of limbs."""
    known = group[(group["spread"].astype(float) > 0) & (group["strides"] > 2) & ~group["compared"]]
    if len(known) < FEWEST_CASES:
        return {}
    spread, freedom = usual_spread(known["spread"].to_numpy(dtype=float), known["strides"].to_numpy(dtype=float) - 1)
    return {"stride_sd": float(f"{spread:.2g}"), "stride_freedom": round(min(freedom, MOST_STRIDE_FREEDOM), 1)}


def _quoted(value: object) -> str:
    """A basic string of TOML."""
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'
