"""What a sensor's data sheet leaves open, by the part that a pod names in its hello."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.model.block import FloatArray

Three = tuple[float, float, float]

CHIP_TURN_DEG: Final = 1.5
"""How far a chip is turned in its case, each axis, one sigma: common practice, no source."""


@dataclass(frozen=True, slots=True)
class AccelerometerSheet:
    """An accelerometer without calibration, as one sigma.

    A tolerance that the sheet calls typical is taken as one sigma; one that it calls a limit,
    as the bounds of a uniform distribution (GUM, JCGM 100:2008, 4.3.7).

    Attributes
    ----------
    part : str
        Its name for people.
    bias_mg : tuple of three floats
        Zero-g offset.
    scale_percent, cross_axis_percent : float
    bias_mg_per_c : tuple of three floats
        Drift of the offset, mg a degree Celsius.
    scale_percent_per_c : float
        Drift of the scale.
    noise_ug : float
        Noise density, micro-g per sqrt(Hz).
    nonlinearity_percent : float
        Error at full scale by the curve of an axis, percent of full scale.
    full_scale_g : float
    """

    part: str
    bias_mg: Three
    scale_percent: float
    cross_axis_percent: float
    bias_mg_per_c: Three
    scale_percent_per_c: float
    noise_ug: float
    nonlinearity_percent: float
    full_scale_g: float

    @property
    def nonlinearity_per_g(self) -> float:
        """Square-law coefficient of an axis, one sigma: an error of that times g^2."""
        return self.nonlinearity_percent / 100.0 / self.full_scale_g

    @property
    def drift_covariance(self) -> FloatArray:
        """Of the drift of bias (g) and scale of each axis, a degree squared; shape (6, 6)."""
        bias = np.array(self.bias_mg_per_c) / 1000.0
        scale = np.full(3, self.scale_percent_per_c / 100.0)
        return np.diag(np.concatenate([bias, scale]) ** 2)


@dataclass(frozen=True, slots=True)
class GyroSheet:
    """A gyro without calibration, as one sigma.

    Attributes
    ----------
    part : str
    scale_percent, cross_axis_percent : float
    bias_dps : float
        Zero-rate output.
    noise_dps : float
        Noise density, deg/s per sqrt(Hz).
    per_g_dps : float
        Zero rate that each axis of specific force adds, a g.
    """

    part: str
    scale_percent: float
    cross_axis_percent: float
    bias_dps: float
    noise_dps: float
    per_g_dps: float


_RECTANGLE = math.sqrt(3.0)

MPU6050_ACCELEROMETER: Final = AccelerometerSheet(
    "MPU-6050",
    bias_mg=(50.0, 50.0, 80.0),
    scale_percent=3.0,
    cross_axis_percent=2.0,
    # +-35 and +-60 mg over 0 to 70 C: limits over 45 C to the far end, from 25 C.
    bias_mg_per_c=(35.0 / 45.0 / _RECTANGLE, 35.0 / 45.0 / _RECTANGLE, 60.0 / 45.0 / _RECTANGLE),
    scale_percent_per_c=0.02 / _RECTANGLE,
    noise_ug=400.0,
    nonlinearity_percent=0.5,
    full_scale_g=2.0,
)
"""Data sheet rev 3.3, table 6.2."""

MPU6050_GYRO: Final = GyroSheet(
    "MPU-6050",
    scale_percent=3.0,
    cross_axis_percent=2.0,
    bias_dps=20.0,
    noise_dps=0.005,
    per_g_dps=0.1,
)
"""Data sheet rev 3.3, table 6.1."""

ADXL355: Final = AccelerometerSheet(
    "ADXL355",
    bias_mg=(25.0, 25.0, 25.0),
    scale_percent=8.0 / _RECTANGLE,
    cross_axis_percent=1.0,
    bias_mg_per_c=(0.15 / _RECTANGLE,) * 3,
    scale_percent_per_c=0.01,
    noise_ug=25.0,
    nonlinearity_percent=0.1,
    full_scale_g=2.048,
)
"""Data sheet, from memory: zero-g offset +-25 mg typical (+-75 mg at most), sensitivity at +-2 g
235520 to 276480 counts/g (+-8 %, limits), cross-axis 1 % typical, offset drift +-0.15 mg/C at
most, sensitivity drift +-0.01 %/C typical, noise 25 ug/sqrt(Hz), nonlinearity 0.1 % of full
scale."""

_ACCELEROMETERS: Final = {"mpu6050": MPU6050_ACCELEROMETER, "adxl355": ADXL355}
_GYROS: Final = {"mpu6050": MPU6050_GYRO}


def plain(name: str) -> str:
    """Return a part's name as it is looked up: ``MPU-6050`` and ``mpu6050`` are one.

    What names no part (``unknown``, ``simulated``) becomes empty.
    """
    found = "".join(letter for letter in name.lower() if letter.isalnum())
    return "" if found in ("unknown", "simulated") else found


def accelerometer_sheet(name: str) -> AccelerometerSheet:
    """Return a part's figures; the MPU-6050's, the widest here, where it is not known."""
    return _ACCELEROMETERS.get(plain(name), MPU6050_ACCELEROMETER)


def gyro_sheet(name: str) -> GyroSheet:
    """Return a part's figures; the MPU-6050's where it is not known."""
    return _GYROS.get(plain(name), MPU6050_GYRO)


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts behind a pod's readings, by name; empty where not known.

    Attributes
    ----------
    accelerometer, gyro : str
    """

    accelerometer: str = ""
    gyro: str = ""

    @property
    def are_two_chips(self) -> bool:
        """Whether accelerometer and gyro are known to be different chips."""
        one, other = plain(self.accelerometer), plain(self.gyro)
        return bool(one and other) and one != other
