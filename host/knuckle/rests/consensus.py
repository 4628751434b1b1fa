"""What the rests of a run say together: a constant slow drift looks like gyro bias in one rest.

The gyro's bias is common to all rests of a run but for what the data sheet allows it to move
(with time, and with g); a rest that disagrees with its neighbours
was no rest. The accelerometer speaks too: a rest long enough to show that gravity stood still
vouches for its gyro mean.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

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


def _weights(readings: list[Reading]) -> FloatArray:
    """Weigh rests by length; pieces between which nothing moved are one witness.

    A wheel that drifts is taken for a row of rests, each ended by what gravity has changed.
    """
    weights = np.array([min(max(r.rest.duration_s, 0.1), _HEAVIEST_S) for r in readings])
    for first, end in stands(readings):
        weights[first:end] /= end - first
    return weights


def drifting(readings: list[Reading], slope_tolerance_g_s: float) -> list[str]:
    """Tell for each rest why it was none, or "" if it was one.

    A rest falls if gravity slid steadily within it, a row of rests of one stand if it slid
    steadily through the row. Then the gyro: each rest is held against its neighbours in time.
    It falls if a group of others that agree with one another, but not with it, outweighs those
    that agree with it. A vouched rest never falls, and one vouched rest outweighs any number of
    others.

    Parameters
    ----------
    readings : list of Reading
        In order of time.
    slope_tolerance_g_s : float
        A slower change of the accelerometer is no drift.
    """
    verdict = [SLOPES if r.slid(slope_tolerance_g_s) else "" for r in readings]
    for first, end in stands(readings):
        if slides(readings[first:end]):
            verdict[first:end] = [SLID] * (end - first)
    left = [i for i, why in enumerate(verdict) if not why]
    for i, apart in zip(left, _outvoted([readings[i] for i in left]), strict=True):
        if apart:
            verdict[i] = APART
    for i, j in pairwise(range(len(readings))):
        for short, other in ((i, j), (j, i)):
            # Creep against a drift can make it look still for a moment.
            if (
                verdict[other]
                and not verdict[short]
                and readings[short].rest.duration_s < _BESIDE_DRIFT_S
                and same_stand(readings[i], readings[j])
            ):
                verdict[short] = verdict[other]
    return verdict


def _outvoted(readings: list[Reading]) -> list[bool]:
    """Tell which gyro means the others outweigh."""
    n = len(readings)
    if n < 2 or readings[0].rest.gyro_dps is None:
        return [False] * n
    agree = np.eye(n, dtype=np.bool_)
    near = np.eye(n, dtype=np.bool_)
    for i in range(n):
        for j in range(i + 1, min(n, i + _NEIGHBOURS + 1)):
            near[i, j] = near[j, i] = True
            agree[i, j] = agree[j, i] = _agree(readings[i], readings[j])
    sure = np.array([vouched(r) for r in readings])
    weight = _weights(readings)
    weight[sure] = 1e6
    verdict = [False] * n
    for i in range(n):
        if sure[i]:
            continue
        own = float(np.sum(weight[agree[i]]))
        others = np.flatnonzero(near[i] & ~agree[i])
        best, members = 0.0, 0
        for j in others.tolist():
            group = others[agree[j, others]]
            total = float(np.sum(weight[group]))
            if total > best:
                best, members = total, len(group)
        verdict[i] = best > own and (members >= 2 or best >= 1e6)
    return verdict
