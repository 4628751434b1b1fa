"""Names of an alignment's figures and of its verdicts, one place for reports and lists."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from knuckle.alignment.compare import Difference
from knuckle.alignment.toe_units import in_all_units
from knuckle.model.car import Car
from knuckle.model.result import Quantity, Result
from knuckle.report.figures import decimals_for, number, with_uncertainty

NAMES: Final[Mapping[Quantity, str]] = {
    Quantity.CAMBER: "Camber",
    Quantity.CASTER: "Caster",
    Quantity.SAI: "Steering-axis inclination",
    Quantity.INCLUDED: "Included angle",
    Quantity.TOE: "Toe",
    Quantity.TOTAL_TOE: "Total toe",
    Quantity.THRUST: "Thrust angle",
    Quantity.FRONT_HEADING: "Front heading",
    Quantity.CROSS_CAMBER: "Cross-camber",
    Quantity.CROSS_CASTER: "Cross-caster",
    Quantity.CROSS_SAI: "Cross-inclination",
    Quantity.CROSS_INCLUDED: "Cross included angle",
    Quantity.TURN_OUT_LEFT: "Toe-out on turns, left",
    Quantity.TURN_OUT_RIGHT: "Toe-out on turns, right",
    Quantity.WHEELBASE_DIFFERENCE: "Wheelbase, left less right",
    Quantity.SETBACK: "Setback",
    Quantity.CAMBER_GAIN: "Camber gain",
    Quantity.BUMP_STEER: "Bump steer",
}
_OF_TWO_WHEELS: Final = (Quantity.TOTAL_TOE,)
_OF_ONE_WHEEL: Final = (Quantity.TOE,)
_DIFFERS: Final[Mapping[Difference, str]] = {
    Difference.DIFFERS: "changed by {}",
    Difference.SAME: "unchanged: {}",
    Difference.CANNOT_TELL: "no change that can be told: {}",
}


def name_of(quantity: Quantity) -> str:
    """Return a figure's name with a capital."""
    return NAMES.get(quantity, quantity.value.replace("_", " ").capitalize())


def toe_words(result: Result, car: Car) -> str:
    """Return toe in minutes, mm and inches over the rim's length; empty for another figure."""
    if result.quantity not in (*_OF_ONE_WHEEL, *_OF_TWO_WHEELS):
        return ""
    wheels = 2 if result.quantity in _OF_TWO_WHEELS else 1
    toe = in_all_units(result.value, car.rim_mm, wheels)
    u = in_all_units(result.expanded_uncertainty, car.rim_mm, wheels)
    places = decimals_for(u.mm)
    return (
        f"{number(toe.mm, places)} mm ({number(toe.inches, places + 1)} in) over "
        f"{car.rim_mm:g} mm; {number(toe.minutes, decimals_for(u.minutes))}'"
    )


def change_words(change: Result | None, verdict: Difference | None) -> str:
    """Return what may be said of a change, in words; empty without one."""
    if change is None or verdict is None:
        return ""
    figure = with_uncertainty(change.value, change.expanded_uncertainty)
    return _DIFFERS[verdict].format(figure if figure.startswith("-") else f"+{figure}")
