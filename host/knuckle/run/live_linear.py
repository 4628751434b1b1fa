"""The steer angle for the eye from a linear sensor laid to the wheel, where there is no gyro."""

from __future__ import annotations

from collections import deque
from typing import Final

import numpy as np

from knuckle.analysis.linear_source import monotone
from knuckle.errors import MeasurementRefused
from knuckle.estimate.linear_steer import LinearSteer
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block, FloatArray
from knuckle.model.rest import Rest
from knuckle.run.live_angles import LiveAngles

RATE_OVER_S: Final = 0.4
"""The rate of turn is that over so long; a caliper speaks ten times a second."""
DEAD_UP_DEG: Final = 1.5
DEAD_MM: Final = 1.0
"""A wheel whose "up" has turned by so much, and a length that has changed by less."""


class LinearAngles(LiveAngles):
    """As `LiveAngles`, with the steer angle by length.

    Attributes
    ----------
    dead : bool
        Whether the sensor cannot be followed: it does not move, or its linkage as given cannot be.
    """

    def __init__(self, steer: LinearSteer) -> None:
        super().__init__()
        self.dead = False
        self._steer = steer
        self._channel = (steer.channel or 1) - 1
        self._lengths: deque[tuple[float, float]] = deque()
        self._table: tuple[FloatArray, FloatArray] | None = None
        self._datum_mm = 0.0
        self._first_up: FloatArray | None = None
        self._moved_mm = 0.0

    def push(self, block: Block) -> None:
        """Take new samples."""
        super().push(block)
        if not len(block):
            return
        if block.linear_mm is not None and self._channel < block.linear_mm.shape[1]:
            reading = block.linear_mm[:, self._channel]
            known = np.isfinite(reading)
            pairs = zip(block.t_s[known].tolist(), reading[known].tolist(), strict=True)
            self._lengths.extend(pairs)
        # Old readings of a sensor that is away are no angle of now.
        now_s = float(block.t_s[-1])
        while self._lengths and self._lengths[0][0] < now_s - RATE_OVER_S:
            self._lengths.popleft()

    def rested(self, rest: Rest) -> None:
        """Take the zero of the steer angle from the first rest; see whether the sensor moves."""
        super().rested(rest)
        if rest.linear_mm is None or self._channel >= rest.linear_mm.size:
            return
        reading_mm = float(rest.linear_mm[self._channel])
        if not np.isfinite(reading_mm):
            return
        up = unit(rest.accel_g)
        if self._first_up is None:
            self._first_up, self._datum_mm = up, reading_mm
            try:
                self._table = monotone(self._steer, reading_mm)
            except MeasurementRefused:
                self.dead = True
        self._moved_mm = max(self._moved_mm, abs(reading_mm - self._datum_mm))
        turned_deg = np.degrees(np.arccos(np.clip(up @ self._first_up, -1.0, 1.0)))
        if turned_deg > DEAD_UP_DEG and self._moved_mm * abs(self._steer.gain) < DEAD_MM:
            self.dead = True

    @property
    def rate_dps(self) -> float | None:
        """Size of the present rate of steer, in deg/s; None before it is known."""
        half = len(self._lengths) // 2
        if half < 1 or self._table is None:
            return None
        early, late = np.array(self._lengths)[:half], np.array(self._lengths)[half:]
        passed_s = late[:, 0].mean() - early[:, 0].mean()
        turned = self._heading_deg_at(late[:, 1].mean()) - self._heading_deg_at(early[:, 1].mean())
        return float(abs(turned) / passed_s)

    @property
    def steer_deg(self) -> float | None:
        """Turn to the left since the first rest, in deg; None before."""
        if self.dead or not self._lengths or self._table is None:
            return None
        return self._heading_deg_at(self._lengths[-1][1])

    def _heading_deg_at(self, reading_mm: float) -> float:
        assert self._table is not None
        heading, longer = self._table
        order = np.argsort(longer)
        longer_mm = self._steer.gain * (reading_mm - self._datum_mm)
        return float(np.degrees(np.interp(longer_mm, longer[order], heading[order])))
