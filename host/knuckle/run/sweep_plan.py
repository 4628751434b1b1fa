"""From the places where the wheel has rested to what a sweep still lacks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from knuckle.analysis.positions import SAME_POSITION_DEG, clusters_of, place
from knuckle.errors import MeasurementRefused

LEAST_LOCK_DEG: Final = 15.0
"""A rest that far from straight ahead is a lock; smaller ones are welcome, but not enough."""
AIM_DEG: Final = 20.0


class Need(Enum):
    """The next thing a sweep lacks."""

    FIRST_REST = "a first rest, at straight ahead"
    LEFT = "the lock on the left"
    RIGHT = "the lock on the right"
    EITHER = "a lock, whichever"
    STRAIGHT = "straight ahead again"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """Where the rests lie and what is lacking.

    Attributes
    ----------
    datum_deg : float
        Steer of straight ahead, on the scale of the steers given.
    need : Need
    straight, left, right : int
        Rests at straight ahead and at the locks.
    """

    datum_deg: float
    need: Need
    straight: int
    left: int
    right: int


def plan(
    steer_deg: Sequence[float], passed_deg: Sequence[float] = (), now_deg: float = 0.0
) -> SweepPlan:
    """Judge a sweep so far.

    Until the rests tell straight ahead from the locks, the first counts as straight ahead.

    Parameters
    ----------
    steer_deg : sequence of float
        Of each rest in order of time, left positive, against any datum.
    passed_deg : sequence of float
        Ends of slow moves without stops, same datum.
    now_deg : float
        Where the wheel is: of two locks, the nearer one is asked for.
    """
    steer = np.asarray(steer_deg, dtype=np.float64)
    if not steer.size:
        return SweepPlan(0.0, Need.FIRST_REST, 0, 0, 0)
    straight, certain = _straight(steer)
    datum = float(np.mean(steer[straight]))
    turned = steer - datum
    left, right = turned >= LEAST_LOCK_DEG, turned <= -LEAST_LOCK_DEG
    left_done = bool(left.any()) or max(passed_deg, default=datum) - datum >= LEAST_LOCK_DEG
    right_done = bool(right.any()) or min(passed_deg, default=datum) - datum <= -LEAST_LOCK_DEG
    return SweepPlan(
        datum,
        _need(steer, straight, left_done, right_done, certain, now_deg - datum),
        len(straight),
        int(left.sum()) or int(left_done),
        int(right.sum()) or int(right_done),
    )


def _straight(steer: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[list[int], bool]:
    """Return the rests at straight ahead, and whether they are told apart beyond doubt."""
    clusters = clusters_of(steer)
    first = next(cluster for cluster in clusters if 0 in cluster)
    if len(clusters) < 3:
        return first, True
    try:
        found, certain = place(steer, [True] * steer.size, None).straight, True
    except MeasurementRefused:
        between = clusters[1:-1]
        found, certain = (first if first in between else between[0]), False
    turned = steer - float(np.mean(steer[found]))
    if turned.max() < LEAST_LOCK_DEG or turned.min() > -LEAST_LOCK_DEG:
        # A stop on the way to the first lock lies between two others as well.
        return first, True
    return found, certain


def _need(
    steer: np.ndarray[tuple[int], np.dtype[np.float64]],
    straight: list[int],
    left: bool,
    right: bool,
    certain: bool,
    now_deg: float,
) -> Need:
    last = steer.size - 1
    if not left and not right:
        if now_deg > SAME_POSITION_DEG:
            return Need.LEFT
        return Need.RIGHT if now_deg < -SAME_POSITION_DEG else Need.EITHER
    if not (left and right):
        # From lock to lock at once: what seems to be straight ahead is a lock as well.
        if np.ptp(steer) >= 2.0 * LEAST_LOCK_DEG:
            return Need.STRAIGHT
        return Need.RIGHT if left else Need.LEFT
    if last not in straight:
        return Need.STRAIGHT
    if not certain or len(straight) < 2:
        return Need.EITHER
    return Need.NOTHING
