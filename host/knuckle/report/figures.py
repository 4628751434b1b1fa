"""How a value and its uncertainty are written: to the digits that the uncertainty supports."""

from __future__ import annotations

import math

from knuckle.model.result import Quantity

SHORT_NAMES: dict[Quantity, str] = {
    Quantity.CAMBER: "camber",
    Quantity.CASTER: "caster",
    Quantity.SAI: "SAI",
    Quantity.TOE: "toe",
    Quantity.TOTAL_TOE: "total toe",
    Quantity.THRUST: "thrust angle",
    Quantity.FRONT_HEADING: "front heading",
    Quantity.CROSS_CAMBER: "cross-camber",
    Quantity.CROSS_CASTER: "cross-caster",
    Quantity.CROSS_SAI: "cross-SAI",
    Quantity.INCLUDED: "included angle",
    Quantity.CROSS_INCLUDED: "cross-included angle",
    Quantity.TURN_OUT_LEFT: "toe-out, left turn",
    Quantity.TURN_OUT_RIGHT: "toe-out, right turn",
    Quantity.WHEELBASE_DIFFERENCE: "wheelbase difference",
    Quantity.SETBACK: "setback",
    Quantity.CAMBER_GAIN: "camber gain",
    Quantity.BUMP_STEER: "bump steer",
    Quantity.MOUNT_TILT: "mount tilt",
    Quantity.MOUNT_YAW: "mount yaw",
    Quantity.SEAT_TILT: "mount alone, tilt",
    Quantity.SEAT_YAW: "mount alone, yaw",
    Quantity.RUNOUT: "runout",
    Quantity.CAMBER_ZERO: "camber zero",
    Quantity.ZERO_X: "zero X",
    Quantity.ZERO_Y: "zero Y",
    Quantity.ZERO_Z: "zero Z",
    Quantity.SLOPE_X: "slope X",
    Quantity.SLOPE_Y: "slope Y",
    Quantity.SLOPE_Z: "slope Z",
}


def decimals_for(expanded_uncertainty: float) -> int:
    """Return the decimals that show an uncertainty to two significant digits, 0 to 6.

    Two digits suffice for an uncertainty, and the value is rounded to its last place: GUM
    (JCGM 100:2008) 7.2.6.
    """
    if not math.isfinite(expanded_uncertainty) or expanded_uncertainty <= 0.0:
        return 3
    exponent = math.floor(math.log10(expanded_uncertainty))
    # 0.0996 becomes 0.10, which has a place less than its exponent says.
    if round(expanded_uncertainty / 10.0**exponent, 1) >= 10.0:
        exponent += 1
    return min(max(1 - exponent, 0), 6)


def number(value: float, decimals: int) -> str:
    """Return a number with fixed decimals; never "-0.00", and "?" for what is no number."""
    if not math.isfinite(value):
        return "?"
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text


def with_uncertainty(
    value: float, expanded_uncertainty: float, plus_minus: str = "±", decimals: int | None = None
) -> str:
    """Return e.g. "5.12 ± 0.31".

    Parameters
    ----------
    plus_minus : str
        As the output can show it.
    decimals : int, optional
        As many as the uncertainty supports if absent. An uncertainty too small for fixed
        decimals is shown as their last place, never as zero.
    """
    if decimals is None:
        decimals = decimals_for(expanded_uncertainty)
    elif expanded_uncertainty > 0.0:
        expanded_uncertainty = max(expanded_uncertainty, 10.0**-decimals)
    return f"{number(value, decimals)} {plus_minus} {number(expanded_uncertainty, decimals)}"
