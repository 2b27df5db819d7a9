"""Tables of the detection benchmark: whether one fault makes the pipeline say another."""

from __future__ import annotations

import pandas as pd

from pipeline.agreement import wilson_interval
from pipeline.bench.detection_tables import EVERY_VIEW, SEVERAL, share_words


def raised_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return for each fault how often it is called present in visits with other faults that were filmed in every view.

    *really beyond*: how many of these lie beyond the limit in truth too: one movement may be two faults. Visits that
    were filmed too slowly for the fault are left out.
    """
    rows = []
    others = verdicts[verdicts["label"].isin([EVERY_VIEW, SEVERAL]) & ~verdicts["injected"] & ~verdicts["too_slow"]]
    for fault, group in others.groupby("fault", sort=False):
        said = group[group["verdict"] != "cannot say"]
        present = said["verdict"] == "present"
        beyond = int((present & (said["beyond"] > 0)).sum())
        false = wilson_interval(int(present.sum()) - beyond, len(said))
        rows.append(
            {
                "fault": fault, "visits": len(group), "said": len(said), "present": int(present.sum()),
                "really beyond": beyond, "false alarms": share_words(false),
            }
        )  # fmt: skip
    return pd.DataFrame(rows, columns=["fault", "visits", "said", "present", "really beyond", "false alarms"])


def confusion_table(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return which other faults are called present in walkers with one clear or severe fault.

    *of* counts the visits of which something could be said; *really beyond* is as in `raised_table`.
    """
    rows = []
    for (injected, fault), said in _pairs(verdicts).items():
        present = said["verdict"] == "present"
        if present.any():
            rows.append(
                {
                    "injected": injected, "also called present": fault, "visits": int(present.sum()),
                    "of": len(said), "really beyond": int((present & (said["beyond"] > 0)).sum()),
                }
            )  # fmt: skip
    return pd.DataFrame(rows, columns=["injected", "also called present", "visits", "of", "really beyond"])


def unjudged_pairs(verdicts: pd.DataFrame) -> tuple[int, int]:
    """Return of how many pairs (injected fault, other fault) nothing could be said in any visit, and all pairs."""
    pairs = _pairs(verdicts)
    return sum(said.empty for said in pairs.values()), len(pairs)


def _pairs(verdicts: pd.DataFrame) -> dict[tuple[str, str], pd.DataFrame]:
    """For each injected and other fault: the rows of which something is said, of clear and severe walkers with one."""
    chosen = verdicts[verdicts["label"].isin(["clear", "severe", EVERY_VIEW])]
    pairs = {}
    for injected in chosen.loc[chosen["alone"], "fault"].unique():
        subjects = chosen.loc[chosen["alone"] & (chosen["fault"] == injected), "subject"]
        others = chosen[chosen["subject"].isin(subjects) & (chosen["fault"] != injected)]
        for fault, group in others.groupby("fault", sort=False):
            pairs[injected, str(fault)] = group[group["verdict"] != "cannot say"]
    return pairs
