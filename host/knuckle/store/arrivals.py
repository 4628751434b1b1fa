"""When the samples of a stored run were taken: pod time laid beside the arrivals of its bytes.

For UTC stamps only; results are computed from the pod's own time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from knuckle.model.block import Block
from knuckle.store.rows import RunDetail, StoredChunk
from knuckle.timebase.utc import ArrivalFit, stamp

EVERY_S: Final = 0.25
"""Arrival time between two pairs of the fit: it looks for the promptest of each half second."""
_PAUSE_S: Final = 0.01
"""So long without bytes ends a burst; its last sample is the one that waited least."""


@dataclass(frozen=True, slots=True)
class SampleClock:
    """The date and time of a stream's samples.

    Attributes
    ----------
    first_t_s : float
        Pod time of the first sample.
    """

    first_t_s: float
    fit: ArrivalFit

    def stamp(self, t_s: float) -> str:
        """Return when the sample at pod time `t_s` was taken: ISO 8601 with offset, UTC."""
        moment = self.fit.utc_of(t_s)
        assert moment is not None, "there is a clock only where samples came"
        return stamp(moment)

    @property
    def first_sample_utc(self) -> str:
        """When the first sample was taken: ISO 8601 with offset, UTC."""
        return self.stamp(self.first_t_s)


def utc_at_zero(detail: RunDetail) -> datetime | None:
    """Return the date and time at arrival time 0, as a run began with its first bytes; or None."""
    arrivals = [s.first_arrival_s for s in detail.streams if s.first_arrival_s is not None]
    try:
        started = datetime.fromisoformat(detail.summary.started_utc)
        return started.astimezone(UTC) - timedelta(seconds=min(arrivals))
    except (ValueError, OverflowError):
        return None


class Arrivals:
    """Collects pairs of pod time and arrival while a stream is decoded.

    Parameters
    ----------
    zero : datetime or None
        The date and time at arrival time 0; without it there is no clock.
    """

    def __init__(self, zero: datetime | None) -> None:
        self._fit = None if zero is None else ArrivalFit(zero)
        self._now_s = -math.inf
        self._last_s = -math.inf
        self._pause_s = math.inf
        self._restarts = 0

    def pieces(self, chunks: Iterable[StoredChunk]) -> Iterator[bytes]:
        """Pass a stream's bytes on, noting when they arrived and how long none followed."""
        held: StoredChunk | None = None
        for chunk in chunks:
            if held is not None:
                self._now_s, self._pause_s = held.arrival_s, chunk.arrival_s - held.arrival_s
                yield held.data
            held = chunk
        if held is not None:
            self._now_s, self._pause_s = held.arrival_s, math.inf
            yield held.data

    @property
    def due(self) -> bool:
        """Whether what came should be assembled now, so that its arrival is known."""
        since_s = self._now_s - self._last_s
        return since_s >= EVERY_S and (self._pause_s >= _PAUSE_S or since_s >= 2.0 * EVERY_S)

    def assembled(self, block: Block, restarts: int) -> None:
        """Take what has been assembled, and how often the pod had started anew by then."""
        self._last_s = self._now_s
        if self._fit is None:
            return
        if restarts > self._restarts:
            self._restarts = restarts
            newest = int(np.searchsorted(block.stretch, block.stretch[-1]))
            self._fit.restart(float(block.t_s[newest]))
        self._fit.add(float(block.t_s[-1]), self._now_s)

    def clock(self, block: Block | None) -> SampleClock | None:
        """Return the clock of all that has been assembled; None if that is nothing."""
        if self._fit is None or block is None or not len(self._fit):
            return None
        return SampleClock(float(block.t_s[0]), self._fit)
