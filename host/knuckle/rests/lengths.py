"""The mean of each linear channel over a rest, from the samples that have a reading."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.rests.effective_size import effective_sample_size

LEAST_SHARE = 0.5
"""A channel that was away for longer has no reading at the rest."""


def lengths_of(samples_mm: FloatArray, least_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return the means and the covariance of the means, shapes (m,) and (m, m).

    Channels are taken as independent: each sensor has its own noise.

    Parameters
    ----------
    samples_mm : ndarray, shape (n, m)
        NaN where a channel had no reading. A channel that lacks more than half of them is NaN.
    least_mm : float
        Least standard uncertainty of a mean.
    """
    channels = samples_mm.shape[1]
    mean, variance = np.full(channels, np.nan), np.full(channels, np.nan)
    for k in range(channels):
        column = np.ascontiguousarray(samples_mm[:, k])
        column = column[np.isfinite(column)]
        if column.size < max(2.0, LEAST_SHARE * samples_mm.shape[0]):
            continue
        mean[k] = column.mean()
        spread = float(np.sum((column - mean[k]) ** 2)) / (column.size - 1)
        variance[k] = max(spread / effective_sample_size(column), least_mm**2)
    covariance = np.zeros((channels, channels))
    covariance[np.diag_indices(channels)] = variance
    return mean, covariance
