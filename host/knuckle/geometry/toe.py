"""Toe of a wheel from the distances of its rim's front and rear to a string beside it.

The string runs outboard of the wheel; toe-in takes the rim's front away from it. Toe is counted
positive then, on left and right wheels alike.
"""

from __future__ import annotations

import math
from enum import StrEnum


class Along(StrEnum):
    """Along what the length between the two touches was measured."""

    RIM = "rim"
    """Straight from touch to touch, on the wheel."""
    STRING = "string"
    """On the string, between the two places at which it was measured."""


def toe_deg(
    front_mm: float,
    rear_mm: float,
    length_mm: float,
    *,
    along: Along = Along.RIM,
    height_mm: float = 0.0,
    camber_deg: float = 0.0,
) -> float:
    """Return the toe against the string; exact, no small angles.

    Parameters
    ----------
    front_mm, rear_mm : float
        Distances from the string to the rim's front and rear, square to the string and level.
    length_mm : float
        Between the touches.
    along : Along
    height_mm : float
        How much higher the front touch was than the rear one.
    camber_deg : float
        Of the wheel: with it, touches of unequal height lean into the reading.

    Raises
    ------
    ValueError
        If no wheel can stand so: the difference is larger than the length allows.

    Notes
    -----
    The touches' level difference, seen from above, is turned against the wheel's heading by
    what the lean adds: with d = front - rear, h the height, c = h tan(camber),

    - along the rim: toe = asin(d / r) + asin(c / r), r^2 = length^2 - h^2;
    - along the string: toe = atan(d / length) + asin(c / r), r^2 = length^2 + d^2.

    Derived here from the wheel's plane; plain trigonometry for h = 0 (check-values: 3 mm over
    400 mm is 0.4297 deg).
    """
    difference = front_mm - rear_mm
    lean = height_mm * math.tan(math.radians(camber_deg))
    if along is Along.RIM:
        level2 = length_mm**2 - height_mm**2
    else:
        level2 = length_mm**2 + difference**2
    if not length_mm > 0.0 or level2 <= max(difference**2, lean**2):
        raise ValueError("the difference of the distances is larger than the length allows")
    level = math.sqrt(level2)
    turned = (
        math.asin(difference / level) if along is Along.RIM else math.atan2(difference, length_mm)
    )
    return math.degrees(turned + math.asin(lean / level))
