"""A mounting of a pod on a wheel, as a wheel-turn run has measured it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from knuckle.estimate.priors import Priors
from knuckle.estimate.sensor import tangents
from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray

VERSION: Final = 1


@dataclass(frozen=True)
class Mounting:
    """The spin axis by the pod's own readings.

    Attributes
    ----------
    normal : ndarray, shape (3,)
        Of the plane that the corrected readings lie in, outboard, unit length: the spin axis as
        the accelerometer tells it, its scale, skew and turn in the case included.
    covariance_rad2 : ndarray, shape (2, 2)
        Of that normal along `tangents(normal)`: yaw, then tilt.
    matrix : ndarray, shape (3, 3)
        By which the readings were corrected; unity where they were not.
    degrees_of_freedom : float
        Effective, behind the covariance.
    """

    normal: FloatArray
    covariance_rad2: FloatArray
    matrix: FloatArray
    degrees_of_freedom: float = math.inf

    def corrected_by(self, matrix: FloatArray | None) -> Mounting:
        """Return the mounting by readings that another matrix corrects.

        Readings r = M a + b of one acceleration, corrected by two matrices, have planes whose
        normals go over into each other by M', since r itself has one plane only.

        Parameters
        ----------
        matrix : ndarray, shape (3, 3), or None
            None for no correction.
        """
        now = np.eye(3) if matrix is None else matrix
        if np.array_equal(now, self.matrix):
            return self
        carry = now.T @ np.linalg.inv(self.matrix).T
        along = carry @ self.normal
        normal = unit(along)
        moved = tangents(normal) @ carry @ tangents(self.normal).T / np.linalg.norm(along)
        return replace(
            self, normal=normal, covariance_rad2=moved @ self.covariance_rad2 @ moved.T, matrix=now
        )

    def on(self, priors: Priors, matrix: FloatArray | None) -> Priors:
        """Return priors in which this mounting stands for the mount's tolerances.

        Parameters
        ----------
        priors : Priors
        matrix : ndarray, shape (3, 3), or None
            By which the readings to be measured are corrected; None for none.
        """
        here = self.corrected_by(matrix)
        return replace(
            priors,
            spin_axis=here.normal,
            spin_covariance_deg2=np.degrees(np.degrees(here.covariance_rad2)),
            spin_freedom=here.degrees_of_freedom
            if math.isfinite(here.degrees_of_freedom)
            else None,
        )

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON-like data, every digit kept."""
        return {
            "version": VERSION,
            "normal": self.normal.tolist(),
            "covariance_rad2": self.covariance_rad2.tolist(),
            "matrix": self.matrix.tolist(),
            "degrees_of_freedom": (
                self.degrees_of_freedom if math.isfinite(self.degrees_of_freedom) else None
            ),
        }

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> Mounting:
        """Return the mounting of such data.

        Raises
        ------
        ValueError
            If a member is missing or wrong.
        """
        try:
            if content["version"] != VERSION:
                raise ValueError(f"its version is {content['version']!r}, not {VERSION}")
            normal, covariance, matrix = (
                np.asarray(content[name], dtype=float)
                for name in ("normal", "covariance_rad2", "matrix")
            )
            told = content.get("degrees_of_freedom")  # absent from mountings of version 0.3
            freedom = math.inf if told is None else float(told)
        except (KeyError, TypeError) as error:
            raise ValueError(f"a member is missing or wrong ({error})") from error
        if (normal.shape, covariance.shape, matrix.shape) != ((3,), (2, 2), (3, 3)):
            raise ValueError("a member has another shape")
        if not all(np.all(np.isfinite(a)) for a in (normal, covariance, matrix)):
            raise ValueError("a number is not finite")
        if not freedom > 0.0:
            raise ValueError("its degrees of freedom are not positive")
        return cls(normal, covariance, matrix, freedom)
