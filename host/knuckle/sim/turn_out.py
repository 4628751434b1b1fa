"""How far each front wheel turns, by the linkage between them."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.sim.moves import Motion1


def of_wheel_deg(turn_deg: FloatArray, turn_out: float, side: int) -> FloatArray:
    """Return the turn of one front wheel where the steering stands at a turn between the two.

    Parameters
    ----------
    turn_deg : ndarray
        Left positive, within a quarter turn.
    turn_out : float
        K = cot(outer) - cot(inner).
    side : int
        1 on the left, -1 on the right.

    Notes
    -----
    cot(wheel) = cot(turn) - side K / 2, so that left and right differ by K at every turn, the
    inner one turned further on both sides (Ackermann's condition where K is track over
    wheelbase; any textbook of vehicle dynamics). Without the poles of the cotangent: tan(wheel) =
    sin / (cos - side K / 2 sin).
    """
    turn = np.radians(turn_deg)
    return np.degrees(np.arctan2(np.sin(turn), np.cos(turn) - side * turn_out / 2.0 * np.sin(turn)))


def motion_of_wheel(motion: Motion1, turn_out: float, side: int) -> Motion1:
    """Return the same with rate and acceleration; exact derivatives of `of_wheel_deg`."""
    half = side * turn_out / 2.0
    turn = np.radians(motion.value)
    sine, cosine = np.sin(turn), np.cos(turn)
    along = cosine - half * sine
    size = along**2 + sine**2
    slope = 1.0 / size
    bend = -(2.0 * along * (-sine - half * cosine) + 2.0 * sine * cosine) / size**2
    # The second derivative is by radians, the motion in degrees.
    return Motion1(
        of_wheel_deg(motion.value, turn_out, side),
        slope * motion.rate,
        slope * motion.acceleration + bend * np.radians(motion.rate) * motion.rate,
    )
