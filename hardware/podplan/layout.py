"""Where everything stands in a diagram, as plain geometry.

Parts stand in columns. A net between neighbouring columns gets a vertical line of its own in
the channel between them; its terminals lead to it horizontally. Terminals of neighbouring
columns never stand at the same height, so no two nets can run on top of each other. Supply
and ground are not drawn as lines: a sign at each terminal stands for them.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from podplan.errors import PlanError
from podplan.plan import Pod
from podplan.wiring import ON_BOARD

RAILS: Final = ("5V", "3V3", "GND")
"""Nets shown by a sign in place of lines."""
BOX_WIDTH: Final = 4.4
SMALL_WIDTH: Final = 3.0
PITCH: Final = 1.0
BETWEEN: Final = 2.0
"""From the last row of a part to the first of the next."""
HEADED: Final = 1.0
"""More room above a box, which has its name there."""
STUB: Final = 1.1
CLEAR: Final = 3.3
"""From a column's side to the first vertical line: room for the name of a net."""
LANE: Final = 0.75
BOXES: Final = ("U", "BT", "RV", "Q")
"""Letters of the labels of what needs the room of a box."""

Point = tuple[float, float]


@dataclass(frozen=True)
class Pin:
    """A terminal in the diagram: `end` is ``LABEL.terminal``."""

    end: str
    name: str
    at: Point
    side: str
    net: str


@dataclass(frozen=True)
class Box:
    """A part in the diagram, its corners low left and high right."""

    label: str
    key: str
    low: Point
    high: Point
    pins: tuple[Pin, ...]


@dataclass(frozen=True)
class Line:
    """A piece of a net; horizontal or vertical."""

    net: str
    start: Point
    end: Point


@dataclass
class Layout:
    """A whole diagram.

    Attributes
    ----------
    boxes : list of Box
    lines : list of Line
    dots : list of tuple
        (net, point) where three pieces or more meet.
    signs : list of Pin
        Terminals with a sign for supply or ground.
    names : list of tuple
        (net, point, side): where the name of a net is written.
    """

    boxes: list[Box] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    dots: list[tuple[str, Point]] = field(default_factory=list)
    signs: list[Pin] = field(default_factory=list)
    names: list[tuple[str, Point, str]] = field(default_factory=list)


def read_columns(path: Path) -> dict[str, list[list[str]]]:
    """Read the columns of each variant's diagram.

    Raises
    ------
    PlanError
        If the file cannot be read.
    """
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
        return {name: table["columns"] for name, table in tables.items()}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise PlanError(path, 0, f"it cannot be read: {error}") from error


def lay_out(pod: Pod, columns: list[list[str]], path: Path) -> Layout:
    """Place the parts and lead the lines.

    Raises
    ------
    PlanError
        If a part is missing or placed twice, or a net joins columns that are no neighbours.
    """
    placed = sorted(label for column in columns for label in column)
    if placed != sorted(pod.by_label):
        odd = set(placed) ^ set(pod.by_label)
        raise PlanError(path, 0, f"parts missing, unknown or placed twice: {sorted(odd) or placed}")
    layout = Layout()
    channels = _channels(pod, columns, path)
    x = 0.0
    for number, column in enumerate(columns):
        boxes = _column(pod, column, x, 0.5 * (number % 2))
        layout.boxes += boxes
        width = max(box.high[0] for box in boxes) - x
        pins = [pin for box in boxes for pin in box.pins]
        layout.signs += [pin for pin in pins if pin.net in RAILS]
        x += width + 2.0 * CLEAR + LANE * max(0, len(channels.get(number, [])) - 1)
    _lead(layout, channels)
    return layout


def is_on_board(pod: Pod, net: str) -> bool:
    """Return whether a net is a connection that a board has already."""
    return pod.colour_of()[net] == ON_BOARD


def _terminals(pod: Pod, label: str, side: str) -> list[tuple[str, str]]:
    """Return (terminal, net) of the wired terminals on a side, signal terminals before ground."""
    net_of = pod.net_of()
    return [
        (name, net_of[f"{label}.{name}"])
        for name, terminal in pod.terminals[pod.by_label[label].key].items()
        if terminal.side == side and f"{label}.{name}" in net_of
    ]


def _channels(pod: Pod, columns: list[list[str]], path: Path) -> dict[int, list[str]]:
    """Return the nets of each channel, by the number of the column at its left."""
    found: dict[str, set[int]] = {}
    for number, column in enumerate(columns):
        for label in column:
            for side, channel in (("left", number - 1), ("right", number)):
                for _, net in _terminals(pod, label, side):
                    if net not in RAILS:
                        found.setdefault(net, set()).add(channel)
    channels: dict[int, list[str]] = {}
    for net, numbers in found.items():
        if is_on_board(pod, net):
            continue
        if len(numbers) != 1 or min(numbers) < 0:
            raise PlanError(path, 0, f"the net {net} does not lie between two columns")
        channels.setdefault(numbers.pop(), []).append(net)
    return channels


def _column(pod: Pod, column: list[str], x: float, offset: float) -> list[Box]:
    boxes: list[Box] = []
    y = -offset
    for label in column:
        boxed = label.rstrip("0123456789") in BOXES
        if boxes and boxed:
            y -= HEADED
        left, right = _terminals(pod, label, "left"), _terminals(pod, label, "right")
        rows = max(len(left), len(right))
        width = BOX_WIDTH if boxed else SMALL_WIDTH
        at_x = x + (BOX_WIDTH - width) / 2.0
        pins = []
        for side, terminals, side_x in (("left", left, at_x), ("right", right, at_x + width)):
            for row, (name, net) in enumerate(terminals):
                pins.append(Pin(f"{label}.{name}", name, (side_x, y - row * PITCH), side, net))
        bottom = y - (rows - 1) * PITCH
        boxes.append(
            Box(
                label,
                pod.by_label[label].key,
                (at_x, bottom - 0.6),
                (at_x + width, y + 0.6),
                tuple(pins),
            )
        )
        y = bottom - BETWEEN
    return boxes


def _lead(layout: Layout, channels: dict[int, list[str]]) -> None:
    """Give each net its vertical line, the shortest of them nearest to its pins."""
    pins_of: dict[str, list[Pin]] = {}
    for box in layout.boxes:
        for pin in box.pins:
            pins_of.setdefault(pin.net, []).append(pin)
    for nets in channels.values():
        pins = [pin for net in nets for pin in pins_of[net]]
        start = max(pin.at[0] for pin in pins if pin.side == "right") + CLEAR
        # nets that leave further down turn nearer to where they come from
        order = sorted(nets, key=lambda net: min(pin.at[1] for pin in pins_of[net]))
        for lane, net in enumerate(order):
            _trunk(layout, net, pins_of[net], start + lane * LANE)


def _trunk(layout: Layout, net: str, pins: list[Pin], x: float) -> None:
    heights = sorted(pin.at[1] for pin in pins)
    for pin in pins:
        layout.lines.append(Line(net, pin.at, (x, pin.at[1])))
        if heights[0] < pin.at[1] < heights[-1]:
            layout.dots.append((net, (x, pin.at[1])))
    if heights[0] < heights[-1]:
        layout.lines.append(Line(net, (x, heights[0]), (x, heights[-1])))
    first = max(pins, key=lambda pin: (pin.side == "right", pin.at[1]))
    layout.names.append((net, first.at, first.side))
