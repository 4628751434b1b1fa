"""A scenario: everything a simulated run is made from but the seed's draws; read from TOML."""

# ruff: noqa: RUF009  `key` returns a dataclasses.field
from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel
from knuckle.sim.car import Car, WheelTruth
from knuckle.sim.faults import Faults
from knuckle.sim.fields import build, key
from knuckle.sim.linear_spec import LinearSensor, Linkage, StringLine
from knuckle.sim.posing_spec import Posing
from knuckle.sim.spec import Calibration, Mount, Pads, Pod, Purpose, Script, Sensor
from knuckle.sim.spinning_spec import Spinning
from knuckle.sim.tilting_spec import Tilting
from knuckle.wire.codec import LONGEST_NAME


@dataclass(frozen=True, slots=True)
class Scenario:
    """One simulated situation. Together with a seed it fixes every byte."""

    name: str = key("unnamed", "Shown and stored with every run.")
    about: str = key("", "One sentence for people.")
    seed: int = key(1, "Used when none is given.", low=0, high=2**32 - 1)
    wheel: Wheel = key(Wheel.LF, "The wheel that carries the pod.")
    purpose: Purpose = key(Purpose.SWEEP, "What the person does: decides the script.")
    car: Car = key(Car, "The car.")
    mount: Mount = key(Mount, "How the pod sits.")
    pads: Pads = key(Pads, "The ground.")
    pod: Pod = key(Pod, "The pod.")
    sensor: Sensor = key(Sensor, "The chip's errors.")
    calibration: Calibration = key(Calibration, "What the pod has stored.")
    linear: LinearSensor = key(LinearSensor, "The pod's linear sensor, a draw-wire's gain and all.")
    linkage: Linkage = key(Linkage, "The linear sensor as it feels the steering wheel's turn.")
    string: StringLine = key(StringLine, "The string and the rims, for toe.")
    script: Script = key(Script, "The person.")
    posing: Posing = key(Posing, "The person who calibrates the pod.")
    tilting: Tilting = key(Tilting, "The person who holds the pod against a protractor.")
    spinning: Spinning = key(Spinning, "The person who turns a wheel, or a pod on a bench.")
    faults: Faults = key(Faults, "What goes wrong.")

    def truth(self, wheel: Wheel | None = None) -> WheelTruth:
        """Return the true angles of a wheel (default: the one that carries the pod)."""
        return self.car.knuckle(wheel or self.wheel).truth()

    def line(self, seed: int | None = None) -> str:
        """Return one line that names what is needed to run it again."""
        return (
            f"scenario {self.name}, {self.purpose} {self.wheel}, "
            f"seed {self.seed if seed is None else seed}"
        )


def names() -> list[str]:
    """Return the names of the built-in scenarios."""
    folder = resources.files("knuckle.sim") / "scenarios"
    return sorted(f.name[:-5] for f in folder.iterdir() if f.name.endswith(".toml"))


def load(name_or_path: str | Path, **overrides: Any) -> Scenario:
    """Read a built-in scenario by name or a file by path, and check every key.

    Parameters
    ----------
    name_or_path : str or Path
        ``garage``, or a path that ends in ``.toml``.
    **overrides
        Keys that replace those of the file: top-level ones (``wheel="RF"``, ``purpose="sweep"``,
        ``seed=7``), dotted ones (``**{"car.LF.caster_deg": 4.0}``), whole tables, and
        ``faults="knocks,drifting"`` to switch faults on. Values may be text. None is ignored.

    Raises
    ------
    UsageError
        If there is no such scenario, or a key or value is wrong; names file, key and what is
        allowed.
    """
    text, source = _text(str(name_or_path))
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"{source} is not valid TOML: {error}.") from error
    table.setdefault("name", Path(str(name_or_path)).stem)
    for dotted, value in overrides.items():
        if value is not None:
            _override(table, dotted, value, source)
    _mirror(table)
    scenario = build(Scenario, table, source)
    _check(scenario, source)
    return scenario


def _check(scenario: Scenario, source: str) -> None:
    """Check what one key alone cannot tell."""
    if len(scenario.pod.name.encode()) > LONGEST_NAME or "\0" in scenario.pod.name:
        raise UsageError(
            f"{source}: pod.name = {scenario.pod.name!r} cannot be used.",
            f"Allowed: up to {LONGEST_NAME} bytes of UTF-8.",
        )
    script = scenario.script
    for name, items in (
        ("positions_deg", script.positions_deg),
        ("wheels", script.wheels),
        ("lengths_mm", script.lengths_mm),
    ):
        if not items:
            raise UsageError(
                f"{source}: script.{name} is empty.", "Allowed: a list of at least one."
            )
    for name in ("hold_s", "reaction_s", "handling_s"):
        shortest, longest = getattr(script, name)
        if shortest > longest:
            raise UsageError(
                f"{source}: script.{name} = [{shortest}, {longest}] cannot be used.",
                "Allowed: the shortest, then the longest.",
            )


def _text(name_or_path: str) -> tuple[str, str]:
    if name_or_path in names():
        file = resources.files("knuckle.sim") / "scenarios" / f"{name_or_path}.toml"
        return file.read_text(encoding="utf-8"), f"scenario {name_or_path}"
    if not name_or_path.endswith(".toml"):
        raise UsageError(
            f"There is no scenario {name_or_path!r}.",
            f"Built in are: {', '.join(names())}.",
            "Own scenarios are given as a path that ends in .toml.",
        )
    try:
        return Path(name_or_path).read_text(encoding="utf-8"), name_or_path
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"The scenario file {name_or_path} cannot be read: {error}.") from error


def _override(table: dict[str, Any], dotted: str, value: Any, source: str) -> None:
    if dotted == "faults" and not isinstance(value, Mapping):
        wanted = value.split(",") if isinstance(value, str) else value
        if not isinstance(wanted, list | tuple):
            raise UsageError(
                f"{source}: faults = {value!r} cannot be used.", "Allowed: names with commas."
            )
        value = {str(fault).strip(): {"on": True} for fault in wanted if str(fault).strip()}
    *parents, last = dotted.split(".")
    for parent in parents:
        table = table.setdefault(parent, {})
        if not isinstance(table, dict):
            raise UsageError(f"{source}: {dotted!r} goes through {parent!r}, which is no table.")
    if isinstance(value, Mapping) and isinstance(table.get(last), dict):
        for inner, content in value.items():
            _override(table[last], inner, content, source)
    else:
        table[last] = dict(value) if isinstance(value, Mapping) else value


def _mirror(table: dict[str, Any]) -> None:
    """A right wheel that the file leaves out is the left one mirrored."""
    car = table.get("car")
    if isinstance(car, dict):
        for left, right in (("LF", "RF"), ("LR", "RR")):
            if left in car and right not in car:
                car[right] = car[left]
