"""The diagrams, drawn by schemdraw as SVG."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any, Final

import schemdraw
from schemdraw import elements as elm
from schemdraw.segments import SegmentText

from podplan.layout import STUB, Box, Layout, Pin, is_on_board
from podplan.plan import Pod
from podplan.wiring import COLOURS

FONT: Final = "sans-serif"
SHOWN: Final = {
    "5V": "5 V",
    "3V3": "3.3 V",
    "GND": "ground",
}
SYMBOLS: Final = {
    "resistor": elm.ResistorIEC,
    "capacitor": elm.Capacitor,
    "button": elm.Button,
    "switch": elm.Switch,
}
UNITS: Final = {"ohm": "Ohm", "farad": "F"}
LINE_WIDTH: Final = 2.0


def draw(pod: Pod, layout: Layout, title: str) -> str:
    """Return a diagram as SVG.

    Parameters
    ----------
    pod : Pod
        What is shown.
    layout : Layout
        Where it stands.
    title : str
        Written above.
    """
    schemdraw.use("svg")
    schemdraw.svgconfig.text = "text"
    with schemdraw.Drawing(show=False) as drawing:
        drawing.config(unit=1.0, fontsize=12, font=FONT, lw=LINE_WIDTH, color="#1a1a1a")
        _text(drawing, title, (0.0, 2.4), 17)
        for line in layout.lines:
            drawing.add(elm.Line().at(line.start).to(line.end).color(_colour(pod, line.net)))
        for net, point in layout.dots:
            drawing.add(elm.Dot(radius=0.09).at(point).color(_colour(pod, net)))
        for box in layout.boxes:
            _part(drawing, pod, box)
        for pin in layout.signs:
            _sign(drawing, pod, pin)
        for net, point, side in layout.names:
            sign = 1.0 if side == "right" else -1.0
            place = (point[0] + sign * 0.25, point[1] + 0.28)
            words = f"{net.replace('_', ' ')} ({pod.colour_of()[net]})"
            _text(drawing, words, place, 9, side, _colour(pod, net))
        data: bytes = drawing.get_imagedata("svg")
    return tidy(data.decode("utf-8"))


def _colour(pod: Pod, net: str) -> str:
    return COLOURS[pod.colour_of()[net]]


def _text(
    drawing: Any,
    words: str,
    at: tuple[float, float],
    size: float,
    side: str = "right",
    colour: str = "#1a1a1a",
) -> None:
    """Write from a point away: to the right of it, to the left, or around it ("middle")."""
    where: Any = {"right": "left", "left": "right", "middle": "center"}[side]
    written = elm.Element()
    written.segments.append(
        SegmentText((0.0, 0.0), words, align=(where, "center"), fontsize=size, color=colour)
    )
    drawing.add(written.theta(0).at(at))


def _part(drawing: Any, pod: Pod, box: Box) -> None:
    part = pod.by_label[box.label]
    kind = part.key.split("-")[0]
    middle = (box.low[0] + box.high[0]) / 2.0
    if kind in SYMBOLS or part.key == "buzzer":
        start, end = box.pins[0].at, box.pins[-1].at
        inner = (middle - 0.5, start[1]), (middle + 0.5, end[1])
        for pin, point in ((box.pins[0], inner[0]), (box.pins[-1], inner[1])):
            drawing.add(elm.Line().at(pin.at).to(point).color(_colour(pod, pin.net)))
        above = 0.95 if kind in ("button", "switch") else 0.62
        symbol = SYMBOLS.get(kind, elm.Crystal)
        drawing.add(symbol().at(inner[0]).to(inner[1]))
        for pin, aside in ((box.pins[0], -0.3), (box.pins[-1], 0.3)):
            if pin.name == "plus":  # put in the wrong way round an electrolytic capacitor bursts
                _text(drawing, "+", (middle + aside, start[1] - 0.35), 10, "middle")
        _text(drawing, f"{box.label}  {_value(pod, box)}", (middle, start[1] + above), 10, "middle")
        return
    if kind == "transistor":
        _transistor(drawing, pod, box)
        return
    drawing.add(elm.Rect(corner1=box.low, corner2=box.high, fill="#f4f4f0").at((0.0, 0.0)).theta(0))
    _text(drawing, f"{box.label}  {_short(part.key)}", (middle, box.high[1] + 0.3), 11, "middle")
    for pin in box.pins:
        inside = 0.15 if pin.side == "left" else -0.15
        _text(
            drawing,
            _named(pod, pin),
            (pin.at[0] + inside, pin.at[1]),
            11,
            "right" if pin.side == "left" else "left",
        )


def _transistor(drawing: Any, pod: Pod, box: Box) -> None:
    """Draw an NPN transistor with its base to the right, as the signal comes from there."""
    collector, base, emitter = (
        next(pin for pin in box.pins if pin.name == name) for name in ("C", "B", "E")
    )
    middle = (box.low[0] + box.high[0]) / 2.0
    symbol = elm.BjtNpn().reverse().theta(0).anchor("base").at((middle + 0.6, base.at[1]))
    drawing.add(symbol)
    top, bottom = symbol.absanchors["collector"], symbol.absanchors["emitter"]
    aside = top[0] - 0.35
    for pin, path in (
        (base, [(middle + 0.6, base.at[1]), base.at]),
        (collector, [tuple(top), (aside, top[1]), (aside, collector.at[1]), collector.at]),
        (emitter, [tuple(bottom), (bottom[0], emitter.at[1]), emitter.at]),
    ):
        for start, end in pairwise(path):
            drawing.add(elm.Line().at(start).to(end).color(_colour(pod, pin.net)))
    for pin, side in ((collector, 0.2), (base, -0.25), (emitter, -0.25)):
        _text(drawing, pin.name, (pin.at[0] + side, pin.at[1] + 0.25), 9, "middle")
    _text(drawing, f"{box.label}  NPN", (middle, base.at[1] + 1.0), 10, "middle")


def _named(pod: Pod, pin: Pin) -> str:
    if is_on_board(pod, pin.net):
        return f"({pin.net.lower()}, on the board)  {pin.name}"
    return pin.name.replace("_", " / ")


def _value(pod: Pod, box: Box) -> str:
    part = pod.by_label[box.label]
    if part.value is None or part.unit not in UNITS:
        return _short(part.key)
    for factor, prefix in ((1e3, "k"), (1.0, ""), (1e-6, "u"), (1e-9, "n")):
        if part.value >= factor * 0.999:
            return f"{part.value / factor:.3g} {prefix}{UNITS[part.unit]}"
    raise ValueError(part.value)


def _short(key: str) -> str:
    names = {
        "board-usb": "board, from USB",
        "board-bare": "board without USB",
        "regulator-3v3": "regulator 3.3 V",
        "mpu6050": "MPU-6050",
        "adxl355": "ADXL355",
        "transistor-npn": "NPN",
        "potentiometer": "10 kOhm, linear",
        "bluetooth": "Bluetooth module",
        "charger-boost": "charger and boost",
        "cell": "lithium cell",
    }
    return names.get(key, key.replace("-", " "))


def _sign(drawing: Any, pod: Pod, pin: Pin) -> None:
    """Draw a short wire with the sign of its rail, named and coloured."""
    sign = 1.0 if pin.side == "right" else -1.0
    colour = _colour(pod, pin.net)
    end = (pin.at[0] + sign * STUB, pin.at[1])
    drawing.add(elm.Line().at(pin.at).to(end).color(colour))
    if pin.net == "GND":
        drawing.add(
            elm.Line().at((end[0], end[1] + 0.28)).to((end[0], end[1] - 0.28)).color(colour)
        )
        inner = (end[0] + sign * 0.12, end[1])
        drawing.add(
            elm.Line().at((inner[0], inner[1] + 0.17)).to((inner[0], inner[1] - 0.17)).color(colour)
        )
    else:
        drawing.add(elm.Dot(radius=0.11, open=True).at(end).color(colour))
    _text(drawing, SHOWN[pin.net], (end[0] + sign * 0.3, end[1]), 10, pin.side, colour)


def tidy(svg: str, right: float = 20.0) -> str:
    """Put white below the drawing, with a margin, and round its numbers.

    Parameters
    ----------
    svg : str
        As schemdraw writes it.
    right : float
        Margin at the right, in the drawing's units: the width of text there is not known.
    """
    svg = re.sub(r"-?\d+\.\d{3,}", lambda number: f"{float(number[0]):.2f}", svg)
    head = re.search(r'height="[^"]*" width="[^"]*" viewBox="([^"]*)">', svg)
    if head is None:
        raise ValueError("schemdraw writes its head in another way now")
    x, y, width, height = (float(number) for number in head[1].split())
    x, y, width, height = x - 20.0, y - 20.0, width + 20.0 + right, height + 40.0
    shown = f"{x:.0f} {y:.0f} {width:.0f} {height:.0f}"
    white = f'<rect x="{x:.0f}" y="{y:.0f}" width="{width:.0f}" height="{height:.0f}" fill="#fff"/>'
    new = f'height="{height:.0f}" width="{width:.0f}" viewBox="{shown}">{white}'
    return svg.replace(head[0], new).replace("><", ">\n<") + "\n"
