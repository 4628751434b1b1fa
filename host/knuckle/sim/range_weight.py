"""Whether a sensor stands at the end of its range, as docs/protocol.md has a pod judge it."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import BoolArray


class RangeWeight:
    """Weighs the readings of one row: those at the end count up, others down, to a second's."""

    def __init__(self) -> None:
        self._weight = 0
        self._stands = False

    def take(self, at_end: BoolArray, period_s: float) -> bool:
        """Take the readings that follow, shape (n,); return whether the fault stands."""
        if not self._weight and not self._stands and not np.any(at_end):
            return False
        second = round(1.0 / period_s)
        for here in at_end.tolist():
            if here and self._weight >= second:
                self._stands = True
            elif not here and not self._weight:
                self._stands = False
            else:
                self._weight += 1 if here else -1
        return self._stands
