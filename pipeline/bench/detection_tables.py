"""Tables of the detection benchmark: how often each fault is found, missed, or said of a walker who has none."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import logit

from pipeline.agreement import Estimate, wilson_interval
from pipeline.model import BoolArray, FloatArray

SIZES = ("mild", "clear", "severe")
# Labels of the visits that show, in every view, one fault of clear size and several of them.
EVERY_VIEW, SEVERAL = "every view", "several"
FOUND_SHARE = 0.8
# A gentle pull towards no effect, so that walkers of whom all or none are found give a finite size: as one walker that
# says nothing. Own choice.
PULL = 0.05


def detection_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return for each fault and size: visits, sizes, verdicts, sensitivity; of walkers with that fault alone.

    Sensitivity is the share of all visits with the fault whose verdict is `present`; `cannot say` counts as missed.
    """
    rows = []
    injected = _one_fault(verdicts)
    for fault in injected["fault"].unique():
        for label in SIZES:
            group = injected[(injected["fault"] == fault) & (injected["label"] == label)]
            if len(group):
                rows.append(
                    {"fault": fault, "size": label} | _sizes(group) | _counts(group) | _share(group, "sensitivity")
                )
    return pd.DataFrame(rows)


def missed_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return for each fault and size why visits with that fault alone were missed.

    *Margin* is how far the interval reaches towards the limit. Where the true value lies beyond the limit by less
    than the margin, not even a value without error would have been called present; the others were read too small.
    """
    rows = []
    injected = _one_fault(verdicts)
    for (fault, label), group in injected.groupby(["fault", "label"], sort=False):
        missed = group[group["verdict"] != "present"]
        if len(missed):
            said, own = missed[missed["verdict"] != "cannot say"], _of_leading_metric(group)
            covered = int((said["beyond"] <= said["margin"]).sum())
            rows.append(
                {
                    "fault": fault, "size": label, "missed": f"{len(missed)} of {len(group)}",
                    "cannot say": len(missed) - len(said), "margin covers it": covered,
                    "read too small": len(said) - covered, "metric": own["metric"].iloc[0], "unit": own["unit"].iloc[0],
                    "beyond": own["beyond"].median(), "margin": own["margin"].median(),
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def alarm_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return for each fault: verdicts over the visits without any fault, and the share of false alarms.

    *really beyond* counts visits whose true value lies beyond the limit although nothing was injected. Visits that were
    filmed too slowly for the fault are left out, and counted beside it.
    """
    rows = []
    for fault, group in _fault_free(verdicts).groupby("fault", sort=False):
        fast = group[~group["too_slow"]]
        if len(fast):
            beyond = {"really beyond": int((fast["beyond"] > 0).sum())}
            slow = {"filmed too slowly": len(group) - len(fast)}
            rows.append({"fault": fault} | _counts(fast) | _share(fast, "false alarms") | beyond | slow)
    return pd.DataFrame(rows)


def unsaid_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return for each fault the share of visits without any fault of which nothing can be said, by kind of limb."""
    rows = []
    for fault, group in _fault_free(verdicts).groupby("fault", sort=False):
        fast = group[~group["too_slow"]]
        if len(fast):
            unsaid = (fast["verdict"] == "cannot say").groupby(fast["limb"])
            shares = {limb: f"{part.sum()} of {len(part)}" for limb, part in unsaid}
            rows.append({"fault": fault} | shares)
    return pd.DataFrame(rows).fillna("-")


def reasons_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return for each fault why nothing could be said, and of how many visits with that fault alone and without any.

    Reasons that differ in the limb or in a number of strides alone count as one; a visit may have more than one.
    """
    groups = {"with the fault": _one_fault(verdicts), "without a fault": _fault_free(verdicts)}
    counts: dict[tuple[str, str], dict[str, int]] = {}
    for name, group in groups.items():
        unsaid = group[(group["verdict"] == "cannot say") & ~group["too_slow"]]
        for fault, reason in zip(unsaid["fault"], unsaid["reason"], strict=True):
            for one in dict.fromkeys(_general(text) for text in re.split("; (?!at least)", reason)):
                row = counts.setdefault((fault, one), dict.fromkeys(groups, 0))
                row[name] += 1
    order = list(verdicts["fault"].unique())
    rows = sorted(counts.items(), key=lambda item: order.index(item[0][0]))
    return pd.DataFrame([{"fault": fault, "reason": reason} | row for (fault, reason), row in rows])


