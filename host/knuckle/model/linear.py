"""A stretch of readings of the linear channels alone, on pod time.

A pod's linear sensors live on while its accelerometer is gone, so their readings have an
array of their own beside `Block`.
"""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.model.block import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class LinearBlock:
    """Readings of the linear channels, one row a sample.

    Attributes
    ----------
    t_s : ndarray, shape (n,)
        Pod time at the centre of each (averaged) sample, in s, as in `Block`.
    linear_mm : ndarray, shape (n, m)
        As the pod's hello scales them, before any calibration, in mm; NaN where a channel had
        no reading.
    lost_before : ndarray of int, shape (n,)
        Samples missing just before each sample.
    stretch : ndarray of int, shape (n,)
        As in `Block`: counts up at every restart and every long gap.
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
