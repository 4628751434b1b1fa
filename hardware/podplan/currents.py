"""Rules on currents, impedances and times, computed from the values of the parts."""

from __future__ import annotations

from typing import Final

from podplan.levels import GROUND, bridges, dividers, highest
from podplan.plan import Pod

BUS_SINK_A: Final = 0.003
"""What a bus device pulls low at least (I2C specification UM10204, standard and fast mode)."""
BUS_RISE_S: Final = 300e-9
"""Longest rise from 0.3 to 0.7 of the supply in fast mode (the same)."""
BUS_FARAD: Final = 60e-12
"""One side of the bus inside the case: three inputs of 10 pF, 20 cm of wire; an estimate."""
RISE_FACTOR: Final = 0.8473
"""ln(0.7 / 0.3): rise time over R C (the same)."""
PIN_A: Final = 0.020
"""Current at which the ATmega328P's output levels are stated; 40 mA is its limit (data sheet)."""
ANALOG_OHM: Final = 10_000.0
"""Source impedance that the ATmega328P's converter is made for (data sheet)."""
PULL_UP_OHM: Final = (20_000.0, 50_000.0)
"""The ATmega328P's internal pull-ups (data sheet)."""
OPEN_INPUT_S: Final = 0.5e-3
"""An open analog input must be half-way up by then (ports/atmega328p/analog.c)."""
HALF: Final = 0.6931
"""ln 2: how many time constants it takes half-way."""
SUPPLY_OFF: Final = 0.05
"""How far the 5 V may be off: 4.75 to 5.25 V (USB 2.0 specification)."""
RESISTOR_OFF: Final = 0.05
"""Tolerance of a common resistor."""
INPUT_FARAD: Final = 60e-12
"""An input and its wire; an estimate, as of the bus."""
EDGE_S: Final = 0.87e-6
"""A tenth of a bit at 115200 baud."""
EDGE_FACTOR: Final = 2.2
"""ln(0.9 / 0.1): from a tenth of a step to nine tenths, over R C."""
OVERDRIVE: Final = 1.3
BASE_VOLT: Final = 0.65
WEAK_CELL_VOLT: Final = 1.35
"""A caliper's silver or alkaline cell near its end; most displays blink by then."""


def _ohm(pod: Pod, label: str) -> float:
    value = pod.by_label[label].value
    return value if value is not None else 0.0


def _neighbours(pod: Pod, net: str) -> list[tuple[str, str]]:
    """Return label and far net of what leads away from a net."""
    return [
        (label, second if first == net else first)
        for label, first, second in bridges(pod)
        if net in (first, second)
    ]


def _pull_ups(pod: Pod, net: str) -> list[float]:
    supplied = {
        other
        for other, ends in pod.nets().items()
        for end in ends
        if (terminal := pod.terminal(end)) is not None and terminal.kind == "power_in"
    }
    own = [
        terminal.pull_up_ohm
        for end in pod.nets()[net]
        if (terminal := pod.terminal(end)) is not None and terminal.pull_up_ohm
    ]
    return own + [_ohm(pod, label) for label, far in _neighbours(pod, net) if far in supplied]


def bus_pull_ups(pod: Pod) -> list[str]:
    """The bus rises fast enough, and its weakest device can pull both sides low at once."""
    found = []
    volts = highest(pod)
    sunk: dict[str, float] = {}
    for net, ends in pod.nets().items():
        kinds = [t.kind for end in ends if (t := pod.terminal(end)) is not None]
        if kinds.count("both") < 2:
            continue
        pull_ups = _pull_ups(pod, net)
        if not pull_ups:
            found.append(f"nothing pulls the net {net} up")
            continue
        ohm = 1.0 / sum(1.0 / one for one in pull_ups)
        rise_s = RISE_FACTOR * ohm * BUS_FARAD
        if rise_s > BUS_RISE_S:
            found.append(f"the net {net} rises in {rise_s * 1e9:.0f} ns")
        wire = net.split("_", maxsplit=1)[0]
        sunk[wire] = sunk.get(wire, 0.0) + volts[net] / ohm
    found += [
        f"{current * 1e3:.1f} mA must be sunk to pull {wire} low"
        for wire, current in sunk.items()
        if current > BUS_SINK_A
    ]
    return found


