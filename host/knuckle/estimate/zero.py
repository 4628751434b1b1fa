"""The zero that a reversal has found, for the measurements after it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from knuckle.estimate.data_sheets import AccelerometerSheet
from knuckle.estimate.priors import Priors, SeenZero
from knuckle.estimate.sensor import ACCEL_TERMS, CURVE_LEVEL_G2
from knuckle.model.block import FloatArray

VERSION: Final = 1
_BIAS_Y: Final = 1
_GAIN_Y: Final = 6
_TURN: Final = 12
_CURVE_Y: Final = 16


@dataclass(frozen=True)
class FoundZero:
    """What the pod reads along its Y with another of its axes upright.

    Attributes
    ----------
    up, sign : int
        Which axis was up (0 to 2, never Y), and which way: +1 or -1.
    value_g, standard_uncertainty_g, degrees_of_freedom : float
        Of the corrected readings.
    square_deg : float
        Standard uncertainty of the squareness of the face it lay on to the mounting face.
    temp_c : float or None
        Of the readings; None if not known.
    matrix : ndarray, shape (3, 3)
        By which the readings were corrected; unity where they were not.
    """

    up: int
    sign: int
    value_g: float
    standard_uncertainty_g: float
    degrees_of_freedom: float
    square_deg: float
    temp_c: float | None
    matrix: FloatArray

    @property
    def row(self) -> FloatArray:
        """What each error of the accelerometer adds to that reading, shape (18,)."""
        row = np.zeros(ACCEL_TERMS)
        row[_BIAS_Y] = 1.0
        row[_GAIN_Y + self.up] = self.sign
        # [t]x has -t_x in row Y under Z, and t_z under X.
        row[_TURN + (0 if self.up == 2 else 2)] = -self.sign if self.up == 2 else self.sign
        row[_CURVE_Y] = -CURVE_LEVEL_G2
        return row

    def same_correction(self, matrix: FloatArray | None) -> bool:
        """Return whether it was found by readings that were corrected by this matrix."""
        return bool(np.allclose(self.matrix, np.eye(3) if matrix is None else matrix, atol=1e-9))

    def on(self, priors: Priors, sheet: AccelerometerSheet, apart_c: float) -> Priors:
        """Return priors in which the zero is known as the reversal has found it.

        Parameters
        ----------
        priors : Priors
        sheet : AccelerometerSheet
            Of its drift.
        apart_c : float
            How far the temperature may be from the reversal's, one sigma.
        """
        drift_g = sheet.bias_mg_per_c[1] / 1000.0 * abs(apart_c)
        seen = SeenZero(
            self.row,
            self.value_g,
            self.standard_uncertainty_g,
            math.radians(self.square_deg),
            drift_g,
            self.degrees_of_freedom,
        )
        return replace(priors, accelerometer=replace(priors.accelerometer, zero=seen))

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON-like data, every digit kept."""
        return {
            "version": VERSION,
            "up": self.up,
            "sign": self.sign,
            "value_g": self.value_g,
            "standard_uncertainty_g": self.standard_uncertainty_g,
            "degrees_of_freedom": self.degrees_of_freedom,
            "square_deg": self.square_deg,
            "temp_c": self.temp_c,
            "matrix": self.matrix.tolist(),
        }

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> FoundZero:
        """Return the zero of such data.

        Raises
        ------
        ValueError
            If a member is missing or wrong.
        """
        try:
            if content["version"] != VERSION:
                raise ValueError(f"its version is {content['version']!r}, not {VERSION}")
            temp = content["temp_c"]
            found = cls(
                int(content["up"]),
                int(content["sign"]),
                float(content["value_g"]),
                float(content["standard_uncertainty_g"]),
                float(content["degrees_of_freedom"]),
                float(content["square_deg"]),
                None if temp is None else float(temp),
                np.asarray(content["matrix"], dtype=float),
            )
        except (KeyError, TypeError) as error:
            raise ValueError(f"a member is missing or wrong ({error})") from error
        numbers = [found.value_g, found.standard_uncertainty_g, found.square_deg]
        numbers += [found.degrees_of_freedom, *found.matrix.ravel()]
        if not np.all(np.isfinite(numbers)) or found.matrix.shape != (3, 3):
            raise ValueError("a number is not finite, or a member has another shape")
        if found.up not in (0, 2) or abs(found.sign) != 1 or not found.standard_uncertainty_g > 0.0:
            raise ValueError("a member is out of its range")
        return found
