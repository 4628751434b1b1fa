"""Keeps links whose time waits for their reader in step with the consumer and with each other."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Final

from knuckle.links.contract import Clock

LONGEST_LEAD_S: Final = 0.1
"""How far one simulated or replayed link may run ahead of another."""


class Pace:
    """Says whose turn it is; links in real time never wait.

    Parameters
    ----------
    clocks : sequence of Clock
        One for each link.
    """

    def __init__(self, clocks: Sequence[Clock]) -> None:
        self._waiting_clocks = [clock for clock in clocks if clock.waits_for_reader]
        self._starts_s: dict[int, float] = {}
        self._reader_waits = asyncio.Event()
        self._moved = asyncio.Event()
        self._replies_awaited = 0

    def reader_waits(self) -> None:
        """Take note that the consumer has dealt with all events."""
        self._reader_waits.set()

    def reader_is_busy(self) -> None:
        """Take note that there are events for the consumer to deal with."""
        if not self._replies_awaited:
            self._reader_waits.clear()

    @contextmanager
    def awaiting_reply(self) -> Iterator[None]:
        """Let time go on while the consumer waits for a pod's answer."""
        self._replies_awaited += 1
        self._reader_waits.set()
        try:
            yield
        finally:
            self._replies_awaited -= 1
            if not self._replies_awaited:
                self._reader_waits.clear()

    def ended(self, clock: Clock) -> None:
        """Take note that a link is over: nobody waits for it any more."""
        self._waiting_clocks = [other for other in self._waiting_clocks if other is not clock]
        self.moved()

    async def turn_of(self, clock: Clock) -> None:
        """Return when the link with this clock may be read."""
        self.moved()
        if not clock.waits_for_reader:
            return
        # A recording's time may begin anywhere: compared is what has gone by.
        self._starts_s.setdefault(id(clock), clock.now_s())
        await self._reader_waits.wait()
        while self._waiting_clocks and self._passed_s(clock) > self._slowest_s() + LONGEST_LEAD_S:
            self._moved.clear()
            await self._moved.wait()
            await self._reader_waits.wait()

    def moved(self) -> None:
        """Take note that a link's time has moved on."""
        self._moved.set()

    def _slowest_s(self) -> float:
        return min(self._passed_s(clock) for clock in self._waiting_clocks)

    def _passed_s(self, clock: Clock) -> float:
        return clock.now_s() - self._starts_s.get(id(clock), clock.now_s())
