"""What the rests of a run say together: a constant slow drift looks like gyro bias in one rest.

The gyro's bias is common to all rests of a run but for what the data sheet allows it to move
(with time, and with g); a rest that disagrees with its neighbours
was no rest. The accelerometer speaks too: a rest long enough to show that gravity stood still
vouches for its gyro mean.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final, NamedTuple

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.rests.reading import Reading
from knuckle.rests.stand import same_stand, slides, stands

BIAS_PER_G_DPS: Final = 0.2
"""Twice the MPU-6050's typical sensitivity of the zero rate to acceleration (data sheet rev 3.3:
0.1 deg/s for each g, no limit given)."""
BIAS_DRIFT_DPS_PER_S: Final = 0.0003
BIAS_DRIFT_AT_MOST_DPS: Final = 0.06
"""How the zero rate may wander as a pod warms up (common practice, no source)."""
_APART_DPS: Final = 0.035
SLOPES: Final = "the accelerometer's reading changed steadily: the wheel drifted"
SLID: Final = "the accelerometer's reading slid on from one piece to the next: the wheel drifted"
APART: Final = "the gyro's mean differs from that of the other rests: the wheel drifted"
_NEIGHBOURS: Final = 6
_HEAVIEST_S: Final = 5.0
_BESIDE_DRIFT_S: Final = 1.5
_VOUCHED_SLOPE_G_S: Final = 0.2e-3
_SURE: Final = 1e6
"""The weight of a vouched rest: more than any number of others."""


def vouched(reading: Reading) -> bool:
    """Tell whether the accelerometer alone shows that the wheel did not drift."""
    return reading.slope_g_s + 3.0 * reading.slope_sigma_g_s < _VOUCHED_SLOPE_G_S


def bias_change_dps(accel_apart_g: float, apart_s: float, variance_dps2: float) -> float:
    """Return how far two gyro means may differ by noise (3 sigma), g and time.

    Parameters
    ----------
    accel_apart_g : float
        Distance between the two accelerometer readings.
    apart_s : float
        Time between them.
    variance_dps2 : float
        Sum of the variances of the two means, over the axes.
    """
    drift = min(BIAS_DRIFT_DPS_PER_S * apart_s, BIAS_DRIFT_AT_MOST_DPS)
    by_g = BIAS_PER_G_DPS * accel_apart_g
    return math.sqrt(9.0 * variance_dps2 + by_g * by_g + drift * drift)


def _agree(a: Reading, b: Reading) -> bool:
    one, two = a.rest, b.rest
    assert one.gyro_dps is not None
    assert two.gyro_dps is not None
    assert one.gyro_cov_dps2 is not None
    assert two.gyro_cov_dps2 is not None
    return distance(one.gyro_dps, two.gyro_dps) <= _APART_DPS + bias_change_dps(
        distance(one.accel_g, two.accel_g),
        abs(one.start_s - two.start_s),
        float(np.trace(one.gyro_cov_dps2) + np.trace(two.gyro_cov_dps2)),
    )


def distance(a: FloatArray, b: FloatArray) -> float:
    """Return the length of a - b."""
    return float(np.sqrt(np.sum((a - b) ** 2)))


class Consensus:
    """Tells for each rest of a run whether it was one, from all rests so far.

    What two rests say of each other never changes and is worked out once; the rest is done
    again with each new one, so that the verdicts depend on the rests alone.

    A rest falls if gravity slid steadily within it, a row of rests of one stand if it slid
    steadily through the row. Then the gyro: each rest is held against its neighbours in time.
    It falls if a group of others that agree with one another, but not with it, outweighs those
    that agree with it. A vouched rest never falls, and one vouched rest outweighs any number of
    others.

    Parameters
    ----------
    slope_tolerance_g_s : float
        A slower change of the accelerometer is no drift.
    """

    def __init__(self, slope_tolerance_g_s: float) -> None:
        self._tolerance_g_s = slope_tolerance_g_s
        self._readings: list[Reading] = []
        self._slid: list[bool] = []
        self._sure: list[bool] = []
        self._agree: dict[tuple[int, int], bool] = {}
        self._same: dict[tuple[int, int], bool] = {}
        self._slides: dict[tuple[int, int], bool] = {}
        self._votes: dict[int, tuple[_Vote, bool]] = {}
        self._verdicts: list[str] = []

    @property
    def readings(self) -> list[Reading]:
        """The rests so far, in order of time."""
        return self._readings

    @property
    def verdicts(self) -> list[str]:
        """For each rest why it was none, or "" if it was one."""
        return self._verdicts

    def add(self, reading: Reading) -> None:
        """Take in the rest that follows."""
        self._readings.append(reading)
        self._slid.append(reading.slid(self._tolerance_g_s))
        self._sure.append(vouched(reading))
        self._verdicts = self._judged()

    def _judged(self) -> list[str]:
        readings = self._readings
        everyone = list(range(len(readings)))
        verdict = [SLOPES if slid else "" for slid in self._slid]
        for first, end in self._stands(everyone):
            if self._row_slides(first, end):
                verdict[first:end] = [SLID] * (end - first)
        left = [i for i in everyone if not verdict[i]]
        for i, apart in zip(left, self._outvoted(left), strict=True):
            if apart:
                verdict[i] = APART
        for i, j in pairwise(everyone):
            for short, other in ((i, j), (j, i)):
                # Creep against a drift can make it look still for a moment.
                if (
                    verdict[other]
                    and not verdict[short]
                    and readings[short].rest.duration_s < _BESIDE_DRIFT_S
                    and self._same_stand(i, j)
                ):
                    verdict[short] = verdict[other]
        return verdict

    def _same_stand(self, i: int, j: int) -> bool:
        pair = i, j
        if pair not in self._same:
            self._same[pair] = same_stand(self._readings[i], self._readings[j])
        return self._same[pair]

    def _agreed(self, i: int, j: int) -> bool:
        if i == j:
            return True
        pair = min(i, j), max(i, j)
        if pair not in self._agree:
            self._agree[pair] = _agree(self._readings[pair[0]], self._readings[pair[1]])
        return self._agree[pair]

    def _row_slides(self, first: int, end: int) -> bool:
        if (first, end) not in self._slides:
            self._slides[first, end] = slides(self._readings[first:end])
        return self._slides[first, end]

    def _stands(self, places: list[int]) -> list[tuple[int, int]]:
        return stands([self._same_stand(i, j) for i, j in pairwise(places)])

    def _weights(self, places: list[int]) -> list[float]:
        """Weigh rests by length; pieces between which nothing moved are one witness.

        A wheel that drifts is taken for a row of rests, each ended by what gravity has changed.
        """
        weights = [min(max(self._readings[i].rest.duration_s, 0.1), _HEAVIEST_S) for i in places]
        for first, end in self._stands(places):
            for k in range(first, end):
                weights[k] /= end - first
        return [_SURE if self._sure[i] else w for i, w in zip(places, weights, strict=True)]

    def _outvoted(self, left: list[int]) -> list[bool]:
        """Tell which gyro means of the rests at these places the others outweigh."""
        n = len(left)
        if n < 2 or self._readings[0].rest.gyro_dps is None:
            return [False] * n
        weights = self._weights(left)
        verdict = []
        for k, place in enumerate(left):
            low, high = max(0, k - _NEIGHBOURS), k + _NEIGHBOURS + 1
            vote = _Vote(k - low, tuple(left[low:high]), tuple(weights[low:high]))
            known = self._votes.get(place)
            if known is None or known[0] != vote:
                self._votes[place] = vote, not self._sure[place] and self._falls(vote)
            verdict.append(self._votes[place][1])
        return verdict

    def _falls(self, vote: _Vote) -> bool:
        """Tell whether a group of others outweighs the one voted on."""
        places, weights = vote.places, vote.weights
        count = range(len(places))
        with_it = {k: self._agreed(places[vote.at], places[k]) for k in count}
        own = math.fsum(weights[k] for k in count if with_it[k])
        others = [k for k in count if not with_it[k]]
        best, members = 0.0, 0
        for j in others:
            group = [
                k
                for k in others
                if abs(j - k) <= _NEIGHBOURS and self._agreed(places[j], places[k])
            ]
            total = math.fsum(weights[k] for k in group)
            if total > best:
                best, members = total, len(group)
        return best > own and (members >= 2 or best >= _SURE)


class _Vote(NamedTuple):
    """Who votes on one rest: neighbours by place in the run, their weights, and which is it."""

    at: int
    places: tuple[int, ...]
    weights: tuple[float, ...]
