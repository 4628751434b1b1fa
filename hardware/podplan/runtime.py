"""How long a pod runs from its cell: ``hardware/currents.csv``.

One line is one consumer, its current taken from the 5 V (a linear regulator passes its load's
current on). Columns:

key
    Part in parts.csv.
what
    For what.
typical_ma, high_ma
    On average while the pod streams: what to expect, and what a bad specimen takes.
source
    Where the figures come from.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

from podplan.plan import HARDWARE, Plan
from podplan.table import read_rows

COLUMNS: Final = ("key", "what", "typical_ma", "high_ma", "source")
CELL_VOLT: Final = 3.7
"""Nominal voltage of a lithium-ion cell."""
RAIL_VOLT: Final = 5.0
CELLS_MAH: Final = (800, 1200, 2000)


class Store(NamedTuple):
    """What becomes of a cell's charge; estimates: such modules state little."""

    used: float
    """Part of the nominal capacity that is had: the protection ends it, age and cold take some."""
    efficiency: float
    """Of the boost converter, at some 30 to 70 mA."""


EXPECTED: Final = Store(0.85, 0.85)
WORST: Final = Store(0.70, 0.75)


@dataclass(frozen=True)
class Consumer:
    """One line of the table; currents in mA."""

    key: str
    what: str
    typical_ma: float
    high_ma: float
    source: str


def read_consumers(plan: Plan, variant: str, path: Path | None = None) -> list[Consumer]:
    """Return what takes current on a pod.

    Raises
    ------
    PlanError
        If a line is of a part that this pod has not, or its figures are none.
    """
    keys = {part.key for part in plan.pod(variant).parts}
    found = []
    for row in read_rows(path or HARDWARE / "currents.csv", COLUMNS):
        typical, high = row.number("typical_ma"), row.number("high_ma")
        if row.text("key") not in keys:
            raise row.wrong(f"the pod '{variant}' has no {row.text('key')}")
        if typical is None or high is None or not 0.0 < typical <= high:
            raise row.wrong("typical_ma must be above 0 and high_ma no less")
        found.append(Consumer(row.text("key"), row.text("what"), typical, high, row.text("source")))
    return found


def hours(capacity_mah: float, current_ma: float, store: Store) -> float:
    """Return how long a cell feeds a current taken from the 5 V."""
    energy_mwh = capacity_mah * store.used * CELL_VOLT * store.efficiency
    return energy_mwh / (RAIL_VOLT * current_ma)
