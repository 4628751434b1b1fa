"""The pins that the firmware uses, read from its own header."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from podplan.errors import PlanError

_LINE = re.compile(
    r'KN_PIN\(\s*(\w+)\s*,\s*([A-D])\s*,\s*([0-7])\s*,\s*"(\w+)"\s*,\s*(\w+)\s*,\s*"([^"]*)"\s*\)'
)
DIRECTIONS = ("in", "out", "both", "analog")


@dataclass(frozen=True)
class Pin:
    """One line of pins.h.

    Attributes
    ----------
    name : str
        As the firmware calls it.
    port : str
        Port and bit, e.g. ``PD2``.
    label : str
        As printed on the board, e.g. ``D2``.
    direction : str
        in, out, both or analog, seen from the board.
    purpose : str
        What it is for.
    """

    name: str
    port: str
    label: str
    direction: str
    purpose: str


def read_pins(path: Path) -> tuple[Pin, ...]:
    """Read the header.

    Raises
    ------
    PlanError
        If it holds no pin, a direction that is none, or a pin twice; or if a ``KN_PIN(`` is
        written in a way that cannot be read.
    """
    text = path.read_text(encoding="utf-8")
    start = text.find("#define KN_PINS(")
    body = text[start:].split("#endif", maxsplit=1)[0] if start >= 0 else ""
    found = _LINE.findall(body)
    if not found or len(found) != body.count('"') // 4:
        raise PlanError(path, 0, "its KN_PIN lines cannot be read")
    pins = tuple(
        Pin(name, f"P{port}{bit}", label, direction, purpose)
        for name, port, bit, label, direction, purpose in found
    )
    for pin in pins:
        if pin.direction not in DIRECTIONS:
            raise PlanError(path, 0, f"{pin.name} has the direction {pin.direction}")
    for field in ("name", "port", "label"):
        values = [getattr(pin, field) for pin in pins]
        if len(set(values)) != len(values):
            raise PlanError(path, 0, f"a {field} comes twice")
    return pins
