"""Voltages on the nets, as far as the plan decides them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from podplan.plan import Pod

GROUND: Final = "GND"
CONDUCTS: Final = ("resistor", "potentiometer", "switch")
"""First words of keys of parts that pass a steady current between any two of their terminals."""


def bridges(pod: Pod) -> Iterator[tuple[str, str, str]]:
    """Yield label and two nets for each part that joins nets through a resistance or contact."""
    net_of = pod.net_of()
    for label, part in pod.by_label.items():
        if part.key.split("-")[0] not in CONDUCTS:
            continue
        nets = [
            net_of[f"{label}.{terminal}"]
            for terminal in pod.terminals[part.key]
            if f"{label}.{terminal}" in net_of
        ]
        for i, first in enumerate(nets):
            for second in nets[i + 1 :]:
                yield label, first, second


class Divider(NamedTuple):
    """An input between two resistors: `upper` leads to what drives it, `lower` to ground."""

    net: str
    driven: str
    upper_ohm: float
    lower_ohm: float

    def share(self, upper_off: float = 0.0, lower_off: float = 0.0) -> float:
        """Return the part of the voltage that is left, the resistors off by these fractions."""
        lower = self.lower_ohm * (1.0 + lower_off)
        return lower / (lower + self.upper_ohm * (1.0 + upper_off))


def dividers(pod: Pod) -> list[Divider]:
    """Return the dividers: an input that nothing but two resistors lead to, one from ground."""
    found = []
    joined = list(bridges(pod))
    for net, ends in pod.nets().items():
        terminals = [terminal for end in ends if (terminal := pod.terminal(end)) is not None]
        if not any(terminal.kind == "in" for terminal in terminals):
            continue
        if any(terminal.volts_out is not None for terminal in terminals):
            continue
        ways = [
            (second if first == net else first, pod.by_label[label].value or 0.0)
            for label, first, second in joined
            if net in (first, second)
        ]
        below = [ohm for far, ohm in ways if far == GROUND]
        above = [(far, ohm) for far, ohm in ways if far != GROUND]
        if len(below) == len(above) == 1:
            found.append(Divider(net, above[0][0], above[0][1], below[0]))
    return found


def highest(pod: Pod) -> dict[str, float]:
    """Return the highest voltage that may stand on each net.

    What drives or pulls a net counts, and what reaches it through resistors and contacts:
    with no current the whole voltage does. A divider leaves its share.
    """
    nets = pod.nets()
    volts = dict.fromkeys(nets, 0.0)
    for net, ends in nets.items():
        for end in ends:
            terminal = pod.terminal(end)
            if terminal is not None and terminal.volts_out is not None and net != GROUND:
                volts[net] = max(volts[net], terminal.volts_out)
    divided = dividers(pod)
    parted = {divider.net for divider in divided}
    joined = [way for way in bridges(pod) if not parted & set(way[1:])]
    for _ in nets:
        for _, first, second in joined:
            top = max(volts[first], volts[second])
            for net in (first, second):
                if net != GROUND:
                    volts[net] = top
    for divider in divided:
        volts[divider.net] = volts[divider.driven] * divider.share()
    return volts


def high(pod: Pod, net: str, volts: dict[str, float]) -> float:
    """Return the least voltage that a high level of the net has.

    What drives it both ways decides; where nothing does, the pull-ups take it all the way up.
    """
    driven = [
        terminal.volts_out
        for end in pod.nets()[net]
        if (terminal := pod.terminal(end)) is not None
        and terminal.kind == "out"
        and terminal.volts_out is not None
    ]
    return min(driven) if driven else volts[net]
