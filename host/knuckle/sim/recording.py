"""A whole run at once, without the wire: for studies over thousands of runs."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, BoolArray, FloatArray
from knuckle.sim.rig import Rig
from knuckle.sim.scenario import Scenario
from knuckle.sim.truth import Truth
from knuckle.wire.samples import CLIPPED_FROM

_LONGEST_S = 3600.0


class Recording(NamedTuple):
    """What `simulate_block` returns."""

    block: Block
    truth: Truth


def simulate_block(
    scenario: Scenario,
    seed: int | None = None,
    *,
    duration_s: float | None = None,
    calibrated: bool = True,
) -> Recording:
    """Simulate a run that gets no cues, as the host would have it after decoding.

    The same counts as `SimulatedPod` sends. Faults of the line and disconnections are left out;
    a restart or gap of the pod leaves its gap (the pod is started again at once).

    Parameters
    ----------
    scenario : Scenario
    seed : int or None
        None takes the scenario's own.
    duration_s : float or None
        None lasts until the script ends; needed for the purpose "watch", which does not.
    calibrated : bool
        Whether the calibration stored in the pod, if any, is applied.

    Returns
    -------
    Recording
        Block (n samples) and truth; times of both are seconds of pod time since the first sample.
        Rests that `duration_s` cuts end with the block.

    Raises
    ------
    UsageError
        If the script cannot be done on that wheel, or the line is too slow.
    """
    rig = Rig(scenario, seed)
    pod = scenario.pod
    averaging = rig.averaging
    nominal_s = rig.period_ticks / pod.tick_hz
    fast = 1.0 + pod.clock_ppm * 1e-6
    true_s = nominal_s / fast
    if duration_s is None:
        rig.person.plan_until(_LONGEST_S)
        duration_s = min(rig.person.end_s, _LONGEST_S)
    count = max(1, int(duration_s / (true_s * averaging)))
    starts_s = true_s * np.arange(count * averaging, dtype=float)
    raw = rig.raw(starts_s, true_s)
    away = rig.away(starts_s).reshape(count, averaging).sum(axis=1) > 0
    sums = raw.reshape(count, averaging, raw.shape[1]).sum(axis=1)
    t_s = nominal_s * averaging * np.arange(count, dtype=float)
    block = _block(rig, sums / averaging, t_s, nominal_s * averaging, calibrated, away)
    lag_s = 0.5 * (averaging - 1) * true_s
    return Recording(block, _in_pod_time(rig.truth(), fast, lag_s, float(t_s[-1])))


def _block(
    rig: Rig,
    mean: FloatArray,
    t_s: FloatArray,
    period_s: float,
    calibrated: bool,
    away: BoolArray,
) -> Block:
    pod = rig.scenario.pod
    accel, gyro, temperature = rig.chip.channels[0], rig.chip.channels[1], rig.chip.channels[-1]
    at = mean.shape[1] - len(rig.linear.channels)
    linear_mm = None
    if rig.linear.channels:
        linear_mm = mean[:, at:] * [c.scale for c in rig.linear.channels]
        linear_mm[away, 0] = np.nan
    accel_g = mean[:, :3] * accel.scale
    gyro_dps = mean[:, 3:6] * gyro.scale if pod.gyro else None
    clipped = np.any(np.abs(accel_g) >= CLIPPED_FROM * accel.full_scale, axis=1)
    stored = rig.case.stored
    if calibrated and stored is not None:
        accel_g = (accel_g - stored.accel_bias_g) @ np.linalg.inv(stored.accel_matrix).T
        if gyro_dps is not None:
            gyro_dps = gyro_dps @ np.linalg.inv(stored.gyro_matrix).T
    rate_hz = 1.0 / period_s
    kept, stretch = _kept(rig.scenario, t_s / (1.0 + pod.clock_ppm * 1e-6))
    lost = np.diff(np.flatnonzero(kept), prepend=-1) - 1
    stretch = stretch[kept]
    lost[np.diff(stretch, prepend=0) > 0] = 0
    return Block(
        t_s=t_s[kept],
        accel_g=accel_g[kept],
        gyro_dps=None if gyro_dps is None else gyro_dps[kept],
        temp_c=(temperature.offset + temperature.scale * mean[:, at - 1])[kept],
        linear_mm=None if linear_mm is None else linear_mm[kept],
        lost_before=lost.astype(np.int64),
        stretch=stretch.astype(np.int64),
        clipped=clipped[kept],
        rate_hz=rate_hz,
    )


def _kept(scenario: Scenario, t_s: FloatArray) -> tuple[BoolArray, FloatArray]:
    """Return which samples, by their start in script time, are taken, and their stretch."""
    kept = np.ones(t_s.shape, bool)
    stretch = np.zeros(t_s.shape)
    gap, restart = scenario.faults.gap, scenario.faults.restart
    if gap.on:
        kept &= (t_s < gap.at_s) | (t_s >= gap.at_s + gap.length_s)
        if gap.length_s > LONGEST_BRIDGED_GAP_S:
            stretch += t_s >= gap.at_s
    if restart.on:
        kept &= (t_s < restart.at_s) | (t_s >= restart.at_s + restart.silent_s)
        stretch += t_s >= restart.at_s
    return kept, stretch


def _in_pod_time(truth: Truth, fast: float, lag_s: float, last_s: float) -> Truth:
    def pod_s(t_s: float) -> float:
        return (t_s - lag_s) * fast

    lengths = tuple(
        replace(r, start_s=pod_s(r.start_s), end_s=min(last_s, pod_s(r.end_s)))
        for r in truth.lengths
        if pod_s(r.start_s) < last_s
    )
    rests = tuple(
        replace(r, start_s=max(0.0, pod_s(r.start_s)), end_s=min(last_s, pod_s(r.end_s)))
        for r in truth.rests
        if pod_s(r.start_s) < last_s
    )
    knocks_s = tuple(pod_s(t) for t in truth.knocks_s)
    return replace(truth, rests=rests, lengths=lengths, knocks_s=knocks_s)
