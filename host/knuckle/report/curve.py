"""The camber that a steering axis gives at each steer angle: the line through a sweep's rests."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.geometry.rotation import turned
from knuckle.geometry.steering import (
    camber,
    heading_change,
    steering_axis,
    wheel_frame,
)
from knuckle.model.block import FloatArray

_LARGEST_TURN_DEG: Final = 70.0


def camber_at_steer(
    steer_deg: FloatArray, camber_deg: float, caster_deg: float, inclination_deg: float, side: int
) -> FloatArray:
    """Return camber at given steer angles, in deg; exact geometry, toe taken as zero.

    The wheel's spin axis is turned about the steering axis, and camber is read off at the turn
    that gives each change of heading (docs/measurement.md).

    Parameters
    ----------
    steer_deg : ndarray, shape (n,)
        Changes of heading from straight ahead, in deg, left positive.
    camber_deg : float
        At straight ahead.
    side : int
        +1 on left wheels, -1 on right wheels.
    """
    up = np.array([0.0, 0.0, 1.0])
    lean = np.radians(camber_deg)
    spin = np.array([0.0, np.cos(lean), -np.sin(lean)])
    axis = steering_axis(np.radians(caster_deg), np.radians(inclination_deg), side)
    turn = np.radians(np.linspace(-_LARGEST_TURN_DEG, _LARGEST_TURN_DEG, 2801))
    turned_spin = turned(spin, axis, turn)
    headings = np.degrees(heading_change(turned_spin, wheel_frame(spin, up, side), side))
    cambers = np.degrees(camber(np.broadcast_to(up, turned_spin.shape), turned_spin))
    order = np.argsort(headings)
    inside = np.interp(
        steer_deg, headings[order], cambers[order], left=float("nan"), right=float("nan")
    )
    return np.asarray(inside, dtype=np.float64)
