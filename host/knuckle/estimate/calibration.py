"""A pod's calibration: what its readings are corrected by, and what remains unknown after that."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.estimate.data_sheets import Parts, accelerometer_sheet, gyro_sheet
from knuckle.estimate.priors import AccelerometerPrior, GyroPrior, Priors
from knuckle.model.block import Block, FloatArray

NO_PARTS: Final = Parts()


@dataclass(frozen=True)
class GyroCalibration:
    """rate read = matrix @ true rate + bias; the bias is found anew at every rest.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
    covariance : ndarray, shape (9, 9)
        Of the matrix, row by row.
    """

    matrix: FloatArray
    covariance: FloatArray


@dataclass(frozen=True)
class Calibration:
    """acceleration read = matrix @ true + bias, in pod axes and g.

    Attributes
    ----------
    bias_g : ndarray, shape (3,)
    matrix : ndarray, shape (3, 3)
    covariance : ndarray, shape (12, 12)
        Of bias and matrix (row by row), without the turn of the chip in its case.
    turn_deg : float
        Standard uncertainty of the turn of the chip in its case, each axis.
    gyro : GyroCalibration or None
    temp_c : float or None
        Temperature at which it was made.
    identity : str
        The pod's, 16 hex digits; empty if not known.
    date : str
        ISO 8601 with offset.
    """

    bias_g: FloatArray
    matrix: FloatArray
    covariance: FloatArray
    turn_deg: float
    gyro: GyroCalibration | None
    temp_c: float | None
    identity: str
    date: str

    def applied(self, block: Block) -> Block:
        """Return the block with its readings corrected."""
        back = np.linalg.inv(self.matrix)
        gyro_dps = block.gyro_dps
        if gyro_dps is not None and self.gyro is not None:
            gyro_dps = gyro_dps @ np.linalg.inv(self.gyro.matrix).T
        accel_g = (block.accel_g - self.bias_g) @ back.T
        return dataclasses.replace(block, accel_g=accel_g, gyro_dps=gyro_dps)

    def priors(
        self, others: Priors, parts: Parts = NO_PARTS, temp_c: float | None = None
    ) -> Priors:
        """Return priors in which this calibration's covariance stands for the sensor.

        After correction an error dM of the matrix acts as inv(M) dM, one of the bias as
        inv(M) db: the covariance is carried over by that linear map.

        Parameters
        ----------
        others : Priors
        parts : Parts
            For what the calibration does not say: the data sheet's drift with temperature,
            and a gyro that is a chip of its own.
        temp_c : float, optional
            Temperature of the readings.
        """
        back = np.linalg.inv(self.matrix)
        carry = np.zeros((12, 12))
        carry[:3, :3] = back
        carry[3:, 3:] = np.kron(back, np.eye(3))
        accelerometer = AccelerometerPrior(
            carry @ self.covariance @ carry.T, self.turn_deg, calibrated=True
        )
        if self.temp_c is not None and temp_c is not None:
            sheet = accelerometer_sheet(parts.accelerometer)
            accelerometer = accelerometer.at_other_temperature(sheet, temp_c - self.temp_c)
        own_chip = parts.are_two_chips
        gyro = GyroPrior.data_sheet(gyro_sheet(parts.gyro), own_chip=own_chip)
        if self.gyro is not None:
            carry_gyro = np.kron(np.linalg.inv(self.gyro.matrix), np.eye(3))
            gyro = GyroPrior(
                carry_gyro @ self.gyro.covariance @ carry_gyro.T,
                calibrated=True,
                turn_deg=self.turn_deg if own_chip else None,
            )
        return dataclasses.replace(others, accelerometer=accelerometer, gyro=gyro)
