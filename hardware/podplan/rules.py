"""Rules that the wiring must keep; each gives what it finds, in words: nothing if all is well."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Final

from podplan.currents import (
    analog_source,
    bus_pull_ups,
    dividers_fit,
    pin_currents,
    transistors_switch,
)
from podplan.levels import GROUND, dividers, high, highest
from podplan.plan import Plan, Pod
from podplan.variants import FULL, VARIANTS

Rule = Callable[[Pod], list[str]]
POWER: Final = ("power_out", "power_in", "ground")
DRIVES: Final = ("out", "both", "collector", "switch")


def everything_exists(pod: Pod) -> list[str]:
    """Each end of a wire is a terminal of a part of this pod, and not one that stays open."""
    found = []
    for wire in pod.wires:
        for end in (wire.start, wire.end):
            terminal = pod.terminal(end)
            if terminal is None:
                found.append(f"wiring line {wire.line}: there is no {end} on this pod")
            elif terminal.kind == "unused":
                found.append(f"wiring line {wire.line}: {end} must stay open")
    return found


def nothing_twice(pod: Pod) -> list[str]:
    """No terminal is on two nets; the wires of a net join all of it, each by one way."""
    found = []
    nets_of: dict[str, set[str]] = {}
    for wire in pod.wires:
        for end in (wire.start, wire.end):
            nets_of.setdefault(end, set()).add(wire.net)
    for end, nets in nets_of.items():
        if len(nets) > 1:
            found.append(f"{end} is on the nets {' and '.join(sorted(nets))}")
    pairs = Counter(frozenset((wire.start, wire.end)) for wire in pod.wires)
    for pair, times in pairs.items():
        if times > 1 or len(pair) == 1:
            found.append(f"{' and '.join(sorted(pair))} are joined {times} times over")
    for net, ends in pod.nets().items():
        group = {end: end for end in ends}

        def root(end: str, group: dict[str, str] = group) -> str:
            while group[end] != end:
                end = group[end]
            return end

        for wire in pod.wires:
            if wire.net != net:
                continue
            first, second = root(wire.start), root(wire.end)
            if first == second:
                found.append(
                    f"wiring line {wire.line}: {wire.start} and {wire.end} are joined already"
                )
            group[first] = second
        if len({root(end) for end in ends}) > 1:
            found.append(f"the net {net} is in pieces")
        colours = {wire.colour for wire in pod.wires if wire.net == net}
        if len(colours) > 1:
            found.append(f"the net {net} has wires in {' and '.join(sorted(colours))}")
    return found


def nothing_loose(pod: Pod) -> list[str]:
    """Each terminal is wired; of the board the pins of this pod, of the shifter whole channels."""
    wired = set(pod.net_of())
    found = []
    for label, part in pod.by_label.items():
        terminals = pod.terminals.get(part.key)
        if terminals is None:
            found.append(f"{label}: terminals.csv knows no {part.key}")
            continue
        for name, terminal in terminals.items():
            end = f"{label}.{name}"
            if terminal.kind == "unused" or end in wired:
                continue
            if part.key.startswith("board") and terminal.kind not in POWER:
                continue
            if part.key == "level-shifter" and name[2:]:
                other = f"{label}.{'LV' if name.startswith('HV') else 'HV'}{name[2:]}"
                if other not in wired:
                    continue
            found.append(f"{end} is not wired")
    return found


def supplies_fit(pod: Pod) -> list[str]:
    """Each supplied terminal gets a voltage it is made for, from one source; grounds are one."""
    found = []
    volts = highest(pod)
    for net, ends in pod.nets().items():
        kinds = {end: terminal for end in ends if (terminal := pod.terminal(end)) is not None}
        sources = [end for end, terminal in kinds.items() if terminal.kind == "power_out"]
        if len(sources) > 1:
            found.append(f"{' and '.join(sources)} drive the net {net} against each other")
        for end, terminal in kinds.items():
            if terminal.kind == "power_in":
                least, most = terminal.high_from or 0.0, terminal.volts_max or 0.0
                if not least <= volts[net] <= most:
                    found.append(
                        f"{end} is made for {least:g} to {most:g} V and gets {volts[net]:g} V"
                    )
            if (terminal.kind == "ground") != (net == GROUND) and terminal.kind in POWER:
                found.append(f"{end} is on the net {net}")
    return found


def levels_fit(pod: Pod) -> list[str]:
    """No terminal gets more than it stands; each input sees enough for a high level."""
    found = []
    volts = highest(pod)
    for net, ends in pod.nets().items():
        level = high(pod, net, volts)
        for end in ends:
            terminal = pod.terminal(end)
            if terminal is None or terminal.kind in POWER:
                continue
            if terminal.volts_max is not None and volts[net] > terminal.volts_max:
                found.append(f"{end} stands {terminal.volts_max:g} V and may get {volts[net]:g} V")
            reads = terminal.kind in ("in", "both") and terminal.high_from is not None
            if reads and level < (terminal.high_from or 0.0):
                found.append(
                    f"{end} reads high from {terminal.high_from:g} V on and gets {level:g} V"
                )
            if terminal.kind == "strap" and net != GROUND:
                found.append(f"{end} must be tied to ground")
    return found


def directions_fit(pod: Pod) -> list[str]:
    """The board's terminals are as pins.h says; one drives a net, and inputs are driven."""
    found = []
    pins = {pin.label: pin for pin in pod.pins}
    nets = pod.nets()
    driven_by = {divider.net: divider.driven for divider in dividers(pod)}
    for net, ends in nets.items():
        kinds = {end: terminal.kind for end in ends if (terminal := pod.terminal(end)) is not None}
        behind = [pod.terminal(end) for end in nets.get(driven_by.get(net, ""), [])]
        driving = [*kinds.values(), *(terminal.kind for terminal in behind if terminal is not None)]
        drivers = [end for end, kind in kinds.items() if kind == "out"]
        others = [end for end, kind in kinds.items() if kind in ("both", "collector", "power_out")]
        against = drivers[1:] or (others if net not in _through_shifter(pod) else [])
        if drivers and (against or net == GROUND):
            found.append(f"{' and '.join(drivers + others)} drive the net {net}")
        for end, kind in kinds.items():
            label, _, name = end.partition(".")
            on_board = pod.by_label[label].key.startswith("board")
            if on_board and name in pins and kind != pins[name].direction:
                found.append(f"{end} is {kind}, but {pins[name].direction} in pins.h")
            if kind == "in" and not any(other in DRIVES for other in driving):
                found.append(f"nothing drives {end}")
    return found


