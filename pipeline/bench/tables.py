"""Tables of the benchmarks: summaries of errors, and text for a page."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import linregress
from scipy.stats import t as student

from pipeline.model import FloatArray

# A slope that is known less well says nothing of whether half of a fault is seen. Own choice. [1]
WIDEST_SLOPE = 0.5


def summary(errors: FloatArray, unit: str) -> dict[str, float]:
    """Return count, bias, mean absolute and root mean square error, 95 % limits."""
    if not len(errors):
        return {"n": 0}
    spread = float(np.std(errors, ddof=1)) if len(errors) > 1 else float("nan")
    bias = float(np.mean(errors))
    return {
        "n": len(errors),
        f"bias [{unit}]": bias,
        f"MAE [{unit}]": float(np.mean(np.abs(errors))),
        f"RMSE [{unit}]": float(np.sqrt(np.mean(errors**2))),
        f"95 % low [{unit}]": bias - 1.96 * spread,
        f"95 % high [{unit}]": bias + 1.96 * spread,
    }


def event_table(errors: pd.DataFrame) -> pd.DataFrame:
    """Return the errors of events by kind, view, limb and look."""
    rows = []
    for (kind, view, near, limb, look), group in errors.groupby(["kind", "view", "near", "limb", "look"]):
        true = group[~group["extra"]]
        limbs = f"{view} {near}" if near != "-" else view
        rows.append(
            {"event": kind, "view": limbs, "limb": limb, "look": look}
            | summary(true["error_ms"].dropna().to_numpy(), "ms")
            | {"missed": int(true["error_ms"].isna().sum()), "extra": int(group["extra"].sum())}
        )
    return pd.DataFrame(rows)


def knee_table(errors: pd.DataFrame) -> pd.DataFrame:
    """Return the knee curve's error by limb and look: over all points of all used strides."""
    table = []
    for (look, limb, near), group in errors[errors["used"]].groupby(["look", "limb", "near"]):
        error = np.concatenate(group["error"].to_list())
        free = np.concatenate([one - np.nanmean(one) for one in group["error"]])
        table.append(
            {
                "look": look,
                "limb": f"{limb} {near}",
                "strides": len(group),
                "bias [deg]": np.nanmean(error),
                "RMSE [deg]": np.sqrt(np.nanmean(error**2)),
                "RMSE, offset removed [deg]": np.sqrt(np.nanmean(free**2)),
                "median absolute error, offset removed [deg]": np.nanmedian(np.abs(free)),
            }
        )
    return pd.DataFrame(table)


def value_table(values: pd.DataFrame) -> pd.DataFrame:
    """Return each metric's error over all visits and limbs.

    *slope* is that of found on true values: a metric that sees half of a fault has 0.5; *+-* is half of its 95 %
    interval. Where the true values lie too close together for a slope, both are NaN. *inside* is the share of true
    values within the 95 % interval that verdicts use.
    """
    rows = []
    for (metric, limb), group in values.groupby(["metric", "limb"], sort=False):
        known = group[group["error"].notna()]
        errors = known["error"].to_numpy(dtype=float)
        short = {name.replace(" []", ""): value for name, value in summary(errors, "").items()}
        true = known["true"].to_numpy(dtype=float)
        slope, margin = slope_of(true, known["found"].to_numpy(dtype=float))
        inside = (known["low"].astype(float) <= true) & (true <= known["high"].astype(float))
        rows.append(
            {"metric": metric, "limb": limb, "unit": group["unit"].iloc[0]}
            | short
            | {
                "slope": slope,
                "+-": margin,
                "inside": f"{inside.mean():.0%}" if len(known) else "-",
                "cannot say": f"{len(group) - len(known)} of {len(group)}",
            }
        )
    return pd.DataFrame(rows)


def look_table(values: pd.DataFrame, looks: pd.Series) -> pd.DataFrame:
    """Return the errors of values in which the prosthesis has a part, by what it looks like.

    Parameters
    ----------
    values : DataFrame
        Rows of `errors.value_errors`.
    looks : Series
        Look of the prosthesis, by visit.
    """
    own = values[(values["limb"] != "sound") & values["error"].notna()]
    rows = []
    for (metric, limb, look), group in own.groupby(["metric", "limb", own["visit"].map(looks)], sort=False):
        short = summary(group["error"].to_numpy(dtype=float), "")
        slope, margin = slope_of(group["true"].to_numpy(dtype=float), group["found"].to_numpy(dtype=float))
        rows.append(
            {"metric": metric, "limb": limb, "look": look, "unit": group["unit"].iloc[0], "n": short["n"]}
            | {"bias": short["bias []"], "RMSE": short["RMSE []"], "slope": slope, "+-": margin}
        )
    order = {metric: place for place, metric in enumerate(own["metric"].unique())}
    rows.sort(key=lambda row: (order[row["metric"]], row["look"]))
    return pd.DataFrame(rows, columns=["metric", "limb", "look", "unit", "n", "bias", "RMSE", "slope", "+-"])


def slope_of(true: FloatArray, found: FloatArray) -> tuple[float, float]:
    """Return the slope of found on true values and half of its 95 % interval; NaN where it is not known to a half."""
    if len(true) < 3 or float(np.std(true)) == 0:
        return float("nan"), float("nan")
    line = linregress(true, found)
    margin = float(student.ppf(0.975, len(true) - 2) * line.stderr)
    return (float(line.slope), margin) if margin <= WIDEST_SLOPE else (float("nan"), float("nan"))


def markdown(table: pd.DataFrame) -> str:
    """Return a table as markdown, numbers to three significant digits."""
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * len(table.columns)]
    for row in table.itertuples(index=False):
        lines.append("| " + " | ".join(_cell(value) for value in row) + " |")
    return "\n".join(lines)


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and not np.isfinite(value)):
        return "-"
    return f"{value:.3g}" if isinstance(value, float) else str(value)
