"""The keys of a car file: one row each, from which it is checked, written and documented."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from knuckle.car.units import LENGTH, MASS, PRESSURE, Dimension
from knuckle.model.car import ShimPlace, Side, Thread
from knuckle.model.result import Quantity

FORMAT: Final = "knuckle_car"
VERSION: Final = 1


@dataclass(frozen=True, slots=True)
class Number:
    """A key that holds a number; it is written with its unit: `wheelbase_mm`.

    Attributes
    ----------
    name : str
        Without unit.
    dimension : Dimension
    low, high : float
        What it lies within, in the dimension's first unit: more would be a slip of unit or
        decimal mark (common practice, no source).
    needed : bool
    many : bool
        A list of numbers.
    """

    name: str
    dimension: Dimension
    low: float
    high: float
    needed: bool = False
    many: bool = False


@dataclass(frozen=True, slots=True)
class Word:
    """A key that holds a text; one of `choices`, if there are any."""

    name: str
    choices: tuple[str, ...] = ()
    needed: bool = False


Key = Number | Word

CAR: Final[tuple[Key, ...]] = (
    Word("name", needed=True),
    Number("wheelbase", LENGTH, 500.0, 10_000.0, needed=True),
    Number("track_front", LENGTH, 300.0, 3500.0, needed=True),
    Number("track_rear", LENGTH, 300.0, 3500.0, needed=True),
    Number("rim", LENGTH, 80.0, 2500.0, needed=True),
    Number("ballast", MASS, 0.0, 2000.0),
    Word("fuel"),
)
CORNER: Final[tuple[Key, ...]] = (
    Number("pressure", PRESSURE, 20.0, 1200.0),
    Number("ride_height", LENGTH, 5.0, 2000.0),
    Number("ballast", MASS, 0.0, 2000.0),
)
TOE_LINK: Final[tuple[Key, ...]] = (
    Number("pitch", LENGTH, 0.2, 10.0, needed=True),
    Word("thread", tuple(Thread), needed=True),
    Number("arm", LENGTH, 20.0, 1000.0, needed=True),
    Word("side", tuple(Side)),
    Number("joint_height", LENGTH, -600.0, 600.0),
)
CAMBER_SHIM: Final[tuple[Key, ...]] = (
    Number("lever", LENGTH, 20.0, 1500.0, needed=True),
    Word("place", tuple(ShimPlace)),
    Number("sizes", LENGTH, 0.05, 50.0, many=True),
)
CASTER: Final[tuple[Key, ...]] = (
    Number("pitch", LENGTH, 0.1, 20.0, needed=True),
    Number("lever", LENGTH, 20.0, 1500.0, needed=True),
    Word("joint", ("upper", "lower")),
)
ADJUSTERS: Final = {"toe_link": TOE_LINK, "camber_shim": CAMBER_SHIM, "caster": CASTER}

CORNER_TARGETS: Final = {
    "camber": Quantity.CAMBER.value,
    "caster": Quantity.CASTER.value,
    "sai": Quantity.SAI.value,
    "toe": Quantity.TOE.value,
}
"""Name in the file -> quantity."""
AXLE_TARGETS: Final = {
    "total_toe": Quantity.TOTAL_TOE.value,
    "cross_camber": Quantity.CROSS_CAMBER.value,
    "cross_caster": Quantity.CROSS_CASTER.value,
    "cross_sai": Quantity.CROSS_SAI.value,
    "thrust": Quantity.THRUST.value,
}
IN_LENGTH_TOO: Final = ("toe", "total_toe")
LARGEST_TARGET_DEG: Final = 30.0

AXLES: Final = ("front", "rear")
WHEELS: Final = ("LF", "RF", "LR", "RR")
TARGETS: Final = "targets"
