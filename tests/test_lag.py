"""Lag of landmarks behind true joints."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from pipeline.bench.lag import TRUE_JOINTS, lag_s, lag_table
from pipeline.config import load_settings
from pipeline.geometry import INDEX
from pipeline.model import SIDES
from pipeline.motion import prepare
from tests.captured_walk import captured_walk, side_track

TRACK = side_track(captured_walk(), px_per_m=150.0)


def delayed(frames: int) -> np.ndarray:
    """The walk's landmarks some whole frames late."""
    return np.concatenate([TRACK.xy_px[:1].repeat(frames, axis=0), TRACK.xy_px[: len(TRACK.xy_px) - frames]])


@pytest.mark.parametrize("frames", [0, 1, 3])
def test_lag_of_whole_frames_is_that_of_scipys_cross_correlation(frames: int) -> None:
    heel = INDEX["left_heel"]
    late, true = delayed(frames)[:, heel, 1], TRACK.xy_px[:, heel, 1]
    found = lag_s(late, TRACK.time_s, true, TRACK.time_s)
    speeds = [np.gradient(path) - np.gradient(path).mean() for path in (late, true)]
    lags = signal.correlation_lags(len(late), len(true))
    assert lags[np.argmax(signal.correlate(*speeds))] == frames
    step_s = TRACK.time_s[1]
    assert found == pytest.approx(frames * step_s, abs=0.1 * step_s)


def test_lag_between_frames_is_found() -> None:
    """By hand: a wave of 1.2 Hz and its second harmonic, 13 ms late."""
    time_s = np.arange(180) / 30.0

    def path(at_s: np.ndarray) -> np.ndarray:
        return 40 * np.sin(2 * np.pi * 1.2 * at_s) + 10 * np.cos(2 * np.pi * 2.4 * at_s)

    assert lag_s(path(time_s - 0.013), time_s, path(time_s), time_s) == pytest.approx(0.013, abs=0.001)
    holes = path(time_s - 0.013)
    holes[50:70] = np.nan
    assert lag_s(holes, time_s, path(time_s), time_s) == pytest.approx(0.013, abs=0.001)


def test_paths_without_anything_in_common_have_no_lag() -> None:
    random = np.random.default_rng(1)
    time_s = np.arange(180) / 30.0
    assert np.isnan(lag_s(random.standard_normal(180), time_s, random.standard_normal(180), time_s))
    assert np.isnan(lag_s(np.full(180, np.nan), time_s, random.standard_normal(180), time_s))


def test_table_gives_the_lag_of_each_landmark(tmp_path: Path) -> None:
    """Joints of a truth file, and landmarks two frames later: 66.7 ms at 30 frames a second."""
    joints = {
        f"{side}_{joint}": TRACK.xy_px[:, INDEX[f"{side}_{part}"]].tolist()
        for side in SIDES
        for part, joint in TRUE_JOINTS.items()
    }
    truth = tmp_path / "walk.truth.json"
    truth.write_text(json.dumps({"gait": {"time_s": TRACK.time_s.tolist()}, "joints_px": joints}))
    motion = prepare(replace(TRACK, xy_px=delayed(2)), load_settings().signals)
    table = lag_table([(motion, truth)]).set_index("landmark")
    assert (table["frames a second"] == 30).all() and len(table) == 5
    for part in ("ankle", "heel", "foot_index"):
        assert table.loc[part, "horizontal lag [ms]"] == pytest.approx(66.7, abs=5)
        assert table.loc[part, "horizontal lag [frames]"] == pytest.approx(2.0, abs=0.15)
        assert table.loc[part, "limbs, horizontal"] == "2 of 2"
    assert lag_table([]).empty
