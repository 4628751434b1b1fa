"""What every link is: an async context manager that yields chunks of bytes with arrival times.

A link carries bytes and time, nothing else. It decodes nothing. Foreign exceptions stop here:
a link raises only the `LinkError` family.
"""

from __future__ import annotations

from collections.abc import AsyncGenerator
from datetime import datetime
from types import TracebackType
from typing import NamedTuple, Protocol, Self


class Chunk(NamedTuple):
    """Bytes as they arrived.

    `data` may be empty: that tells only that time went by. A link yields at least one chunk
    every `LONGEST_SILENCE_S` of its own time, so that deadlines are judged on arrivals alone.
    """

    arrival_s: float
    data: bytes


LONGEST_SILENCE_S = 0.1


class Clock(Protocol):
    """The time a link lives in: the wall's, a simulation's or a recording's."""

    waits_for_reader: bool
    """True where time stands still until the next chunk is asked for (simulation, replay)."""

    def now_s(self) -> float:
        """Return seconds since an arbitrary start; never runs backwards."""
        ...

    def utc(self, at_s: float) -> datetime:
        """Return the date and time, in UTC, of a moment of this clock."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Let that much of this clock's time go by."""
        ...


def throughput_is_known(link: Link) -> bool:
    """Return whether a link carries all that the pod's own line lets it send.

    True unless the link says otherwise by an attribute `throughput_is_known`.
    """
    return bool(getattr(link, "throughput_is_known", True))


class Link(Protocol):
    """A way to one pod.

    Used as ``async with link: async for chunk in link.chunks(): ...``. Entering opens it and
    may raise any `LinkError`; `chunks` ends when a recording or a simulation is over, and
    raises `LinkLost` when a live link is gone. Leaving never raises.
    """

    address: str
    """As the user gives it, e.g. ``serial:/dev/ttyUSB0``."""
    clock: Clock
    reconnects: bool
    """Whether entering again, after it was lost, may bring the pod back."""

    async def __aenter__(self) -> Self: ...

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def chunks(self) -> AsyncGenerator[Chunk, None]:
        """Yield what arrives."""
        ...

    async def write(self, data: bytes) -> None:
        """Send bytes; done or raised within a deadline."""
        ...

    def pass_over(self) -> None:
        """Take note that what answered is another pod: look elsewhere on the next entering."""
        ...

    def description(self) -> str:
        """Return one line for people: port and product, scenario and seed, file and length."""
        ...
