"""Numbers as people type them: decimal comma or point, unit written after the number.

What could be read in two ways is refused, and the refusal names the character. Every number
that a person types goes through here; logs and files have their own strict readers.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from knuckle.errors import UsageError

MM_PER_INCH: Final = 25.4
"""By definition, as the pound: international yard and pound agreement of 1959."""
KG_PER_LB: Final = 0.45359237
KPA_PER_BAR: Final = 100.0
KPA_PER_PSI: Final = KG_PER_LB * 9.80665 / 0.0254**2 / 1000.0
"""Pound-force (standard gravity 9.80665 m/s2, CGPM 1901) on a square inch."""

_UNITS: Final = {
    "": "",
    "deg": "deg",
    "°": "deg",
    "'": "min",
    "′": "min",
    "min": "min",
    "mm": "mm",
    "in": "in",
    '"': "in",
    "″": "in",
    "s": "s",
    "%": "%",
    "kPa": "kPa",
    "kpa": "kPa",
    "bar": "bar",
    "psi": "psi",
    "kg": "kg",
    "lb": "lb",
}
_UNIT_START: Final = set("dm°'′in\"″s%kbpl")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?\Z", re.IGNORECASE | re.ASCII)
_THOUSANDS: Final = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}\Z", re.ASCII)
_LOOKALIKES: Final = {"o": "zero", "O": "zero", "l": "one", "I": "one", "S": "five"}


@dataclass(frozen=True, slots=True)
class TypedNumber:
    """A number as typed.

    Attributes
    ----------
    value : float
        In `unit`.
    unit : str
        "deg", "min" (of arc), "mm", "in", "s", "%", "kPa", "bar", "psi", "kg", "lb", or ""
        where none was typed.
    """

    value: float
    unit: str


def _refusal(text: str, why: str, next_step: str) -> UsageError:
    return UsageError(f"{text!r} cannot be taken as a number: {why}.", "", next_step)


def _named(character: str) -> str:
    if character == " ":
        return "a space"
    if character in _LOOKALIKES:
        return f"the letter {character!r} (not the digit {_LOOKALIKES[character]})"
    return f"the character {character!r}"


def _split(text: str) -> tuple[str, str]:
    """Cut the unit off the end of the number."""
    for end in range(len(text), 0, -1):
        if (text[end - 1].isdigit() and text[end - 1].isascii()) or text[end - 1] in ".,":
            return text[:end], text[end:].strip()
    return "", text


def _check_characters(text: str, number: str) -> None:
    for place, character in enumerate(number):
        fine = character in "+-.,0123456789" or (
            character in "eE" and place > 0 and re.match(r"[+-]?\d+\Z", number[place + 1 :])
        )
        if not fine:
            raise _refusal(
                text,
                f"{_named(character)} stands at place {place + 1}",
                "Write digits with one decimal comma or point, then the unit if you like: "
                "1.5, 1,5, 1.5deg.",
            )


def read_number(text: str) -> TypedNumber:
    """Read one number with an optional unit.

    Parameters
    ----------
    text : str
        Such as ``-1.5``, ``1,5 deg``, ``20°``, ``12'`` (minutes of arc), ``3mm``, ``0.5in``.

    Raises
    ------
    UsageError
        If it is no number, or could be read in two ways.
    """
    tidy = text.strip().replace("−", "-")
    if not tidy:
        raise _refusal(text, "it is empty", "Write a number such as 1.5.")
    number, suffix = _split(tidy)
    if not number:
        raise _refusal(text, f"{_named(tidy[0])} stands at place 1", "Write a number such as 1.5.")
    _check_characters(text, number)
    if suffix not in _UNITS:
        first = next((c for c in suffix if c not in _UNIT_START), suffix[0])
        raise _refusal(
            text,
            f"{suffix!r} is no unit ({_named(first)})",
            "Units are deg or °, min or ', mm, in or \", s, %, kPa, bar, psi, kg and lb.",
        )
    marks = [character for character in number if character in ".,"]
    if len(marks) > 1:
        raise _refusal(
            text,
            f"{' and '.join(repr(mark) for mark in dict.fromkeys(marks))} stand in one number",
            "Write one decimal comma or point and no mark between thousands: 1234.5.",
        )
    if _THOUSANDS.match(number):
        plain = number.replace(",", "")
        raise _refusal(
            text,
            f"the character ',' may mean {number.replace(',', '.')} or {plain}",
            f"Write {number.replace(',', '.')} or {plain}.",
        )
    decimal = number.replace(",", ".")
    if not _NUMBER.match(decimal):
        raise _refusal(text, "the signs and digits do not make one", "Write a number such as 1.5.")
    value = float(decimal)
    if not math.isfinite(value):
        raise _refusal(text, "it is too large", "Check the exponent.")
    return TypedNumber(value, _UNITS[suffix])


def _in_unit(text: str, factors: dict[str, float], unit: str) -> float:
    typed = read_number(text)
    if typed.unit not in factors:
        raise UsageError(
            f"{text!r} is in {typed.unit!r}, where {unit} are needed.",
            "",
            f"Write it in {unit}, with or without the unit.",
        )
    return typed.value * factors[typed.unit]


_DEGREES_MINUTES: Final = re.compile(r"([+\-−]?)\s*(\d+)\s*(?:°|deg)\s*(.+)\Z", re.ASCII)


def angle_deg(text: str) -> float:
    """Read an angle: degrees, minutes of arc, or both (``1°30'``); returns degrees.

    Raises
    ------
    UsageError
        If it is no angle, or could be read in two ways.
    """
    both = _DEGREES_MINUTES.match(text.strip())
    if both:
        minutes = read_number(both[3])
        if minutes.unit != "min" or not 0 <= minutes.value < 60 or both[3].lstrip()[0] in "+-−":
            raise _refusal(
                text,
                f"{both[3]!r} after the degrees is not 0 to 60 minutes",
                "Write 1°30' or 1.5.",
            )
        size = float(both[2]) + minutes.value / 60.0
        return -size if both[1] in ("-", "−") else size
    typed = read_number(text)
    if typed.unit == "min":
        return typed.value / 60.0
    return _in_unit(text, {"": 1.0, "deg": 1.0}, "degrees")


def length_mm(text: str) -> float:
    """Read a length in millimetres or inches; returns millimetres."""
    return _in_unit(text, {"": 1.0, "mm": 1.0, "in": MM_PER_INCH}, "millimetres")


def pressure_kpa(text: str) -> float:
    """Read a pressure in kPa, bar or psi; returns kPa."""
    return _in_unit(
        text, {"": 1.0, "kPa": 1.0, "bar": KPA_PER_BAR, "psi": KPA_PER_PSI}, "kPa, bar or psi"
    )


def mass_kg(text: str) -> float:
    """Read a mass in kg or lb; returns kg."""
    return _in_unit(text, {"": 1.0, "kg": 1.0, "lb": KG_PER_LB}, "kilograms")


def duration_s(text: str) -> float:
    """Read a time in seconds."""
    return _in_unit(text, {"": 1.0, "s": 1.0}, "seconds")


def percentage(text: str) -> float:
    """Read a percentage; 3 and 3 % both give 3.0."""
    return _in_unit(text, {"": 1.0, "%": 1.0}, "per cent")


def plain_number(text: str) -> float:
    """Read a number that has no unit."""
    return _in_unit(text, {"": 1.0}, "plain numbers")


_SEPARATORS: Final = re.compile(r"\s*(?:;|/|±|\+-|\+/-|,\s+)\s*")


def one_or_two(text: str, read: Callable[[str], float]) -> tuple[float, float | None]:
    """Read one number, or two: a value and its uncertainty, or one for each side.

    Two are written ``0.1,0.05``, ``20/18``, ``0,1;0,05`` or ``0.1 ± 0.05``. A lone comma
    parts two numbers only where a point elsewhere shows that it is no decimal comma.

    Parameters
    ----------
    text : str
        As typed.
    read : callable
        Reads each number, e.g. `angle_deg`.

    Returns
    -------
    tuple of float and (float or None)

    Raises
    ------
    UsageError
        If a number is wrong, or ``0,5`` could be one number or two.
    """
    parts = _SEPARATORS.split(text.strip())
    if len(parts) == 1 and text.count(",") == 1:
        left, right = text.split(",")
        if "." in text:
            parts = [left, right]
        else:
            raise UsageError(
                f"{text!r} may be one number or two.",
                "The character ',' may be a decimal comma or stand between two numbers.",
                f"Write {left.strip()}/{right.strip()} for two numbers"
                + (f", {left.strip()}.{right.strip()} for one." if left[-1:].isdigit() else "."),
            )
    if len(parts) > 2:
        raise UsageError(
            f"{text!r} holds more than two numbers.", "", "Write one, or two parted by '/'."
        )
    first = read(parts[0])
    return first, (read(parts[1]) if len(parts) == 2 else None)
