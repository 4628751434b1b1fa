"""How fits become a calibration."""

from __future__ import annotations

from knuckle.calibrate.results import AccelerometerFit, FaceFit, GyroFit
from knuckle.estimate.calibration import Calibration, GyroCalibration


def calibration_of(
    fit: AccelerometerFit,
    face: FaceFit | None = None,
    gyro: GyroFit | None = None,
    identity: str = "",
    date: str = "",
) -> Calibration:
    """Return the calibration that fits make.

    Parameters
    ----------
    fit : AccelerometerFit
        One that `is_calibration`, by itself or with the face run: what an ill-conditioned one
        leaves is the data sheet's.
    face : FaceFit, optional
        A good one; without it the turn of the chip keeps its common tolerance.
    gyro : GyroFit, optional
        A good one.
    identity, date : str
        See `Calibration`.

    Raises
    ------
    ValueError
        If a fit is given that is none.
    """
    if face is not None and not face.good:
        raise ValueError(f"no face run: {face.reason}")
    settled = fit if face is None else face
    if not settled.is_calibration:
        reason = fit.reason if face is None else face.state_reason
        raise ValueError(f"no calibration: {reason}")
    if gyro is not None and not gyro.good:
        raise ValueError(f"no calibration of the gyro: {gyro.reason}")
    best = fit if face is None else face
    freedom = fit.camber_degrees_of_freedom if face is None else face.degrees_of_freedom
    return Calibration(
        bias_g=best.bias_g,
        matrix=best.matrix,
        covariance=best.covariance,
        gyro=None if gyro is None else GyroCalibration(gyro.matrix, gyro.covariance, True),
        temp_c=fit.temp_c,
        identity=identity,
        date=date,
        nonlinearity_per_g=best.nonlinearity_per_g,
        degrees_of_freedom=max(freedom, 1.0),
    )
