"""What is known before the first reading: every default of docs/measurement.md, all changeable."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from knuckle.estimate.data_sheets import (
    CHIP_TURN_DEG,
    MPU6050_ACCELEROMETER,
    MPU6050_GYRO,
    AccelerometerSheet,
    GyroSheet,
)
from knuckle.estimate.sensor import (
    ACCEL_SOURCES,
    ACCEL_TERMS,
    BIAS,
    CURVE,
    CURVE_LEVEL_G2,
    GAIN,
    TURN,
)
from knuckle.model.block import FloatArray


@dataclass(frozen=True)
class SensorFigures:
    """Standard uncertainties of the sensor that the user states; None where he does not.

    They take the place of a calibration's, of the data sheet's and of the defaults.
    """

    accel_bias_mg: float | None = None
    accel_scale_percent: float | None = None
    accel_cross_percent: float | None = None
    chip_turn_deg: float | None = None
    gyro_scale_percent: float | None = None
    gyro_cross_percent: float | None = None


@dataclass(frozen=True)
class SeenZero:
    """What a reversal has read with one of the case's axes upright, as of the readings now.

    Attributes
    ----------
    row : ndarray, shape (18,)
        What each error of the accelerometer adds to that reading.
    value_g, standard_uncertainty_g : float
    square_rad : float
        Standard uncertainty of the squareness of the face it lay on to the mounting face.
    drift_g : float
        Of what the reading has drifted since, one sigma.
    degrees_of_freedom : float
    """

    row: FloatArray
    value_g: float
    standard_uncertainty_g: float
    square_rad: float
    drift_g: float = 0.0
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True)
class AccelerometerPrior:
    """What remains unknown of the accelerometer after its readings were corrected.

    reading = (I + E + [turn]x) true + bias + curve * (true^2 - 0.6), with the joint covariance
    of bias (3), E (9, row by row), turn of the chip in its case (3) and curve (3).

    Attributes
    ----------
    covariance : ndarray, shape (18, 18)
        Of bias (g), E, turn (rad) and curve (1/g), one sigma squared.
    calibrated : bool
        False when only the data sheet's tolerances stand behind the readings.
    degrees_of_freedom : float
        Behind the calibration; infinite for stated tolerances.
    drift_covariance : ndarray, shape (6, 6), or None
        Of what bias (g) and scale have drifted since the calibration; None where it was made
        at the readings' temperature, or nothing is known of that.
    apart_c : float
        How much warmer the readings are than the calibration, in degrees Celsius.
    zero : SeenZero or None
        What a reversal has found of its zero.
    """

    covariance: FloatArray
    calibrated: bool
    degrees_of_freedom: float = math.inf
    drift_covariance: FloatArray | None = None
    apart_c: float = 0.0
    zero: SeenZero | None = None

    @classmethod
    def independent(
        cls,
        bias_mg: FloatArray | float,
        scale_percent: float,
        cross_axis_percent: float,
        turn_deg: float,
        calibrated: bool,
        nonlinearity_per_g: float = 0.0,
    ) -> AccelerometerPrior:
        """Build the prior from independent standard uncertainties.

        Parameters
        ----------
        bias_mg : float or ndarray, shape (3,)
            Of the zero-g offset.
        scale_percent : float
            Of each axis.
        cross_axis_percent : float
            Of each of the six off-diagonal terms.
        turn_deg : float
            Of the chip in its case, each axis.
        calibrated : bool
        nonlinearity_per_g : float
            Square-law coefficient of each axis.
        """
        matrix = np.full((3, 3), cross_axis_percent / 100.0)
        np.fill_diagonal(matrix, scale_percent / 100.0)
        sigma = np.empty(ACCEL_TERMS)
        sigma[BIAS] = np.asarray(bias_mg, dtype=float) / 1000.0
        sigma[GAIN] = matrix.ravel()
        sigma[TURN] = np.radians(turn_deg)
        sigma[CURVE] = nonlinearity_per_g
        return cls(with_zero_g_offset(np.diag(sigma**2)), calibrated)

    @classmethod
    def after_calibration(cls) -> AccelerometerPrior:
        """Return the residual assumed of readings that are said to be calibrated."""
        curve = MPU6050_ACCELEROMETER.nonlinearity_per_g
        return cls.independent(1.0, 0.1, 0.1, 0.05, True, curve)

    @classmethod
    def data_sheet(cls, sheet: AccelerometerSheet = MPU6050_ACCELEROMETER) -> AccelerometerPrior:
        """Return a data sheet's tolerances as one sigma, with `CHIP_TURN_DEG`."""
        return cls.independent(
            np.array(sheet.bias_mg),
            sheet.scale_percent,
            sheet.cross_axis_percent,
            CHIP_TURN_DEG,
            calibrated=False,
            nonlinearity_per_g=sheet.nonlinearity_per_g,
        )

    @property
    def turn_deg(self) -> float:
        """Standard uncertainty of the turn of the chip in its case: rms of the three axes."""
        return float(np.degrees(np.sqrt(np.mean(np.diag(self.covariance)[TURN]))))

    @property
    def sigma(self) -> FloatArray:
        """Standard uncertainties of all terms, the drift included, shape (18,)."""
        variance = np.diag(self.covariance).copy()
        if self.drift_covariance is not None:
            variance[DRIFTING] += np.diag(self.drift_covariance)
        return np.sqrt(variance)

    def at_other_temperature(self, sheet: AccelerometerSheet, apart_c: float) -> AccelerometerPrior:
        """Return the prior so many degrees from where the readings were calibrated.

        Offset and scale drift independently on each axis, as far as the data sheet lets them.

        Parameters
        ----------
        sheet : AccelerometerSheet
        apart_c : float
            Degrees Celsius between calibration and use, of either sign.
        """
        return self.drifted(sheet.drift_covariance * apart_c**2, apart_c)

    def drifted(self, covariance: FloatArray, apart_c: float) -> AccelerometerPrior:
        """Return the prior with the covariance, shape (6, 6), of drift of bias and scale."""
        return replace(self, drift_covariance=covariance, apart_c=apart_c)

    def overridden(self, stated: SensorFigures) -> AccelerometerPrior:
        """Return the prior with the figures that the user stated in place of its own."""
        diagonal = [0, 4, 8]
        crossed = [i for i in range(9) if i not in diagonal]
        covariance = self.covariance
        turn = None if stated.chip_turn_deg is None else float(np.radians(stated.chip_turn_deg))
        for rows, sigma in (
            ([0, 1, 2], _part(stated.accel_bias_mg, 1000.0)),
            ([3 + i for i in diagonal], _part(stated.accel_scale_percent, 100.0)),
            ([3 + i for i in crossed], _part(stated.accel_cross_percent, 100.0)),
            ([12, 13, 14], turn),
        ):
            covariance = _with_variance(covariance, rows, sigma)
        return replace(self, covariance=covariance)


