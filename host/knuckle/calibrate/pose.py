"""A pose: what the pod read while somebody held it still, or nearly so."""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.model.block import FloatArray


@dataclass(frozen=True, slots=True)
class Pose:
    """The averaged reading of one pose.

    Attributes
    ----------
    accel_g : ndarray, shape (3,)
        Mean reading, not corrected.
    covariance_g2 : ndarray, shape (3, 3)
        Of that mean, from the scatter within the pose: noise and tremor.
    turned_deg : float
        How far the pod turned while it was held, as far as gravity shows it. The mean of
        readings that run along an arc is shorter than each of them.
    gyro_dps : ndarray, shape (3,), or None
        Mean angular rate.
    temp_c : float or None
    start_s, end_s : float
        Pod time.
    stretch : int
        The block's stretch in which the pose lies.
    clipped : bool
        Whether an axis stood at the end of its range.
    """

    accel_g: FloatArray
    covariance_g2: FloatArray
    turned_deg: float
    gyro_dps: FloatArray | None
    temp_c: float | None
    start_s: float
    end_s: float
    stretch: int = 0
    clipped: bool = False

    @property
    def mid_s(self) -> float:
        """Pod time at the middle: the mean is the reading of that moment."""
        return (self.start_s + self.end_s) / 2.0
