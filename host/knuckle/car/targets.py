"""Targets of a car file: what is aimed at, and the band that is good enough."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from knuckle.car.keys import IN_LENGTH_TOO, LARGEST_TARGET_DEG
from knuckle.car.problems import Problems
from knuckle.car.units import ANGLE, LENGTH, TOE_UNITS
from knuckle.model.car import Target

_FORMS: Final = "Write { aim = -1.5, within = 0.25 }, or { low = -1.75, high = -1.25 }."
_MEMBERS: Final = ("aim", "within", "low", "high")


def degrees_over(length_mm: float, rim_mm: float, *, both: bool) -> float:
    """Return the toe that a length over the rim is; deg.

    Rim front to rear differ by ``rim sin(toe)`` on one wheel; total toe as a length is that of
    both wheels, half each.

    Raises
    ------
    ValueError
        If it is more than the rim.
    """
    share = 2.0 if both else 1.0
    return math.degrees(math.asin(length_mm / share / rim_mm)) * share


def read_targets(
    table: str,
    content: Any,
    known: Mapping[str, str],
    rim_mm: float | None,
    problems: Problems,
) -> dict[str, Target]:
    """Return the targets of one table, by their names in the file; in deg.

    Parameters
    ----------
    table : str
    content : object
        The table.
    known : mapping
        Names that may stand here.
    rim_mm : float or None
        None if it could not be read; toe in lengths is then left out.
    problems : Problems
    """
    if not isinstance(content, Mapping):
        problems.add(table, "", "It is a table.", f"Write [{table}] and its keys below.")
        return {}
    found: dict[str, Target] = {}
    spellings = {f"{name}_{unit}": (name, unit) for name in known for unit in _units(name)}
    for spelled, value in content.items():
        if spelled not in spellings:
            _unknown(table, spelled, known, list(spellings), problems)
            continue
        name, unit = spellings[spelled]
        if name in found:
            problems.add(table, spelled, f"{name} is given twice.", "Leave one of them out.")
            continue
        band = _band(table, spelled, value, problems)
        if band is None:
            continue
        target = _in_deg(band, name, unit, rim_mm)
        if target is None:
            problems.add(
                table,
                spelled,
                f"That is more than {LARGEST_TARGET_DEG:g} deg.",
                "Check the unit and the decimal point.",
            )
        elif target.low < target.high:  # else the rim is not known, which is told already
            found[name] = target
    return found


def _units(name: str) -> tuple[str, ...]:
    return TOE_UNITS if name in IN_LENGTH_TOO else tuple(ANGLE.units)


def _unknown(
    table: str, spelled: str, known: Mapping[str, str], spellings: list[str], problems: Problems
) -> None:
    for name in sorted(known, key=len, reverse=True):
        units = " or ".join(f"{name}_{unit}" for unit in _units(name))
        if spelled == name:
            problems.add(table, spelled, "Its unit is missing.", f"Write {units}.")
            return
        if spelled.startswith(name + "_"):
            unit = spelled.removeprefix(name + "_")
            problems.add(table, spelled, f"{unit!r} is no unit of {name}.", f"Write {units}.")
            return
    problems.unknown(table, spelled, spellings)


def _band(
    table: str, spelled: str, value: Any, problems: Problems
) -> tuple[float, float, float] | None:
    """Return what is aimed at and the band's ends, as written."""
    if not isinstance(value, Mapping):
        problems.add(table, spelled, "A target needs its tolerance.", _FORMS)
        return None
    for member, number in value.items():
        if member not in _MEMBERS:
            problems.unknown(f"{table}.{spelled}", member, _MEMBERS)
            return None
        if (
            isinstance(number, bool)
            or not isinstance(number, int | float)
            or not math.isfinite(number)
        ):
            problems.add(
                table, spelled, f"{member} = {number!r} is no number.", "Write it without quotes."
            )
            return None
    members = set(value)
    if members == {"aim", "within"}:
        aim, within = float(value["aim"]), float(value["within"])
        if within <= 0.0:
            problems.add(
                table, spelled, f"within = {within:g} must be above 0.", "No reading is exact."
            )
            return None
        return aim, aim - within, aim + within
    if members not in ({"low", "high"}, {"aim", "low", "high"}):
        problems.add(table, spelled, "A target needs what is aimed at and its tolerance.", _FORMS)
        return None
    low, high = float(value["low"]), float(value["high"])
    if low >= high:
        problems.add(
            table,
            spelled,
            f"The band is upside down: low = {low:g} is not below high = {high:g}.",
            "Mind the signs: -1.75 is below -1.25.",
        )
        return None
    aim = float(value.get("aim", (low + high) / 2.0))
    if not low <= aim <= high:
        problems.add(
            table, spelled, f"aim = {aim:g} lies outside of {low:g} to {high:g}.", "Correct one."
        )
        return None
    return aim, low, high


def _in_deg(
    band: tuple[float, float, float], name: str, unit: str, rim_mm: float | None
) -> Target | None:
    """Return the target in deg; None if it cannot be one, and an empty band without a rim."""
    if unit in ANGLE.units:
        numbers = [value * ANGLE.units[unit] for value in band]
    elif rim_mm is None:
        return Target(0.0, 0.0, 0.0)
    else:
        try:
            numbers = [
                degrees_over(value * LENGTH.units[unit], rim_mm, both=name == "total_toe")
                for value in band
            ]
        except ValueError:
            return None
    if max(abs(number) for number in numbers) > LARGEST_TARGET_DEG:
        return None
    return Target(*numbers)
