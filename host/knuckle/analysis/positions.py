"""Where the wheel stood at each rest: straight ahead, in or out.

Judged from the steer angle alone, never from the order in which the driver went.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.errors import MeasurementRefused
from knuckle.model.block import FloatArray, IntArray
from knuckle.model.result import Position

SAME_POSITION_DEG = 3.5
"""Rests closer than this in steer belong to one position: by hand the wheel is brought back to
within a degree or two (common practice, no source)."""

CLEARLY_NEARER_DEG = 2.5
"""By how much one position must lie nearer mid-way than the next to be taken as straight."""

FARTHEST_FROM_MIDWAY_DEG = 7.0
"""A straight ahead visited once must lie this near mid-way: locks of 28 and 15 deg give 6.5."""

PLAIN_SWEEP_DEG = 15.0
"""Locks at least this far out are not taken for stops on the way."""

SMALLEST_SWEEP_DEG = 9.5
"""Least change of heading each way: 10 deg, less what a gyro's scale may hide."""


@dataclass(frozen=True)
class Placing:
    """The rests sorted into positions.

    Attributes
    ----------
    straight : list of int
        Rests at straight ahead, in order of time.
    left_lock, right_lock : list of int
        Rests of the outermost position on each side.
    clusters : list of list of int
        All positions, from right to left.
    """

    straight: list[int]
    left_lock: list[int]
    right_lock: list[int]
    clusters: list[list[int]]


def clusters_of(steer_deg: FloatArray) -> list[list[int]]:
    """Sort rests into positions by steer angle, from right (negative) to left."""
    order = np.argsort(steer_deg, kind="stable")
    clusters: list[list[int]] = []
    for i in order:
        if clusters and steer_deg[i] - steer_deg[clusters[-1][-1]] < SAME_POSITION_DEG:
            clusters[-1].append(int(i))
        else:
            clusters.append([int(i)])
    return [sorted(cluster) for cluster in clusters]


def place(steer_deg: FloatArray, is_rest: list[bool], straight: int | None) -> Placing:
    """Find straight ahead and the locks.

    Straight ahead is the position between the outermost two; of several the one returned to
    most often, then the one nearest mid-way.

    Parameters
    ----------
    steer_deg : ndarray, shape (n,)
        Steer of each reading against any datum, left positive.
    is_rest : list of bool
        Which readings are rests; the others are moments of a slow move.
    straight : int or None
        The rest (counted among the rests) that the user says was straight ahead.

    Raises
    ------
    MeasurementRefused
        STRAIGHT_MISSING or STRAIGHT_AMBIGUOUS.
    """
    rests = np.flatnonzero(is_rest)
    clusters = _clusters(steer_deg, rests)
    if straight is not None:
        if not 0 <= straight < rests.size:
            raise MeasurementRefused(
                "STRAIGHT_MISSING",
                f"Rest {straight + 1} was named as straight ahead, "
                f"but {rests.size} rests were found.",
                "",
                "Name one of the rests listed.",
            )
        return Placing([int(rests[straight])], clusters[-1], clusters[0], clusters)
    if len(clusters) < 3:
        raise MeasurementRefused(
            "STRAIGHT_MISSING",
            f"Positions in which the wheel came to rest: {len(clusters)}. A sweep needs three: "
            "straight ahead, one to the left and one to the right.",
            "A position was passed over, or the wheel was not held still there for long enough.",
            "Sweep again: rest at straight ahead, at each lock, and at straight ahead again.",
        )
    middle = _straight_cluster(clusters, steer_deg, set(rests))
    return Placing(middle, clusters[-1], clusters[0], clusters)


def _clusters(steer_deg: FloatArray, rests: IntArray) -> list[list[int]]:
    """Sort rests into positions; of a slow move only its ends on either side matter."""
    clusters = [[int(rests[i]) for i in group] for group in clusters_of(steer_deg[rests])]
    for extreme, at in ((int(np.argmin(steer_deg)), 0), (int(np.argmax(steer_deg)), -1)):
        outermost = float(np.mean(steer_deg[clusters[at]]))
        if abs(steer_deg[extreme] - outermost) >= SAME_POSITION_DEG:
            clusters.insert(0 if at == 0 else len(clusters), [extreme])
    return clusters


