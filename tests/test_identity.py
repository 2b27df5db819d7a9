"""Swapped legs of a known walker are found and put right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.identity import LEFT, RIGHT, undo_swaps
from pipeline.model import LandmarkTrack, Pass
from tests.walker import LEG_PX, Walker


def swap(track: LandmarkTrack, frames: list[int]) -> LandmarkTrack:
    """Exchange the legs in some frames, as the estimator does."""
    xy = track.xy_px.copy()
    for frame in frames:
        xy[frame, LEFT + RIGHT] = track.xy_px[frame, RIGHT + LEFT]
    return replace(track, xy_px=xy)


WHOLE_PASS = [Pass(0, 180, 1, "right")]


@pytest.mark.parametrize("passes", [[], WHOLE_PASS], ids=["evenness alone", "taking turns"])
@pytest.mark.parametrize("frames", [[], [50], [50, 51], list(range(40, 52)), [20, 60, 61, 100], list(range(100, 130))])
def test_swapped_frames_are_put_right(frames: list[int], passes: list[Pass]) -> None:
    """Truth by construction, with 2 px of noise on every landmark (1 % of leg length).

    Where the legs cross they coincide, and either naming is right to within noise: no landmark may end further
    than 5 % of leg length from its place, and frames with the feet clearly apart are changed exactly when swapped.
    """
    track = Walker(fps=30.0).track()
    noise = np.random.default_rng(1).normal(0.0, 2.0, track.xy_px.shape)
    noisy = replace(track, xy_px=track.xy_px + noise)
    righted, swapped = undo_swaps(swap(noisy, frames), passes)
    assert np.abs(righted.xy_px - noisy.xy_px).max() < 0.05 * LEG_PX
    feet = track.xy_px[:, [LEFT[-1], RIGHT[-1]], 0]
    apart = np.abs(feet[:, 0] - feet[:, 1]) > 0.05 * LEG_PX
    assert np.flatnonzero(swapped & apart).tolist() == [frame for frame in frames if apart[frame]]


def test_missing_frames_are_stepped_over() -> None:
    track = swap(Walker(fps=30.0).track(), [70, 71])
    xy = track.xy_px.copy()
    xy[64:67] = np.nan
    righted, swapped = undo_swaps(replace(track, xy_px=xy), [])
    assert np.flatnonzero(swapped).tolist() == [70, 71]
    assert np.isnan(righted.xy_px[64:67]).all()


def test_nobody_in_view_is_no_swap() -> None:
    track = Walker(fps=30.0).track()
    _, swapped = undo_swaps(replace(track, xy_px=np.full_like(track.xy_px, np.nan)), [])
    assert not swapped.any()


@pytest.mark.parametrize("direction", [1, -1])
def test_many_short_swaps_are_put_right_by_taking_turns(direction: int) -> None:
    """Every third frame swapped, a third of the clip, as with a bare pylon: the legs still alternate."""
    track = Walker(fps=30.0, direction=direction).track()
    noisy = replace(track, xy_px=track.xy_px + np.random.default_rng(2).normal(0.0, 2.0, track.xy_px.shape))
    frames = list(range(1, 179, 3))
    righted, _ = undo_swaps(swap(noisy, frames), [Pass(0, 180, direction, "right")])
    assert np.abs(righted.xy_px - noisy.xy_px).max() < 0.05 * LEG_PX
