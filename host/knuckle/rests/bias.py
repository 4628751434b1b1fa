"""What earlier rests say of the gyro's bias, for judging the one that goes on."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from knuckle.rests.consensus import bias_change_dps, vouched
from knuckle.rests.reading import Reading
from knuckle.rests.stand import same_stand

Vector = tuple[float, float, float]
_WITNESSES = 4


class BiasWitnesses:
    """The latest rests that agree on the gyro's bias.

    Attributes
    ----------
    known : bool
        Whether there is any.
    sure : bool
        Whether it cannot have been a drift: two agree between which the wheel moved, or the
        accelerometer vouches for one.
    """

    def __init__(self) -> None:
        self.known = False
        self.sure = False
        self._seen: list[tuple[list[float], list[float], float, float]] = []

    def learn(self, found: list[Reading], verdicts: list[str]) -> None:
        """Take the rests found so far, without those that drifted."""
        kept = [r for r, why in zip(found, verdicts, strict=True) if not why][-_WITNESSES:]
        self._seen = [
            (
                r.rest.gyro_dps.tolist(),
                r.rest.accel_g.tolist(),
                float(np.trace(r.rest.gyro_cov_dps2)),
                r.rest.end_s,
            )
            for r in kept
            if r.rest.gyro_dps is not None and r.rest.gyro_cov_dps2 is not None
        ]
        self.known = bool(self._seen)
        moved = any(not same_stand(a, b) for a, b in pairwise(kept))
        self.sure = self.known and (moved or any(vouched(r) for r in kept))

    def rate_dps(self, gyro: Vector, accel: Vector, variance: float, at_s: float) -> float:
        """Return the least rate of turn that the witnesses leave in a gyro mean.

        Noise (3 sigma) and what g and time may have changed are taken off.

        Parameters
        ----------
        gyro, accel : tuple of float
            Means.
        variance : float
            Of the gyro's mean, over its axes.
        at_s : float
            Pod time.
        """
        least = math.inf
        for seen_gyro, seen_accel, seen_variance, seen_s in self._seen:
            may_be = bias_change_dps(
                math.dist(accel, seen_accel), abs(at_s - seen_s), variance + seen_variance
            )
            least = min(least, math.dist(gyro, seen_gyro) - may_be)
        return least

    def distance_dps(self, gyro: Vector) -> float:
        """Return the distance of a gyro mean from the nearest witness."""
        return min((math.dist(gyro, seen) for seen, _, _, _ in self._seen), default=math.inf)
