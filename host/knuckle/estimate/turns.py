"""The gyro between two rests: rates become one rotation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.geometry.rotation import chain, exponential, rotation_vector
from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, FloatArray
from knuckle.model.rest import Rest

BIAS_WANDER_DPS = 0.002
"""How far the bias may wander from the line between two rests, one sigma: the order of a small
MEMS gyro's bias instability (from memory)."""

GAP_RATE_DPS = 10.0
"""Rate change that a marked gap may hide, one sigma: a brisk steering move by hand."""


@dataclass(frozen=True)
class Turn:
    """A measured rotation of the pod from one rest to another.

    Attributes
    ----------
    before, after : int
        Positions of the rests in the list given.
    rotation_rad : ndarray, shape (3,)
        Axis times angle, in the pod's axes.
    covariance_rad2 : ndarray, shape (3, 3)
        Noise only; the gyro's scale and cross-axis are unknowns of the estimate.
    """

    before: int
    after: int
    rotation_rad: FloatArray
    covariance_rad2: FloatArray


def integrated(
    t_s: FloatArray, rate_dps: FloatArray, bias_before: FloatArray, bias_after: FloatArray
) -> FloatArray:
    """Integrate body rates as a rotation; trapezoid between samples.

    The bias runs linearly from `bias_before` to `bias_after`.

    Parameters
    ----------
    t_s : ndarray, shape (n,)
    rate_dps : ndarray, shape (n, 3)

    Returns
    -------
    ndarray, shape (4,)
        Unit quaternion of the rotation from the first sample to the last, in body axes.
    """
    step_s = np.diff(t_s)
    fraction = ((t_s - t_s[0]) / (t_s[-1] - t_s[0]))[:, None]
    rate = rate_dps - (bias_before + (bias_after - bias_before) * fraction)
    increments = np.radians((rate[:-1] + rate[1:]) * 0.5 * step_s[:, None])
    return np.asarray(chain(exponential(increments)))


def turn_between(block: Block, rests: list[Rest], before: int, after: int) -> Turn | None:
    """Integrate the gyro from one rest to a later one.

    Returns
    -------
    Turn or None
        None without gyro, across a restart, or across a gap longer than
        `LONGEST_BRIDGED_GAP_S`: a missing turn is never invented.
    """
    first, last = rests[before], rests[after]
    if (
        block.gyro_dps is None
        or first.gyro_dps is None
        or last.gyro_dps is None
        or first.gyro_cov_dps2 is None
        or last.gyro_cov_dps2 is None
        or first.stretch != last.stretch
    ):
        return None
    i, j = first.end - 1, last.first
    if j <= i:
        return None
    part = block.part(i, j + 1)
    assert part.gyro_dps is not None
    step_s = np.diff(part.t_s)
    if step_s.size == 0 or np.max(step_s) > LONGEST_BRIDGED_GAP_S + 1.5 / block.rate_hz:
        return None
    quaternion = integrated(part.t_s, part.gyro_dps, first.gyro_dps, last.gyro_dps)
    vector = np.asarray(rotation_vector(quaternion if quaternion[0] >= 0 else -quaternion))
    duration_s = float(part.t_s[-1] - part.t_s[0])
    gaps = step_s[step_s > 1.5 / block.rate_hz]
    per_sample = (first.gyro_cov_dps2 * first.count + last.gyro_cov_dps2 * last.count) / 2.0
    variance = (
        per_sample * duration_s / block.rate_hz
        + (first.gyro_cov_dps2 + last.gyro_cov_dps2) * duration_s**2 / 4.0
        + np.eye(3) * (BIAS_WANDER_DPS * duration_s) ** 2
        + np.eye(3) * float(np.sum((GAP_RATE_DPS * gaps / 2.0) ** 2))
    )
    return Turn(before, after, vector, np.radians(np.radians(variance)))


def turns_between(block: Block, rests: list[Rest]) -> list[Turn]:
    """Return the measured turn between each rest and the next, where there is one."""
    found = (turn_between(block, rests, i, i + 1) for i in range(len(rests) - 1))
    return [turn for turn in found if turn is not None]
