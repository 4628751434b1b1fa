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
        Temperature, in degrees Celsius.
    linear_mm : ndarray, shape (n, m), or None
        Linear channels, in mm.
    lost_before : ndarray of int, shape (n,)
        Samples missing just before each sample (0 nearly everywhere).
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


def _joined(parts: list[FloatArray | None]) -> FloatArray | None:
    present = [part for part in parts if part is not None]
    return np.concatenate(present) if len(present) == len(parts) else None


def concatenate(blocks: list[Block]) -> Block:
    """Join blocks of one pod in the order given.

    Parameters
    ----------
    blocks : list of Block
        At least one, all with the same channels and rate.

    Raises
    ------
    ValueError
        If the list is empty.
    """
    if not blocks:
        raise ValueError("no blocks to join")
    if len(blocks) == 1:
        return blocks[0]
    return Block(
        t_s=np.concatenate([b.t_s for b in blocks]),
        accel_g=np.concatenate([b.accel_g for b in blocks]),
        gyro_dps=_joined([b.gyro_dps for b in blocks]),
        temp_c=_joined([b.temp_c for b in blocks]),
        linear_mm=_joined([b.linear_mm for b in blocks]),
        lost_before=np.concatenate([b.lost_before for b in blocks]),
        stretch=np.concatenate([b.stretch for b in blocks]),
        clipped=np.concatenate([b.clipped for b in blocks]),
        rate_hz=blocks[0].rate_hz,
    )
