"""The string beside the car: true distances from a rim's front and rear points to it."""

from __future__ import annotations

import math

from knuckle.model.wheel import Wheel
from knuckle.sim.case import Case, Stream


def string_skew_deg(case: Case, wheel: Wheel) -> float:
    """Return the string's skew on that wheel's side, as drawn; positive reads as toe-in."""
    string = case.scenario.string
    normal = float(case.generator(Stream.STRING, wheel.side + 1).standard_normal())
    return string.skew_deg + string.skew_sigma_deg * normal


def rim_points_mm(case: Case, wheel: Wheel) -> tuple[float, float]:
    """Return the distances of the rim's front and rear point, square to the string.

    The points lie at hub height on a chord of the rim; toe-in takes the front one inboard,
    away from the string: front - rear = chord sin(toe + skew), exact for a true rim.
    """
    string = case.scenario.string
    rng = case.generator(Stream.STRING, 10 + list(Wheel).index(wheel))
    offset, front, rear = rng.standard_normal(3)
    middle_mm = string.offset_mm + string.offset_sigma_mm * float(offset)
    toe_deg = case.scenario.car.knuckle(wheel).toe_deg + string_skew_deg(case, wheel)
    half_mm = string.chord_mm / 2.0 * math.sin(math.radians(toe_deg))
    return (
        middle_mm + half_mm + string.rim_sigma_mm * float(front),
        middle_mm - half_mm + string.rim_sigma_mm * float(rear),
    )
