"""Allan deviation and its relatives, of readings at equal steps.

Equations are those of NIST Special Publication 1065 (W. J. Riley, Handbook of Frequency
Stability Analysis, 2008), section 5.2, with a sensor's readings in the place of fractional
frequency. All return variances; the deviation is the square root.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.model.block import FloatArray

FULL_ENOUGH: Final = 0.95
"""Part of a mean's readings that must be there; of fewer it would be another mean."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """A variance from several series.

    Attributes
    ----------
    variance : float
        NaN without terms.
    terms : int
        Squares in the mean.
    whole : float
        What part of the terms that complete series would have yielded.
    """

    variance: float
    terms: int
    whole: float


def allan_variance(readings: FloatArray, m: int) -> float:
    """Return the Allan variance of means of m readings that do not overlap; equation 9.

    Parameters
    ----------
    readings : ndarray, shape (n,)
    m : int
        Readings in a mean.

    Raises
    ------
    ValueError
        If there are fewer than 2 m readings.
    """
    means = _means(readings, m, 2)
    return float(np.mean(np.diff(means) ** 2) / 2.0)


def overlapping_allan_variance(readings: FloatArray, m: int) -> float:
    """Return the Allan variance of all means of m neighbouring readings; equation 11.

    Parameters as `allan_variance`.
    """
    _check(readings, m, 2)
    phase = _phase(readings)
    second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
    return float(np.mean(second**2) / (2.0 * m * m))


def modified_allan_variance(readings: FloatArray, m: int) -> float:
    """Return the modified Allan variance; equation 14. Needs 3 m - 1 readings.

    Parameters as `allan_variance`.
    """
    if m < 1 or len(readings) < 3 * m - 1:
        raise ValueError(f"{len(readings)} readings are too few for means of {m}")
    phase = _phase(readings)
    second = phase[2 * m :] - 2.0 * phase[m:-m] + phase[: -2 * m]
    sums = np.concatenate(([0.0], np.cumsum(second)))
    return float(np.mean(((sums[m:] - sums[:-m]) / m) ** 2) / (2.0 * m * m))


def hadamard_variance(readings: FloatArray, m: int) -> float:
    """Return the Hadamard variance of means that do not overlap; equation 19. Needs 3 m.

    Blind to a steady drift. Parameters as `allan_variance`.
    """
    means = _means(readings, m, 3)
    return float(np.mean(np.diff(means, 2) ** 2) / 6.0)


def pooled_allan_variance(series: Sequence[FloatArray], m: int) -> Pooled:
    """Return the overlapping Allan variance of series with holes.

    A mean stands on the readings that are there; one that lacks more than a twentieth is left
    out, and so is every term that would need it. Nothing is put into a hole, and no term
    reaches from one series into the next.

    Parameters
    ----------
    series : sequence of ndarray, each shape (n,)
        At equal steps; NaN where there is no reading.
    m : int
        Steps in a mean.
    """
    least = max(1, int(np.ceil(FULL_ENOUGH * m)))
    total, terms, possible = 0.0, 0, 0
    for readings in series:
        n = len(readings) - 2 * m + 1
        if n < 1:
            continue
        there = np.isfinite(readings)
        count = np.concatenate(([0], np.cumsum(there)))
        level = float(readings[there].mean()) if there.any() else 0.0
        sums = np.concatenate(([0.0], np.cumsum(np.where(there, readings - level, 0.0))))
        in_mean = count[m:] - count[:-m]
        mean = (sums[m:] - sums[:-m]) / np.maximum(in_mean, 1)
        usable = in_mean >= least
        both = usable[m:] & usable[:-m]
        squares = (mean[m:] - mean[:-m])[both] ** 2
        total += float(squares.sum())
        terms += int(both.sum())
        possible += n
    if not terms:
        return Pooled(float("nan"), 0, 0.0)
    return Pooled(total / (2.0 * terms), terms, terms / possible)


def _phase(readings: FloatArray) -> FloatArray:
    """Return the running sum of the readings about their mean, from 0."""
    return np.concatenate(([0.0], np.cumsum(readings - readings.mean())))


def _means(readings: FloatArray, m: int, least: int) -> FloatArray:
    _check(readings, m, least)
    whole = len(readings) // m
    return np.asarray(readings[: whole * m].reshape(whole, m).mean(axis=1))


def _check(readings: FloatArray, m: int, least: int) -> None:
    if m < 1 or len(readings) < least * m:
        raise ValueError(f"{len(readings)} readings are too few for means of {m}")
