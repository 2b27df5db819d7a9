"""The two calculations between landmarks and a report: measure a clip, judge a visit. No files here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from pipeline.camera import levelled, roll_note
from pipeline.checks import Person, judge
from pipeline.config import Settings
from pipeline.errors import ConfigError, QualityError
from pipeline.events import find_events
from pipeline.geometry import lens_of
from pipeline.judgement import Fault, Limits
from pipeline.legs import RightedLegs, right_legs
from pipeline.metrics import CATALOGUE
from pipeline.metrics.estimates import run_metrics
from pipeline.metrics.registry import Catalogue, MetricSpec, PairSpec
from pipeline.model import Clip, LandmarkTrack, MetricValue, QualityNote, StrideSet, VideoInfo
from pipeline.motion import prepare
from pipeline.outline import Outlines
from pipeline.passes import find_passes, pass_notes, steady_strides
from pipeline.pixels import PictureFacts
from pipeline.pylon import PylonTrack
from pipeline.quality import check_recording, leg_notes, noise_note, stride_notes
from pipeline.quantities_frontal import frontal_quantities
from pipeline.quantities_sagittal import sagittal_quantities
from pipeline.review import Applied, Correction
from pipeline.review_apply import (
    events_in_force,
    placed,
    with_strides,
    with_swapped_legs,
    with_swapped_shoes,
    without_excluded,
)
from pipeline.shoe_shape import direction_by_shoe_deg, level_by_shoe_deg, shoe_notes, track_shoes
from pipeline.shoes import Shoes
from pipeline.standing import find_standing, standing_note, without_offset
from pipeline.steps import with_lengths
from pipeline.strides import find_strides, sample_curves

MEASURES_VERSION = 20


@dataclass(frozen=True, slots=True)
class ClipMeasures:
    """What one clip gives: notes on the recording, the events, the strides with their curves.

    `events` are those in force, `found_events` those that the pipeline found itself; they differ only where a person
    corrected some. `applied` tells what became of each correction.
    """

    quality: tuple[QualityNote, ...]
    events: pd.DataFrame
    strides: StrideSet
    found_events: pd.DataFrame
    applied: tuple[Applied, ...] = ()


def measure_clip(
    clip: Clip,
    info: VideoInfo,
    track: LandmarkTrack,
    settings: Settings,
    pictures: PictureFacts | None = None,
    outlines: Outlines | None = None,
    pylon: PylonTrack | None = None,
    shoes: Shoes | None = None,
    corrections: Sequence[Correction] = (),
) -> ClipMeasures:
    """Return events, strides and curves of one clip.

    Without `pictures` there is no note on sharpness and light; without `outlines` lost legs are only bridged; without
    `pylon` a pylon is only rebuilt from its outline; without `shoes` a foot's direction comes from landmarks alone.
    `corrections` are those by a person that count for this clip.

    Raises
    ------
    QualityError
        The recording cannot be measured, or nobody walks in it.
    """
    quality = check_recording(
        clip, info, track, settings.quality, min_visibility=settings.signals.min_visibility, pictures=pictures
    )
    legs = with_swapped_legs(righted(clip, track, settings, outlines, pylon), corrections, clip.view)
    quality = (*quality, *leg_notes(legs.swapped, legs.rebuilt))
    if legs.unknown:
        raise QualityError(
            f"clip {clip.clip_id}",
            "left and right leg cannot be told apart",
            "legs that take turns in front, each followed by the pose estimator in most frames",
            "Film closer or in more light, camera on a stand; put the limb's cosmetic cover on where there is one.",
        )
    motion = prepare(legs.track, settings.signals, legs.doubtful)
    passes = find_passes(motion, clip.view)
    if not passes:
        raise QualityError(
            f"clip {clip.clip_id}",
            f"no straight walk of a second or more was found in the {clip.view} view",
            "the walker crosses the picture (sagittal), comes closer (anterior) or goes away (posterior)",
            "Check the view in the manifest, or film the walk again.",
        )
    lens = lens_of(track, settings.quality.lens_focal_share)
    motion, roll = levelled(motion, passes, clip.view, lens)
    found = find_events(motion, passes, clip.view, min_stride_s=settings.strides.min_stride_s, rebuilt=legs.rebuilt)
    walks = [(float(motion.time_s[one.start]), float(motion.time_s[one.stop - 1])) for one in passes]
    in_force, applied = events_in_force(found, corrections, walks)
    events = placed(in_force, motion.time_s)
    table = find_strides(
        clip, motion, passes, events, settings=settings.strides, rebuilt=legs.rebuilt, feet_lost=legs.feet_lost
    )
    table, excluded = without_excluded(table, in_force, corrections)
    table = steady_strides(with_lengths(table, clip, motion, passes, lens))
    quality = (*quality, roll_note(roll), *stride_notes(table, settings.quality.min_strides))
    if clip.view == "sagittal":
        signals = sagittal_quantities(motion, passes)
        standing = find_standing(motion, lens)
        signals["knee_flexion_deg"] = without_offset(signals["knee_flexion_deg"], passes, standing)
        quality = (*quality, noise_note(motion), standing_note(standing))
    else:
        signals = frontal_quantities(motion, passes, clip.view, events)
        shoes = with_swapped_shoes(shoes, corrections) if shoes else None
        shoe_tracks = track_shoes(shoes, motion, passes, lens) if shoes else {}
        for side, shoe in shoe_tracks.items():
            signals["foot_direction_deg"][side] = direction_by_shoe_deg(signals["foot_direction_deg"][side], shoe)
            signals["foot_level_deg"][side] = level_by_shoe_deg(signals["foot_direction_deg"][side], shoe)
        quality = (*quality, *pass_notes(motion, clip.view), *shoe_notes(shoe_tracks))
    return ClipMeasures(
        quality,
        events,
        StrideSet(table, sample_curves(table, motion.time_s, signals)),
        found,
        with_strides((*applied, *excluded), corrections, table, motion.time_s),
    )


def righted(
    clip: Clip,
    track: LandmarkTrack,
    settings: Settings,
    outlines: Outlines | None = None,
    pylon: PylonTrack | None = None,
) -> RightedLegs:
    """Return the track with its legs put right, and which frames were changed or stay in doubt."""
    # Where the walk goes does not depend on which leg is which.
    passes = find_passes(prepare(track, settings.signals), clip.view) if clip.view == "sagittal" else []
    return right_legs(track, passes, outlines, clip.prosthetic_sides, pylon)


def judge_visit(
    strides: StrideSet,
    person: Person,
    settings: Settings,
    limits: Limits,
    *,
    catalogue: Catalogue = CATALOGUE,
) -> tuple[tuple[MetricValue, ...], tuple[Fault, ...]]:
    """Return every metric value and every fault of a visit from the strides of all its clips.

    Parameters
    ----------
    strides : StrideSet
        All strides of the visit, used and excluded.
    person : Person
        What limits may depend on.
    settings : Settings
        `metrics.min_strides` is read.
    limits : Limits
    catalogue : mapping of id to MetricSpec or PairSpec
        The metrics to compute, by default all that ship. Others are known to this call alone.

    Returns
    -------
    values : tuple of MetricValue
        In the catalogue's order.
    faults : tuple of Fault
        In the order of the limits.

    Raises
    ------
    ConfigError
        A limit or a comparison needs a metric that is not in the catalogue.
    """
    needed = {f"limit {check.id}": check.metric for check in limits.checks}
    needed |= {f"comparison {name}": spec.metric for name, spec in catalogue.items() if isinstance(spec, PairSpec)}
    for item, metric in needed.items():
        if metric not in catalogue:
            do = "Give limits for these metrics alone, or the whole catalogue with them."
            raise ConfigError(item, f"needs metric {metric}", f"expected one of: {', '.join(catalogue)}", do)
    values = run_metrics(
        {name: spec for name, spec in catalogue.items() if isinstance(spec, MetricSpec)},
        {name: spec for name, spec in catalogue.items() if isinstance(spec, PairSpec)},
        strides,
        prosthetic_sides=person.prosthetic_sides,
        min_strides=settings.metrics.min_strides,
        measurement_error=limits.measurement_error,
    )
    return values, judge(values, limits, person)
