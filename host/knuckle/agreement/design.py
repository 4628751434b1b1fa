"""Designs of a validation: which angles are set, in which order, how the pod is put on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

UP_DOWN_ANGLES: Final = 9
SEATINGS: Final = 10
TURNS: Final = 5
"""Pairs of readings that the turn end for end alone takes."""


class Design(StrEnum):
    """Parts of a validation; the names are those of the command line."""

    LINEAR = "linear"
    UP_DOWN = "updown"
    REPEAT = "repeat"
    REVERSAL = "reversal"
    FULL = "full"


@dataclass(frozen=True, slots=True)
class Step:
    """One reading of the pod.

    Attributes
    ----------
    part : Design
        Which part it belongs to; never FULL.
    target_deg : float
        About where the angle is to be set; the reference says where it is.
    setting : int
        Same number as the step before: the angle is not touched and the reference not read.
    seat : int
        Another number than the step before: the pod is taken off and put on anew.
    turned : bool
        The pod stands turned end for end.
    direction : int
        +1 going up, -1 going down, 0 where neither is meant.
    """

    part: Design
    target_deg: float
    setting: int
    seat: int
    turned: bool = False
    direction: int = 0


@dataclass(frozen=True, slots=True)
class Size:
    """How much of a design is done.

    Attributes
    ----------
    angles : int
        Angles set each way.
    again : int
        How often the pod is put on at each angle of LINEAR.
    seatings : int
        How often the pod is put on at one angle.
    turns : int
        Pairs of readings, the pod turned end for end in between.
    """

    angles: int = UP_DOWN_ANGLES
    again: int = 1
    seatings: int = SEATINGS
    turns: int = TURNS


SIZES: Final = {
    Design.LINEAR: tuple(
        Size(angles, again)
        for angles, again in ((11, 1), (11, 2), (15, 2), (19, 2), (25, 2), (33, 2))
    ),
    Design.UP_DOWN: tuple(Size(angles) for angles in (9, 11, 13, 15, 19, 25)),
    # All at one angle: set anew, a drift would hide behind the reading of the reference.
    Design.REPEAT: tuple(Size(seatings=seatings) for seatings in (10, 15, 20, 30, 40)),
    Design.REVERSAL: tuple(Size(turns=turns) for turns in (5, 7, 9, 12, 16, 20)),
    Design.FULL: tuple(
        Size(angles, seatings=seatings, turns=turns)
        for angles, seatings, turns in (
            *((9, 10, 2), (9, 10, 4), (11, 10, 4), (13, 12, 5), (17, 12, 6), (21, 12, 8)),
        )
    ),
}
"""What a design may be made of, the shortest first."""


def steps_of(
    design: Design,
    low_deg: float,
    high_deg: float,
    *,
    angles: int | None = None,
    seatings: int | None = None,
    keep_seated: bool = False,
    size: Size | None = None,
) -> tuple[Step, ...]:
    """Return the steps of a design over a range.

    Parameters
    ----------
    design : Design
        FULL is up and down, seating anew, and the turn end for end.
    low_deg, high_deg : float
    angles : int or None
        How many angles are set each way, in place of the size's.
    seatings : int or None
        How often the pod is put on at one angle, in place of the size's.
    keep_seated : bool
        The pod stays where it is while angles are set (not so for seatings and turns).
    size : Size or None
        None takes the shortest.

    Raises
    ------
    ValueError
        If the range is empty, or angles or seatings are fewer than two.
    """
    if not high_deg > low_deg:
        raise ValueError("the range of angles is empty")
    size = size or SIZES[design][0]
    count = size.angles if angles is None else angles
    seated = size.seatings if seatings is None else seatings
    if count < 2 or seated < 2:
        raise ValueError("two angles or seatings are the fewest that say anything")
    plan = _Plan(keep_seated)
    ladder = [float(angle) for angle in np.linspace(low_deg, high_deg, count)]
    if design is Design.LINEAR:
        plan.climb(Design.LINEAR, ladder, 0, 1 if keep_seated else size.again)
    if design in (Design.UP_DOWN, Design.FULL):
        plan.climb(Design.UP_DOWN, ladder, 1)
        plan.climb(Design.UP_DOWN, ladder[::-1], -1)
    if design in (Design.REPEAT, Design.FULL):
        plan.seat_anew((low_deg + high_deg) / 2.0, seated)
    if design in (Design.REVERSAL, Design.FULL):
        plan.turn(min(max(0.0, low_deg), high_deg), size.turns)
    return tuple(plan.steps)


def different_angles(steps: Sequence[Step]) -> int:
    """Return how many different angles steps are meant to set, as the pod stands."""
    return len({round(-s.target_deg if s.turned else s.target_deg, 6) + 0.0 for s in steps})


class _Plan:
    def __init__(self, keep_seated: bool) -> None:
        self.steps: list[Step] = []
        self.keep_seated = keep_seated
        self.setting = self.seat = -1

    def climb(self, part: Design, ladder: list[float], direction: int, times: int = 1) -> None:
        for angle in ladder:
            self.setting += 1
            for _ in range(times):
                if not (self.keep_seated and self.steps):
                    self.seat += 1
                self.steps.append(
                    Step(part, angle, self.setting, max(self.seat, 0), direction=direction)
                )

    def seat_anew(self, angle_deg: float, times: int) -> None:
        self.setting += 1
        for _ in range(times):
            self.seat += 1
            self.steps.append(Step(Design.REPEAT, angle_deg, self.setting, self.seat))

    def turn(self, angle_deg: float, times: int) -> None:
        for _ in range(times):
            self.setting += 1
            for turned in (False, True):
                self.seat += 1
                self.steps.append(Step(Design.REVERSAL, angle_deg, self.setting, self.seat, turned))
