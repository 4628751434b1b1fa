"""Units that a car file may be written in: each key carries its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from knuckle.quantities import KG_PER_LB, KPA_PER_BAR, KPA_PER_PSI, MM_PER_INCH


@dataclass(frozen=True, slots=True)
class Dimension:
    """What a number measures.

    Attributes
    ----------
    units : dict of str to float
        By the ending of the key: what one of it is in the first unit.
    words : str
        For people.
    """

    units: dict[str, float]
    words: str

    @property
    def first(self) -> str:
        """The unit in which the program computes."""
        return next(iter(self.units))


LENGTH: Final = Dimension({"mm": 1.0, "in": MM_PER_INCH}, "a length")
ANGLE: Final = Dimension({"deg": 1.0, "min": 1.0 / 60.0}, "an angle")
PRESSURE: Final = Dimension({"kpa": 1.0, "bar": KPA_PER_BAR, "psi": KPA_PER_PSI}, "a pressure")
MASS: Final = Dimension({"kg": 1.0, "lb": KG_PER_LB}, "a mass")
TOE_UNITS: Final = (*ANGLE.units, *LENGTH.units)
"""Toe may be aimed at as an angle, or as a length over the rim."""
