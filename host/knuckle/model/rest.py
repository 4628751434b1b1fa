"""A stretch in which the wheel stood still."""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.model.block import FloatArray


@dataclass(frozen=True, slots=True)
class Rest:
    """The averaged reading of one rest.

    Attributes
    ----------
    start_s, end_s : float
        Pod time of the first and last sample used, in s.
    first, end : int
        The samples from which the rest was taken, as positions in the whole recording
        (`end` exclusive). Knocks inside are left out of the means.
    stretch : int
        The block's stretch in which the rest lies.
    count : int
        Samples in the means.
    effective_count : ndarray, shape (3,)
        Effective sample size of each accelerometer axis, within [1, count].
    accel_g : ndarray, shape (3,)
        Mean specific force, in g. Not normalised.
    accel_cov_g2 : ndarray, shape (3, 3)
        Covariance of that mean (noise only), in g^2.
    gyro_dps : ndarray, shape (3,), or None
        Mean angular rate: the gyro's bias, in deg/s.
    gyro_cov_dps2 : ndarray, shape (3, 3), or None
        Covariance of that mean.
    temp_c : float or None
        Mean temperature.
    linear_mm : ndarray, shape (m,), or None
        Mean of the linear channels, as the pod's hello scales them; NaN where one was away.
    linear_cov_mm2 : ndarray, shape (m, m), or None
        Covariance of that mean.
    clipped : bool
        Whether a sample in the rest stood at the end of the accelerometer's range.
    knocks : int
        Short disturbances that were left out.
    ended : bool
        False while the wheel still stands (the mean may grow).
    """

    start_s: float
    end_s: float
    first: int
    end: int
    stretch: int
    count: int
    effective_count: FloatArray
    accel_g: FloatArray
    accel_cov_g2: FloatArray
    gyro_dps: FloatArray | None
    gyro_cov_dps2: FloatArray | None
    temp_c: float | None
    linear_mm: FloatArray | None
    linear_cov_mm2: FloatArray | None
    clipped: bool
    knocks: int
    ended: bool

    @property
    def duration_s(self) -> float:
        """Length of the rest, in s."""
        return self.end_s - self.start_s
