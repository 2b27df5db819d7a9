"""The table of methods: errors against a truth file of known events."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipeline.bench.event_methods import CONTACT_RULES, PRESENT, TOE_OFF_RULES, event_methods
from pipeline.config import load_settings
from pipeline.model import SIDES
from pipeline.motion import prepare
from pipeline.passes import find_passes
from tests.walker import Walker


def table(folder: Path, *, shift_s: float = 0.0, extra: bool = False) -> pd.DataFrame:
    """The table for the stick walker, whose truth is shifted, or leaves out the left foot's third contact."""
    walker = Walker()
    motion = prepare(walker.track(), load_settings().signals)
    events = []
    for side in SIDES:
        for kind, times in (("contact", walker.contacts_s(side)), ("toe_off", walker.toe_offs_s(side))):
            inner = times[(times > 0.3) & (times < walker.duration_s - 0.3)]
            if extra and side == "left" and kind == "contact":
                inner = np.delete(inner, 2)
            events += [{"side": side, "kind": kind, "time_s": float(time_s) + shift_s} for time_s in inner]
    truth = {"gait": {"events": events}, "leftward": False, "look": {"prosthetic_side": "right"}}
    path = folder / "walk.truth.json"
    path.write_text(json.dumps(truth))
    return event_methods([(motion, find_passes(motion, "sagittal"), path)])


def test_every_method_is_measured_on_the_same_events(tmp_path: Path) -> None:
    found = table(tmp_path)
    for kind, rules in (("contact", CONTACT_RULES), ("toe_off", TOE_OFF_RULES)):
        rows = found[found["event"] == kind]
        assert set(rows["method"]) == {PRESENT, *rules}
        assert (rows["n"] + rows["missed"]).nunique() == 1
    # By construction contact is the foremost and toe-off the rearmost place of the foot.
    zeni = found[found["method"].str.startswith("zeni_2008")]
    assert zeni["MAE [ms]"].max() < 17


def test_a_later_truth_makes_every_method_earlier(tmp_path: Path) -> None:
    before, after = table(tmp_path), table(tmp_path, shift_s=0.03)
    both = before.merge(after, on=["event", "method"], suffixes=("", " shifted"))
    zeni = both[both["method"].str.startswith("zeni_2008")]
    assert (zeni["median [ms] shifted"] - zeni["median [ms]"]).to_numpy() == pytest.approx(-30.0, abs=0.1)


def test_an_event_without_a_true_one_is_extra(tmp_path: Path) -> None:
    found = table(tmp_path, extra=True)
    ours = found[(found["method"] == PRESENT) & (found["event"] == "contact")].iloc[0]
    plain = table(tmp_path)
    usual = plain[(plain["method"] == PRESENT) & (plain["event"] == "contact")].iloc[0]
    assert ours["extra"] == usual["extra"] + 1
    assert ours["n"] == usual["n"] - 1
