"""The wires: ``hardware/wiring.csv``.

Columns:

from, to
    Two terminals, each ``LABEL.terminal``.
net
    Name of what they belong to: all that is joined has one name.
colour
    Of the wire, our own choice; ``on the board`` where a board has the connection already.
variants
    ``all``, or which pods have the wire.
page
    Number of the assembly page on which it is soldered.
why
    What it is for.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from podplan.table import Row, read_rows
from podplan.variants import variants_of

COLUMNS: Final = ("from", "to", "net", "colour", "variants", "page", "why")
ON_BOARD: Final = "on the board"
COLOURS: Final = {
    "red": "#c81e1e",
    "black": "#1a1a1a",
    "orange": "#d97000",
    "blue": "#1f5fbf",
    "green": "#1c8038",
    "yellow": "#a08a00",
    "violet": "#7a3fa0",
    "white": "#8a8a8a",
    "brown": "#7b4a21",
    "grey": "#5c6b73",
    ON_BOARD: "#1a1a1a",
}
"""Colours of wires and how they are drawn on white."""


@dataclass(frozen=True)
class Wire:
    """One line of the table; `start` and `end` are its ``from`` and ``to``."""

    line: int
    start: str
    end: str
    net: str
    colour: str
    variants: frozenset[str]
    page: str
    why: str


def read_wires(path: Path) -> tuple[Wire, ...]:
    """Read the wires; whether they make sense together is for the rules to say.

    Raises
    ------
    PlanError
        If a line is not as the module says.
    """
    return tuple(_wire(row) for row in read_rows(path, COLUMNS))


def _wire(row: Row) -> Wire:
    for column in ("from", "to"):
        if not re.fullmatch(r"[A-Z]{1,2}[1-9][0-9]?\.\S+", row.text(column)):
            raise row.wrong(f"{column} is {row.cells[column]!r}, not LABEL.terminal")
    page = row.text("page")
    if not re.fullmatch(r"[0-9]{2}", page):
        raise row.wrong(f"page is {page!r}, not two digits")
    return Wire(
        line=row.line,
        start=row.cells["from"],
        end=row.cells["to"],
        net=row.text("net"),
        colour=row.one_of("colour", tuple(COLOURS)),
        variants=variants_of(row),
        page=page,
        why=row.text("why"),
    )
