"""What a slope of the pads does to camber, caster and inclination; exact for large angles.

Axes and signs are those of docs/measurement.md. Figures relative to gravity are turned into
figures against the plane of the pads, with the frame of `knuckle.geometry.steering`.
"""

from __future__ import annotations

import math

import numpy as np

from knuckle.geometry.rotation import Array
from knuckle.geometry.steering import (
    WheelFrame,
    camber,
    caster_and_inclination,
    on_pads,
    turned_to_vehicle,
    wheel_frame,
)

_UP = np.array([0.0, 0.0, 1.0])


def spin_axis(camber_rad: float, toe_rad: float, side: int) -> Array:
    """Return a wheel's spin axis, outboard, in level vehicle axes (X forward, Y left, Z up).

    Toe-in turns the wheel's front inboard, and so the outboard end of its axis forward.
    """
    level = math.cos(camber_rad)
    return np.array(
        [level * math.sin(toe_rad), side * level * math.cos(toe_rad), -math.sin(camber_rad)]
    )


def against_pads(
    camber_rad: float,
    caster_rad: float,
    inclination_rad: float,
    toe_rad: float,
    slope_rad: tuple[float, float],
    side: int,
) -> tuple[float, float, float]:
    """Return camber, caster and inclination against the pads from those relative to gravity.

    Parameters
    ----------
    camber_rad, caster_rad, inclination_rad, toe_rad : float
        Relative to gravity.
    slope_rad : tuple of float
        Across (left pads higher) and along (front pads higher).
    side : int
        +1 on left wheels, -1 on right wheels.

    Returns
    -------
    tuple of float
        Camber, caster and inclination, rad.

    Notes
    -----
    The normal of the pads is n ~ z - tan(along) x - tan(across) y; sin(camber) = -(n . e); the
    axis is taken in the frame of n and the wheel's heading, turned by its toe. Derived in
    docs/measurement.md, section 2.
    """
    spin = spin_axis(camber_rad, toe_rad, side)
    axis = np.array([-math.tan(caster_rad), -side * math.tan(inclination_rad), 1.0])
    ahead = WheelFrame(np.array([1.0, 0.0, 0.0]), np.array([0.0, float(side), 0.0]), _UP)
    normal = on_pads(ahead, np.array(slope_rad), side)
    frame = turned_to_vehicle(wheel_frame(spin, normal, side), np.array(toe_rad), side)
    found = caster_and_inclination(axis, frame)
    return float(camber(normal, spin)), float(found[0]), float(found[1])