def with_zero_g_offset(covariance: FloatArray) -> FloatArray:
    """Return an accelerometer's covariance, shape (18, 18), from one in which zero-g offsets stand.

    The bias of the best straight line is the zero-g offset and 0.6 of the nonlinearity.
    """
    carry = np.eye(ACCEL_TERMS)
    carry[BIAS, CURVE] = np.eye(3) * CURVE_LEVEL_G2
    return np.asarray(carry @ covariance @ carry.T)


DRIFTING: Final = [0, 1, 2, 3, 7, 11]
"""Bias and scale of each axis among an accelerometer's terms."""


@dataclass(frozen=True)
class GyroPrior:
    """What remains unknown of the gyro: rate = (I + E + [turn]x) true + bias.

    Attributes
    ----------
    covariance : ndarray, shape (9, 9)
        Of E, row by row.
    calibrated : bool
    turn_deg : float or None
        One sigma of each of the three angles by which the gyro is turned in the case; None
        where it is the accelerometer's chip: then that turn is common to both.
    """

    covariance: FloatArray
    calibrated: bool
    turn_deg: float | None = None

    @classmethod
    def independent(
        cls,
        scale_percent: float,
        cross_axis_percent: float,
        calibrated: bool,
        turn_deg: float | None = None,
    ) -> GyroPrior:
        """Build the prior from independent standard uncertainties."""
        matrix = np.full((3, 3), cross_axis_percent / 100.0)
        np.fill_diagonal(matrix, scale_percent / 100.0)
        return cls(np.diag(matrix.ravel() ** 2), calibrated, turn_deg)

    @classmethod
    def data_sheet(cls, sheet: GyroSheet = MPU6050_GYRO, *, own_chip: bool = False) -> GyroPrior:
        """Return a data sheet's tolerances as one sigma.

        Parameters
        ----------
        sheet : GyroSheet
        own_chip : bool
            Whether the gyro is another chip than the accelerometer: turned by itself.
        """
        return cls.independent(
            sheet.scale_percent,
            sheet.cross_axis_percent,
            calibrated=False,
            turn_deg=CHIP_TURN_DEG if own_chip else None,
        )

    def overridden(self, stated: SensorFigures) -> GyroPrior:
        """Return the prior with the figures that the user stated in place of its own."""
        diagonal = [0, 4, 8]
        crossed = [i for i in range(9) if i not in diagonal]
        scale = _part(stated.gyro_scale_percent, 100.0)
        covariance = _with_variance(self.covariance, diagonal, scale)
        covariance = _with_variance(covariance, crossed, _part(stated.gyro_cross_percent, 100.0))
        turn_deg = self.turn_deg
        if turn_deg is not None and stated.chip_turn_deg is not None:
            turn_deg = stated.chip_turn_deg
        return GyroPrior(covariance, self.calibrated or scale is not None, turn_deg)


