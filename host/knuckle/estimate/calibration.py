"""A pod's calibration: what its readings are corrected by, and what remains unknown after that."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from knuckle.estimate.data_sheets import (
    MPU6050_ACCELEROMETER,
    Parts,
    accelerometer_sheet,
    gyro_sheet,
)
from knuckle.estimate.priors import AccelerometerPrior, GyroPrior, Priors, with_zero_g_offset
from knuckle.estimate.sensor import ACCEL_TERMS, BIAS, CURVE, CURVE_LEVEL_G2, GAIN, TURN
from knuckle.model.block import Block, FloatArray

NO_PARTS: Final = Parts()

UNKNOWN_APART_C: Final = 10.0 / math.sqrt(3.0)
"""Readings, or a calibration, whose temperature is not known are taken as within 10 C of each
other, evenly (GUM, JCGM 100:2008, 4.3.7): a garage beside a living room (no source)."""


@dataclass(frozen=True)
class GyroCalibration:
    """rate read = matrix @ true rate + bias; the bias is found anew at every rest.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
    covariance : ndarray, shape (9, 9)
        Of the matrix, row by row.
    in_accelerometer_axes : bool
        Whether it was fitted to where gravity went: then it has no turn of its own, whatever
        chip it is on.
    """

    matrix: FloatArray
    covariance: FloatArray
    in_accelerometer_axes: bool = False


@dataclass(frozen=True)
class Drift:
    """How a sensor drifts with temperature, from calibrations at two temperatures.

    Attributes
    ----------
    bias_g_per_c, scale_per_c : ndarray, shape (3,)
        Of each axis, a degree Celsius.
    covariance : ndarray, shape (6, 6)
        Of both, bias first.
    low_c, high_c : float
        The temperatures of the two calibrations.
    """

    bias_g_per_c: FloatArray
    scale_per_c: FloatArray
    covariance: FloatArray
    low_c: float
    high_c: float


def _no_curve() -> FloatArray:
    return np.zeros(3)


@dataclass(frozen=True)
class Calibration:
    """acceleration read = a + nonlinearity * (a^2 - 0.6) + bias; a = matrix @ true, in g.

    Attributes
    ----------
    bias_g : ndarray, shape (3,)
        Of the best straight line, see `knuckle.estimate.sensor.CURVE_LEVEL_G2`.
    matrix : ndarray, shape (3, 3)
        Scale, cross-axis, and the turn of the chip in its case.
    covariance : ndarray, shape (18, 18)
        Of bias (g), matrix without the turn (row by row), turn of the chip in its case (rad,
        about the case's X, Y, Z) and nonlinearity (1/g). An error dE of the matrix and t of
        the turn act as (matrix + dE) (I + [t]x).
    gyro : GyroCalibration or None
    temp_c : float or None
        Temperature at which it was made.
    identity : str
        The pod's, 16 hex digits; empty if not known.
    date : str
        ISO 8601 with offset.
    nonlinearity_per_g : ndarray, shape (3,)
        Square law of each axis.
    degrees_of_freedom : float
        Effective, of the covariance; infinite for stated tolerances.
    drift : Drift or None
        None while it was calibrated at one temperature only.
    """

    bias_g: FloatArray
    matrix: FloatArray
    covariance: FloatArray
    gyro: GyroCalibration | None
    temp_c: float | None
    identity: str
    date: str
    nonlinearity_per_g: FloatArray = field(default_factory=_no_curve)
    degrees_of_freedom: float = math.inf
    drift: Drift | None = None

    @property
    def turn_deg(self) -> float:
        """Standard uncertainty of the turn of the chip in its case: rms of the three axes."""
        return float(np.degrees(np.sqrt(np.mean(np.diag(self.covariance)[TURN]))))

    def applied(self, block: Block) -> Block:
        """Return the block with its readings corrected."""
        back = np.linalg.inv(self.matrix)
        gyro_dps = block.gyro_dps
        if gyro_dps is not None and self.gyro is not None:
            gyro_dps = gyro_dps @ np.linalg.inv(self.gyro.matrix).T
        accel_g = straightened(block.accel_g - self.bias_g, self.nonlinearity_per_g) @ back.T
        if self.drift is not None and self.temp_c is not None and block.temp_c is not None:
            warmer = np.nan_to_num(block.temp_c - self.temp_c)[:, None]
            accel_g = (accel_g - warmer * (back @ self.drift.bias_g_per_c)) / (
                1.0 + warmer * self.drift.scale_per_c
            )
        return dataclasses.replace(block, accel_g=accel_g, gyro_dps=gyro_dps)

    def priors(
        self, others: Priors, parts: Parts = NO_PARTS, temp_c: float | None = None
    ) -> Priors:
        """Return priors in which this calibration's covariance stands for the sensor.

        After correction an error dE of the matrix acts as inv(M) dE, one of the bias as
        inv(M) db and one dc of the nonlinearity as inv(M) dc (M true)^2, taken as if M were
        one there; the turn stays: the covariance is carried over by that linear map.

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
        carry = np.eye(ACCEL_TERMS)
        carry[BIAS, BIAS] = back
        carry[GAIN, GAIN] = np.kron(back, np.eye(3))
        accelerometer = AccelerometerPrior(
            carry @ self.covariance @ carry.T,
            calibrated=True,
            degrees_of_freedom=self.degrees_of_freedom,
        )
        sheet = accelerometer_sheet(parts.accelerometer)
        if self.temp_c is None or temp_c is None:
            known = sheet.drift_covariance
            if self.drift is not None:
                slopes = np.concatenate([self.drift.bias_g_per_c, self.drift.scale_per_c])
                known = self.drift.covariance + np.diag(slopes**2)
            accelerometer = accelerometer.drifted(known * UNKNOWN_APART_C**2, UNKNOWN_APART_C)
        else:
            apart_c = temp_c - self.temp_c
            if self.drift is None:
                accelerometer = accelerometer.at_other_temperature(sheet, apart_c)
            else:
                accelerometer = accelerometer.drifted(self.drift.covariance * apart_c**2, apart_c)
        own_chip = parts.are_two_chips
        gyro = GyroPrior.data_sheet(gyro_sheet(parts.gyro), own_chip=own_chip)
        if self.gyro is not None:
            own_turn = own_chip and not self.gyro.in_accelerometer_axes
            carry_gyro = np.kron(np.linalg.inv(self.gyro.matrix), np.eye(3))
            gyro = GyroPrior(
                carry_gyro @ self.gyro.covariance @ carry_gyro.T,
                calibrated=True,
                turn_deg=self.turn_deg if own_turn else None,
            )
        return dataclasses.replace(others, accelerometer=accelerometer, gyro=gyro)


def straightened(reading_g: FloatArray, curve_per_g: FloatArray) -> FloatArray:
    """Return a of reading = a + curve (a^2 - 0.6), for curves that are small.

    Parameters
    ----------
    reading_g : ndarray, shape (n, 3)
    curve_per_g : ndarray, shape (3,)
    """
    raised_g = reading_g + CURVE_LEVEL_G2 * curve_per_g
    root = np.sqrt(np.maximum(1.0 + 4.0 * curve_per_g * raised_g, 0.0))
    return np.asarray(2.0 * raised_g / (1.0 + root))


def joint_covariance(
    bias_and_matrix: FloatArray,
    turn_deg: float,
    nonlinearity_per_g: float = MPU6050_ACCELEROMETER.nonlinearity_per_g,
) -> FloatArray:
    """Return a calibration's covariance where turn and nonlinearity stand by themselves.

    Parameters
    ----------
    bias_and_matrix : ndarray, shape (12, 12)
        Of zero-g offset and matrix (row by row), without the turn.
    turn_deg : float
        Standard uncertainty of the turn about each axis.
    nonlinearity_per_g : float
        Standard uncertainty of each axis.
    """
    joint = np.zeros((ACCEL_TERMS, ACCEL_TERMS))
    joint[:12, :12] = bias_and_matrix
    joint[TURN, TURN] = np.eye(3) * math.radians(turn_deg) ** 2
    joint[CURVE, CURVE] = np.eye(3) * nonlinearity_per_g**2
    return with_zero_g_offset(joint)
