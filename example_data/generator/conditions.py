"""How a benchmark clip is filmed and what else is in the picture."""

from __future__ import annotations

from dataclasses import dataclass, field

from .body import Look
from .light import LIGHTS
from .wardrobe import Dress

FRAME_RATES_HZ = (25, 30, 50, 60)
SIZES_PX = ((640, 360), (960, 540), (1280, 720), (1920, 1080))
OCCLUDERS = ("none", "bars", "stick")
POSTURES = ("standing", "sitting")

RANGES: dict[str, tuple[float, float]] = {
    "distance_m": (3.0, 14.0),
    "camera_height_m": (0.5, 2.0),
    "yaw_deg": (-15.0, 15.0),
    "roll_deg": (-3.0, 3.0),
    "focal_share": (0.5, 1.5),
    "shutter_share": (0.0, 0.6),
    "crf": (15, 35),
    "longest_s": (0.4, 120.0),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Bystander:
    """Another person, still, behind or beside the walk.

    Attributes
    ----------
    posture : "standing" or "sitting"
    place_m : (x, y) in the world [m]
    facing_deg : float
        Direction of the face about the vertical, 0 along the world's +x. [deg]
    look : Look
    dress : Dress
    """

    posture: str
    place_m: tuple[float, float]
    facing_deg: float
    look: Look
    dress: Dress

    def __post_init__(self) -> None:
        _one_of("bystander.posture", self.posture, POSTURES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """How a clip is filmed.

    Attributes
    ----------
    frame_rate_hz : int
        25, 30, 50 or 60. [1/s]
    width_px, height_px : int
        One of SIZES_PX. [px]
    distance_m : float
        From the camera to the middle of the walkway, along the floor. [m]
    camera_height_m : float
        The camera is tilted so that it aims at AIM_HEIGHT_M over the middle of the walkway. [m]
    yaw_deg : float
        The camera goes around the middle of the walkway by this angle from its usual place, counter-clockwise
        from above; side view: 0 is square to the walk, frontal views: 0 is in line with it. [deg]
    roll_deg : float
        Turn about the optical axis, clockwise as the photographer sees it. [deg]
    focal_share : float
        Focal length over picture width; 0.69 sees 72 deg across. [1]
    light : name in LIGHTS
    shutter_share : float
        Share of the frame time during which the shutter is open; 0 is no motion blur. [1]
    crf : int
        Constant rate factor of the encoder; larger is a smaller file and a poorer picture.
    occluder : "none", "bars" (a pair of parallel bars along the walk) or "stick" (in the hand of the sound side)
    bystander : Bystander or None
    dress : Dress
    longest_s : float
        The walk is cut to this, in the middle of the way. [s]

    Raises
    ------
    ValueError
        Listing every value outside its range.
    """

    frame_rate_hz: int = 30
    width_px: int = 1280
    height_px: int = 720
    distance_m: float = 4.75
    camera_height_m: float = 1.0
    yaw_deg: float = 0.0
    roll_deg: float = 0.0
    focal_share: float = 0.69
    light: str = "even"
    shutter_share: float = 0.0
    crf: int = 21
    occluder: str = "none"
    bystander: Bystander | None = None
    dress: Dress = field(default_factory=Dress)
    longest_s: float = 7.0

    def __post_init__(self) -> None:
        problems = [
            f"conditions.{name}: found {getattr(self, name)}; {low} to {high} is expected"
            for name, (low, high) in RANGES.items()
            if not low <= getattr(self, name) <= high
        ]
        if problems:
            raise ValueError("; ".join(problems) + ". Correct the conditions.")
        _one_of("conditions.frame_rate_hz", self.frame_rate_hz, FRAME_RATES_HZ)
        _one_of("conditions.width_px, height_px", (self.width_px, self.height_px), SIZES_PX)
        _one_of("conditions.light", self.light, tuple(LIGHTS))
        _one_of("conditions.occluder", self.occluder, OCCLUDERS)


def _one_of(name: str, value: object, allowed: tuple[object, ...]) -> None:
    """Raise ValueError for a value that is not among the allowed ones."""
    if value not in allowed:
        raise ValueError(
            f"{name}: found {value}; one of {', '.join(map(str, allowed))} is expected. Choose one of these."
        )
