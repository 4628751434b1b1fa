"""What one turn or one millimetre of an adjuster does, from its measures alone.

The size follows from lever and thread, the sign from which side the part lies on. Without the
side the sign is unknown, and it is not guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from knuckle.estimate.priors import Given
from knuckle.model.car import CamberShim, CasterAdjuster, ShimPlace, Side, Thread, ToeLink
from knuckle.model.result import Quantity

GEOMETRY_SHARE: Final = 0.1
"""Relative standard uncertainty of a sensitivity by measures: arm and lever are taken with a rule
on the car, and links do not stand quite square to them. Common practice, no source."""


class Kind(StrEnum):
    """What is adjusted."""

    TOE_LINK = "toe link"
    CAMBER_SHIM = "camber shim"
    CASTER = "caster adjuster"


TURNED: Final = {
    Kind.TOE_LINK: Quantity.TOE,
    Kind.CAMBER_SHIM: Quantity.CAMBER,
    Kind.CASTER: Quantity.CASTER,
}
"""The figure that each is there for."""


@dataclass(frozen=True, slots=True)
class Sensitivity:
    """How a figure answers to an adjuster.

    Attributes
    ----------
    per_unit : Given
        Degrees for one unit at small amounts; positive amounts make a toe link longer, add a
        shim, or move the caster adjuster's joint rearward.
    unit : str
        "turn" or "mm".
    sign_known : bool
        False where only the size of `per_unit` is meant.
    by : str
        "geometry", "measured" or "geometry and measured".
    """

    per_unit: Given
    unit: str
    sign_known: bool
    by: str

    def change_deg(self, amount: float) -> float:
        """Return the change of the figure by an amount: the sine of the turn grows evenly.

        Exact for a lever that is square to its link at the start, and a link that is long
        against the movement.
        """
        return math.degrees(math.asin(_within(math.radians(self.per_unit.value) * amount)))

    def amount_for(self, change_deg: float) -> float:
        """Return the amount for a change of the figure: the inverse of `change_deg`."""
        return math.sin(math.radians(change_deg)) / math.radians(self.per_unit.value)


def _within(sine: float) -> float:
    return min(max(sine, -1.0), 1.0)


def lengthened_mm(link: ToeLink, turns: float) -> float:
    """Return by how much so many turns make a toe link longer: one pitch each, two on a sleeve."""
    return turns * link.pitch_mm * (2.0 if link.thread is Thread.SLEEVE else 1.0)


def toe_by_length_deg(link: ToeLink, longer_mm: float) -> float:
    """Return the change of toe when a toe link is made longer.

    Behind the axle a longer link pushes the arm, and so the rear of the wheel, outboard: toe-in.
    Ahead of it the front: toe-out. Alike on left and right, front and rear. The joint's path is
    arm x sin(turn) along the link: change = asin(longer / arm).

    Raises
    ------
    ValueError
        If the side is not known, or the arm is shorter than the change of length.
    """
    if link.side is None:
        raise ValueError("without the side of the link its sign is not known")
    if abs(longer_mm) > link.arm_mm:
        raise ValueError("the arm is shorter than the change of length")
    change = math.degrees(math.asin(longer_mm / link.arm_mm))
    return change if link.side is Side.BEHIND else -change


def tipped_deg(lean_deg: float, moved_mm: float, height_mm: float) -> float:
    """Return by how much a line between two joints tips when one is moved level and the other not.

    Parameters
    ----------
    lean_deg : float
        Of the line from upright, positive against the movement of its upper end.
    moved_mm : float
        Of the upper joint, level (of the lower one, with the opposite sign).
    height_mm : float
        Between the joints, before.

    Returns
    -------
    float
        By how much the lean grows smaller.

    Raises
    ------
    ValueError
        If the joints cannot be moved so far.

    Notes
    -----
    Their distance height / cos(lean) is the knuckle's and stays: sin(lean') = sin(lean) - moved
    cos(lean) / height. Plain trigonometry. To first order moved / height.
    """
    lean = math.radians(lean_deg)
    sine = math.sin(lean) - moved_mm * math.cos(lean) / height_mm
    if not height_mm > 0.0 or abs(sine) > 1.0:
        raise ValueError("the joints are closer than the movement")
    return lean_deg - math.degrees(math.asin(sine))


def camber_by_shim_deg(shim: CamberShim, added_mm: float, inclination_deg: float = 0.0) -> float:
    """Return the change of camber when a shim is added; inclination changes by the opposite.

    At the upper arm a shim pushes the top of the wheel outboard (camber grows), at the lower arm
    the bottom (camber falls); alike on both sides of the car.

    Raises
    ------
    ValueError
        If the place is not known, or the lever is shorter than the shim.
    """
    if shim.place is None:
        raise ValueError("without the place of the shim its sign is not known")
    moved = added_mm if shim.place is ShimPlace.UPPER else -added_mm
    return tipped_deg(inclination_deg, moved, shim.lever_mm)


def caster_by_joint_deg(
    adjuster: CasterAdjuster, rearward_mm: float, caster_deg: float = 0.0
) -> float:
    """Return the change of caster when the adjuster's joint is moved rearward.

    The upper joint rearward leans the axis rearward (caster grows), the lower one takes from it.

    Raises
    ------
    ValueError
        If it is not known which joint moves, or the lever is shorter than the movement.
    """
    if adjuster.upper is None:
        raise ValueError("without knowing which joint moves, its sign is not known")
    moved = rearward_mm if adjuster.upper else -rearward_mm
    return -tipped_deg(caster_deg, -moved, adjuster.lever_mm)


def toe_by_tilt_deg(link: ToeLink, camber_change_deg: float, above_mm: float) -> float:
    """Return how toe changes when the knuckle is tilted and the toe link keeps its length.

    Parameters
    ----------
    link : ToeLink
        With its side.
    camber_change_deg : float
    above_mm : float
        The link's outer joint above the joint about which the knuckle tilts (the lower one
        for a shim at the upper arm).

    Raises
    ------
    ValueError
        If the side is not known.

    Notes
    -----
    Tilting carries the link's joint outboard by above x sin(change); the link holds it back, so
    it is as if the link had been made shorter by as much. To first order.
    """
    shorter = above_mm * math.sin(math.radians(camber_change_deg))
    return toe_by_length_deg(link, -shorter)


def by_geometry(
    adjuster: ToeLink | CamberShim | CasterAdjuster, share: float = GEOMETRY_SHARE
) -> Sensitivity:
    """Return the sensitivity of an adjuster by its measures.

    Parameters
    ----------
    adjuster : ToeLink, CamberShim or CasterAdjuster
        Per turn of a toe link; per mm of a camber shim; per turn (or mm of shim, pitch 1) of a
        caster adjuster.
    share : float
        Relative standard uncertainty.

    Raises
    ------
    ValueError
        If a measure is not positive.
    """
    if isinstance(adjuster, ToeLink):
        moved, lever, unit = lengthened_mm(adjuster, 1.0), adjuster.arm_mm, "turn"
        known = None if adjuster.side is None else adjuster.side is Side.BEHIND
    elif isinstance(adjuster, CamberShim):
        moved, lever, unit = 1.0, adjuster.lever_mm, "mm"
        known = None if adjuster.place is None else adjuster.place is ShimPlace.UPPER
    else:
        moved, lever, unit = adjuster.pitch_mm, adjuster.lever_mm, "turn"
        known = adjuster.upper
    if not (moved > 0.0 and lever > 0.0):
        raise ValueError("pitch, arm and lever must be above zero")
    size = math.degrees(moved / lever)
    sign = -1.0 if known is False else 1.0
    return Sensitivity(Given(sign * size, share * size), unit, known is not None, "geometry")
