"""Positions in an outcome held against the script: straight ahead, in or out."""

from __future__ import annotations

from typing import NamedTuple

from knuckle.model.result import Outcome
from knuckle.sim.truth import Truth


class Labels(NamedTuple):
    """Rests of an outcome that lie in a scripted one: labelled right, wrong, and not at all."""

    right: int
    wrong: int
    without: int


def labels_of(outcome: Outcome, truth: Truth) -> Labels:
    """Compare each rest's position with that of the scripted hold it lies in."""
    right = wrong = without = 0
    for rest in outcome.rests:
        middle_s = (rest.start_s + rest.end_s) / 2.0
        holds = [hold for hold in truth.rests if hold.start_s <= middle_s <= hold.end_s]
        if not holds:
            continue
        if rest.position is None:
            without += 1
        elif rest.position is holds[0].position:
            right += 1
        else:
            wrong += 1
    return Labels(right, wrong, without)


def told(each: list[Labels]) -> str:
    """Return the sums in words."""
    right, wrong, without = (sum(column) for column in zip(*each, strict=True))
    return f"rests labelled right {right}, wrong {wrong}, not labelled {without}"
