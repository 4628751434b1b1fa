"""How far the pod has been turned about the vertical since a rest, for the eye."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.calibrate.pose import Pose
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block, FloatArray

SLOWLY_DEG: Final = 90.0
STANDS_DPS: Final = 0.3
RECENT_S: Final = 2.0
TOO_SLOW: Final = (
    "The turn was too slow to be told from lying still: once more from a mark, the whole turn "
    "within half a minute."
)


class TurnWatch:
    """Integrates the gyro about "up", its bias taken from the rest at the start."""

    def __init__(self) -> None:
        self.turned_deg: float | None = None
        """None before a turn has begun, and for a pod without gyro."""
        self._bias_dps: FloatArray | None = None
        self._up: FloatArray | None = None
        self._last_s: float | None = None
        self._recent: list[FloatArray] = []
        self._kept = 4

    @property
    def stands(self) -> bool:
        """Whether every quarter of the last `RECENT_S` of the gyro reads as the rest at the start.

        A slow turn ends slowly: its last second would pass for a zero rate.
        """
        if self._bias_dps is None or len(self._recent) < self._kept:
            return False
        quarters = np.array_split(np.array(self._recent), 4)
        rates = [np.mean(quarter, axis=0) - self._bias_dps for quarter in quarters]
        return float(np.max(np.linalg.norm(rates, axis=1))) < STANDS_DPS

    @property
    def crept(self) -> bool:
        """Whether a pod that still counts as held has turned: no rest would ever follow."""
        return self.turned_deg is not None and abs(self.turned_deg) > SLOWLY_DEG

    def begin(self, pose: Pose) -> None:
        """Begin at a rest that goes on."""
        self._up, self._bias_dps = unit(pose.accel_g), pose.gyro_dps
        self.turned_deg = None if pose.gyro_dps is None else 0.0
        self._last_s = None

    def stop(self) -> None:
        """Forget the turn."""
        self.turned_deg, self._bias_dps = None, None

    def push(self, block: Block) -> None:
        """Take new samples, not corrected."""
        if self.turned_deg is None or self._bias_dps is None or self._up is None:
            return
        if block.gyro_dps is None:
            return
        before_s = block.t_s[0] - 1.0 / block.rate_hz if self._last_s is None else self._last_s
        self._kept = max(4, round(RECENT_S * block.rate_hz))
        self._recent = [*self._recent, *block.gyro_dps][-self._kept :]
        steps_s = np.diff(block.t_s, prepend=before_s)
        self.turned_deg += float(steps_s @ ((block.gyro_dps - self._bias_dps) @ self._up))
        self._last_s = float(block.t_s[-1])