def smallest_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return for each fault the true size from which 80 % of the walkers are found, by a logistic curve.

    The curve is drawn over sizes in shares of the limit, so that visits whose other metric is further beyond its limit
    count too; the table gives them in the unit of the metric that leads most often.
    """
    rows = []
    for fault, group in _one_fault(verdicts).groupby("fault", sort=False):
        known, usual = group[group["beyond"].notna()], _of_leading_metric(group)
        # As the leading finding is chosen; two limits, one for each direction, have one size beyond them.
        share = known["beyond"] / known["limit"].abs().replace(0.0, 1.0)
        unit = usual["limit"].abs().replace(0.0, 1.0).median()
        size = size_found(share.to_numpy(dtype=float), (known["verdict"] == "present").to_numpy(dtype=bool))
        rows.append(
            {"fault": fault, "metric": usual["metric"].iloc[0], "unit": usual["unit"].iloc[0], "n": len(known)}
            | {"found in 80 % from this far beyond the limit": size * unit, "smallest tried": share.min() * unit}
        )
    return pd.DataFrame(rows)


def size_found(beyond: FloatArray, found: BoolArray) -> float:
    """Return the size at which a logistic curve through found or not found reaches 80 %; NaN when it does nowhere.

    Parameters
    ----------
    beyond : (n_walkers,)
        True size beyond the limit.
    found : (n_walkers,) bool
    """
    spread = float(np.std(beyond)) if len(beyond) else 0.0
    if len(beyond) < 3 or spread == 0 or not np.any(found):
        return float("nan")
    centre = float(np.mean(beyond))
    scaled, sign = (beyond - centre) / spread, np.where(found, -1.0, 1.0)

    def loss(parameters: FloatArray) -> float:
        level, slope = parameters
        return float(np.sum(np.logaddexp(0.0, sign * (level + slope * scaled))) + PULL * slope**2)

    level, slope = minimize(loss, np.array([0.0, 1.0]), method="BFGS").x
    if slope <= 0:
        return float(np.min(beyond)) if np.mean(found) >= FOUND_SHARE else float("nan")
    size = centre + spread * (float(logit(FOUND_SHARE)) - level) / slope
    # Beyond what was tried the curve is a guess.
    return float("nan") if size > np.max(beyond) else float(max(size, np.min(beyond)))


def several_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return for walkers with several faults at once: how many of the injected ones were found, by fault.

    Visits that were filmed too slowly for the fault are left out, and counted beside it.
    """
    chosen = verdicts[(verdicts["label"] == SEVERAL) & verdicts["injected"]]
    rows = []
    for fault, group in chosen.groupby("fault", sort=False):
        fast = group[~group["too_slow"]]
        slow = {"filmed too slowly": len(group) - len(fast)}
        rows.append({"fault": fault} | _counts(fast) | _share(fast, "sensitivity") | slow)
    return pd.DataFrame(rows)


def goal_rows(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return the goals of detection beside what was reached, one row a fault.

    The goal for *mild* is meant where mild lies at least twice the metric's own error beyond the limit.
    """
    alarms, one_fault = alarm_table(verdicts), _one_fault(verdicts)
    rows = []
    for fault in verdicts["fault"].unique():
        clear, mild = (
            one_fault[(one_fault["fault"] == fault) & (one_fault["label"] == label)] for label in ("clear", "mild")
        )
        own = _of_leading_metric(mild) if len(mild) else mild
        far = len(own) and own["beyond"].median() >= 2 * own["own_error"].median()
        none = alarms[alarms["fault"] == fault] if len(alarms) else pd.DataFrame()
        clean = _fault_free(verdicts[(verdicts["fault"] == fault) & ~verdicts["too_slow"]])
        rows.append(
            {
                "fault": fault,
                "clear, goal 95 %": _found(clear),
                "mild, goal 80 % where far enough": _found(mild),
                "mild is far enough": "yes" if far else "no",
                "false alarms, goal 5 %": none["false alarms"].iloc[0] if len(none) else "-",
                "cannot say without a fault, goal 10 %": _percent(clean["verdict"] == "cannot say"),
            }
        )
    return pd.DataFrame(rows)


def _one_fault(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Rows of an injected fault, of the visits with that one alone that were filmed where it shows."""
    return verdicts[verdicts["alone"] & verdicts["label"].isin(SIZES)]


def _fault_free(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Rows of the visits without any fault."""
    return verdicts[verdicts["label"] == "none"]


def _general(reason: str) -> str:
    """A reason without the limb and the number of strides."""
    general = re.sub(r"^(left|right) limb: ", "", reason)
    return re.sub(r"\b(only \d+|no) whole", "too few whole", re.sub(r"read in \d+ of \d+", "read in too few", general))


def _percent(flags: pd.Series) -> str:
    """Share of true ones."""
    return f"{flags.mean():.0%}" if len(flags) else "-"


def _found(group: pd.DataFrame) -> str:
    """How many visits were found, with the interval of their share."""
    if not len(group):
        return "-"
    found = int((group["verdict"] == "present").sum())
    return f"{found} of {len(group)}, {share_words(wilson_interval(found, len(group)))}"


def _counts(group: pd.DataFrame) -> dict[str, int]:
    """Visits by verdict."""
    counts = {"visits": len(group)}
    for verdict in ("present", "borderline", "not seen", "cannot say"):
        counts[verdict] = int((group["verdict"] == verdict).sum())
    return counts


def _share(group: pd.DataFrame, name: str) -> dict[str, str]:
    """Share called present with its 95 % interval."""
    return {name: share_words(wilson_interval(int((group["verdict"] == "present").sum()), len(group)))}


def share_words(share: Estimate) -> str:
    """Return a share with its 95 % interval."""
    return "-" if share.value is None else f"{share.value:.0f}% ({share.low:.0f}% to {share.high:.0f}%)"


def _sizes(group: pd.DataFrame) -> dict[str, object]:
    """What was injected, and medians of what is true and was found; of two limits, one a direction, beyond either."""
    own = _of_leading_metric(group)
    wanted = " or ".join(f"{size:.3g}" for size in sorted(group["wanted"].unique(), reverse=True))
    sizes = {"injected": wanted, "true beyond": own["beyond"].median(), "found beyond": own["found_beyond"].median()}
    return {"metric": own["metric"].iloc[0], "unit": own["unit"].iloc[0]} | sizes


def _of_leading_metric(group: pd.DataFrame) -> pd.DataFrame:
    """The visits whose leading finding is of the metric that leads most often: others have other units."""
    own: pd.DataFrame = group[group["metric"] == group["metric"].mode().iloc[0]]
    return own