def _straight_cluster(
    clusters: list[list[int]], steer_deg: FloatArray, rests: set[int]
) -> list[int]:
    between = [cluster for cluster in clusters[1:-1] if cluster[0] in rests]
    if not between:
        raise MeasurementRefused(
            "STRAIGHT_MISSING",
            "The wheel never came to rest between its outermost positions.",
            "Straight ahead was passed over.",
            "Sweep again, and rest at straight ahead.",
        )
    visits = max(len(cluster) for cluster in between)
    candidates = [cluster for cluster in between if len(cluster) == visits]
    midway = (np.mean(steer_deg[clusters[0]]) + np.mean(steer_deg[clusters[-1]])) / 2.0
    distance = [abs(float(np.mean(steer_deg[cluster])) - midway) for cluster in candidates]
    chosen = candidates[int(np.argmin(distance))]
    rivals = sorted(distance)
    if len(rivals) > 1 and rivals[1] - rivals[0] < CLEARLY_NEARER_DEG:
        raise _ambiguous("Two positions could be straight ahead: visited as often, as near mid-way")
    if visits == 1 and rivals[0] > FARTHEST_FROM_MIDWAY_DEG:
        raise _ambiguous(f"What would be straight ahead lies {rivals[0]:.0f} deg from mid-way")
    _check_visits(chosen, clusters, steer_deg)
    return chosen


def _check_visits(chosen: list[int], clusters: list[list[int]], steer_deg: FloatArray) -> None:
    """Refuse where an outermost position was visited more often than what lies between.

    It may be straight ahead itself, with stops on the way to one side only. Locks that were
    both visited again, far out on both sides, are a plain sweep all the same.
    """
    outer = (clusters[0], clusters[-1])
    more = [len(lock) > len(chosen) for lock in outer]
    reach = [abs(float(np.mean(steer_deg[lock]) - np.mean(steer_deg[chosen]))) for lock in outer]
    if any(more) and not (all(more) and min(reach) >= PLAIN_SWEEP_DEG):
        raise _ambiguous("An outermost position was visited more often than any between")


def _ambiguous(what: str) -> MeasurementRefused:
    return MeasurementRefused(
        "STRAIGHT_AMBIGUOUS",
        f"{what}: straight ahead cannot be told.",
        "Straight ahead, or one side of the sweep, was passed over, or was visited only once.",
        "Name the rest with --straight N, or sweep again and return to straight ahead.",
    )


def check_size(heading_deg: FloatArray, placing: Placing) -> None:
    """Refuse a sweep that is too small.

    Parameters
    ----------
    heading_deg : ndarray, shape (n,)
        Change of heading from straight ahead, left positive.

    Raises
    ------
    MeasurementRefused
        SWEEP_TOO_SMALL.
    """
    left = float(np.mean(heading_deg[placing.left_lock]))
    right = float(np.mean(heading_deg[placing.right_lock]))
    if left < SMALLEST_SWEEP_DEG or right > -SMALLEST_SWEEP_DEG:
        raise MeasurementRefused(
            "SWEEP_TOO_SMALL",
            f"The wheel was steered {max(left, 0.0):.1f} deg to the left and "
            f"{max(-right, 0.0):.1f} deg to the right; at least 10 deg each way is needed.",
            "Small angles multiply every error of caster.",
            "Sweep again with about 20 deg each way.",
        )


def label(heading_deg: float, is_straight: bool, side: int) -> Position:
    """Name a rest's position as seen from its wheel: on a left wheel, left is out."""
    if is_straight:
        return Position.STRAIGHT
    return Position.OUT if heading_deg * side > 0 else Position.IN
