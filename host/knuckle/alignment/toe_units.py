"""Toe in the units people use: degrees, minutes, millimetres and inches over a length."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from knuckle.geometry.toe import Along

MM_PER_INCH: Final = 25.4
MINUTES_PER_DEG: Final = 60.0


@dataclass(frozen=True, slots=True)
class ToeFigure:
    """One value of toe in all units.

    Attributes
    ----------
    deg, minutes, mm, inches : float
        mm and inches are the difference of two distances over `over_mm`.
    over_mm : float
    """

    deg: float
    minutes: float
    mm: float
    inches: float
    over_mm: float


def toe_mm(toe_deg: float, over_mm: float, along: Along = Along.RIM) -> float:
    """Return the toe of one wheel as a difference of distances, front less rear from outside.

    L sin(toe) with the length along the rim, L tan(toe) with it along the string: plain
    trigonometry; 3 mm over 400 mm is 0.4297 deg.
    """
    angle = math.radians(toe_deg)
    return over_mm * (math.sin(angle) if along is Along.RIM else math.tan(angle))


def toe_deg_of_mm(mm: float, over_mm: float, along: Along = Along.RIM) -> float:
    """Return the toe of one wheel from a difference of distances; the inverse of `toe_mm`.

    Raises
    ------
    ValueError
        If the length is not positive or, along the rim, shorter than the difference.
    """
    if not over_mm > 0.0 or (along is Along.RIM and abs(mm) > over_mm):
        raise ValueError("the difference is larger than the length allows")
    ratio = mm / over_mm
    return math.degrees(math.asin(ratio) if along is Along.RIM else math.atan(ratio))


def in_all_units(
    toe_deg: float, over_mm: float, wheels: int = 1, along: Along = Along.RIM
) -> ToeFigure:
    """Return a toe in all units.

    Parameters
    ----------
    toe_deg : float
        Of one wheel; of two (total toe) with `wheels` 2.
    over_mm : float
        The length between the touches.
    wheels : int
        Over how many wheels the angle is shared: half of a total toe stands at each wheel, and
        the millimetres of both add up.
    along : Along
        What the length was measured along.
    """
    mm = wheels * toe_mm(toe_deg / wheels, over_mm, along)
    return ToeFigure(toe_deg, MINUTES_PER_DEG * toe_deg, mm, mm / MM_PER_INCH, over_mm)
