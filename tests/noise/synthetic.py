"""Made noise of known size, and still records of it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy.signal import fftconvolve

from knuckle.model.block import Block, FloatArray

RATE_HZ = 100.0


def white(n: int, density: float, rng: np.random.Generator) -> FloatArray:
    """Return white noise of a one-sided density (unit/sqrt(Hz)) up to half the rate."""
    return rng.standard_normal(n) * density * math.sqrt(RATE_HZ / 2.0)


def walk(n: int, size: float, rng: np.random.Generator) -> FloatArray:
    """Return a random walk whose scatter after 1 s is `size`."""
    return np.cumsum(rng.standard_normal(n)) * size / math.sqrt(RATE_HZ)


def flicker(n: int, instability: float, rng: np.random.Generator) -> FloatArray:
    """Return 1/f noise of a bias instability.

    Half an integration of white noise: N. J. Kasdin, Proc. IEEE 83 (1995) 802, equation 103. Its
    one-sided density is 1/(pi f) for unit steps, so the flat of its Allan variance, 2 ln 2 times
    the level of 1/f (NIST SP 1065, table 5), is 2 ln 2/pi: a bias instability of one.
    """
    k = np.arange(1, n)
    response = np.concatenate(([1.0], np.cumprod((k - 0.5) / k)))
    return np.asarray(fftconvolve(rng.standard_normal(2 * n), response)[n : 2 * n] * instability)


def block_of(accel_g: FloatArray, gyro_dps: FloatArray | None = None, **more: Any) -> Block:
    """Return readings as a block without gaps, unless said otherwise."""
    n = len(accel_g)
    values: dict[str, Any] = {
        "t_s": np.arange(n) / RATE_HZ,
        "accel_g": accel_g,
        "gyro_dps": gyro_dps,
        "temp_c": None,
        "linear_mm": None,
        "lost_before": np.zeros(n, dtype=np.int64),
        "stretch": np.zeros(n, dtype=np.int64),
        "clipped": np.zeros(n, dtype=np.bool_),
        "rate_hz": RATE_HZ,
    }
    return Block(**{**values, **more})


def still(seconds: float, seed: int = 0, **more: Any) -> Block:
    """Return a still pod at the MPU-6050's data sheet noise, in its steps."""
    rng = np.random.default_rng([seed, 77])
    n = round(seconds * RATE_HZ)
    up = np.array([0.02, -0.01, 1.0])
    accel = up + np.stack([white(n, 400e-6, rng) for _ in range(3)], axis=1)
    gyro = np.array([0.7, -1.2, 0.1]) + np.stack([white(n, 0.005, rng) for _ in range(3)], axis=1)
    return block_of(np.round(accel * 16384.0) / 16384.0, np.round(gyro * 131.0) / 131.0, **more)
