"""Light of the room, from the lamp to what the camera's sensor makes of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """One kind of light. All numbers are own choices by eye.

    Attributes
    ----------
    towards : (right, down, forward)
        Direction towards the main light along the camera's axes; any length.
    key, ambient : float
        Strength of the main light and of the light from everywhere. [1]
    gain : float
        Factor of all picture values, for a camera that exposes too much or too little. [1]
    noise : float
        Standard deviation of the sensor's noise, of 255. [1]
    falloff : float
        Loss of the room's brightness across the picture, away from a light on the left. [1]
    """

    towards: tuple[float, float, float] = (-0.50, -0.85, -0.45)
    key: float = 0.62
    ambient: float = 1.0
    gain: float = 1.0
    noise: float = 0.0
    falloff: float = 0.0


LIGHTS: dict[str, Light] = {
    "even": Light(),
    "bright": Light(key=0.80, gain=1.22, noise=0.8),
    "dim": Light(gain=0.48, noise=3.0),
    "side": Light(towards=(-1.0, -0.35, -0.10), key=0.95, ambient=0.42, noise=1.2, falloff=0.45),
}


def shade_room(picture: Picture, light: Light) -> Picture:
    """Return the room's picture (height, width, 3) as it is lit from the left."""
    if light.falloff == 0.0:
        return picture
    across = 1.08 - light.falloff * np.linspace(0.0, 1.0, picture.shape[1]) ** 0.8
    shaded: Picture = np.clip(picture * across[None, :, None], 0, 255).astype(np.uint8)
    return shaded


class Sensor:
    """What the camera makes of the light: exposure and noise, the same for the same seed.

    One field of noise is made and read at another place in each frame: real enough for a codec, and cheap.
    """

    def __init__(self, light: Light, *, height_px: int, width_px: int, seed: int) -> None:
        self._rng = np.random.default_rng(seed)
        self._curve = np.clip(np.arange(256) * light.gain, 0, 255).astype(np.uint8)
        self._plain = light.gain == 1.0
        self._noise: NDArray[np.int16] | None = None
        self._size = (height_px, width_px)
        if light.noise > 0:
            field = self._rng.normal(0.0, light.noise, (height_px + 61, width_px + 61, 3))
            self._noise = np.round(field).astype(np.int16)

    def expose(self, frame: Picture) -> Picture:
        """Return one frame (height, width, 3) as the sensor gives it."""
        seen = frame if self._plain else self._curve[frame]
        if self._noise is None:
            return seen
        down, right = self._rng.integers(0, 61, 2)
        height, width = self._size
        noisy: Picture = np.clip(
            seen.astype(np.int16) + self._noise[down : down + height, right : right + width], 0, 255
        ).astype(np.uint8)
        return noisy