def pin_currents(pod: Pod) -> list[str]:
    """An output that feeds a capacitive load does so through enough resistance."""
    found = []
    for label, part in pod.by_label.items():
        if part.key != "buzzer":
            continue
        net_of = pod.net_of()
        nets = {net_of.get(f"{label}.{end}", GROUND) for end in ("a", "b")} - {GROUND}
        for net in nets:
            ohm = sum(_ohm(pod, resistor) for resistor, _ in _neighbours(pod, net))
            current = highest(pod)[net] / ohm if ohm else float("inf")
            if current > PIN_A:
                found.append(f"{label} takes {current * 1e3:.0f} mA from its pin")
    return found


def dividers_fit(pod: Pod) -> list[str]:
    """A divider keeps within what its input stands and reads, supply and resistors 5 % off."""
    found = []
    volts = highest(pod)
    for divider in dividers(pod):
        full = volts[divider.driven]
        most = full * (1.0 + SUPPLY_OFF) * divider.share(-RESISTOR_OFF, RESISTOR_OFF)
        least = full * (1.0 - SUPPLY_OFF) * divider.share(RESISTOR_OFF, -RESISTOR_OFF)
        for end in pod.nets()[divider.net]:
            terminal = pod.terminal(end)
            if terminal is None or terminal.kind != "in":
                continue
            if terminal.volts_max is not None and most > terminal.volts_max:
                found.append(f"{end} stands {terminal.volts_max:g} V and may get {most:.2f} V")
            if terminal.high_from is not None and least < terminal.high_from:
                found.append(
                    f"{end} reads high from {terminal.high_from:g} V on and may get {least:.2f} V"
                )
        ohm = divider.upper_ohm * divider.share()
        edge_s = EDGE_FACTOR * ohm * INPUT_FARAD
        if edge_s > EDGE_S:
            found.append(f"the net {divider.net} takes {edge_s * 1e6:.1f} us to follow")
    return found


def analog_source(pod: Pod) -> list[str]:
    """The converter sees a source it is made for, and an open input follows the pull-up in time."""
    found = []
    for net, ends in pod.nets().items():
        inputs = [e for e in ends if (t := pod.terminal(e)) is not None and t.kind == "analog"]
        if not inputs:
            continue
        ohm = 0.0
        for label, far in _neighbours(pod, net):
            ohm += _ohm(pod, label)
            tracks = {other for other, _ in _neighbours(pod, far)} - {label}
            # a wiper in the middle of its track sees both halves side by side
            ohm += sum(_ohm(pod, track) / 4.0 for track in tracks)
        if not 0.0 < ohm <= ANALOG_OHM:
            found.append(f"{inputs[0]} sees a source of {ohm:g} Ohm")
        farad = sum(
            pod.by_label[end.split(".")[0]].value or 0.0
            for end in ends
            if pod.by_label[end.split(".")[0]].unit == "farad"
        )
        half_s = HALF * PULL_UP_OHM[1] * farad
        if half_s > OPEN_INPUT_S:
            found.append(f"{inputs[0]}: open, it is half-way up only after {half_s * 1e3:.1f} ms")
    return found


def transistors_switch(pod: Pod) -> list[str]:
    """Each transistor gets base current enough to pull its collector low, with a weak cell too."""
    found = []
    net_of = pod.net_of()
    volts = highest(pod)
    for label, part in pod.by_label.items():
        if part.key != "transistor-npn":
            continue
        base, collector = net_of[f"{label}.B"], net_of[f"{label}.C"]
        into = 0.0
        for resistor, far in _neighbours(pod, base):
            driven = WEAK_CELL_VOLT if far != GROUND else 0.0
            into += (driven - BASE_VOLT) / _ohm(pod, resistor)
        pulled = _pull_ups(pod, collector)
        if not pulled:
            found.append(f"nothing pulls the collector of {label} up")
        # the port may switch its own pull-up on as well
        ohm = 1.0 / (sum(1.0 / one for one in pulled) + 1.0 / PULL_UP_OHM[0])
        wanted = volts[collector] / ohm / (part.value or 1.0)
        if into < OVERDRIVE * wanted:
            found.append(
                f"{label} gets {into * 1e6:.0f} uA at its base and needs {wanted * 1e6:.0f}"
            )
    return found
