"""All of the plan, and what one pod has of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from podplan.parts import Part, read_parts
from podplan.pins import Pin, read_pins
from podplan.terminals import Terminal, read_terminals
from podplan.wiring import Wire, read_wires

HARDWARE: Final = Path(__file__).resolve().parent.parent
PINS: Final = HARDWARE.parent / "firmware" / "ports" / "atmega328p" / "pins.h"


@dataclass(frozen=True)
class Plan:
    """What the files say.

    Attributes
    ----------
    parts : tuple of Part
    terminals : dict
        Part's key to name to terminal.
    wires : tuple of Wire
    pins : tuple of Pin
        Of the firmware.
    """

    parts: tuple[Part, ...]
    terminals: dict[str, dict[str, Terminal]]
    wires: tuple[Wire, ...]
    pins: tuple[Pin, ...]

    def pod(self, *variants: str) -> Pod:
        """Return what a pod of these variants has (several: with all of their options)."""
        chosen = set(variants)
        return Pod(
            tuple(part for part in self.parts if part.variants & chosen),
            self.terminals,
            tuple(wire for wire in self.wires if wire.variants & chosen),
            self.pins,
        )


@dataclass(frozen=True)
class Pod:
    """The parts and wires of one pod; the fields are those of `Plan`."""

    parts: tuple[Part, ...]
    terminals: dict[str, dict[str, Terminal]]
    wires: tuple[Wire, ...]
    pins: tuple[Pin, ...]

    @property
    def by_label(self) -> dict[str, Part]:
        """The wired pieces."""
        return {label: part for part in self.parts for label in part.labels}

    def terminal(self, name: str) -> Terminal | None:
        """Return what ``LABEL.terminal`` is; None if there is no such thing on this pod."""
        label, _, terminal = name.partition(".")
        part = self.by_label.get(label)
        return self.terminals.get(part.key, {}).get(terminal) if part is not None else None

    def nets(self) -> dict[str, list[str]]:
        """Return the terminals of each net, in the order of the wires."""
        nets: dict[str, dict[str, None]] = {}
        for wire in self.wires:
            nets.setdefault(wire.net, {}).update({wire.start: None, wire.end: None})
        return {net: list(ends) for net, ends in nets.items()}

    def net_of(self) -> dict[str, str]:
        """Return the net of each wired terminal."""
        return {end: net for net, ends in self.nets().items() for end in ends}

    def colour_of(self) -> dict[str, str]:
        """Return the colour of each net's wires."""
        return {wire.net: wire.colour for wire in self.wires}


def read_plan(folder: Path = HARDWARE, pins: Path = PINS) -> Plan:
    """Read the plan's files.

    Raises
    ------
    PlanError
        If one of them is not as its module says.
    """
    return Plan(
        read_parts(folder / "parts.csv"),
        read_terminals(folder / "terminals.csv"),
        read_wires(folder / "wiring.csv"),
        read_pins(pins),
    )


def labels_in_order(labels: Iterable[str]) -> list[str]:
    """Return labels by letters, then number: R2 before R10."""
    return sorted(labels, key=lambda label: (label.rstrip("0123456789"), _number(label)))


def _number(label: str) -> int:
    return int(label.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
