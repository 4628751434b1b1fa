"""A sweep without stops: short windows of a slow move serve as readings.

While the wheel moves, the accelerometer also feels the pod's way around the steering axis; that is
modelled from the gyro and an unknown lever arm (0.3 m at 10 deg/s is 0.05 deg). Straight ahead
must still be a rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from knuckle.estimate.turns import BIAS_WANDER_DPS, Turn, integrated
from knuckle.estimate.wheel_model import Reading
from knuckle.geometry.rotation import rotation_vector
from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import Notice

WINDOW_S = 0.3
WINDOW_SPACING_DEG = 2.5
FASTEST_DPS = 15.0
STANDARD_GRAVITY_MS2 = 9.80665
BIAS_SHARE = 0.25
"""The mean of two rests' biases has a quarter of the sum of their variances."""

SLOW_SWEEP = Notice(
    "SLOW_SWEEP",
    "The wheel did not rest at both locks and at straight ahead: moments of slow moves were "
    "used as well, with their larger uncertainty.",
)


@dataclass(frozen=True)
class SlowSweep:
    """Readings in order of time; a rest stands beside each reading that is one."""

    readings: list[Reading]
    turns: list[Turn]
    rests: list[Rest | None]


@dataclass(frozen=True)
class _Moment:
    """A window: its samples, and its centre as a sample."""

    first: int
    end: int
    reading: Reading

    @property
    def centre(self) -> int:
        return (self.first + self.end) // 2


def slow_sweep(block: Block, rests: list[Rest]) -> SlowSweep | None:
    """Return the rests with windows of slow moves between and around them.

    Returns
    -------
    SlowSweep or None
        None without gyro, or where no move was slow and unbroken enough.
    """
    gyro = block.gyro_dps
    rests = [rest for rest in rests if rest.gyro_dps is not None]
    if gyro is None or not rests:
        return None
    readings: list[Reading] = []
    kept: list[Rest | None] = []
    turns: list[Turn] = []
    for rest, following in zip(rests, [*rests[1:], None], strict=True):
        readings.append(Reading(rest.accel_g, rest.accel_cov_g2))
        kept.append(rest)
        moments = _moments(block, rest, following)
        stops = [rest.end - 1] + [m.centre for m in moments]
        for moment in moments:
            readings.append(moment.reading)
            kept.append(None)
        if following is not None:
            stops.append(following.first)
        at = len(readings) - 1 - len(moments)
        turns += _turns(block, rest, following, stops, at)
    if all(rest is not None for rest in kept):
        return None
    return SlowSweep(readings, turns, kept)


def _rate(block: Block, rest: Rest, following: Rest | None, first: int, end: int) -> FloatArray:
    assert block.gyro_dps is not None and rest.gyro_dps is not None
    bias = rest.gyro_dps
    if following is not None and following.gyro_dps is not None:
        bias = (bias + following.gyro_dps) / 2.0
    return np.asarray(block.gyro_dps[first:end] - bias)


def _moments(block: Block, rest: Rest, following: Rest | None) -> list[_Moment]:
    """Cut the move after a rest into windows, one every few degrees of steer."""
    begin = rest.end
    stop = following.first if following is not None else len(block)
    stretch_end = begin + int(np.searchsorted(block.stretch[begin:stop], rest.stretch, "right"))
    stop = min(stop, stretch_end)
    size = max(3, round(WINDOW_S * block.rate_hz))
    if stop - begin < 2 * size:
        return []
    rate = _rate(block, rest, following, begin, stop)
    steer_deg = np.cumsum(rate @ (rest.accel_g / np.linalg.norm(rest.accel_g))) / block.rate_hz
    moments: list[_Moment] = []
    last_deg = 0.0
    at = 0
    while at + size <= stop - begin:
        middle_deg = float(steer_deg[at + size // 2])
        if abs(middle_deg - last_deg) < WINDOW_SPACING_DEG:
            at += 1
            continue
        moment = _moment(block, rate[at : at + size], begin + at, rest)
        if moment is None:
            at += 1
            continue
        moments.append(moment)
        last_deg = middle_deg
        at += size
    return moments


def _moment(block: Block, rate_dps: FloatArray, first: int, rest: Rest) -> _Moment | None:
    """Average one window; None if it is too fast, broken or clipped."""
    end = first + rate_dps.shape[0]
    part = block.part(first, end)
    if (
        np.max(np.linalg.norm(rate_dps, axis=1)) > FASTEST_DPS
        or np.any(part.lost_before[1:])
        or np.any(part.clipped)
    ):
        return None
    time = part.t_s - np.mean(part.t_s)
    design = np.stack([np.ones_like(time), time], axis=1)
    line, *_ = np.linalg.lstsq(design, part.accel_g, rcond=None)
    scatter = part.accel_g - design @ line
    noise = rest.accel_cov_g2 * rest.count / len(part)
    felt = scatter.T @ scatter / (len(part) - 2) / max(1.0, len(part) / 5.0)
    rates, *_ = np.linalg.lstsq(design, np.radians(rate_dps), rcond=None)
    spin, gain = _cross_matrix(rates[0]), _cross_matrix(rates[1])
    lever = (spin @ spin + gain) / STANDARD_GRAVITY_MS2
    return _Moment(first, end, Reading(line[0], noise + felt, lever))


def _cross_matrix(v: FloatArray) -> FloatArray:
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def _turns(
    block: Block, rest: Rest, following: Rest | None, stops: list[int], at: int
) -> list[Turn]:
    """Integrate the gyro from stop to stop; the bias's share grows with the time it takes."""
    assert block.gyro_dps is not None and rest.gyro_dps is not None
    assert rest.gyro_cov_dps2 is not None
    bias_cov = rest.gyro_cov_dps2
    bias = rest.gyro_dps
    if following is not None and following.gyro_dps is not None:
        assert following.gyro_cov_dps2 is not None
        bias = (bias + following.gyro_dps) / 2.0
        bias_cov = (bias_cov + following.gyro_cov_dps2) * BIAS_SHARE
    per_sample = rest.gyro_cov_dps2 * rest.count
    total_s = float(block.t_s[stops[-1]] - block.t_s[stops[0]])
    turns = []
    for k, (i, j) in enumerate(pairwise(stops)):
        part = block.part(i, j + 1)
        if j <= i or np.max(np.diff(part.t_s)) > LONGEST_BRIDGED_GAP_S + 1.5 / block.rate_hz:
            continue
        assert part.gyro_dps is not None
        vector = np.asarray(rotation_vector(integrated(part.t_s, part.gyro_dps, bias, bias)))
        step_s = float(part.t_s[-1] - part.t_s[0])
        wander = (bias_cov + np.eye(3) * BIAS_WANDER_DPS**2) * total_s * step_s
        variance = per_sample * step_s / block.rate_hz + wander
        turns.append(Turn(at + k, at + k + 1, vector, np.radians(np.radians(variance))))
    return turns
