"""A car as its owner describes it: measures, what can be adjusted, what is aimed at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from knuckle.model.wheel import Wheel


class Side(StrEnum):
    """On which side of the axle a steering arm and its rack or link lie."""

    AHEAD = "ahead"
    BEHIND = "behind"


class Thread(StrEnum):
    """How a toe link is made longer."""

    SINGLE = "single"
    """One thread: a turn changes the length by one pitch."""
    SLEEVE = "sleeve"
    """A left-hand and a right-hand thread: a turn changes the length by both pitches."""


class ShimPlace(StrEnum):
    """Where a camber shim goes; it settles which way camber changes."""

    UPPER = "upper"
    """Between body and the upper arm's inner end: pushes the top of the wheel outboard."""
    LOWER = "lower"
    """Between body and the lower arm's inner end: pushes the bottom of the wheel outboard."""


@dataclass(frozen=True, slots=True)
class Target:
    """What a figure should be.

    Attributes
    ----------
    value : float
        Aimed at; deg.
    low, high : float
        Ends of the band in which it is good enough; deg.
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ToeLink:
    """A tie rod, or a rear toe link.

    Attributes
    ----------
    pitch_mm : float
        Of the thread (of each thread of a sleeve, if they are alike).
    thread : Thread
    arm_mm : float
        From the steering axis to the outer joint, seen from above, square to the link.
    side : Side or None
        Where arm and rack lie; without it no sign of an advice is known.
    height_mm : float or None
        Of the outer joint above the steering axis' lower joint; with it, it is known how camber
        shims move toe.
    """

    pitch_mm: float
    thread: Thread
    arm_mm: float
    side: Side | None = None
    height_mm: float | None = None


@dataclass(frozen=True, slots=True)
class CamberShim:
    """Shims that change camber.

    Attributes
    ----------
    lever_mm : float
        Height between the two joints (or bolts) about which the shim tips the wheel.
    place : ShimPlace or None
        Without it no sign of an advice is known.
    sizes_mm : tuple of float
        Thicknesses at hand; empty if unknown.
    """

    lever_mm: float
    place: ShimPlace | None = None
    sizes_mm: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class CasterAdjuster:
    """What moves the steering axis fore and aft.

    Attributes
    ----------
    pitch_mm : float
        Travel of the joint for one turn (or for one mm of shim: 1).
    lever_mm : float
        Height between the steering axis' two joints.
    upper : bool or None
        Whether the upper joint is moved; without it no sign is known.
    """

    pitch_mm: float
    lever_mm: float
    upper: bool | None = None


@dataclass(frozen=True, slots=True)
class Corner:
    """What is at one wheel; None or empty where it is not known.

    Attributes
    ----------
    toe_link, camber_shim, caster : adjusters
    targets : dict of str to Target
        By quantity ("camber", "caster", "steering_axis_inclination", "toe").
    pressure_kpa, ballast_kg, ride_height_mm : float or None
    """

    toe_link: ToeLink | None = None
    camber_shim: CamberShim | None = None
    caster: CasterAdjuster | None = None
    targets: Mapping[str, Target] = field(default_factory=dict)
    pressure_kpa: float | None = None
    ballast_kg: float | None = None
    ride_height_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Car:
    """A car.

    Attributes
    ----------
    name : str
    wheelbase_mm, track_front_mm, track_rear_mm : float
        Track is between the middles of the tyres' contact.
    rim_mm : float
        Between the two touches of a measurement of toe.
    corners : dict of Wheel to Corner
        All four.
    axle_targets : dict of (str, str) to Target
        By axle ("front", "rear") and quantity ("total_toe", "cross_camber", "cross_caster",
        "thrust").
    extra_ballast_kg : float or None
        The driver's weight and what else lies in the car.
    fuel : str
        In words.
    """

    name: str
    wheelbase_mm: float
    track_front_mm: float
    track_rear_mm: float
    rim_mm: float
    corners: Mapping[Wheel, Corner]
    axle_targets: Mapping[tuple[str, str], Target] = field(default_factory=dict)
    extra_ballast_kg: float | None = None
    fuel: str = ""
