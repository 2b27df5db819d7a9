"""The knee-flexion curve on captured walking, seen by a side camera.

Source: the captured motion of the pybullet wheel (see captured_walk.py). Its knee angle is a joint angle of the
capture and owes nothing to this project. The joints are taken from it without noise: what is left is what smoothing
and a flat picture do. One camera and a pose model err by 5.6 deg on the average (stenum_2021, read).
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.config import load_settings
from pipeline.model import Side, VideoInfo
from pipeline.stages import ClipMeasures, measure_clip
from pipeline.strides import stride_curve
from tests.captured_walk import captured_walk, side_track
from tests.walker import make_clip

WALK = captured_walk()
INFO = VideoInfo(1280, 720, 185, 185, 6.2, 30.0, 30.0, 0, False, True)


@pytest.fixture(scope="module", params=[1, -1], ids=["to the right", "to the left"])
def measures(request: pytest.FixtureRequest) -> ClipMeasures:
    """The captured walk measured as a sagittal clip."""
    # 150 px a metre keeps the whole walk inside the picture.
    track = side_track(WALK, direction=request.param, px_per_m=150.0)
    return measure_clip(make_clip(), INFO, track, load_settings())


@pytest.mark.parametrize("side", ["left", "right"])
def test_knee_curve_is_the_captured_one(measures: ClipMeasures, side: Side) -> None:
    strides = measures.strides
    rows = np.flatnonzero(strides.table["use"] & (strides.table["side"] == side))
    assert len(rows) >= 3
    for row in rows:
        start_s, end_s = strides.table.loc[row, ["start_s", "end_s"]]
        captured = stride_curve(WALK.knee_flexion_deg[side], WALK.time_s, start_s, end_s)
        assert np.mean(np.abs(strides.curves["knee_flexion_deg"][row] - captured)) < 1.5


@pytest.mark.parametrize(
    ("side", "stance_peak_deg", "stance_peak_pct", "swing_peak_deg", "swing_peak_pct"),
    [("left", 23.0, 14, 72.4, 73), ("right", 22.6, 16, 75.5, 81)],
)
def test_peaks_and_their_phases(
    measures: ClipMeasures,
    side: Side,
    stance_peak_deg: float,
    stance_peak_pct: float,
    swing_peak_deg: float,
    swing_peak_pct: float,
) -> None:
    """Peaks read off the capture by hand in the project's references, before there was any code.

    Tolerance: 5.6 deg; phases within 6 % of the stride, since contact was read there by another rule.
    """
    strides = measures.strides
    rows = (strides.table["use"] & (strides.table["side"] == side)).to_numpy()
    mean = strides.curves["knee_flexion_deg"][rows].mean(axis=0)
    assert mean[:40].max() == pytest.approx(stance_peak_deg, abs=5.6)
    assert np.argmax(mean[:40]) == pytest.approx(stance_peak_pct, abs=6)
    assert mean.max() == pytest.approx(swing_peak_deg, abs=5.6)
    assert np.argmax(mean) == pytest.approx(swing_peak_pct, abs=6)
