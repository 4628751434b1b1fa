"""What a slope of the pads does to camber, caster and inclination; exact for large angles.

Axes and signs are those of docs/measurement.md. The car stands as a whole as its pads lie. In
plain floats: histories call it for every reading that is kept.
"""

from __future__ import annotations

import math

Vector = tuple[float, float, float]


def spin_axis(camber_rad: float, toe_rad: float, side: int) -> Vector:
    """Return a wheel's spin axis, outboard, in vehicle axes (X forward, Y left, Z up).

    Toe-in turns the wheel's front inboard, and so the outboard end of its axis forward.
    """
    level = math.cos(camber_rad)
    return level * math.sin(toe_rad), side * level * math.cos(toe_rad), -math.sin(camber_rad)


def standing(across_rad: float, along_rad: float) -> tuple[Vector, Vector, Vector]:
    """Return where the axes of a car on sloping pads point, in level axes: forward, left, up.

    The pads' normal is n ~ z - tan(along) x - tan(across) y (left higher, front higher); the
    car's forward axis stays above the level one.
    """
    x, y = -math.tan(along_rad), -math.tan(across_rad)
    size = math.sqrt(x * x + y * y + 1.0)
    x, y, z = x / size, y / size, 1.0 / size
    level = math.sqrt(1.0 - x * x)
    forward = (level, -x * y / level, -x * z / level)
    return forward, (0.0, z / level, -y / level), (x, y, z)


def _dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


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
    With e the spin axis in the car's axes, which point as `standing` says, the upward part of e
    is -sin(camber by gravity): an equation A cos(g) - B sin(g) = -sin(read) for the camber g
    against the pads. With g, e in space gives the level axes in which the steering axis was read;
    that axis is then seen in the car's. Derived here.
    """
    forward, left, up = standing(*slope_rad)
    tilted = forward[2] * math.sin(toe_rad) + side * left[2] * math.cos(toe_rad)
    lean = math.asin(math.sin(camber_rad) / math.hypot(tilted, up[2]))
    camber = lean + math.atan2(tilted, up[2])
    spin = spin_axis(camber, toe_rad, side)
    ahead, beside = (spin[0] * forward[at] + spin[1] * left[at] + spin[2] * up[at] for at in (0, 1))
    # The level outboard direction of the car: where the wheel's axle points, turned by its toe.
    outboard = math.atan2(beside, ahead) + side * toe_rad
    out_x, out_y = math.cos(outboard), math.sin(outboard)
    by_caster, by_inclination = math.tan(caster_rad), math.tan(inclination_rad)
    axis = (
        -side * out_y * by_caster - out_x * by_inclination,
        side * out_x * by_caster - out_y * by_inclination,
        1.0,
    )
    height = _dot(axis, up)
    return (
        camber,
        -math.atan2(_dot(axis, forward), height),
        -math.atan2(side * _dot(axis, left), height),
    )
