"""The columns of the text format: names, units, and what is wrong with a header."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

TIME_S: Final = "t_s"
TIME_MS: Final = "t_ms"
ACCEL: Final = ("ax_g", "ay_g", "az_g")
GYRO: Final = ("gx_dps", "gy_dps", "gz_dps")
TEMPERATURE: Final = "temp_c"

_KNOWN = frozenset((TIME_S, TIME_MS, *ACCEL, *GYRO, TEMPERATURE))
_LINEAR = re.compile(r"linear([2-9]|[1-9][0-9])?_mm")
_STEMS = (
    (re.compile(r"t(_.*)?", re.IGNORECASE), f"{TIME_S} (seconds) or {TIME_MS} (milliseconds)"),
    (re.compile(r"a[xyz](_.*)?", re.IGNORECASE), "{axis}_g (accelerometer in g)"),
    (re.compile(r"g[xyz](_.*)?", re.IGNORECASE), "{axis}_dps (gyro in degrees per second)"),
    (re.compile(r"temp(_.*)?", re.IGNORECASE), f"{TEMPERATURE} (degrees Celsius)"),
    (re.compile(r"linear[0-9]*(_.*)?", re.IGNORECASE), "linear_mm, linear2_mm ... (millimetres)"),
)
_MEANT: Final = 3
_OTHER_UNITS: Final = (
    (9.3, 10.3, "m/s2"),
    (930.0, 1070.0, "thousandths of a g"),
    (2000.0, float("inf"), "counts of a converter"),
)
_FACT = re.compile(r"#\s*([A-Za-z][A-Za-z0-9_]*)\s*=\s*(.*)")


class HeaderFault(ValueError):
    """A header line that cannot be used.

    Attributes
    ----------
    column : int
        Counted from 1; 0 if it is the line as a whole.
    what, next_step : str
        For people.
    """

    def __init__(self, column: int, what: str, next_step: str) -> None:
        super().__init__(what)
        self.column = column
        self.what = what
        self.next_step = next_step


@dataclass(frozen=True, slots=True)
class Header:
    """A header line that can be used.

    Attributes
    ----------
    fields : int
        Columns in the line, known or not.
    names : tuple of str
        The known ones, in the line's order.
    places : tuple of int
        Where each of `names` stands in the line, from 0.
    ignored : tuple of str
        The unknown ones.
    """

    fields: int
    names: tuple[str, ...]
    places: tuple[int, ...]
    ignored: tuple[str, ...]


def parse_fact(line: str) -> tuple[str, str] | None:
    """Return key and value of a ``# key=value`` line, None for any other comment."""
    found = _FACT.fullmatch(line.strip())
    return (found[1], found[2].strip()) if found else None


def may_be_empty(name: str) -> bool:
    """Return whether a cell of the column may be empty: there was no reading."""
    return name == TEMPERATURE or _LINEAR.fullmatch(name) is not None


def linear_names(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the linear columns among `names`, by number."""
    return tuple(sorted(filter(_LINEAR.fullmatch, names), key=lambda name: int(name[6:-3] or 1)))


def other_unit(typical: float) -> str | None:
    """Return the unit that accelerations of this typical length betray; None if it may be g."""
    for low, high, unit in _OTHER_UNITS:
        if low <= typical <= high:
            return unit
    return None


def is_meant_as_header(line: str) -> bool:
    """Return whether three cells or more look like names of columns, whatever parts them."""
    cells = [cell.strip().strip('"') for cell in re.split(r"[,;\t]", line)]
    names = sum(cell in _KNOWN or _expected(cell) is not None for cell in cells)
    return names >= _MEANT


def _check_separator(line: str) -> None:
    for separator, spoken in ((";", "semicolons"), ("\t", "tabs")):
        if separator in line and "," not in line:
            raise HeaderFault(
                0,
                f"the columns are separated by {spoken}",
                "Export with commas between columns and a point as decimal sign.",
            )


def _expected(name: str) -> str | None:
    for pattern, expected in _STEMS:
        if pattern.fullmatch(name):
            return expected.format(axis=name[:2].lower())
    return None


def _check_present(names: tuple[str, ...]) -> None:
    if TIME_S not in names and TIME_MS not in names:
        raise HeaderFault(0, "there is no time column", f"Add {TIME_S} or {TIME_MS}.")
    if TIME_S in names and TIME_MS in names:
        raise HeaderFault(0, f"there are both {TIME_S} and {TIME_MS}", "Keep one of them.")
    for axes, required in ((ACCEL, not linear_names(names)), (GYRO, False)):
        missing = [axis for axis in axes if axis not in names]
        if missing and (required or len(missing) < len(axes)):
            raise HeaderFault(
                0,
                f"{', '.join(missing)} missing",
                f"The columns {', '.join(axes)} belong together.",
            )


def parse_header(line: str) -> Header:
    """Read a header line.

    Raises
    ------
    HeaderFault
        If a column has another unit than the format's, appears twice, or is missing.
    """
    _check_separator(line)
    fields = [field.strip().strip('"') for field in line.strip().split(",")]
    places: dict[str, int] = {}
    ignored: list[str] = []
    for place, name in enumerate(fields):
        if name in _KNOWN or _LINEAR.fullmatch(name):
            if name in places:
                raise HeaderFault(place + 1, f"{name} appears twice", "Remove one of them.")
            places[name] = place
            continue
        expected = _expected(name)
        if expected is not None:
            raise HeaderFault(
                place + 1,
                f"{name!r} is not in a unit this program reads",
                f"Expected {expected}: convert the values and name the column so.",
            )
        ignored.append(name)
    names = tuple(places)
    _check_present(names)
    return Header(len(fields), names, tuple(places.values()), tuple(ignored))
