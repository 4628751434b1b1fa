"""What a slope of the pads does to camber, caster and inclination; exact for large angles.

Axes and signs are those of docs/measurement.md. The car stands as a whole as its pads lie.
"""

from __future__ import annotations

import math

import numpy as np

from knuckle.geometry.rotation import Array
from knuckle.geometry.steering import turned_to_vehicle, wheel_frame

_UP = np.array([0.0, 0.0, 1.0])


def spin_axis(camber_rad: float, toe_rad: float, side: int) -> Array:
    """Return a wheel's spin axis, outboard, in vehicle axes (X forward, Y left, Z up); shape (3,).

    Toe-in turns the wheel's front inboard, and so the outboard end of its axis forward.
    """
    level = math.cos(camber_rad)
    return np.array(
        [level * math.sin(toe_rad), side * level * math.cos(toe_rad), -math.sin(camber_rad)]
    )


def standing(across_rad: float, along_rad: float) -> Array:
    """Return the matrix that carries vehicle axes of a car on sloping pads to level ones.

    The pads' normal is n ~ z - tan(along) x - tan(across) y (left higher, front higher); the
    car's forward axis stays above the level one.

    Returns
    -------
    ndarray, shape (3, 3)
    """
    normal = np.array([-math.tan(along_rad), -math.tan(across_rad), 1.0])
    normal /= math.sqrt(float(normal @ normal))
    forward = np.array([1.0, 0.0, 0.0]) - normal * normal[0]
    forward /= math.sqrt(float(forward @ forward))
    return np.stack([forward, np.cross(normal, forward), normal], axis=1)


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
    camber_rad, caster_rad, inclination_rad : float
        Relative to gravity; caster and inclination in level axes turned by the toe from where
        the wheel points, as a sweep finds them.
    toe_rad : float
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
    With e the spin axis in the car's axes and S = `standing`, the third row of S e is
    -sin(camber by gravity): an equation A cos(g) - B sin(g) = -sin(read) for the camber g against
    the pads. With g, S e gives the level axes in which the steering axis was read; back through S
    it stands in the car's. Derived here.
    """
    placed = standing(*slope_rad)
    across = placed[2, 0] * math.sin(toe_rad) + side * placed[2, 1] * math.cos(toe_rad)
    upright = placed[2, 2]
    lean = math.asin(math.sin(camber_rad) / math.hypot(across, upright))
    camber = lean + math.atan2(across, upright)
    spin = placed @ spin_axis(camber, toe_rad, side)
    frame = turned_to_vehicle(wheel_frame(spin, _UP, side), np.array(toe_rad), side)
    axis = (
        _UP - frame.forward * math.tan(caster_rad) - frame.outboard * math.tan(inclination_rad)
    ) @ placed
    return (
        camber,
        -math.atan2(float(axis[0]), float(axis[2])),
        -math.atan2(side * float(axis[1]), float(axis[2])),
    )
