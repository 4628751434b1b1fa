"""Left and right front wheel together: cross figures and included angles."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from knuckle.alignment.compare import MATTERS_DEG, Compared, compare
from knuckle.alignment.shared import Origin, Part, combined, term_of, with_budget
from knuckle.estimate.priors import Given
from knuckle.model.result import Quantity, Result

CROSS: Mapping[Quantity, Quantity] = {
    Quantity.CAMBER: Quantity.CROSS_CAMBER,
    Quantity.CASTER: Quantity.CROSS_CASTER,
    Quantity.SAI: Quantity.CROSS_SAI,
    Quantity.INCLUDED: Quantity.CROSS_INCLUDED,
}
"""The figure of a pair that belongs to a figure of a wheel."""


@dataclass(frozen=True, slots=True)
class SweptWheel:
    """What a sweep (or a camber reading) gave for one wheel; `origin.wheel` must be set."""

    results: Mapping[Quantity, Result]
    origin: Origin


@dataclass(frozen=True, slots=True)
class Pair:
    """Both wheels.

    Attributes
    ----------
    left, right : dict of Quantity to Result
        As given, with the included angle where inclination and camber are there.
    cross : dict of Quantity to Compared
        Left minus right, by `CROSS`'s values.
    """

    left: Mapping[Quantity, Result]
    right: Mapping[Quantity, Result]
    cross: Mapping[Quantity, Compared]


def included_angle(results: Mapping[Quantity, Result], origin: Origin) -> Result | None:
    """Return SAI + camber of one wheel; None where one of them is missing.

    A measure of the knuckle alone (with its strut, where there is one). The slope of the pads adds
    to one what it takes from the other, and so does the zero of the pod: both go out. It is the
    trade's plain sum; the angle between the two axes is 90 deg and this without caster, and 0.05
    deg less than that with caster 5 (docs/alignment-theory.md).
    """
    camber, inclination = results.get(Quantity.CAMBER), results.get(Quantity.SAI)
    if camber is None or inclination is None:
        return None
    # Within one sweep both hang on the same pads, whether or not anyone has named them.
    here = Origin(
        origin.wheel, origin.pod or "this", origin.mounting or "this", origin.pads or "this"
    )
    parts = [Part(inclination, 1.0, here), Part(camber, 1.0, here)]
    return combined(Quantity.INCLUDED, parts, "of the knuckle, whatever the pads")


def pair_of(
    left: SweptWheel, right: SweptWheel, matters: Mapping[Quantity, float] | None = None
) -> Pair:
    """Return both wheels and their differences, left minus right.

    Parameters
    ----------
    left, right : SweptWheel
        Their origins say what they share: one pod that changed sides, one levelling of the pads,
        one setting of straight ahead.
    matters : dict of Quantity to float, or None
        Smallest differences that count, by the wheel's figure; None for `MATTERS_DEG`.

    Raises
    ------
    ValueError
        If these are not a left and a right wheel of one axle.

    Notes
    -----
    Pads that slope across count twice in cross-camber, and not at all in cross-caster; one
    misjudged straight ahead counts twice in cross-caster.
    """
    one, other = left.origin.wheel, right.origin.wheel
    if one is None or other is None or not one.is_left or other.is_left:
        raise ValueError("a pair is a left and a right wheel, in this order")
    if one.is_front != other.is_front:
        raise ValueError("a pair is two wheels of one axle")
    sides = []
    for wheel in (left, right):
        results = dict(wheel.results)
        included = included_angle(wheel.results, wheel.origin)
        if included is not None:
            results[Quantity.INCLUDED] = included
        sides.append(results)
    least = {**MATTERS_DEG, **(matters or {})}
    cross = {
        figure: compare(
            sides[1][quantity],
            sides[0][quantity],
            right.origin,
            left.origin,
            matters=least.get(quantity),
            quantity=figure,
        )
        for quantity, figure in CROSS.items()
        if quantity in sides[0] and quantity in sides[1]
    }
    return Pair(sides[0], sides[1], cross)


@dataclass(frozen=True, slots=True)
class WheelbasePair:
    """Wheelbase left against right.

    Attributes
    ----------
    difference : Result
        Left less right, mm.
    setback : Result
        The same as an angle of the front axle against the rear one: positive where the left
        front wheel is further ahead.
    """

    difference: Result
    setback: Result


def wheelbase_pair(left_mm: Given, right_mm: Given, track_mm: float) -> WheelbasePair:
    """Return the difference of the wheelbases and the front axle's setback.

    Parameters
    ----------
    left_mm, right_mm : Given
        From hub to hub on each side, wheels straight ahead.
    track_mm : float
        From wheel to wheel.

    Raises
    ------
    ValueError
        If the track is not positive.

    Notes
    -----
    setback = atan((left - right) / track): plain trigonometry. Which axle stands askew the two
    lengths do not tell.
    """
    if not track_mm > 0.0:
        raise ValueError("the track must be above zero")
    difference = left_mm.value - right_mm.value
    u = math.hypot(left_mm.standard_uncertainty, right_mm.standard_uncertainty)
    ratio = difference / track_mm
    u_deg = math.degrees(u / track_mm / (1.0 + ratio**2))
    return WheelbasePair(
        with_budget(
            Quantity.WHEELBASE_DIFFERENCE, difference, [term_of("tape", u)], "left less right", "mm"
        ),
        with_budget(
            Quantity.SETBACK,
            math.degrees(math.atan(ratio)),
            [term_of("tape", u_deg)],
            "front axle against rear axle",
        ),
    )
