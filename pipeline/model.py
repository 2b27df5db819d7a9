"""The records that pass between the stages: frozen, small, without behaviour.

Sides are anatomical (`left`, `right`). *Prosthetic* and *sound* are worked out where sides are
compared, since a person with two prostheses has no sound side. Times are seconds from a clip's first
frame, taken from the frames' own timestamps. Image axes: x to the right, y down, pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.shown import Shown

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

View = Literal["sagittal", "anterior", "posterior"]
Side = Literal["left", "right"]
Status = Literal["ok", "too_few_strides", "not_visible", "wrong_view", "no_scale", "failed"]
Verdict = Literal["present", "borderline", "not seen", "cannot say"]

# Levels of amputation, from the foot up (ISO 8549-4), and what a person may hold on to (common words of the trade).
Level = Literal[
    "partial foot",
    "ankle disarticulation",
    "transtibial",
    "knee disarticulation",
    "transfemoral",
    "hip disarticulation",
]
Aid = Literal["none", "stick", "two sticks", "crutch", "two crutches", "walking frame", "parallel bars", "helping hand"]

VIEWS: tuple[View, ...] = ("sagittal", "anterior", "posterior")
SIDES: tuple[Side, ...] = ("left", "right")

# The estimator's 33 landmarks, in its order.
LANDMARK_NAMES: tuple[str, ...] = (
    "nose", "left_eye_inner", "left_eye", "left_eye_outer", "right_eye_inner", "right_eye", "right_eye_outer",
    "left_ear", "right_ear", "mouth_left", "mouth_right", "left_shoulder", "right_shoulder", "left_elbow",
    "right_elbow", "left_wrist", "right_wrist", "left_pinky", "right_pinky", "left_index", "right_index",
    "left_thumb", "right_thumb", "left_hip", "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle",
    "left_heel", "right_heel", "left_foot_index", "right_foot_index",
)  # fmt: skip


def other_side(side: Side) -> Side:
    """Return the opposite anatomical side."""
    return "right" if side == "left" else "left"


def anatomical_side(side: str, prosthetic_sides: Sequence[Side]) -> Side | None:
    """The anatomical side that a name means; None where it means no single one."""
    if side == "left" or side == "right":
        return "left" if side == "left" else "right"
    if len(prosthetic_sides) != 1 or side not in ("prosthetic", "sound"):
        return None
    return prosthetic_sides[0] if side == "prosthetic" else other_side(prosthetic_sides[0])


@dataclass(frozen=True, slots=True)
class Clip:
    """One row of the manifest; messages and reports show `relative_path`.

    `known_length_m` and `known_length_px` are one length at the walking line, in metres and in the picture;
    `walker_at` is a time [s] and the place of the walker in the picture then, x and y [px]. `levels` of amputation
    belong to `prosthetic_sides`; empty where none is given. `aid` is None, and `footwear` empty, where nothing is said
    about it.
    """

    clip_id: str
    path: Path
    relative_path: str
    subject: str
    visit: str
    visit_date: date
    view: View
    prosthetic_sides: tuple[Side, ...]
    height_m: float | None = None
    known_length_m: float | None = None
    known_length_px: float | None = None
    walker_at: tuple[float, float, float] | None = None
    changes: str = ""
    levels: tuple[Level, ...] = ()
    aid: Aid | None = None
    footwear: str = ""


@dataclass(frozen=True, slots=True)
class VideoInfo:
    """What a clip turned out to be. Frame counts are announced (by the file) and decoded (found)."""

    width_px: int
    height_px: int
    n_frames: int
    n_frames_announced: int
    duration_s: float
    fps_nominal: float
    fps_measured: float
    rotation_deg: int
    variable_rate: bool
    timestamps_from_file: bool


@dataclass(frozen=True, slots=True)
class LandmarkTrack:
    """The landmarks of one clip's subject, as the estimator gave them.

    Attributes
    ----------
    time_s : (n_frames,)
        From the clip's first frame. [s]
    xy_px : (n_frames, 33, 2)
        Image position, x right, y down, upright frame; NaN rows where nobody was seen. [px]
    visibility : (n_frames, 33)
        The estimator's own visibility, 0 to 1; 0 where nobody was seen. [1]
    world_m : (n_frames, 33, 3)
        The estimator's metric guess about the mid-hip: x right, y down, z away from the camera. [m]
    n_people, rival_share : (n_frames,), float
        People found in the frame; how near another came to being the subject, 0 nobody, 1 as likely. [1]
    """

    time_s: FloatArray
    xy_px: FloatArray
    visibility: FloatArray
    world_m: FloatArray
    n_people: NDArray[np.int64]
    width_px: int
    height_px: int
    model: str
    model_sha256: str
    mediapipe_version: str
    opencv_version: str
    rival_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Scale:
    """Metres for a pixel at the walking line, and where that comes from."""

    m_per_px: float
    method: Literal["marker", "height"]
    relative_sd: float


@dataclass(frozen=True, slots=True)
class Pass:
    """A stretch of straight walking: frames `start` to `stop` (exclusive).

    `direction` is +1 (to the right of the picture, or any frontal pass) or -1; `near_side` is the limb
    towards the camera, None in a frontal view.
    """

    start: int
    stop: int
    direction: int
    near_side: Side | None


@dataclass(frozen=True, slots=True)
class StrideSet(Shown):
    """The strides of one clip, or of all clips of a visit joined.

    Attributes
    ----------
    table : DataFrame, one row per stride
        Columns of `tables.STRIDES`.
    curves : dict of name to (n_strides, 101)
        Each quantity at 0, 1, ... 100 % of the stride; NaN where it was not seen. Names end in the unit.
    """

    table: pd.DataFrame
    curves: dict[str, FloatArray]


@dataclass(frozen=True, slots=True)
class QualityNote:
    """One thing looked at about a recording, with its limit and how to film better."""

    item: str
    value: float
    unit: str
    limit: float
    ok: bool
    advice: str


@dataclass(frozen=True, slots=True)
class OwnError:
    """A metric's own error, and what is known of its stride-to-stride spread before a walk is seen.

    Attributes
    ----------
    sd : float
        One standard deviation of a visit's value about its bias, in the metric's unit.
    stride_sd : float
        Usual standard deviation over strides, in the metric's unit; counts as `stride_freedom` strides' worth.
    stride_freedom : float
        Degrees of freedom behind `stride_sd`; 0 when nothing is known. [1]
    prosthetic_sd : float or None
        As `sd`, of a prosthetic limb, which the pose model reads less well; None where `sd` holds for both.
    bias : float
        Mean of found minus true, in the metric's unit. It is not taken off, but the interval reaches as far.
    prosthetic_bias : float or None
        As `bias`, of a prosthetic limb; None where `bias` holds for both.
    """

    sd: float = 0.0
    stride_sd: float = 0.0
    stride_freedom: float = 0.0
    prosthetic_sd: float | None = None
    bias: float = 0.0
    prosthetic_bias: float | None = None

    def of_limb(self, prosthetic: bool) -> OwnError:
        """Return the error of one limb, or of a comparison of limbs, as its `sd` and `bias`.

        Parameters
        ----------
        prosthetic : bool
            Whether it is a prosthetic limb.

        Returns
        -------
        OwnError
            With no other error for a prosthetic limb.
        """
        sd = self.prosthetic_sd if prosthetic and self.prosthetic_sd is not None else self.sd
        bias = self.prosthetic_bias if prosthetic and self.prosthetic_bias is not None else self.bias
        return OwnError(sd, self.stride_sd, self.stride_freedom, bias=bias)


@dataclass(frozen=True, slots=True)
class ViewValue:
    """A metric's value from the clips of one view alone, with its 95 % interval, as part of a `MetricValue`."""

    view: View
    value: float
    low: float
    high: float
    n_strides: int
    n_clips: int


@dataclass(frozen=True, slots=True)
class MetricValue(Shown):
    """One metric of one side (or of a comparison of sides) over a visit's strides.

    `value` is the median over `n_strides`; `spread` is the standard deviation over strides; `low` and
    `high` bound the 95 % interval of the value, from the spread and the metric's measurement error.
    Only `status == "ok"` carries numbers; any other has its reason. `stride_values` belong to `stride_ids`. `by_view`
    tells the views apart where more than one gave strides.
    """

    metric: str
    side: str
    value: float | None
    unit: str
    n_strides: int
    spread: float | None
    low: float | None
    high: float | None
    status: Status
    reason: str
    stride_ids: tuple[str, ...] = ()
    stride_values: tuple[float, ...] = ()
    by_view: tuple[ViewValue, ...] = ()
