"""The motion model of a leg: its angles turn with little acceleration. What that costs, and what it leaves open."""

from __future__ import annotations

import numpy as np
from scipy.linalg import solveh_banded

from pipeline.model import FloatArray

# Usual angular acceleration of thigh, knee and foot, root mean square over a stride [rad/s2]: a thigh that swings by 25
# deg to both sides at 0.9 Hz has 10; five times as much lets the legs change places within a tenth of a second.
ACCELERATION = np.array([8.0, 35.0, 60.0])


def banded(curvature: FloatArray, fps: float) -> FloatArray:
    """Return the second derivatives of one leg, blocks (n, 3, 3) and the motion model, as upper bands (7, 3 n)."""
    n_frames = len(curvature)
    smooth = (fps**2 / ACCELERATION) ** 2
    banded = np.zeros((7, n_frames, 3))
    for row in range(3):
        for column in range(row, 3):
            banded[6 - (column - row), :, column] += curvature[:, row, column]
    centre = np.zeros(n_frames)
    centre[:-2] += 1
    centre[1:-1] += 4
    centre[2:] += 1
    beside = np.zeros(n_frames)
    beside[1:-1] -= 2
    beside[2:] -= 2
    # A little stiffness keeps what nothing is known about from drifting.
    banded[6] += centre[:, None] * smooth + 0.1
    banded[3] += beside[:, None] * smooth
    banded[0, 2:] += smooth
    return banded.reshape(7, -1)


def smoothness_gradient(angles: FloatArray, fps: float) -> FloatArray:
    """Return the slope of the motion model's cost at the angles, (n_frames, 2, 3)."""
    bend = (fps**2 / ACCELERATION) ** 2 * (angles[:-2] - 2 * angles[1:-1] + angles[2:])
    slope = np.zeros(angles.shape)
    slope[:-2] += bend
    slope[1:-1] -= 2 * bend
    slope[2:] += bend
    return slope


def knee_sd_deg(hessian: FloatArray, n_frames: int) -> FloatArray:
    """Return the standard deviation of the knee angles, (n_frames, 2), by the second derivatives' inverse. [deg]"""
    result = np.empty((n_frames, 2))
    for side in (0, 1):
        inverse = solveh_banded(hessian[side], np.eye(3 * n_frames)[:, 1::3])
        result[:, side] = np.degrees(np.sqrt(np.diag(inverse[1::3])))
    return result
