"""The way from the pod to the host: delays, batches and damages what passes."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from knuckle.sim.faults import Line


class FaultyLine:
    """Bytes in at their time, bytes out when they arrive; order is kept.

    Times are seconds of the simulated world. The same bytes arrive at the same times however
    often `take` is called.
    """

    def __init__(self, fault: Line, rng: np.random.Generator) -> None:
        self._fault = fault
        self._rng = rng
        self._waiting: deque[tuple[float, bytes]] = deque()
        self._batch = -1
        self._jitter_s = 0.0
        self._last_s = 0.0

    def send(self, at_s: float, data: bytes) -> None:
        """Put bytes on the line; times must not decrease."""
        if self._fault.on:
            data = self._damaged(data)
            at_s = self._arrival_s(at_s)
        self._waiting.append((at_s, data))

    def take(self, to_s: float) -> bytes:
        """Return all that has arrived by `to_s`."""
        arrived = []
        while self._waiting and self._waiting[0][0] <= to_s:
            arrived.append(self._waiting.popleft()[1])
        return b"".join(arrived)

    def cut(self) -> None:
        """Lose all that is on its way."""
        self._waiting.clear()

    def _arrival_s(self, at_s: float) -> float:
        fault = self._fault
        at_s += fault.delay_s
        batch = math.ceil(at_s / fault.batch_s) if fault.batch_s else self._batch + 1
        if batch != self._batch:
            self._batch = batch
            self._jitter_s = fault.jitter_s * float(self._rng.random())
        if fault.batch_s:
            at_s = batch * fault.batch_s
        self._last_s = max(self._last_s, at_s + self._jitter_s)
        return self._last_s

    def _damaged(self, data: bytes) -> bytes:
        fault = self._fault
        array = np.frombuffer(data, np.uint8).copy()
        chance, bit = self._rng.random(array.size), self._rng.integers(0, 8, array.size)
        flipped = chance < fault.flipped_per_byte
        array[flipped] ^= (1 << bit[flipped]).astype(np.uint8)
        lost = chance > 1.0 - fault.lost_per_byte
        return array[~lost].tobytes()
