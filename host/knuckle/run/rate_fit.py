"""Whether a link carries the samples that a pod sends, learnt from what arrives."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple

from knuckle.wire.budget import LARGEST_AVERAGING, least_averaging
from knuckle.wire.decoder import DecodeCounts
from knuckle.wire.messages import Channel, Hello

PERIOD_S: Final = 1.0
SLOWEST_HZ: Final = 10.0
"""Fewer samples a second make no rest: then the link is too slow, whatever the averaging."""
LAGS_S: Final = 0.5
"""By so much later than before the last of `_LAGGING` periods came, none of them earlier."""
_LAGGING: Final = 4


class _Window(NamedTuple):
    """Periods, how many of them must have lost samples, and what share of all samples."""

    periods: int
    lossy: int
    share: float
    early: bool


_WINDOWS: Final = (
    _Window(2, 2, 0.30, True),
    _Window(5, 4, 0.10, True),
    _Window(30, 15, 0.03, False),
    _Window(120, 40, 0.02, False),
)
"""One per cent lost by chance stays below all of these; a hole in the reach is one lossy period."""


class _Period(NamedTuple):
    got: int
    lost: int
    good: int
    damaged: int
    byte_count: int
    lag_s: float | None

    @property
    def lossy(self) -> bool:
        return self.lost > 0 or self.damaged > 0


@dataclass(frozen=True, slots=True)
class Fit:
    """What a link carries, and what follows.

    Attributes
    ----------
    bytes_per_s : float
        That arrived while samples were lost.
    averaging : int
        The smallest that the link carries, by the rule of docs/protocol.md for a line of that rate.
    """

    bytes_per_s: float
    averaging: int


class RateFit:
    """Watches for samples that are lost, or come later and later, period by period.

    A link that carries too little loses samples all the time, or delays them ever more. A link
    that loses one now and then, or falls silent for a moment, carries enough.
    """

    def __init__(self) -> None:
        self._periods: deque[_Period] = deque(maxlen=max(w.periods for w in _WINDOWS))
        self._since_s: float | None = None
        self._got = self._lost = self._byte_count = 0
        self._frames = (0, 0)
        self._lag_s: float | None = None

    def start_over(self) -> None:
        """Forget: the link was down, or the rate is another."""
        self._periods.clear()
        self._since_s = None

    def arrived(self, byte_count: int) -> None:
        """Take note of bytes."""
        self._byte_count += byte_count

    def sampled(self, got: int, lost: int, newest_t_s: float, at_s: float) -> None:
        """Take note of samples: how many came, were lost before them, and when.

        Parameters
        ----------
        newest_t_s : float
            Pod time of the newest.
        at_s : float
            Its arrival.
        """
        self._got += got
        self._lost += lost
        self._lag_s = at_s - newest_t_s

    def judge(
        self, at_s: float, counts: DecodeCounts, hello: Hello, averaging: int
    ) -> tuple[Fit, bool] | None:
        """Return what the link carries, if it is too little; at the end of a period.

        Parameters
        ----------
        counts : DecodeCounts
            Of all that came since the start.
        hello : Hello
        averaging : int
            In force.

        Returns
        -------
        Fit
        bool
            Whether a short time has shown it.
        """
        frames = (counts.frames, counts.bad_crc + counts.bad_cobs + counts.too_long)
        if self._since_s is None:
            self._next(at_s, frames)
            return None
        passed_s = at_s - self._since_s
        if passed_s < PERIOD_S:
            return None
        good, damaged = (now - before for now, before in zip(frames, self._frames, strict=True))
        carried = round(self._byte_count / passed_s)
        self._periods.append(_Period(self._got, self._lost, good, damaged, carried, self._lag_s))
        self._next(at_s, frames)
        for window in _WINDOWS:
            if len(self._periods) >= window.periods and self._overloaded(window):
                return self._fit(window.periods, hello, averaging), window.early
        if self._lags():
            return self._fit(_LAGGING, hello, averaging), True
        return None

    def _next(self, at_s: float, frames: tuple[int, int]) -> None:
        self._since_s = at_s
        self._frames = frames
        self._got = self._lost = self._byte_count = 0
        self._lag_s = None

    def _overloaded(self, window: _Window) -> bool:
        last = list(self._periods)[-window.periods :]
        if sum(p.lossy for p in last) < window.lossy:
            return False
        lost, got = sum(p.lost for p in last), sum(p.got for p in last)
        # Where each frame is cut off, none is left to tell by its number how many are missing.
        damaged, good = sum(p.damaged for p in last), sum(p.good for p in last)
        return lost > window.share * (lost + got) or damaged > window.share * (damaged + good)

    def _lags(self) -> bool:
        lags = [p.lag_s for p in list(self._periods)[-_LAGGING - 1 :]]
        if len(lags) <= _LAGGING or None in lags:
            return False
        known = [lag for lag in lags if lag is not None]
        steps = [later - earlier for earlier, later in pairwise(known)]
        return min(steps) > 0.0 and known[-1] - known[0] > LAGS_S

    def _fit(self, periods: int, hello: Hello, averaging: int) -> Fit:
        last = list(self._periods)[-periods:]
        carried = sum(p.byte_count for p in last) / len(last)
        return Fit(carried, fitting(carried, hello.channels, hello, averaging))


def fitting(bytes_per_s: float, channels: Sequence[Channel], hello: Hello, averaging: int) -> int:
    """Return the smallest averaging above the one in force that so many bytes a second carry.

    Never one that leaves fewer than `SLOWEST_HZ` samples a second; the one in force if there is
    none.
    """
    raw_hz = hello.tick_hz / max(1, hello.raw_period_ticks)
    most = min(LARGEST_AVERAGING, int(raw_hz / SLOWEST_HZ))
    try:
        least = least_averaging(
            int(10 * bytes_per_s), channels, hello.raw_period_ticks, hello.tick_hz
        )
    except ValueError:
        least = most
    return max(averaging, min(most, max(least, averaging + 1)))
