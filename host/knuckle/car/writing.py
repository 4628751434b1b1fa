"""A car as the text of a car file, and as the tables that make it up."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any, Final

from knuckle.car.keys import (
    ADJUSTERS,
    AXLE_TARGETS,
    AXLES,
    CORNER_TARGETS,
    FORMAT,
    TARGETS,
    VERSION,
    WHEELS,
)
from knuckle.model.car import Car, Corner, Target
from knuckle.model.wheel import Wheel

HEADING: Final = "# A car, as `knuckle align` reads it; docs/car-file.md tells every key.\n"
_NAME_OF: Final = {quantity: name for name, quantity in CORNER_TARGETS.items()}


def document_of(car: Car) -> dict[str, Any]:
    """Return the tables of a car's file, in mm, deg, kPa and kg; `car_of` reads them back."""
    top: dict[str, Any] = {
        FORMAT: VERSION,
        "name": car.name,
        "wheelbase_mm": car.wheelbase_mm,
        "track_front_mm": car.track_front_mm,
        "track_rear_mm": car.track_rear_mm,
        "rim_mm": car.rim_mm,
        "ballast_kg": car.extra_ballast_kg,
        "fuel": car.fuel or None,
    }
    wheels = {name: _corner(car.corners[Wheel(name)]) for name in WHEELS}
    for axle in AXLES:
        alike = _take_alike(*(wheels[w] for w in WHEELS if Wheel(w).is_front == (axle == "front")))
        targets = alike.pop(TARGETS, {}) | {
            f"{name}_deg": _target(car.axle_targets[axle, key])
            for name, key in AXLE_TARGETS.items()
            if (axle, key) in car.axle_targets
        }
        top[axle] = {**alike, TARGETS: targets or None}
    document: dict[str, Any] = _without_none(top | wheels)
    return {key: value for key, value in document.items() if value != {}}


def _take_alike(left: dict[str, Any], right: dict[str, Any]) -> dict[str, Any]:
    """Take out of both tables of an axle what is the same on both wheels, and return it."""
    alike: dict[str, Any] = {}
    for key in [key for key in left if key in right]:
        if key == TARGETS:
            alike[key] = _take_alike(left[key], right[key])
        if left[key] == right[key]:
            taken = left.pop(key)
            del right[key]
            if key != TARGETS:
                alike[key] = taken
    return alike


def text_of(document: Mapping[str, Any]) -> str:
    """Return tables as TOML 1.0: plain keys first, then one section for each table.

    What lies two tables deep, an adjuster or a target, stands on one line.
    """
    lines = [HEADING]
    lines += [f"{k} = {_value(v)}" for k, v in document.items() if not isinstance(v, Mapping)]
    for name, table in document.items():
        if not isinstance(table, Mapping):
            continue
        plain = {key: value for key, value in table.items() if key != TARGETS}
        if plain:
            lines += ["", f"[{name}]", *(f"{k} = {_value(v)}" for k, v in plain.items())]
        if table.get(TARGETS):
            lines += ["", f"[{name}.{TARGETS}]"]
            lines += [f"{k} = {_value(v)}" for k, v in table[TARGETS].items()]
    return "\n".join(lines) + "\n"


def _corner(corner: Corner) -> dict[str, Any]:
    link, shim, caster = corner.toe_link, corner.camber_shim, corner.caster
    adjusters = {
        "toe_link": link
        and {
            "pitch_mm": link.pitch_mm,
            "thread": link.thread.value,
            "arm_mm": link.arm_mm,
            "side": link.side and link.side.value,
            "joint_height_mm": link.height_mm,
        },
        "camber_shim": shim
        and {
            "lever_mm": shim.lever_mm,
            "place": shim.place and shim.place.value,
            "sizes_mm": list(shim.sizes_mm) or None,
        },
        "caster": caster
        and {
            "pitch_mm": caster.pitch_mm,
            "lever_mm": caster.lever_mm,
            "joint": None if caster.upper is None else "upper" if caster.upper else "lower",
        },
    }
    assert tuple(adjusters) == tuple(ADJUSTERS)
    table = {
        "pressure_kpa": corner.pressure_kpa,
        "ride_height_mm": corner.ride_height_mm,
        "ballast_kg": corner.ballast_kg,
        **adjusters,
        TARGETS: {f"{_NAME_OF[key]}_deg": _target(item) for key, item in corner.targets.items()}
        or None,
    }
    return {key: value for key, value in table.items() if value is not None}


def _target(target: Target) -> dict[str, float]:
    return {"aim": target.value, "low": target.low, "high": target.high}


def _without_none(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    return value


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, str):
        # A basic string of TOML 1.0 takes the escapes of JSON, and wants DEL escaped as well.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError("a car file holds no infinity")
        return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)
    return str(value)
