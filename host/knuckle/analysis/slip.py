"""Did the mount slip? The likeliest slip of the pod in tilt and yaw, after one of the rests."""

from __future__ import annotations

from collections.abc import Sequence

from knuckle.analysis.fit import Fit, FitFunction

MOST_AT_ONCE = 16
"""So many places of a slip are tried at once."""


def unseen_places(clusters: Sequence[Sequence[int]], count: int) -> list[int]:
    """Return after which rests a slip would leave no position that was read before and after.

    Parameters
    ----------
    clusters : sequence of sequence of int
        The rests (from 0) of each position.
    count : int
        Number of readings.
    """
    return [
        after
        for after in range(count - 1)
        if not any(min(cluster) <= after < max(cluster) for cluster in clusters)
    ]


def likeliest_slip(fit: FitFunction, roll_deg: float, count: int) -> tuple[Fit, int]:
    """Return the fit with the likeliest slip, and the rest (from 0) before it.

    Of many rests every so many is tried first, then those about the best.

    Parameters
    ----------
    fit : callable
    roll_deg : float
        Prior of the wheel's roll.
    count : int
        Number of readings, at least two.
    """
    tried: dict[int, Fit] = {}

    def best() -> int:
        return min(tried, key=lambda after: tried[after].chi_squared)

    step = -(-(count - 1) // MOST_AT_ONCE)
    while True:
        around = range(count - 1) if not tried else range(best() - 2 * step, best() + 2 * step + 1)
        for after in around[::step]:
            if 0 <= after < count - 1 and after not in tried:
                tried[after] = fit(roll_deg, after)
        if step == 1:
            return tried[best()], best()
        step = -(-step // 4)
