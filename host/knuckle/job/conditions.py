"""Under which conditions a car was read, and where two readings differ in them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Final

from knuckle.job.phases import Kind
from knuckle.model.car import Car
from knuckle.store.rows import JobEntryRow

MATTERS: Final[Mapping[str, tuple[float, str]]] = {
    "pressures": (5.0, "kPa"),
    "ride_heights": (2.0, "mm"),
    "ballast": (5.0, "kg"),
}
"""Differences from which on figures are not of like with like; common practice, no source."""
NAMES: Final = {
    "pressures": "tyre pressure",
    "ride_heights": "ride height",
    "ballast": "ballast",
    "fuel": "fuel",
}


@dataclass(frozen=True, slots=True)
class Conditions:
    """What was noted of a car's state.

    Attributes
    ----------
    values : dict of str to dict of str to float
        By item of the checklist, then by wheel or "kg": kPa, mm, kg.
    fuel : str
        As written down; empty if nothing was.
    """

    values: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    fuel: str = ""


def conditions_at(entries: Iterable[JobEntryRow], car: Car, sequence: int) -> Conditions:
    """Return what held when an entry was made.

    Parameters
    ----------
    entries : iterable of JobEntryRow
        All of the job.
    car : Car
        For what the checklist confirmed without a figure.
    sequence : int
        Of the reading; what was answered later does not count.
    """
    values: dict[str, Mapping[str, float]] = {}
    fuel = ""
    for entry in entries:
        if entry.sequence > sequence or entry.kind != Kind.ANSWER:
            continue
        item, record = str(entry.record.get("item")), entry.record
        if not record.get("done"):
            values.pop(item, None)
            fuel = "" if item == "fuel" else fuel
        elif item == "fuel":
            fuel = str(record.get("text", "")).strip() or car.fuel
        elif item in MATTERS and record.get("values"):
            values[item] = {str(key): float(value) for key, value in record["values"].items()}
    return Conditions(values, fuel)


def differences(earlier: Conditions, later: Conditions) -> Iterator[str]:
    """Yield in words what makes two readings not of like with like.

    What was noted one time alone is told too: nobody knows then.
    """
    for item, (least, unit) in MATTERS.items():
        one, other = earlier.values.get(item), later.values.get(item)
        if one is None and other is None:
            continue
        if one is None or other is None:
            when = "before" if other is None else "after"
            yield f"{NAMES[item]} was noted only for the {_which(when)} reading"
            continue
        for key in dict.fromkeys((*one, *other)):
            if key in one and key in other and abs(one[key] - other[key]) >= least:
                where = "" if key == "kg" else f" {key}"
                yield f"{NAMES[item]}{where} {one[key]:.4g} against {other[key]:.4g} {unit}"
    if earlier.fuel and later.fuel and earlier.fuel.casefold() != later.fuel.casefold():
        yield f"fuel {earlier.fuel!r} against {later.fuel!r}"


def _which(when: str) -> str:
    return "first" if when == "before" else "second"
