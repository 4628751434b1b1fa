"""A stretch of readings of the linear channels alone, on pod time.

A pod's linear sensors live on while its accelerometer is gone, so their readings have an
array of their own beside `Block`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, FloatArray, IntArray, widened


@dataclass(frozen=True, slots=True)
class LinearBlock:
    """Readings of the linear channels, one row a sample.

    Attributes
    ----------
    t_s : ndarray, shape (n,)
        Pod time at the centre of each (averaged) sample, in s, as in `Block`.
    linear_mm : ndarray, shape (n, m)
        As the pod's hello scales them, before any calibration, in mm; NaN where a channel had
        no reading. No row is all NaN. A column stays the same sensor's throughout a recording.
    lost_before : ndarray of int, shape (n,)
        Samples missing just before each sample: lost, or without any linear reading.
    stretch : ndarray of int, shape (n,)
        As in `Block`, but counted by itself: up at every restart, and at every long gap of
        these samples. Only times relate the two.
    rate_hz : float
        Nominal rate of the samples, in Hz.
    """

    t_s: FloatArray
    linear_mm: FloatArray
    lost_before: IntArray
    stretch: IntArray
    rate_hz: float

    def __len__(self) -> int:
        return int(self.t_s.shape[0])

    def part(self, first: int, end: int) -> LinearBlock:
        """Return samples `first` to `end` (exclusive) as a block of views."""
        cut = slice(first, end)
        return LinearBlock(
            t_s=self.t_s[cut],
            linear_mm=self.linear_mm[cut],
            lost_before=self.lost_before[cut],
            stretch=self.stretch[cut],
            rate_hz=self.rate_hz,
        )


def linear_of(block: Block) -> LinearBlock | None:
    """Return the linear channels of a block by themselves; None if it has none."""
    if block.linear_mm is None:
        return None
    return linear_rows(block.t_s, block.linear_mm, block.lost_before, block.stretch, block.rate_hz)


def linear_rows(
    t_s: FloatArray,
    linear_mm: FloatArray,
    lost_before: IntArray,
    stretch: IntArray,
    rate_hz: float,
) -> LinearBlock | None:
    """Return the rows that hold a reading; the others are lost to the next. None without any.

    Parameters
    ----------
    t_s, linear_mm, lost_before, stretch, rate_hz
        As in `LinearBlock`, but rows may be all NaN.
    """
    read = ~np.all(np.isnan(linear_mm), axis=1)
    if not read.any():
        return None
    places = np.flatnonzero(read)
    # What a sample left out had lost before it is lost before the next one kept.
    lost = np.diff(np.cumsum(lost_before + 1)[places], prepend=0) - 1
    lost[0] = 0
    away = np.cumsum((np.diff(places, prepend=places[0]) > 1) & (lost > _bridged(rate_hz)))
    return LinearBlock(t_s[read], linear_mm[read], lost, stretch[read] + away, rate_hz)


def _bridged(rate_hz: float) -> float:
    """Return how many samples the longest gap that is bridged leaves out."""
    return LONGEST_BRIDGED_GAP_S * rate_hz


def concatenate_linear(blocks: Sequence[LinearBlock]) -> LinearBlock:
    """Join blocks of one pod in the order given; columns that an earlier one lacks are NaN.

    Raises
    ------
    ValueError
        If there are none.
    """
    if not blocks:
        raise ValueError("no blocks to join")
    if len(blocks) == 1:
        return blocks[0]
    columns = max(b.linear_mm.shape[1] for b in blocks)
    return LinearBlock(
        t_s=np.concatenate([b.t_s for b in blocks]),
        linear_mm=np.concatenate([widened(b.linear_mm, columns) for b in blocks]),
        lost_before=np.concatenate([b.lost_before for b in blocks]),
        stretch=np.concatenate([b.stretch for b in blocks]),
        rate_hz=blocks[0].rate_hz,
    )
