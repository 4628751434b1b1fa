"""A car in words, at 80 columns."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from knuckle.car.keys import AXLE_TARGETS, CORNER_TARGETS
from knuckle.model.car import Car, Corner, Side, Target
from knuckle.model.wheel import Wheel

_WIDTH: Final = 79
_NAMES: Final = {quantity: name for name, quantity in CORNER_TARGETS.items()} | {
    key: name.replace("_", " ") for name, key in AXLE_TARGETS.items()
}
_UNKNOWN: Final = "not stated"


def car_lines(car: Car) -> list[str]:
    """Return a car as lines of text."""
    lines = [
        car.name,
        f"  wheelbase {car.wheelbase_mm:g} mm, track {car.track_front_mm:g} front and "
        f"{car.track_rear_mm:g} mm rear",
        f"  rim measuring length {car.rim_mm:g} mm",
    ]
    if car.extra_ballast_kg is not None:
        lines.append(f"  ballast {car.extra_ballast_kg:g} kg")
    if car.fuel:
        lines.append(f"  fuel: {car.fuel}")
    for wheel in Wheel:
        lines.append(f"{wheel.value}, {wheel.spoken}")
        lines += [f"  {line}" for line in _corner(car.corners[wheel])] or [f"  {_UNKNOWN}"]
    for (axle, key), target in car.axle_targets.items():
        lines.append(f"{axle} {_NAMES[key]}: {_band(target)}")
    return [line if len(line) <= _WIDTH else line[: _WIDTH - 1] + "…" for line in lines]


def _corner(corner: Corner) -> Iterator[str]:
    if corner.pressure_kpa is not None:
        yield f"pressure {corner.pressure_kpa:.4g} kPa ({corner.pressure_kpa / 100.0:.3g} bar)"
    if corner.ride_height_mm is not None:
        yield f"ride height {corner.ride_height_mm:g} mm"
    if corner.ballast_kg is not None:
        yield f"ballast {corner.ballast_kg:g} kg"
    if (link := corner.toe_link) is not None:
        side = {None: f"side {_UNKNOWN}", Side.AHEAD: "ahead of the axle"}.get(
            link.side, "behind the axle"
        )
        yield (
            f"toe link: {link.thread.value} thread, pitch {link.pitch_mm:g} mm, arm "
            f"{link.arm_mm:g} mm, {side}"
            + (f", outer joint {link.height_mm:g} mm up" if link.height_mm is not None else "")
        )
    if (shim := corner.camber_shim) is not None:
        place = f"at the {shim.place.value} arm" if shim.place else f"place {_UNKNOWN}"
        sizes = ", ".join(f"{size:g}" for size in shim.sizes_mm)
        yield f"camber shims: {shim.lever_mm:g} mm between joints, {place}" + (
            f"; {sizes} mm at hand" if sizes else ""
        )
    if (caster := corner.caster) is not None:
        joint = {None: f"joint {_UNKNOWN}", True: "upper joint", False: "lower joint"}[caster.upper]
        yield (
            f"caster: {caster.pitch_mm:g} mm a turn, {caster.lever_mm:g} mm between joints, {joint}"
        )
    for quantity, target in corner.targets.items():
        yield f"target {_NAMES[quantity]}: {_band(target)}"


def _band(target: Target) -> str:
    return f"{target.value:.4g} deg, good from {target.low:.4g} to {target.high:.4g}"
