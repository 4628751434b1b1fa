"""The times a link can live in: the wall's, or one that its link drives."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime, timedelta


class WallClock:
    """The time of the world, from the system's steady clock."""

    waits_for_reader = False

    def __init__(self) -> None:
        self._start_s = time.monotonic()
        self._start_utc = datetime.now(UTC)

    def now_s(self) -> float:
        """Return seconds since the clock was made."""
        return time.monotonic() - self._start_s

    def utc(self, at_s: float) -> datetime:
        """Return the date and time of a moment of this clock."""
        return self._start_utc + timedelta(seconds=at_s)

    async def sleep(self, seconds: float) -> None:
        """Wait."""
        await asyncio.sleep(max(0.0, seconds))


class DrivenClock:
    """A time that a simulated or replayed link moves on, at any speed.

    While the link is being read (`driven`), only reading moves it and sleepers wait for
    that; otherwise sleeping moves it, so that a pause before a new try costs no waiting.

    Parameters
    ----------
    start_utc : datetime, optional
        What second 0 stands for; now if not given.
    speed : float
        Seconds of this clock for each second of the wall's; 0 is as fast as possible.
    """

    waits_for_reader = True

    def __init__(self, start_utc: datetime | None = None, speed: float = 0.0) -> None:
        self.driven = False
        self.speed = speed
        self._start_utc = start_utc if start_utc is not None else datetime.now(UTC)
        self._now_s = 0.0
        self._sleepers: list[tuple[float, asyncio.Future[None]]] = []
        self._paced_from: tuple[float, float] | None = None

    def now_s(self) -> float:
        """Return the moment the link has come to, in s."""
        return self._now_s

    def utc(self, at_s: float) -> datetime:
        """Return the date and time of a moment of this clock."""
        return self._start_utc + timedelta(seconds=at_s)

    async def sleep(self, seconds: float) -> None:
        """Let that much of this clock's time go by."""
        target_s = self._now_s + seconds
        while self._now_s < target_s:
            if not self.driven:
                await self.pass_time(target_s)
                return
            sleeper: asyncio.Future[None] = asyncio.get_running_loop().create_future()
            self._sleepers.append((target_s, sleeper))
            await sleeper

    async def pass_time(self, to_s: float) -> None:
        """Move on to a moment, taking as long as the speed says."""
        if self.speed > 0.0:
            await asyncio.sleep(self._due_in_s(to_s))
        else:
            await asyncio.sleep(0)
        self._now_s = max(self._now_s, to_s)
        self._wake(self._now_s)

    def start_at(self, utc: datetime | None) -> None:
        """Let second 0 stand for a date and time; None leaves it as it is."""
        if utc is not None:
            self._start_utc = utc if utc.tzinfo is not None else utc.replace(tzinfo=UTC)

    def jump_to(self, at_s: float) -> None:
        """Begin at a moment, e.g. that of a recording's first byte, before or after 0."""
        self._now_s = at_s
        self._paced_from = None

    def hand_over(self) -> None:
        """Take note that the link drives no longer: sleepers move the clock themselves."""
        self.driven = False
        self._paced_from = None
        self._wake(float("inf"))

    def _due_in_s(self, to_s: float) -> float:
        wall_s = time.monotonic()
        if self._paced_from is None:
            self._paced_from = (self._now_s, wall_s)
        from_s, from_wall_s = self._paced_from
        due_in_s = from_wall_s + (to_s - from_s) / self.speed - wall_s
        if due_in_s < -0.5:  # the reader was slow: go on from here, not in a rush to catch up
            self._paced_from = (to_s, wall_s)
        return max(0.0, due_in_s)

    def _wake(self, up_to_s: float) -> None:
        waiting, self._sleepers = self._sleepers, []
        for target_s, sleeper in waiting:
            if target_s > up_to_s:
                self._sleepers.append((target_s, sleeper))
            elif not sleeper.done():
                sleeper.set_result(None)
