"""What an adjuster does beside its own figure, as far as the car's measures tell."""

from __future__ import annotations

import math
from typing import Final

from knuckle.alignment.adjusters import GEOMETRY_SHARE, Kind, by_geometry, toe_by_tilt_deg
from knuckle.estimate.priors import Given
from knuckle.model.car import CamberShim, CasterAdjuster, ShimPlace, ToeLink
from knuckle.model.result import Quantity

MOVES: Final = {
    Kind.TOE_LINK: frozenset({Quantity.TOE}),
    Kind.CAMBER_SHIM: frozenset({Quantity.CAMBER, Quantity.SAI, Quantity.TOE}),
    Kind.CASTER: frozenset({Quantity.CASTER, Quantity.CAMBER, Quantity.SAI, Quantity.TOE}),
}
"""What has to be read again. A toe link also steers the wheel about its axis, which moves camber by
caster x sin(change): 0.05 deg for half a degree at caster 6, and nothing once the steering wheel
is straight again."""
HEIGHT_U_MM: Final = 5.0
"""Of a joint's height by a rule; common practice, no source."""


def effects_by_geometry(
    adjuster: ToeLink | CamberShim | CasterAdjuster | None, link: ToeLink | None
) -> dict[Quantity, Given]:
    """Return what one unit of an adjuster does to other figures, deg; only what is known.

    Parameters
    ----------
    adjuster : ToeLink, CamberShim, CasterAdjuster or None
    link : ToeLink or None
        The toe link of the same wheel.

    Notes
    -----
    A camber shim takes from inclination what it gives to camber: the included angle is the
    knuckle's. It moves toe as `adjusters.toe_by_tilt_deg` says, if the height of the link's outer
    joint and the link's side are known; the knuckle tilts about the lower joint for a shim at the
    upper arm, about the upper one, a lever higher, for one at the lower arm. What a caster
    adjuster does to camber and toe hangs on the arcs of the arms, which no measure here tells.
    """
    if not isinstance(adjuster, CamberShim) or adjuster.place is None:
        return {}
    camber = by_geometry(adjuster).per_unit
    found = {Quantity.SAI: Given(-camber.value, camber.standard_uncertainty)}
    if link is None or link.side is None or link.height_mm is None:
        return found
    above = link.height_mm
    if adjuster.place is ShimPlace.LOWER:
        above -= adjuster.lever_mm
    toe = toe_by_tilt_deg(link, camber.value, above)
    by_height = math.degrees(abs(math.radians(camber.value)) * HEIGHT_U_MM / link.arm_mm)
    # Two levers, each good to the usual share.
    by_levers = abs(toe) * GEOMETRY_SHARE * math.sqrt(2.0)
    found[Quantity.TOE] = Given(toe, math.hypot(by_levers, by_height))
    return found
