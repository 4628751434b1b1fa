"""One linear channel, cut into the same fixed cells as the other sensors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.rests.cells import cell_means, group


@dataclass(frozen=True, slots=True)
class LinearCell:
    """Some samples of the channel, counted from the stretch's first.

    Attributes
    ----------
    start_s, end_s : float
        Pod time of its first and last sample.
    mean : float
        In mm.
    inner : float
        Variance of its samples about their mean.
    """

    start_s: float
    end_s: float
    mean: float
    inner: float


class LinearCellMaker:
    """Collects readings of one stretch and gives whole cells."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._t_s: FloatArray = np.empty(0)
        self._reading: FloatArray = np.empty((0, 1))

    def push(self, t_s: FloatArray, reading_mm: FloatArray) -> list[LinearCell]:
        """Add readings, shape (n,), and return the cells they complete (perhaps none)."""
        self._t_s = np.concatenate((self._t_s, t_s))
        self._reading = np.concatenate((self._reading, reading_mm[:, None]))
        used = len(self._t_s) // self._size * self._size
        means = cell_means(self._reading, self._size)
        grouped = group(self._reading, self._size)
        inner = (grouped[:, 0] - means) ** 2
        for j in range(1, self._size):
            inner += (grouped[:, j] - means) ** 2
        inner /= self._size - 1
        cells = [
            LinearCell(*row)
            for row in zip(
                self._t_s[0 : used : self._size].tolist(),
                self._t_s[self._size - 1 : used : self._size].tolist(),
                means[:, 0].tolist(),
                inner[:, 0].tolist(),
                strict=True,
            )
        ]
        self._t_s = self._t_s[used:].copy()
        self._reading = self._reading[used:].copy()
        return cells
