"""Unwrap a pod's 32-bit tick counter."""

from __future__ import annotations

from typing import Final

TICK_MODULUS: Final = 1 << 32


class TickCounter:
    """Turns wrapping ticks into ticks that only grow.

    A tick less than half a turn of the counter ahead of the last counts as later, any other
    as earlier: the pod has started again. So a pause of up to half a turn is bridged (36 min
    at 1 MHz).
    """

    def __init__(self) -> None:
        self._last: int | None = None

    def restart(self) -> None:
        """Forget: the next tick starts a new count."""
        self._last = None

    def unwrap(self, tick: int) -> int | None:
        """Return the unwrapped tick, or None if the counter ran back (nothing is kept then)."""
        tick %= TICK_MODULUS
        if self._last is None:
            self._last = tick
            return tick
        ahead = (tick - self._last) % TICK_MODULUS
        if ahead >= TICK_MODULUS // 2:
            return None
        self._last += ahead
        return self._last
