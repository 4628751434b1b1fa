"""Designs of a validation: which angles are set, in which order, how the pod is put on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

LINEAR_ANGLES: Final = 11
UP_DOWN_ANGLES: Final = 9
SEATINGS: Final = 10
TURNS: Final = 5
"""Pairs of readings that the turn end for end alone takes; two of them beside other parts."""


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


def steps_of(
    design: Design,
    low_deg: float,
    high_deg: float,
    *,
    angles: int | None = None,
    seatings: int = SEATINGS,
    keep_seated: bool = False,
) -> tuple[Step, ...]:
    """Return the steps of a design over a range.

    Parameters
    ----------
    design : Design
        FULL is up and down, seating anew, and the turn end for end.
    low_deg, high_deg : float
    angles : int or None
        How many angles are set each way; None takes 11 for LINEAR, else 9.
    seatings : int
        How often the pod is put on at one angle.
    keep_seated : bool
        The pod stays where it is while angles are set (not so for seatings and turns).

    Raises
    ------
    ValueError
        If the range is empty, or angles or seatings are fewer than two.
    """
    if not high_deg > low_deg:
        raise ValueError("the range of angles is empty")
    count = angles or (LINEAR_ANGLES if design is Design.LINEAR else UP_DOWN_ANGLES)
    if count < 2 or seatings < 2:
        raise ValueError("two angles or seatings are the fewest that say anything")
    plan = _Plan(keep_seated)
    ladder = [float(angle) for angle in np.linspace(low_deg, high_deg, count)]
    if design is Design.LINEAR:
        plan.climb(Design.LINEAR, ladder, 0)
    if design in (Design.UP_DOWN, Design.FULL):
        plan.climb(Design.UP_DOWN, ladder, 1)
        plan.climb(Design.UP_DOWN, ladder[::-1], -1)
    if design in (Design.REPEAT, Design.FULL):
        plan.seat_anew((low_deg + high_deg) / 2.0, seatings)
    if design in (Design.REVERSAL, Design.FULL):
        nearest = min(max(0.0, low_deg), high_deg)
        plan.turn(nearest, 2 if design is Design.FULL else TURNS)
    return tuple(plan.steps)


class _Plan:
    def __init__(self, keep_seated: bool) -> None:
        self.steps: list[Step] = []
        self.keep_seated = keep_seated
        self.setting = self.seat = -1

    def climb(self, part: Design, ladder: list[float], direction: int) -> None:
        for angle in ladder:
            self.setting += 1
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
