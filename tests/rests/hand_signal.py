"""Recordings of a pod in somebody's hands, before or after it hangs on the wheel."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import Block
from rests.driver_signal import ACCEL_DENSITY_G, GYRO_DENSITY_DPS


def _wander(t: np.ndarray, cutoff_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Smooth random motion of unit size: sines below the cutoff with random phases."""
    total = np.zeros(t.shape)
    for f in rng.uniform(0.15, cutoff_hz, size=8):
        total += np.sin(2 * np.pi * (f * t + rng.uniform())) / 2.0
    return total


def held(
    seconds: float,
    sway_deg: float,
    tremor_deg: float,
    *,
    rate_hz: float = 100.0,
    noise: float = 1.0,
    still_first_s: float = 0.0,
    has_gyro: bool = True,
    seed: int = 0,
) -> Block:
    """Return a pod that lies still first, then is held.

    Parameters
    ----------
    sway_deg : float
        Slow wobble of the hand (below 1.5 Hz), size on each axis.
    tremor_deg : float
        Physiological tremor (7 to 11 Hz), amplitude on each axis. Both come with the
        translation of a point 0.1 m from the wrist.
    """
    rng = np.random.default_rng([seed, 5])
    t = np.arange(int((still_first_s + seconds) * rate_hz)) / rate_hz
    hand = np.clip((t - still_first_s) / 0.3, 0.0, 1.0) if still_first_s else np.ones(t.shape)
    angles = np.empty((len(t), 3))
    for k in range(3):
        f = rng.uniform(7.0, 11.0)
        beat = 0.6 + 0.4 * np.sin(2 * np.pi * (rng.uniform(0.3, 1.0) * t + rng.uniform()))
        shake = tremor_deg * beat * np.sin(2 * np.pi * (f * t + rng.uniform()))
        angles[:, k] = (sway_deg * _wander(t, 1.5, rng) + shake) * hand
    gyro = np.gradient(angles, t, axis=0) + np.array([1.0, -2.0, 0.5])
    r = np.radians(angles)
    accel = np.stack([-r[:, 1], r[:, 0], np.ones(len(t))], axis=1)
    accel += np.gradient(np.gradient(r, t, axis=0), t, axis=0) * 0.1 / 9.80665
    nyquist = np.sqrt(rate_hz / 2.0)
    accel += rng.normal(size=accel.shape) * ACCEL_DENSITY_G * noise * nyquist
    gyro += rng.normal(size=gyro.shape) * GYRO_DENSITY_DPS * noise * nyquist
    n = len(t)
    return Block(
        t_s=t,
        accel_g=accel,
        gyro_dps=gyro if has_gyro else None,
        temp_c=None,
        linear_mm=None,
        lost_before=np.zeros(n, dtype=np.int64),
        stretch=np.zeros(n, dtype=np.int64),
        clipped=np.zeros(n, dtype=np.bool_),
        rate_hz=rate_hz,
    )
