"""Units that a car file may be written in: each key carries its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

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
_ITEMS: Final = {
    "pressures": ("pressure_", PRESSURE),
    "ride_heights": ("ride_height_", LENGTH),
    "ballast": ("ballast_", MASS),
}
_SPELLED: Final = {"kpa": "kPa"}


def unit_said(document: Mapping[str, Any], item: str) -> tuple[str, float]:
    """Return the unit in which a car file gives an item of the checklist.

    Parameters
    ----------
    document : dict
        Tables of the car file, as written.
    item : str
        "pressures", "ride_heights" or "ballast".

    Returns
    -------
    tuple of (str, float)
        Its name, and what one of it is in kPa, mm or kg. The program's own where the file gives
        none, or several; ("", 1.0) for an item without a unit.
    """
    if item not in _ITEMS:
        return "", 1.0
    begin, dimension = _ITEMS[item]
    tables = [document, *(value for value in document.values() if isinstance(value, Mapping))]
    said = {key[len(begin) :] for table in tables for key in table if key.startswith(begin)}
    known = said & set(dimension.units)
    unit = known.pop() if len(said) == len(known) == 1 else dimension.first
    return _SPELLED.get(unit, unit), dimension.units[unit]
