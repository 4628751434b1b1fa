"""From the tables of a car file to a `Car`, every wrong thing named."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from knuckle.car.keys import (
    ADJUSTERS,
    AXLE_TARGETS,
    AXLES,
    CAR,
    CORNER,
    CORNER_TARGETS,
    FORMAT,
    TARGETS,
    VERSION,
    WHEELS,
    Key,
    Number,
    Word,
)
from knuckle.car.problems import Problem, Problems
from knuckle.car.targets import read_targets
from knuckle.model.car import (
    CamberShim,
    Car,
    CasterAdjuster,
    Corner,
    ShimPlace,
    Side,
    Target,
    Thread,
    ToeLink,
)
from knuckle.model.wheel import Wheel

Table = Mapping[str, Any]


def car_of(document: Table) -> tuple[Car | None, list[Problem]]:
    """Return the car that the tables of a file describe, and what is wrong with them.

    Returns
    -------
    tuple of (Car or None) and list of Problem
        None where there are problems.
    """
    problems = Problems()
    _check_version(document, problems)
    tables = (*AXLES, *WHEELS)
    top = {key: value for key, value in document.items() if key not in (FORMAT, *tables)}
    car = read_keys("", top, CAR, problems, also=(FORMAT, *tables))
    rim_mm = car.get("rim")
    merged: dict[str, dict[str, Any]] = {wheel: {} for wheel in WHEELS}
    axle_targets: dict[tuple[str, str], Target] = {}
    for axle in AXLES:
        own, targets = _part(axle, document.get(axle, {}), rim_mm, problems)
        for wheel in (name for name in WHEELS if Wheel(name).is_front == (axle == "front")):
            _overlay(merged[wheel], own)
        axle_targets.update({(axle, name): target for name, target in targets.items()})
    for wheel in WHEELS:
        own, _ = _part(wheel, document.get(wheel, {}), rim_mm, problems)
        _overlay(merged[wheel], own)
    if problems.found:
        return None, problems.found
    corners = {Wheel(wheel): _corner(own) for wheel, own in merged.items()}
    return (
        Car(
            name=car["name"],
            wheelbase_mm=car["wheelbase"],
            track_front_mm=car["track_front"],
            track_rear_mm=car["track_rear"],
            rim_mm=car["rim"],
            corners=corners,
            axle_targets=axle_targets,
            extra_ballast_kg=car.get("ballast"),
            fuel=car.get("fuel", ""),
        ),
        [],
    )


def read_keys(
    table: str, content: Table, keys: Sequence[Key], problems: Problems, also: Sequence[str] = ()
) -> dict[str, Any]:
    """Return the values of a table by name, numbers in their dimension's first unit.

    Parameters
    ----------
    table : str
        Its name, for what is told.
    content : mapping
    keys : sequence of Key
        What it may hold.
    problems : Problems
    also : sequence of str
        Further keys that it may hold: only for the nearest guess.
    """
    found: dict[str, Any] = {}
    known = _spellings(keys)
    for spelled, value in content.items():
        if spelled not in known:
            _unknown(table, spelled, keys, [*known, *also], problems)
            continue
        key, factor = known[spelled]
        if key.name in found:
            problems.add(table, spelled, f"{key.name} is given twice.", "Leave one of them out.")
            continue
        read = (
            _number(table, spelled, value, key, factor, problems)
            if isinstance(key, Number)
            else _word(table, spelled, value, key, problems)
        )
        found[key.name] = read
    for key in keys:
        if key.needed and key.name not in found:
            spelled = key.name if isinstance(key, Word) else f"{key.name}_{key.dimension.first}"
            if not any(p.table == table and p.key.startswith(key.name) for p in problems.found):
                problems.add(table, spelled, "It is needed and missing.", _example(key, spelled))
    return {name: value for name, value in found.items() if value is not None}


def _spellings(keys: Sequence[Key]) -> dict[str, tuple[Key, float]]:
    known: dict[str, tuple[Key, float]] = {}
    for key in keys:
        if isinstance(key, Word):
            known[key.name] = key, 1.0
        else:
            known |= {f"{key.name}_{unit}": (key, x) for unit, x in key.dimension.units.items()}
    return known


def _unknown(
    table: str, spelled: str, keys: Sequence[Key], known: Sequence[str], problems: Problems
) -> None:
    for key in keys:
        if isinstance(key, Word):
            continue
        units = " or ".join(f"{key.name}_{unit}" for unit in key.dimension.units)
        if spelled == key.name:
            problems.add(table, spelled, "Its unit is missing.", f"Write {units}.")
            return
        if spelled.startswith(key.name + "_"):
            unit = spelled.removeprefix(key.name + "_")
            problems.add(
                table, spelled, f"{unit!r} is no unit of {key.dimension.words}.", f"Write {units}."
            )
            return
    problems.unknown(table, spelled, known)


def _number(
    table: str, spelled: str, value: Any, key: Number, factor: float, problems: Problems
) -> Any:
    if key.many:
        if not isinstance(value, list):
            problems.add(table, spelled, "It is a list of numbers.", f"{spelled} = [1, 2, 4]")
            return None
        read = [_one(table, spelled, item, key, factor, problems) for item in value]
        return None if None in read else tuple(read)
    return _one(table, spelled, value, key, factor, problems)


def _one(
    table: str, spelled: str, value: Any, key: Number, factor: float, problems: Problems
) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        said = "in quotes" if isinstance(value, str) else "no number"
        problems.add(
            table,
            spelled,
            f"{value!r} is {said}, where a number is needed.",
            f"Write a plain number, its unit is in the key: {_example(key, spelled)}",
        )
        return None
    number = float(value) * factor
    if not math.isfinite(number):
        problems.add(table, spelled, f"{value} is no measure.", _example(key, spelled))
        return None
    if number < 0.0 <= key.low:
        problems.add(table, spelled, f"{value:g} is negative.", "Write it without a sign.")
        return None
    if not key.low <= number <= key.high:
        first = key.dimension.first
        problems.add(
            table,
            spelled,
            f"{value:g} is {number:.6g} {first}; {key.low:g} to {key.high:g} {first} is expected.",
            "Check the unit and the decimal point.",
        )
        return None
    return number


def _word(table: str, spelled: str, value: Any, key: Word, problems: Problems) -> str | None:
    if not isinstance(value, str):
        problems.add(
            table, spelled, f"{value!r} is no text.", f'Write it in quotes: {spelled} = "..."'
        )
        return None
    text = value.strip()
    if key.needed and not text:
        problems.add(table, spelled, "It is empty.", f'{spelled} = "..."')
        return None
    if key.choices and text.lower() not in key.choices:
        problems.add(
            table, spelled, f"{value!r} is none of its words.", f"Write {_either(key.choices)}."
        )
        return None
    return text.lower() if key.choices else text


def _part(
    name: str, content: Any, rim_mm: float | None, problems: Problems
) -> tuple[dict[str, Any], dict[str, Target]]:
    """Read what is said of an axle or of a wheel; return it, and the axle's targets."""
    if not isinstance(content, Mapping):
        problems.add("", name, "It is a table.", f"Write [{name}] and its keys below.")
        return {}, {}
    inner = (*ADJUSTERS, TARGETS)
    flat = {key: value for key, value in content.items() if key not in inner}
    own: dict[str, Any] = read_keys(name, flat, CORNER, problems, also=inner)
    for adjuster, keys in ADJUSTERS.items():
        if adjuster not in content:
            continue
        table = content[adjuster]
        if not isinstance(table, Mapping):
            problems.add(name, adjuster, "It is a table.", f"{adjuster} = {{ ... }}")
            continue
        own[adjuster] = read_keys(f"{name}.{adjuster}", table, keys, problems)
    of_axle = AXLE_TARGETS if name in AXLES else {}
    if name == "front":
        of_axle = {key: value for key, value in of_axle.items() if key != "thrust"}
    targets = read_targets(
        f"{name}.{TARGETS}",
        content.get(TARGETS, {}),
        {**CORNER_TARGETS, **of_axle},
        rim_mm,
        problems,
    )
    own[TARGETS] = {CORNER_TARGETS[key]: targets[key] for key in CORNER_TARGETS if key in targets}
    return own, {AXLE_TARGETS[key]: targets[key] for key in of_axle if key in targets}


