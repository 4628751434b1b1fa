"""Whether the pod has been taken off its wheel since it rested there."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray
from knuckle.model.rest import Rest
from knuckle.run.live_angles import LiveAngles

TILTED_DEG: Final = 8.0
"""A wheel at rest does not lean that far over; a pod in the hand does at once."""
TURNED_DEG: Final = 30.0
"""From one side of the car to the other the pod turns by 180 deg, along a side by hand."""
_HAND_DPS: Final = 25.0
_HAND_S: Final = 0.5


class Handling:
    """Compares the pod's attitude with that of its last rest on a wheel."""

    def __init__(self) -> None:
        self._up: FloatArray | None = None
        self._heading_deg: float | None = None
        self._swung_since_s: float | None = None
        self.handled = False

    def rested(self, rest: Rest, angles: LiveAngles) -> None:
        """Start anew from a rest on a wheel."""
        self._up = unit(rest.accel_g)
        self._heading_deg = angles.steer_deg
        self._swung_since_s = None
        self.handled = False

    def follow(self, angles: LiveAngles, now_s: float) -> None:
        """Take note of the pod's present attitude."""
        up = angles.up
        if self.handled or self._up is None or up is None:
            return
        tilt_deg = float(np.degrees(np.arccos(np.clip(self._up @ up, -1.0, 1.0))))
        heading_deg = angles.steer_deg
        turned = (
            heading_deg is not None
            and self._heading_deg is not None
            and abs(heading_deg - self._heading_deg) >= TURNED_DEG
        )
        self.handled = tilt_deg >= TILTED_DEG or turned or self._swings(angles, now_s)

    def _swings(self, angles: LiveAngles, now_s: float) -> bool:
        """Whether it has been turning fast for longer than a knock lasts."""
        rate_dps = angles.rate_dps
        if rate_dps is None or rate_dps < _HAND_DPS:
            self._swung_since_s = None
            return False
        if self._swung_since_s is None:
            self._swung_since_s = now_s
        return now_s - self._swung_since_s >= _HAND_S