def _part(value: float | None, whole: float) -> float | None:
    return None if value is None else value / whole


def _with_variance(covariance: FloatArray, rows: list[int], sigma: float | None) -> FloatArray:
    """Return a covariance in which some unknowns are independent and have a stated sigma."""
    if sigma is None:
        return covariance
    changed = covariance.copy()
    changed[rows, :] = 0.0
    changed[:, rows] = 0.0
    changed[rows, rows] = sigma**2
    return changed


@dataclass(frozen=True)
class Given:
    """A value with its standard uncertainty."""

    value: float
    standard_uncertainty: float


@dataclass(frozen=True)
class Priors:
    """Everything known beforehand, in degrees; standard uncertainties throughout.

    Attributes
    ----------
    mount_tilt_deg, mount_yaw_deg : float
        Of the spin axis against the pod's +Y, about the pod's X and Z.
    spin_axis : ndarray, shape (3,), or None
        The spin axis as the accelerometer's readings tell it: the normal of the plane that they
        lie in while the wheel turns (`Mounting`); None for +Y of the case.
    spin_covariance_deg2 : ndarray, shape (2, 2), or None
        Covariance of a measured spin axis (yaw, tilt); None for the mount's tolerances.
    spin_freedom : float or None
        Degrees of freedom behind that covariance; None for a stated one.
    roll_held_deg, roll_free_deg : float
        Roll of the wheel about its spin axis at each rest, brake held and brake free.
    brake_held : bool
        Whether the brake is said to have been held; that is checked.
    toe : Given
        This wheel's toe at straight ahead.
    pads_across, pads_along : Given
        Slope of the pads: left side higher, front higher.
    plates_deg : float
        Standard uncertainty of a change of heading read from turn plates.
    gyro_turn_deg : float
        Standard uncertainty, each axis, of a turn integrated between two rests.
    body_roll : tuple of Given, or None
        Roll of the body at left lock and at right lock against straight ahead, positive when
        the left side rises (ISO 8855).
    lever_m : float
        Standard uncertainty of the pod's distance from the steering axis (slow sweeps only).
    stated : SensorFigures
        What the user states of the sensor; see `with_stated`.
    pads_across_known, pads_along_known : bool
        Whether that slope of the pads was entered.
    """

    accelerometer: AccelerometerPrior = field(default_factory=AccelerometerPrior.after_calibration)
    gyro: GyroPrior = field(default_factory=GyroPrior.data_sheet)
    mount_tilt_deg: float = 0.2
    mount_yaw_deg: float = 0.5
    spin_axis: FloatArray | None = None
    spin_covariance_deg2: FloatArray | None = None
    spin_freedom: float | None = None
    roll_held_deg: float = 0.05
    roll_free_deg: float = 30.0
    brake_held: bool = True
    toe: Given = Given(0.0, 0.3)
    pads_across: Given = Given(0.0, 0.1)
    pads_along: Given = Given(0.0, 0.1)
    plates_deg: float = 0.3
    gyro_turn_deg: float = 0.05
    body_roll: tuple[Given, Given] | None = None
    lever_m: float = 0.3
    stated: SensorFigures = SensorFigures()
    pads_across_known: bool = False
    pads_along_known: bool = False

    def with_stated(self) -> Priors:
        """Return these priors with the sensor figures that the user stated."""
        return replace(
            self,
            accelerometer=self.accelerometer.overridden(self.stated),
            gyro=self.gyro.overridden(self.stated),
        )

    def degrees_of_freedom(self) -> dict[str, float]:
        """Return the degrees of freedom behind each source of a budget that has finite ones."""
        freedom = dict.fromkeys(ACCEL_SOURCES, self.accelerometer.degrees_of_freedom)
        if self.spin_freedom is not None:
            freedom["mount"] = self.spin_freedom
        if self.accelerometer.zero is not None:
            freedom["reversal"] = self.accelerometer.zero.degrees_of_freedom
        return freedom

    def spin_prior(self) -> tuple[FloatArray, FloatArray]:
        """Return the spin axis, shape (3,), and the covariance of (yaw, tilt) in rad^2."""
        axis = np.array([0.0, 1.0, 0.0]) if self.spin_axis is None else self.spin_axis
        if self.spin_covariance_deg2 is None:
            sigma = np.radians([self.mount_yaw_deg, self.mount_tilt_deg])
            return axis, np.diag(sigma**2)
        return axis, np.radians(np.radians(self.spin_covariance_deg2))