def _overlay(base: dict[str, Any], own: Mapping[str, Any]) -> None:
    """Let what is said of one wheel replace what is said of its axle; targets one by one."""
    for key, value in own.items():
        base[key] = {**base.get(TARGETS, {}), **value} if key == TARGETS else value


def _corner(own: Mapping[str, Any]) -> Corner:
    link, shim, caster = (own.get(name) for name in ADJUSTERS)
    return Corner(
        toe_link=link
        and ToeLink(
            link["pitch"],
            Thread(link["thread"]),
            link["arm"],
            _maybe(Side, link.get("side")),
            link.get("joint_height"),
        ),
        camber_shim=shim
        and CamberShim(
            shim["lever"], _maybe(ShimPlace, shim.get("place")), tuple(shim.get("sizes", ()))
        ),
        caster=caster
        and CasterAdjuster(
            caster["pitch"],
            caster["lever"],
            None if "joint" not in caster else caster["joint"] == "upper",
        ),
        targets=own.get(TARGETS, {}),
        pressure_kpa=own.get("pressure"),
        ballast_kg=own.get("ballast"),
        ride_height_mm=own.get("ride_height"),
    )


def _maybe(kind: Any, word: str | None) -> Any:
    return None if word is None else kind(word)


def _example(key: Key, spelled: str) -> str:
    if isinstance(key, Word):
        return f'{spelled} = "{key.choices[0] if key.choices else "..."}"'
    middle = math.sqrt(max(key.low, 1.0) * key.high)
    return f"{spelled} = {float(f'{middle:.2g}'):g}"


def _either(words: Sequence[str]) -> str:
    return " or ".join(f'"{word}"' for word in words)


def _check_version(document: Table, problems: Problems) -> None:
    version = document.get(FORMAT, VERSION)
    if isinstance(version, bool) or not isinstance(version, int) or version < 1:
        problems.add("", FORMAT, f"{version!r} is no version.", f"{FORMAT} = {VERSION}")
    elif version > VERSION:
        problems.add(
            "",
            FORMAT,
            f"The file is of version {version}; this program knows up to {VERSION}.",
            "Update the program.",
        )
