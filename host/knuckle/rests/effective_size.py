"""How many independent samples a stretch of autocorrelated samples is worth."""

from __future__ import annotations

import numpy as np
from scipy import fft

from knuckle.model.block import FloatArray


def autocorrelation(x: FloatArray) -> FloatArray:
    """Return the autocorrelation of `x` at lags 0 to n-1 (biased estimator; 1 at lag 0).

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples at equal steps, any unit.

    Returns
    -------
    ndarray, shape (n,)
        All zero but for lag 0 if `x` is constant.
    """
    n = x.shape[0]
    centred = x - x.mean()
    padded = fft.next_fast_len(2 * n, real=True)
    spectrum = fft.rfft(centred, padded)
    covariance = fft.irfft(spectrum.real**2 + spectrum.imag**2, padded)[:n]
    largest = float(np.max(np.abs(x)))
    if covariance[0] <= n * (largest * 1e-15) ** 2:
        flat = np.zeros(n)
        flat[0] = 1.0
        return flat
    return np.asarray(covariance / covariance[0], dtype=np.float64)


def effective_sample_size(x: FloatArray) -> float:
    """Return n over the integrated autocorrelation time, within [1, n].

    The autocorrelation is summed in pairs of neighbouring lags up to the first pair whose
    sum is not positive, each pair no larger than the one before (initial monotone sequence,
    C. J. Geyer, Practical Markov chain Monte Carlo, Statistical Science 7, 1992). For a
    first-order process with coefficient phi it tends to n (1 - phi) / (1 + phi).

    Parameters
    ----------
    x : ndarray, shape (n,)
        Samples at equal steps, any unit.

    Returns
    -------
    float
        Within [1, n]: anticorrelated samples are never counted as more than themselves.

    Raises
    ------
    ValueError
        If `x` is empty, not one-dimensional or not finite.
    """
    x = np.asarray(x, dtype=np.float64)
    if x.ndim != 1 or x.shape[0] == 0:
        raise ValueError("effective sample size needs a row of at least one sample")
    if not np.all(np.isfinite(x)):
        raise ValueError("effective sample size needs finite samples")
    n = x.shape[0]
    if n < 4:
        return float(n)
    rho = autocorrelation(x)
    pairs = rho[0 : n - n % 2 : 2] + rho[1:n:2]
    falling = np.flatnonzero(pairs <= 0.0)
    kept = pairs[: falling[0]] if falling.size else pairs
    time = -1.0 + 2.0 * float(np.sum(np.minimum.accumulate(kept)))
    return float(min(max(n / time, 1.0), n)) if time > 0.0 else float(n)
