"""How the walkway lies to the camera, and whether a clip shows the view that its manifest says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from pipeline.geometry import HIP_TO_ANKLE_OF_HEIGHT, INDEX, SHOULDER_TO_HIP_OF_HEIGHT, leg_length_px, middle
from pipeline.model import FloatArray, LandmarkTrack, Side, View

# Width of the shoulders over the trunk's length: up to the first share they are seen from the side, from the second on
# from the front or behind; in between it is open. From the front they measure about 0.75 (shoulder joints about 0.21 of
# the height apart, trunk 0.288 of it; body-segment proportions, from memory), and off the side view the sine of the
# angle times that: 28 and 47 deg. Own choice.
NARROW_SHOULDERS = 0.35
WIDE_SHOULDERS = 0.55
# Angle of the path to the picture's plane: up to the first it leads across, from the second on along the line of sight.
# Own choice.
ACROSS_DEG = 30.0
ALONG_DEG = 60.0
# A shorter path has no direction: standing, a treadmill, a camera that follows. [body heights] Own choice.
SHORTEST_PATH = 1.0
# The order of the shoulders, or the sense of travel, counts when it holds this well. Own choice.
CLEAR_SHARE = 0.8
# Points looked at, and over how many of them the running median goes that removes slips of the estimator. Own choice.
MOST_POINTS = 200
MEDIAN_POINTS = 5
# A view is contradicted beyond doubt by two independent signs; one may be a slip.
BEYOND_DOUBT = 2


@dataclass(frozen=True, slots=True)
class WalkerPath:
    """The walker's way over the floor, seen from above.

    `angle_deg` is 0 across the picture and 90 or -90 along the line of sight, -90 to 90; positive: the right end of the
    way is the far one, whichever way it was walked [deg]. `across` and `closer` are the correlations of time with the
    place to the right and with nearness, -1 to 1 [1].
    """

    angle_deg: float
    across: float
    closer: float


@dataclass(frozen=True, slots=True)
class ViewSigns:
    """What a clip itself says about its view; None where a sign says nothing.

    `shape` and `path` tell side views from the others, `heading` and `facing` tell the others apart. `shoulders` is the
    median width of the shoulders over the trunk's length [1].
    """

    shoulders: float
    shape: str | None
    path: str | None
    heading: View | None
    facing: View | None

    def against(self, view: View) -> tuple[str, ...]:
        """Return the signs that contradict a view, in words; empty when none does."""
        signs = []
        expected = "side" if view == "sagittal" else "end"
        if self.shape not in (None, expected):
            width = "narrow" if self.shape == "side" else "wide"
            signs.append(f"the shoulders are {width} ({self.shoulders:.2f} of the trunk's length)")
        if self.path not in (None, expected):
            way = "across the picture" if self.path == "side" else "along the line of sight"
            signs.append(f"the walker goes {way}")
        if view != "sagittal":
            if self.heading not in (None, view):
                signs.append(f"the walker {'comes closer' if self.heading == 'anterior' else 'goes away'}")
            if self.facing not in (None, view):
                signs.append(f"the walker shows {'the front' if self.facing == 'anterior' else 'the back'}")
        return tuple(signs)

    def found(self) -> str:
        """Return the view that the signs speak for, in words."""
        if "end" not in (self.shape, self.path):
            return "sagittal"
        return self.heading or self.facing or "anterior or posterior"


def walker_path(track: LandmarkTrack, focal_px: float) -> WalkerPath | None:
    """Return the walker's way over the floor; None when it is too short to have a direction.

    Parameters
    ----------
    track : LandmarkTrack
    focal_px : float
        Focal length of the lens. [px]

    Notes
    -----
    With body height H and its size s in the picture, a pinhole camera gives depth f H / s and place across
    (x - centre) H / s, so that both are known in body heights. The size is trunk, thigh and shank, which do not change
    with the swing of the legs seen from the side. The path is the main axis of the points after a running median. A
    longer lens than the one assumed makes the angle of a side view look smaller than it is. The camera must not move.
    """
    size_px = body_size_px(track.xy_px)
    hip_x_px = middle(track.xy_px, "hip")[:, 0]
    known = np.flatnonzero(np.isfinite(size_px) & np.isfinite(hip_x_px) & (size_px > 0))
    if len(known) < MEDIAN_POINTS:
        return None
    known = known[:: max(1, len(known) // MOST_POINTS)]
    across = (hip_x_px[known] - track.width_px / 2) / size_px[known]
    points = np.stack([across, focal_px / size_px[known]], axis=1)
    points = median_filter(points, size=(MEDIAN_POINTS, 1), mode="nearest")
    axis = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
    if np.ptp(np.percentile(points @ axis, [5, 95])) < SHORTEST_PATH:
        return None
    time_s = track.time_s[known]
    # A way has no direction: the axis may come out either way round.
    angle_deg = float(np.degrees(np.arctan2(*(axis[::-1] if axis[0] >= 0 else -axis[::-1]))))
    return WalkerPath(angle_deg, _correlation(time_s, points[:, 0]), -_correlation(time_s, points[:, 1]))


def body_size_px(xy_px: FloatArray) -> FloatArray:
    """Return the body height from trunk, thighs and shanks, (n_frames,); NaN where a joint is missing. [px]

    References
    ----------
    drillis_contini_1966
    """
    leg_px = (leg_length_px(xy_px, "left") + leg_length_px(xy_px, "right")) / 2
    return np.asarray((_trunk_px(xy_px) + leg_px) / (SHOULDER_TO_HIP_OF_HEIGHT + HIP_TO_ANKLE_OF_HEIGHT))


def _trunk_px(xy_px: FloatArray) -> FloatArray:
    """Length from mid-shoulder to mid-hip, (n_frames,). [px]"""
    return np.asarray(np.linalg.norm(middle(xy_px, "shoulder") - middle(xy_px, "hip"), axis=1))


def view_signs(track: LandmarkTrack, path: WalkerPath | None) -> ViewSigns:
    """Return what the shoulders and the path say about the view.

    The estimator places a face with full visibility even on a person who is seen from behind, so that not the face but
    the order of the shoulders tells front from back: facing the camera, the left one is on the picture's right.
    """
    trunk_px = _trunk_px(track.xy_px)
    apart_px = track.xy_px[:, INDEX["left_shoulder"], 0] - track.xy_px[:, INDEX["right_shoulder"], 0]
    known = np.isfinite(apart_px) & (trunk_px > 0)
    if not known.any():
        return ViewSigns(float("nan"), None, None, None, None)
    ratio = apart_px[known] / trunk_px[known]
    shoulders = float(np.median(np.abs(ratio)))
    shape = "side" if shoulders <= NARROW_SHOULDERS else "end" if shoulders >= WIDE_SHOULDERS else None
    facing: View | None = None
    if shape == "end":
        front = float((ratio > 0).mean())
        facing = "anterior" if front >= CLEAR_SHARE else "posterior" if front <= 1 - CLEAR_SHARE else None
    if path is None or ACROSS_DEG < abs(path.angle_deg) < ALONG_DEG:
        return ViewSigns(shoulders, shape, None, None, facing)
    if abs(path.angle_deg) <= ACROSS_DEG:
        return ViewSigns(shoulders, shape, "side", None, facing)
    heading: View | None = None
    if abs(path.closer) >= CLEAR_SHARE:
        heading = "anterior" if path.closer > 0 else "posterior"
    return ViewSigns(shoulders, shape, "end", heading, facing)


def far_side(view: View, path: WalkerPath | None) -> Side | None:
    """Return the limb that is away from the camera all through a side view, None when neither is."""
    if view != "sagittal" or path is None or abs(path.across) < CLEAR_SHARE:
        return None
    return "left" if path.across > 0 else "right"


def _correlation(one: FloatArray, other: FloatArray) -> float:
    """Correlation, 0 where one of them does not change."""
    if np.ptp(one) == 0 or np.ptp(other) == 0:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])
