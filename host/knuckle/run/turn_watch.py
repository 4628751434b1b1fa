"""How far the pod has been turned about the vertical since a rest, for the eye."""

from __future__ import annotations

import numpy as np

from knuckle.calibrate.pose import Pose
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block, FloatArray


class TurnWatch:
    """Integrates the gyro about "up", its bias taken from the rest at the start."""

    def __init__(self) -> None:
        self.turned_deg: float | None = None
        """None before a turn has begun, and for a pod without gyro."""
        self._bias_dps: FloatArray | None = None
        self._up: FloatArray | None = None
        self._last_s: float | None = None

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
        steps_s = np.diff(block.t_s, prepend=before_s)
        self.turned_deg += float(steps_s @ ((block.gyro_dps - self._bias_dps) @ self._up))
        self._last_s = float(block.t_s[-1])
