"""The camera's roll, found from the walk itself and taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.geometry import CLEAR_SDS, INDEPENDENT_PER_S, Lens, middle
from pipeline.model import FloatArray, Pass, QualityNote, View
from pipeline.motion import Motion
from pipeline.recording import at_most
from pipeline.walkline import walk_line

# Side view: tilt up or down that is not known, and what is left of the error in a camera square to the walkway (hip
# landmarks seen from before and from behind). Own choice. [deg]
TILT_SD_DEG = 5.0
ROLL_SD_SIDE_DEG = 0.2
# Front and back: the hips of a person with a prosthesis stand 1-2 cm beside the middle of the feet, 0.85 m below.
# Own choice. [deg]
ROLL_SD_END_DEG = 1.0
# A camera on a table or a tripod is level to this without a bubble. Own choice. [deg]
MOST_ROLL_DEG = 3.0


@dataclass(frozen=True, slots=True)
class CameraRoll:
    """Turn of the camera about its line of sight, clockwise as the photographer sees it, with one sd. [deg]"""

    deg: float
    sd_deg: float

    @property
    def clear_deg(self) -> float:
        """The roll to take out: 0 when it is not clear of its own error. [deg]"""
        return self.deg if abs(self.deg) > CLEAR_SDS * self.sd_deg else 0.0


def camera_roll(motion: Motion, passes: list[Pass], view: View, lens: Lens) -> CameraRoll:
    """Return the camera's roll, over all passes of a clip.

    Notes
    -----
    Side view: over whole strides the hips stay equally high, so their path is a level line, and its slope in the
    picture is the roll. No lean of the walker enters. A camera off square sees the path grow smaller towards one end;
    the hips are near the middle of the picture's height, where that bends nothing as long as the camera looks level.
    Tilted by p and off square by q it adds tan p tan q to the slope, at 5 deg each 0.4 deg: p is not known, and counts
    as an error.

    Front and back: the middle of both hips stands over the middle of both ankles, on average over the pass. Only legs
    are looked at, so that a lean of the trunk, which is a finding, is not taken for a roll.
    """
    found = []
    for stretch in passes:
        one = _side_roll(motion, stretch, lens) if view == "sagittal" else _end_roll(motion, stretch)
        found += [one] if np.isfinite([one.deg, one.sd_deg]).all() else []
    if not found:
        return CameraRoll(0.0, float("inf"))
    # What one pass gets wrong the next one does too, so that their errors do not average out.
    weights = np.array([one.sd_deg for one in found]) ** -2.0
    deg, sd_deg = np.average([(one.deg, one.sd_deg) for one in found], weights=weights, axis=0)
    return CameraRoll(float(deg), float(sd_deg))


def levelled(motion: Motion, passes: list[Pass], view: View, lens: Lens) -> tuple[Motion, CameraRoll]:
    """Return the landmarks as a level camera sees them, and the roll that was found."""
    roll = camera_roll(motion, passes, view, lens)
    return (_turned(motion, roll.clear_deg, lens) if roll.clear_deg else motion), roll


def roll_note(roll: CameraRoll) -> QualityNote:
    """Return the note on the roll that was found."""
    advice = "Set the camera level. What was found was taken out of angles and heights."
    return at_most("camera roll", abs(roll.clear_deg), "deg", MOST_ROLL_DEG, advice)


def _side_roll(motion: Motion, stretch: Pass, lens: Lens) -> CameraRoll:
    """Slope of the hips' path over one pass of a side view."""
    line = walk_line(motion, stretch)
    turn = np.tan(np.radians(line.off_square_deg(lens))) * np.tan(np.radians(TILT_SD_DEG))
    sd_deg = float(np.linalg.norm([ROLL_SD_SIDE_DEG, np.degrees(turn), np.degrees(line.hip_row_px.slope_sd)]))
    # The picture turns against the camera: a camera turned clockwise sees a level path rise to the right.
    return CameraRoll(-float(np.degrees(np.arctan(line.hip_row_px.slope))), sd_deg)


def _end_roll(motion: Motion, stretch: Pass) -> CameraRoll:
    """Lean of the legs' middle line over one pass of a front or back view."""
    xy = motion.xy_px[stretch.start : stretch.stop]
    up = middle(xy, "hip") - middle(xy, "ankle")
    lean_deg = np.degrees(np.arctan2(up[:, 0], -up[:, 1]))
    lean_deg = lean_deg[np.isfinite(lean_deg)]
    if len(lean_deg) < 2:
        return CameraRoll(float("nan"), float("inf"))
    mean_sd_deg = float(lean_deg.std()) / max(1.0, len(lean_deg) * INDEPENDENT_PER_S / motion.fps) ** 0.5
    return CameraRoll(-float(lean_deg.mean()), float(np.hypot(ROLL_SD_END_DEG, mean_sd_deg)))


def _turned(motion: Motion, roll_deg: float, lens: Lens) -> Motion:
    """The landmarks turned clockwise about the picture's middle."""
    cosine, sine = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    turn = np.array([[cosine, sine], [-sine, cosine]])
    centre = np.array(lens.centre_px)

    def turned(xy_px: FloatArray) -> FloatArray:
        return np.asarray((xy_px - centre) @ turn + centre)

    return replace(motion, xy_px=turned(motion.xy_px), fast_xy_px=turned(motion.fast_xy_px))
