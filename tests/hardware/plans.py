"""Plans for tests: the real one, and the real one with something broken."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

from podplan.plan import HARDWARE, Plan, read_plan
from podplan.wiring import Wire

FILES = ("parts.csv", "terminals.csv", "wiring.csv")


def copy_of_files(folder: Path) -> Path:
    for name in FILES:
        shutil.copy(HARDWARE / name, folder / name)
    return folder


def edited(folder: Path, name: str, old: str, new: str) -> Path:
    path = copy_of_files(folder) / name
    text = path.read_text(encoding="utf-8")
    assert old in text, "the edit would change nothing"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def rewired(change: dict[tuple[str, str], tuple[str, str, str] | None]) -> Plan:
    """Return the plan with wires (from, to) replaced by (from, to, net), or taken out by None."""
    plan = read_plan()
    wires: list[Wire] = []
    changed = 0
    for wire in plan.wires:
        if (wire.start, wire.end) not in change:
            wires.append(wire)
            continue
        changed += 1
        new = change[wire.start, wire.end]
        if new is not None:
            wires.append(dataclasses.replace(wire, start=new[0], end=new[1], net=new[2]))
    assert changed >= len(change), "a wire to be changed is not there"
    return dataclasses.replace(plan, wires=tuple(wires))


def with_wire(start: str, end: str, net: str) -> Plan:
    plan = read_plan()
    colour = next((wire.colour for wire in plan.wires if wire.net == net), "grey")
    new = Wire(0, start, end, net, colour, frozenset({"usb"}), "05", "test")
    return dataclasses.replace(plan, wires=(*plan.wires, new))


def with_value(key: str, value: float) -> Plan:
    plan = read_plan()
    parts = [
        dataclasses.replace(part, value=value) if part.key == key else part for part in plan.parts
    ]
    assert parts != list(plan.parts)
    return dataclasses.replace(plan, parts=tuple(parts))


def with_terminal(key: str, name: str, **fields: object) -> Plan:
    plan = read_plan()
    terminals = {part: dict(of_part) for part, of_part in plan.terminals.items()}
    terminals[key][name] = dataclasses.replace(terminals[key][name], **fields)  # type: ignore[arg-type]
    return dataclasses.replace(plan, terminals=terminals)
