"""The two calculations between landmarks and a report: measure a clip, judge a visit. No files here."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from pipeline.checks import judge
from pipeline.config import Settings
from pipeline.errors import QualityError
from pipeline.events import find_events
from pipeline.geometry import scale_of
from pipeline.identity import undo_swaps, wavering
from pipeline.metrics import COMPARISONS, METRICS
from pipeline.metrics.estimates import run_metrics
from pipeline.model import (
    BoolArray,
    Clip,
    Fault,
    LandmarkTrack,
    Limits,
    MetricValue,
    QualityNote,
    Side,
    StrideSet,
    VideoInfo,
)
from pipeline.motion import body_leg_px, find_passes, prepare
from pipeline.pixels import PictureFacts
from pipeline.quality import check_recording, stride_notes, swap_note
from pipeline.quantities import frontal_quantities, sagittal_quantities
from pipeline.strides import find_strides, sample_curves

MEASURES_VERSION = 3


@dataclass(frozen=True, slots=True)
class ClipMeasures:
    """What one clip gives: notes on the recording, the events, the strides with their curves."""

    quality: tuple[QualityNote, ...]
    events: pd.DataFrame
    strides: StrideSet


def measure_clip(
    clip: Clip, info: VideoInfo, track: LandmarkTrack, settings: Settings, pictures: PictureFacts | None = None
) -> ClipMeasures:
    """Return events, strides and curves of one clip; without `pictures` no note on sharpness and light.

    Raises
    ------
    QualityError
        The recording cannot be measured, or nobody walks in it.
    """
    quality = check_recording(
        clip, info, track, settings.quality, min_visibility=settings.signals.min_visibility, pictures=pictures
    )
    track, swapped = righted(clip, track, settings)
    quality = (*quality, swap_note(swapped))
    motion = prepare(track, settings.signals, wavering(swapped))
    passes = find_passes(motion, clip.view)
    if not passes:
        raise QualityError(
            f"clip {clip.clip_id}",
            f"no straight walk of a second or more was found in the {clip.view} view",
            "the walker crosses the picture (sagittal), comes closer (anterior) or goes away (posterior)",
            "Check the view in the manifest, or film the walk again.",
        )
    events = find_events(motion, passes, clip.view, min_stride_s=settings.strides.min_stride_s)
    leg_px = body_leg_px(motion)
    # A frontal view has no single scale: the walker's size changes along the pass.
    scale = scale_of(clip, leg_px) if clip.view == "sagittal" else None
    table = find_strides(clip, motion, passes, events, leg_px=leg_px, scale=scale, settings=settings.strides)
    quality = (*quality, *stride_notes(table, settings.quality.min_strides))
    if clip.view == "sagittal":
        signals = sagittal_quantities(motion, passes)
    else:
        signals = frontal_quantities(motion, passes, clip.view)
    return ClipMeasures(quality, events, StrideSet(table, sample_curves(table, motion.time_s, signals)))


def righted(clip: Clip, track: LandmarkTrack, settings: Settings) -> tuple[LandmarkTrack, BoolArray]:
    """Return the track with swapped legs put right, and in which frames they were, (n_frames,)."""
    if clip.view != "sagittal":
        return undo_swaps(track, [])
    # Where the walk goes does not depend on which leg is which.
    return undo_swaps(track, find_passes(prepare(track, settings.signals), clip.view))


def judge_visit(
    strides: StrideSet,
    prosthetic_sides: tuple[Side, ...],
    settings: Settings,
    limits: Limits,
) -> tuple[tuple[MetricValue, ...], tuple[Fault, ...]]:
    """Return every metric value and every fault of a visit from the strides of all its clips."""
    values = run_metrics(
        METRICS,
        COMPARISONS,
        strides,
        prosthetic_sides=prosthetic_sides,
        min_strides=settings.metrics.min_strides,
        measurement_error=limits.measurement_error,
    )
    return values, judge(values, limits, prosthetic_sides)
