"""What each part can be wired by: ``hardware/terminals.csv``.

Columns:

key
    The part, as in parts.csv.
terminal
    Name of the terminal; the board's as printed on it.
kind
    One of `KINDS`.
side
    Where the diagram puts it: left, right, or none (not drawn).
volts_out
    The high level it drives, or that its part pulls it up to.
high_from
    An input's least voltage that counts as high; a supply's least voltage.
volts_max
    The most it stands.
pull_up_ohm
    The part's own pull-up at the terminal, to `volts_out`; empty if it has none.
note
    Source, or a word to whoever solders.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from podplan.table import Row, read_rows

COLUMNS: Final = (
    "key",
    "terminal",
    "kind",
    "side",
    "volts_out",
    "high_from",
    "volts_max",
    "pull_up_ohm",
    "note",
)
KINDS: Final = {
    "power_out": "supplies",
    "power_in": "is supplied",
    "ground": "ground",
    "out": "drives high and low",
    "in": "reads",
    "both": "pulls low and reads",
    "analog": "is measured",
    "strap": "is tied to a level for good",
    "collector": "pulls low only",
    "base": "base of a transistor",
    "passive": "resistor, capacitor, cell and the like",
    "switch": "contact",
    "unused": "stays open",
}
SIDES: Final = ("left", "right", "none")
MUST_STATE: Final = {
    "power_out": ("volts_out",),
    "power_in": ("high_from", "volts_max"),
    "out": ("volts_out",),
    "in": ("high_from", "volts_max"),
    "both": ("volts_max",),
    "analog": ("volts_max",),
    "strap": ("volts_max",),
    "collector": ("volts_max",),
}
"""Without these numbers the rules could not judge the terminal."""


@dataclass(frozen=True)
class Terminal:
    """One line of the table; the fields are its columns."""

    key: str
    terminal: str
    kind: str
    side: str
    volts_out: float | None
    high_from: float | None
    volts_max: float | None
    pull_up_ohm: float | None
    note: str


def read_terminals(path: Path) -> dict[str, dict[str, Terminal]]:
    """Read and check the terminals.

    Raises
    ------
    PlanError
        If a line is not as the module says, or comes twice.

    Returns
    -------
    dict
        Part to name of terminal to terminal, in the file's order.
    """
    found: dict[str, dict[str, Terminal]] = {}
    for row in read_rows(path, COLUMNS):
        terminal = _terminal(row)
        of_part = found.setdefault(terminal.key, {})
        if terminal.terminal in of_part:
            raise row.wrong(f"{terminal.terminal} of {terminal.key} comes twice")
        of_part[terminal.terminal] = terminal
    return found


def _terminal(row: Row) -> Terminal:
    kind = row.one_of("kind", tuple(KINDS))
    for column in MUST_STATE.get(kind, ()):
        if row.number(column) is None:
            raise row.wrong(f"{kind} must state {column}")
    return Terminal(
        key=row.text("key"),
        terminal=row.text("terminal"),
        kind=kind,
        side=row.one_of("side", SIDES),
        volts_out=row.number("volts_out"),
        high_from=row.number("high_from"),
        volts_max=row.number("volts_max"),
        pull_up_ohm=row.number("pull_up_ohm"),
        note=row.cells["note"],
    )
