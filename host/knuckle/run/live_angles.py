"""Angles for the eye while samples come in: near enough to steer by, never a result."""

from __future__ import annotations

from collections import deque
from typing import Final

import numpy as np

from knuckle.geometry.steering import camber
from knuckle.model.block import Block, FloatArray
from knuckle.model.rest import Rest

SMOOTHED_S: Final = 0.4
"""Angles against gravity are shown as the mean over so long."""
_OUTBOARD: Final = np.array([0.0, 1.0, 0.0])


class LiveAngles:
    """Camber, pitch, rate of turn and steer angle as they are now.

    The gyro's rate about "up" is integrated for the steer angle; each rest gives the gyro's
    bias anew. Positive is to the left on every wheel, since "up" is the same for all.
    """

    def __init__(self) -> None:
        self._recent: deque[Block] = deque()
        self._bias_dps: FloatArray = np.zeros(3)
        self._bias_known = False
        self._heading_deg = 0.0
        self._last: tuple[float, int, FloatArray] | None = None
        self._rate_dps: float | None = None

    def push(self, block: Block) -> None:
        """Take new samples, calibrated or not."""
        if not len(block):
            return
        self._recent.append(block)
        newest_s = block.t_s[-1]
        while self._recent[0].t_s[-1] < newest_s - SMOOTHED_S:
            self._recent.popleft()
        if block.gyro_dps is not None:
            self._integrate(block, block.gyro_dps)

    def rested(self, rest: Rest) -> None:
        """Take the gyro's bias from a rest; the first one gives the zero of the steer angle.

        Later only from whole rests: one that has just begun may hold the last of the movement.
        """
        if rest.gyro_dps is None or (self._bias_known and not rest.ended):
            return
        if not self._bias_known:
            self.straight_here()
        self._bias_dps = rest.gyro_dps
        self._bias_known = True

    def straight_here(self) -> None:
        """Let the steer angle be zero where the wheel stands now."""
        self._heading_deg = 0.0

    @property
    def reading_g(self) -> FloatArray | None:
        """The accelerometer's reading in pod axes, in g, shape (3,); None before samples came."""
        if not self._recent:
            return None
        mean: FloatArray = np.concatenate([block.accel_g for block in self._recent]).mean(axis=0)
        return mean

    @property
    def up(self) -> FloatArray | None:
        """ "Up" in pod axes, unit length, shape (3,); None before samples came."""
        mean = self.reading_g
        if mean is None:
            return None
        size = float(np.linalg.norm(mean))
        return mean / size if size > 0.0 else None

    @property
    def camber_deg(self) -> float | None:
        """Camber with the case's +Y taken as the spin axis, in deg."""
        up = self.up
        return None if up is None else float(np.degrees(camber(up, _OUTBOARD)))

    @property
    def pitch_deg(self) -> float | None:
        """How far the pod is turned about its +Y from +Z up, in deg."""
        up = self.up
        return None if up is None else float(np.degrees(np.arctan2(up[0], up[2])))

    @property
    def rate_dps(self) -> float | None:
        """Size of the present rate of turn about any axis, in deg/s; None without gyro."""
        return self._rate_dps

    @property
    def steer_deg(self) -> float | None:
        """Turn to the left since `straight_here` or the first rest, in deg; None before."""
        return self._heading_deg if self._bias_known else None

    def _integrate(self, block: Block, gyro_dps: FloatArray) -> None:
        up = self.up
        if up is None:
            return
        rate = gyro_dps - self._bias_dps
        self._rate_dps = float(np.linalg.norm(rate[-10:].mean(axis=0)))
        about_up = rate @ up
        t_s, stretch = block.t_s, block.stretch
        if self._last is not None:
            last_s, last_stretch, last_rate = self._last
            t_s = np.concatenate([[last_s], t_s])
            stretch = np.concatenate([[last_stretch], stretch])
            about_up = np.concatenate([last_rate, about_up])
        turned = np.diff(t_s) * (about_up[1:] + about_up[:-1]) / 2.0
        # Across a restart or a long gap nothing is known of the turn.
        self._heading_deg += float(turned[np.diff(stretch) == 0].sum())
        self._last = (float(t_s[-1]), int(stretch[-1]), about_up[-1:])
