"""How a link does, once a second."""

from __future__ import annotations

import dataclasses
from typing import Final

import numpy as np

from knuckle.model.block import Block, FloatArray, concatenate
from knuckle.model.wheel import Wheel
from knuckle.run.events import Health
from knuckle.wire.decoder import DecodeCounts

PERIOD_S: Final = 1.0
LEAST_FOR_NOISE: Final = 10


class HealthMeter:
    """Gathers a period's samples; judged only when bytes come, so that a replay agrees."""

    def __init__(self, wheel: Wheel) -> None:
        self._wheel = wheel
        self._since_s: float | None = None
        self._blocks: list[Block] = []
        self._byte_count = 0

    def arrived(self, byte_count: int) -> None:
        """Take note of bytes."""
        self._byte_count += byte_count

    def start_over(self) -> None:
        """Forget the period under way: the link was down."""
        self._since_s = None
        self._blocks.clear()

    def push(self, block: Block) -> None:
        """Take samples."""
        self._blocks.append(block)

    def report(self, at_s: float, counts: DecodeCounts) -> Health | None:
        """Return the period's figures when it is over."""
        if self._since_s is None:
            self._since_s = at_s
            self._byte_count = 0
            self._blocks.clear()
            return None
        passed_s = at_s - self._since_s
        if passed_s < PERIOD_S - 1e-6:
            return None
        blocks = [block for block in self._blocks if len(block)]
        bytes_per_s = self._byte_count / passed_s
        self._since_s = at_s
        self._byte_count = 0
        self._blocks.clear()
        block = concatenate(blocks) if blocks else None
        return Health(
            wheel=self._wheel,
            at_s=at_s,
            counts=dataclasses.replace(counts),
            rate_hz=_rate_hz(block, passed_s),
            lost=int(block.lost_before.sum()) if block is not None else 0,
            accel_noise_g=_noise(block.accel_g) if block is not None else None,
            gyro_noise_dps=_noise(block.gyro_dps) if block is not None else None,
            temp_c=_last(block.temp_c) if block is not None else None,
            bytes_per_s=bytes_per_s,
        )


def _rate_hz(block: Block | None, passed_s: float) -> float:
    """Return samples a second; by the pod's own times, since frames arrive many samples at once."""
    if block is None:
        return 0.0
    span_s = float(block.t_s[-1] - block.t_s[0])
    whole = block.stretch[0] == block.stretch[-1] and span_s > passed_s / 2.0
    return (len(block) - 1) / span_s if whole else len(block) / passed_s


def _last(values: FloatArray | None) -> float | None:
    """Return the last value that was read; None if none was."""
    read = values[np.isfinite(values)] if values is not None else np.empty(0)
    return float(read[-1]) if read.size else None


def _noise(values: FloatArray | None) -> float | None:
    if values is None or len(values) < LEAST_FOR_NOISE:
        return None
    steps = np.diff(values, axis=0)
    return float(np.sqrt(np.mean(steps**2, axis=0) / 2.0).max())
