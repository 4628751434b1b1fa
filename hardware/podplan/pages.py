"""Tables in the pages, made from the plan between the pages' own marks.

A page holds ``<!-- begin NAME -->`` and ``<!-- end NAME -->``; what stands between is made anew.
Names: ``bill VARIANT``, ``pins``, ``parts PAGE``, ``wires PAGE``, ``part KEY``, ``rules``,
``pages``, ``currents VARIANT``, ``hours VARIANT``.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Final

from podplan.errors import PlanError
from podplan.parts import Part
from podplan.plan import HARDWARE, Plan, labels_in_order
from podplan.rules import POWER, RULES
from podplan.runtime import CELLS_MAH, EXPECTED, WORST, hours, read_consumers
from podplan.terminals import KINDS
from podplan.variants import VARIANTS
from podplan.wiring import ON_BOARD

_BLOCK: Final = re.compile(r"<!-- begin ([^>]*?) -->\n(.*?)<!-- end \1 -->", re.DOTALL)
DIRECTION: Final = {
    "in": "input",
    "out": "output",
    "both": "both ways",
    "analog": "analog input",
}


def pages(folder: Path = HARDWARE) -> list[Path]:
    """Return the pages that may hold tables."""
    return sorted([*folder.glob("*.md"), *folder.glob("assembly/*.md"), *folder.glob("parts/*.md")])


def with_tables(plan: Plan, path: Path, text: str) -> str:
    """Return a page with its tables brought up to date.

    Raises
    ------
    PlanError
        If a mark is unknown, or begin and end do not match.
    """
    if len(re.findall("<!-- (?:begin|end) ", text)) != 2 * len(_BLOCK.findall(text)):
        raise PlanError(path, 0, "its marks do not come in pairs of begin and end")

    def made(found: re.Match[str]) -> str:
        word, _, what = found[1].partition(" ")
        if word not in TABLES:
            raise PlanError(path, 0, f"nothing is called {found[1]!r}")
        try:
            table = TABLES[word](plan, what)
        except KeyError as error:
            raise PlanError(path, 0, f"there is nothing for {found[1]!r}") from error
        return f"<!-- begin {found[1]} -->\n{table}<!-- end {found[1]} -->"

    return _BLOCK.sub(made, text)


def _table(head: str, lines: list[str]) -> str:
    columns = head.count("|") - 1
    return "\n".join([head, "|" + "---|" * columns, *lines]) + "\n"


def _pods(variants: frozenset[str]) -> str:
    if variants == frozenset(VARIANTS):
        return "all"
    return ", ".join(name for name in VARIANTS if name in variants)


def _by_key(parts: tuple[Part, ...]) -> dict[str, list[Part]]:
    found: dict[str, list[Part]] = {}
    for part in parts:
        found.setdefault(part.key, []).append(part)
    return found


def _link(part: Part, folder: str) -> str:
    return f"[{part.name}]({folder}{part.key}.md)"


def _labels(parts: list[Part]) -> str:
    return " ".join(labels_in_order(label for part in parts for label in part.labels)) or "-"


def bill(plan: Plan, variant: str) -> str:
    """Return the bill of materials of a variant."""
    if variant not in VARIANTS:
        raise KeyError(variant)
    lines, total = [], 0.0
    groups = _by_key(plan.pod(variant).parts)
    for group in groups.values():
        quantity = sum(part.quantity for part in group)
        cost = quantity * group[0].cost_each
        total += cost
        purpose = "; ".join(part.purpose for part in group)
        lines.append(
            f"| {quantity} | {_link(group[0], 'parts/')} | {_labels(group)} | {purpose} "
            f"| {group[0].substitutes} | {cost:.2f} |"
        )
    first = next(iter(groups.values()))[0]
    months = sorted({part.priced_on for part in plan.parts})
    lines.append(f"| | **all of it, roughly** | | | | **{total:.0f}** |")
    head = f"| pieces | part | in the diagram | purpose | substitutes | cost, {first.currency} |"
    when = months[0] if len(months) == 1 else f"{months[0]} to {months[-1]}"
    return _table(head, lines) + f"\nCosts are rough, of single pieces, estimated in {when}.\n"


def pin_table(plan: Plan, _: str) -> str:
    """Return the table of the board's pins, from the firmware's header."""
    lines = []
    for pin in plan.pins:
        pods = frozenset(
            variant
            for variant in VARIANTS
            for end in plan.pod(variant).net_of()
            if end == f"U1.{pin.label}"
        )
        lines.append(
            f"| {pin.label} | {pin.port} | `{pin.name}` | {DIRECTION[pin.direction]} "
            f"| {pin.purpose} | {_pods(pods)} |"
        )
    head = "| on the board | on the chip | in the firmware | direction | for | pods |"
    return _table(head, lines)


def parts_of(plan: Plan, page: str) -> str:
    """Return the parts of one assembly page."""
    parts = tuple(part for part in plan.parts if part.page == page)
    if not parts:
        raise KeyError(page)
    lines = [
        f"| {part.quantity} | {_link(part, '../parts/')} | {_labels([part])} "
        f"| {_pods(part.variants)} |"
        for part in parts
    ]
    return _table("| pieces | part | in the diagram | pods |", lines)


def wires_of(plan: Plan, page: str) -> str:
    """Return the wires of one assembly page."""
    wires = [wire for wire in plan.wires if wire.page == page]
    if not wires:
        raise KeyError(page)
    everywhere = all(wire.variants == wires[0].variants for wire in wires)
    lines = [
        f"| {number} | {wire.start} | {wire.end} | {wire.colour} "
        + ("" if everywhere else f"| {_pods(wire.variants)} ")
        + f"| {wire.why} |"
        for number, wire in enumerate((w for w in wires if w.colour != ON_BOARD), 1)
    ]
    lines += [
        f"| - | {wire.start} | {wire.end} | {wire.colour} "
        + ("" if everywhere else f"| {_pods(wire.variants)} ")
        + f"| {wire.why} |"
        for wire in wires
        if wire.colour == ON_BOARD
    ]
    return _table(f"| wire | from | to | colour {'' if everywhere else '| pods '}| why |", lines)


def part_facts(plan: Plan, key: str) -> str:
    """Return what the bill of materials says of one part."""
    group = _by_key(plan.parts)[key]
    uses = [
        f"| {part.quantity} | {_labels([part])} | {_pods(part.variants)} | {part.purpose} "
        f"| [{part.page}](../{assembly_page(part.page)}) |"
        for part in group
    ]
    first = group[0]
    table = _table("| pieces | in the diagram | pods | purpose | built in on page |", uses)
    cost = f"{first.cost_each:.2f} {first.currency} each, estimated in {first.priced_on}"
    text = f"{table}\n**Substitutes:** {first.substitutes}.\n\n**Rough cost:** {cost}.\n"
    terminals = plan.terminals.get(key, {})
    notes = [
        f"| {terminal.terminal} | {KINDS[terminal.kind]} | {_limits(plan, key, name)} "
        f"| {terminal.note or '-'} |"
        for name, terminal in terminals.items()
    ]
    if any(terminal.kind not in ("passive", "switch") for terminal in terminals.values()):
        text += "\n" + _table("| terminal | what it does | volts | note |", notes)
    return text


def _limits(plan: Plan, key: str, name: str) -> str:
    terminal = plan.terminals[key][name]
    words = []
    if terminal.volts_out is not None:
        words.append(f"gives {terminal.volts_out:g}")
    if terminal.high_from is not None:
        word = "from" if terminal.kind in POWER else "high from"
        words.append(f"{word} {terminal.high_from:g}")
    if terminal.volts_max is not None:
        words.append(f"at most {terminal.volts_max:g}")
    return ", ".join(words) or "-"


def rule_list(_plan: Plan, _what: str) -> str:
    """Return the rules that the wiring is checked by, in their own words."""
    return "".join(f"- {(rule.__doc__ or '').strip()}\n" for rule in RULES)


def assembly_page(number: str) -> str:
    """Return the path of an assembly page below hardware/, by its number.

    Raises
    ------
    KeyError
        If there is none, or there are several.
    """
    found = list((HARDWARE / "assembly").glob(f"{number}-*.md"))
    if len(found) != 1:
        raise KeyError(number)
    return f"assembly/{found[0].name}"


def page_list(_plan: Plan, _what: str) -> str:
    """Return the assembly pages in order, by their headings."""
    lines = []
    for path in sorted((HARDWARE / "assembly").glob("[0-9]*.md")):
        heading = path.read_text(encoding="utf-8").splitlines()[0].removeprefix("# ")
        number, title = heading.split(" ", maxsplit=1)
        lines.append(f"| {number} | [{title}](assembly/{path.name}) |")
    return _table("| page | what is done |", lines)


def current_table(plan: Plan, variant: str) -> str:
    """Return what takes current on a pod, and how much in all."""
    names = {part.key: part.name for part in plan.parts}
    rows = read_consumers(plan, variant)
    lines = [
        f"| {names[row.key]} | {row.what} | {row.typical_ma:g} | {row.high_ma:g} | {row.source} |"
        for row in rows
    ]
    typical, high = sum(row.typical_ma for row in rows), sum(row.high_ma for row in rows)
    lines.append(f"| **all of it** | | **{typical:.0f}** | **{high:.0f}** | |")
    return _table("| part | for | typical, mA | high, mA | source |", lines)


def hour_table(plan: Plan, variant: str) -> str:
    """Return how long a pod runs from cells of several sizes."""
    rows = read_consumers(plan, variant)
    typical, high = sum(row.typical_ma for row in rows), sum(row.high_ma for row in rows)
    lines = [
        f"| {mah} mAh | {hours(mah, typical, EXPECTED):.0f} h | {hours(mah, high, WORST):.0f} h |"
        for mah in CELLS_MAH
    ]
    return _table("| cell | expected | at worst |", lines)


TABLES: Final[dict[str, Callable[[Plan, str], str]]] = {
    "bill": bill,
    "pins": pin_table,
    "parts": parts_of,
    "wires": wires_of,
    "part": part_facts,
    "rules": rule_list,
    "pages": page_list,
    "currents": current_table,
    "hours": hour_table,
}
