"""What is missing between the samples of one kind, and where a new stretch begins."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import LONGEST_BRIDGED_GAP_S, IntArray


class Track:
    """Counts lost samples and stretches of those samples that are its own.

    Samples that come without what the track is about are lost to it, so a channel that was
    away for long begins a new stretch when it is back.
    """

    def __init__(self) -> None:
        self._expected: int | None = None
        self._period = 0
        self._stretch = 0
        self._broken = False
        self._lost: list[int] = []
        self._stretches: list[int] = []

    def restart(self) -> None:
        """Take note that the pod has started again: nothing is known of what was between."""
        self._expected = None

    def break_off(self) -> None:
        """Begin a new stretch with the next sample: what is measured has changed."""
        self._broken = True

    def take(self, tick: int, samples: int, period: int, tick_hz: int) -> None:
        """Take a batch.

        Parameters
        ----------
        tick : int
            Of its first sample, unwrapped.
        samples : int
        period : int
            Ticks from one sample to the next.
        tick_hz : int
        """
        lost = 0
        if self._expected is not None:
            missing = tick - self._expected
            lost = max(0, round(missing / period))
            long_gap = lost > 0 and missing > LONGEST_BRIDGED_GAP_S * tick_hz
            self._stretch += long_gap or self._broken or period != self._period
        elif self._period:
            self._stretch += 1
        self._broken = False
        self._period = period
        self._expected = tick + samples * period
        self._lost.append(lost)
        self._stretches.append(self._stretch)

    def taken(self, starts: IntArray, count: int) -> tuple[IntArray, IntArray]:
        """Return, and forget, what is lost before each sample, and its stretch.

        Parameters
        ----------
        starts : ndarray of int, shape (batches,)
            Place of each batch's first sample.
        count : int
            Samples in all.

        Returns
        -------
        lost_before, stretch : ndarray of int, shape (count,)
        """
        lost_before = np.zeros(count, dtype=np.int64)
        lost_before[starts] = self._lost
        counts = np.diff(starts, append=count)
        stretch = np.repeat(np.array(self._stretches, dtype=np.int64), counts)
        self._lost.clear()
        self._stretches.clear()
        return lost_before, stretch
