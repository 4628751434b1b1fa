"""The Allan deviation of one channel over averaging time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.model.block import FloatArray, IntArray
from knuckle.noise.deviation import pooled_allan_variance
from knuckle.noise.freedom import Kind, degrees_of_freedom, deviation_interval, kind_of_slope

LONGEST_PART: Final = 4
"""Means at least that many times as long as the averaging time, or the point is left out."""

FEW: Final = 30.0


@dataclass(frozen=True, slots=True)
class Curve:
    """Overlapping Allan deviation at averaging times that double.

    Attributes
    ----------
    m : ndarray of int, shape (n,)
        Readings in a mean.
    tau_s : ndarray, shape (n,)
        Averaging times, in s.
    deviation, low, high : ndarray, shape (n,)
        In the channel's unit, with the 95 % confidence interval.
    freedom : ndarray, shape (n,)
        Equivalent degrees of freedom of each square.
    """

    m: IntArray
    tau_s: FloatArray
    deviation: FloatArray
    low: FloatArray
    high: FloatArray
    freedom: FloatArray

    def __len__(self) -> int:
        return len(self.tau_s)


def curve_of(series: Sequence[FloatArray], rate_hz: float, longest_s: float = math.inf) -> Curve:
    """Return the curve of a channel.

    Parameters
    ----------
    series : sequence of ndarray
        As for `pooled_allan_variance`.
    rate_hz : float
        Readings a second.
    longest_s : float
        No averaging time beyond it.
    """
    longest = max((len(one) for one in series), default=0)
    rows: list[tuple[int, float, float]] = []
    m = 1
    while m * LONGEST_PART <= longest and m / rate_hz <= longest_s:
        found = pooled_allan_variance(series, m)
        if found.terms >= m or (found.terms and m == 1):
            rows.append((m, found.variance, found.whole))
        m *= 2
    counts = np.array([row[0] for row in rows], dtype=np.int64)
    variance = np.array([row[1] for row in rows])
    kinds = _kinds(variance)
    freedom = np.array(
        [
            max(1.0, whole * _freedom(kind, series, count))
            for (count, _, whole), kind in zip(rows, kinds, strict=True)
        ]
    )
    deviation = np.sqrt(variance)
    ends = [deviation_interval(*pair) for pair in zip(deviation, freedom, strict=True)]
    low, high = np.array(ends).reshape(-1, 2).T
    return Curve(counts, counts / rate_hz, deviation, low, high, freedom)


def deviation_at(series: Sequence[FloatArray], rate_hz: float, tau_s: float) -> float | None:
    """Return the deviation at one averaging time; None where the record does not reach it."""
    m = round(tau_s * rate_hz)
    if m < 1 or abs(m / rate_hz / tau_s - 1.0) > 0.02:
        return None
    found = pooled_allan_variance(series, m)
    return math.sqrt(found.variance) if found.terms >= 2 * m else None


def _kinds(variance: FloatArray) -> list[Kind]:
    """Return the kind of noise at each point, by the slope about it."""
    if len(variance) < 2 or not np.all(variance > 0.0):
        return [Kind.WHITE] * len(variance)
    slopes = np.gradient(np.log2(variance))
    return [kind_of_slope(float(slope)) for slope in slopes]


def _freedom(kind: Kind, series: Sequence[FloatArray], m: int) -> float:
    """Return the degrees of freedom of all series; a steep fall among few is taken for chance."""

    def total(kind: Kind) -> float:
        return sum(degrees_of_freedom(kind, len(one), m) for one in series if len(one) >= 2 * m)

    white = total(Kind.WHITE)
    return white if kind is Kind.STEPS and white < FEW else total(kind)
