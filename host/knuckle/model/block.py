"""A stretch of samples as arrays on one time base, with its gaps marked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

LONGEST_BRIDGED_GAP_S = 0.25
"""A longer gap starts a new stretch: it ends a rest and drops the gyro's turn across it."""


@dataclass(frozen=True, slots=True)
class Block:
    """Samples in SI-derived units on the pod's own time base.

    Attributes
    ----------
    t_s : ndarray, shape (n,)
        Pod time at the centre of each (averaged) sample, in s; strictly increasing within
        a stretch.
    accel_g : ndarray, shape (n, 3)
        Specific force in pod axes, in g; +1 on the axis that points up.
    gyro_dps : ndarray, shape (n, 3), or None
        Angular rate in pod axes, in deg/s; None for a pod without gyro.
    temp_c : ndarray, shape (n,), or None
        Temperature, in degrees Celsius; NaN where its channel was away.
    linear_mm : ndarray, shape (n, m), or None
        Linear channels, in mm; NaN where one was away. `LinearBlock` has them for samples
        without accelerometer too.
    lost_before : ndarray of int, shape (n,)
        Samples missing just before each sample (0 nearly everywhere): lost on the way, or
        without accelerometer, or without the gyro that the recording began with.
    stretch : ndarray of int, shape (n,)
        Counts up at every restart of the pod and at every gap longer than
        `LONGEST_BRIDGED_GAP_S`; samples of one stretch share a time base without long gaps.
    clipped : ndarray of bool, shape (n,)
        Whether an accelerometer axis stood at the end of its range.
    rate_hz : float
        Nominal rate of the (averaged) samples, in Hz.
    """

    t_s: FloatArray
    accel_g: FloatArray
    gyro_dps: FloatArray | None
    temp_c: FloatArray | None
    linear_mm: FloatArray | None
    lost_before: IntArray
    stretch: IntArray
    clipped: BoolArray
    rate_hz: float

    def __len__(self) -> int:
        return int(self.t_s.shape[0])

    def part(self, first: int, end: int) -> Block:
        """Return samples `first` to `end` (exclusive) as a block of views."""
        cut = slice(first, end)
        return Block(
            t_s=self.t_s[cut],
            accel_g=self.accel_g[cut],
            gyro_dps=None if self.gyro_dps is None else self.gyro_dps[cut],
            temp_c=None if self.temp_c is None else self.temp_c[cut],
            linear_mm=None if self.linear_mm is None else self.linear_mm[cut],
            lost_before=self.lost_before[cut],
            stretch=self.stretch[cut],
            clipped=self.clipped[cut],
            rate_hz=self.rate_hz,
        )


def widened(values: FloatArray, columns: int) -> FloatArray:
    """Return values, shape (n, m), with columns of NaN at the right up to `columns`."""
    lacking = columns - values.shape[1]
    if lacking <= 0:
        return values
    return np.concatenate((values, np.full((values.shape[0], lacking), np.nan)), axis=1)


def _joined(parts: list[FloatArray | None]) -> FloatArray | None:
    present = [part for part in parts if part is not None]
    return np.concatenate(present) if len(present) == len(parts) else None


def _filled(parts: list[FloatArray | None], counts: list[int]) -> FloatArray | None:
    """Join columns, shape (n, m), of which some parts may be absent or narrower: NaN there."""
    columns = max((part.shape[1] for part in parts if part is not None), default=0)
    if not columns:
        return None
    return np.concatenate(
        [
            widened(np.empty((count, 0)) if part is None else part, columns)
            for part, count in zip(parts, counts, strict=True)
        ]
    )


def concatenate(blocks: list[Block]) -> Block:
    """Join blocks of one pod in the order given.

    Parameters
    ----------
    blocks : list of Block
        At least one, of the same rate, and all with or all without a gyro (else there is none
        in the whole). Temperature and linear columns that a block lacks are NaN there.

    Raises
    ------
    ValueError
        If the list is empty.
    """
    if not blocks:
        raise ValueError("no blocks to join")
    if len(blocks) == 1:
        return blocks[0]
    counts = [len(b) for b in blocks]
    temp_c = _filled([None if b.temp_c is None else b.temp_c[:, None] for b in blocks], counts)
    return Block(
        t_s=np.concatenate([b.t_s for b in blocks]),
        accel_g=np.concatenate([b.accel_g for b in blocks]),
        gyro_dps=_joined([b.gyro_dps for b in blocks]),
        temp_c=None if temp_c is None else temp_c[:, 0],
        linear_mm=_filled([b.linear_mm for b in blocks], counts),
        lost_before=np.concatenate([b.lost_before for b in blocks]),
        stretch=np.concatenate([b.stretch for b in blocks]),
        clipped=np.concatenate([b.clipped for b in blocks]),
        rate_hz=blocks[0].rate_hz,
    )