def pins_are_the_firmwares(plan: Plan) -> list[str]:
    """All pods together use exactly the pins of pins.h."""
    pod = plan.pod(*VARIANTS)
    used = set()
    for end in pod.net_of():
        label, _, name = end.partition(".")
        for part in plan.parts:
            if label in part.labels and part.key.startswith("board"):
                terminal = plan.terminals[part.key].get(name)
                if terminal is not None and terminal.kind not in POWER and terminal.side != "none":
                    used.add(name)
    named = {pin.label for pin in plan.pins}
    return [f"{label} is wired, but not in pins.h" for label in sorted(used - named)] + [
        f"{label} is in pins.h, but not wired" for label in sorted(named - used)
    ]


def _through_shifter(pod: Pod) -> set[str]:
    """Return the nets at a shifter's channel: it follows whoever drives, by pulling low only."""
    shifters = [label for label, part in pod.by_label.items() if part.key == "level-shifter"]
    return {
        net
        for net, ends in pod.nets().items()
        if [end for end in ends if end.split(".")[0] in shifters]
        and len([e for e in ends if (t := pod.terminal(e)) is not None and t.kind == "both"]) == 1
    }


RULES: Final[tuple[Rule, ...]] = (
    everything_exists,
    nothing_twice,
    nothing_loose,
    supplies_fit,
    levels_fit,
    directions_fit,
    bus_pull_ups,
    pin_currents,
    dividers_fit,
    analog_source,
    transistors_switch,
)


def check(plan: Plan) -> list[str]:
    """Return all that is wrong with the plan, for each pod and for one with every option."""
    found = pins_are_the_firmwares(plan)
    pods = {name: plan.pod(name) for name in VARIANTS}
    pods["full"] = plan.pod(*FULL)
    for name, pod in pods.items():
        wrong = everything_exists(pod)
        if not wrong:  # the others need terminals to speak of
            wrong = [line for rule in RULES[1:] for line in rule(pod)]
        found += [f"{name}: {line}" for line in wrong]
    return found
