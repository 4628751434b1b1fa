"""A rest that goes on, as cells, and what is told of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from knuckle.rests.level import Doubt, Level


@dataclass(frozen=True, slots=True)
class Closing:
    """A rest as cells of its stretch: `first` to `end`, with one flag a cell."""

    first: int
    end: int
    good: tuple[bool, ...]
    knocks: int
    announced: bool
    start_s: float
    end_s: float
    departed: bool
    """Whether it is a whole stand that a move has ended: no piece of one whose level slid or
    stepped, nor one that goes on."""


@dataclass(frozen=True, slots=True)
class Notice:
    """What a cell has settled. "ready" and "closed" carry the rest."""

    kind: Literal["ready", "closed", "knock"]
    at_s: float
    closing: Closing | None = None


@dataclass(slots=True)
class OpenRest:
    """A rest that goes on.

    Attributes
    ----------
    first : int
        Its first cell; `good` and `end_s` tell of the cells from there on.
    knock_cells : list of (int, int, bool)
        First and last cell of each disturbance that is over, and whether it was loud: a slow
        move changes the level without noise.
    bad_since : int or None
        First cell of a disturbance that is not over; its cells' flags are `pending`, of which
        the last `good_run` are good; `loud` and `turned_deg` are as above and what the gyro
        has turned in it.
    doubtful : bool
        Whether the rest before ended here because its level slid away.
    doubt : Doubt or None
        A disturbance that may have been a move, not decided yet.
    """

    first: int
    start_s: float
    good: list[bool]
    end_s: list[float]
    level: Level
    announced: bool = False
    doubtful: bool = False
    knocks: int = 0
    knock_cells: list[tuple[int, int, bool]] = field(default_factory=list)
    bad_since: int | None = None
    good_run: int = 0
    loud: bool = False
    pending: list[bool] = field(default_factory=list)
    turned_deg: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    doubt: Doubt | None = None

    def closing(self, end: int, departed: bool = False) -> Closing:
        """Return the rest up to cell `end` (exclusive) of its stretch."""
        count = max(0, end - self.first)
        return Closing(
            self.first,
            self.first + count,
            tuple(self.good[:count]),
            self.knocks,
            self.announced,
            self.start_s,
            self.end_s[count - 1] if count else self.start_s,
            departed,
        )


def widen(flags: list[bool]) -> None:
    """Leave out the neighbours of disturbed cells too: a knock rarely ends with a cell."""
    bad = [j for j, good in enumerate(flags) if not good]
    for j in bad:
        for k in (j - 1, j + 1):
            if 0 <= k < len(flags):
                flags[k] = False
