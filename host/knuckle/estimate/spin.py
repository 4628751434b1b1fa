"""The plane that the readings of a turning wheel lie in: its normal stands for the spin axis.

A pod that turns with its wheel about the spin axis e reads r = M u + b with e . u constant, so the
tips of its readings lie in a plane whose normal is along inv(M)' e. What a moving pod feels of
its own turn (inwards, and along its path) is square to e and stays in that plane, and so does a
mean over part of the turn: stops and a slow turn without stops are the same to this model.
"""

from __future__ import annotations

import numpy as np

from knuckle.estimate.priors import AccelerometerPrior
from knuckle.estimate.sensor import (
    CURVE,
    CURVE_LEVEL_G2,
    covariance_whitener,
    spin_of_normal,
    tangents,
)
from knuckle.estimate.unknowns import Unknowns, accelerometer_errors, accelerometer_unknowns
from knuckle.geometry.cone import fit_cone
from knuckle.geometry.rotation import Array, unit
from knuckle.model.block import FloatArray


def outboard(axis: FloatArray) -> FloatArray:
    """Return an axis on the pod's outboard side, +Y."""
    return axis if axis[1] >= 0.0 else -axis


class SpinModel:
    """Normal and distance of the plane, and the sensor's errors with what is known of them.

    Parameters
    ----------
    readings_g : ndarray, shape (n, 3)
        At least three, spread over the turn.
    covariance_g2 : ndarray, shape (n, n)
        Of the readings along the spin axis.
    prior : AccelerometerPrior

    Raises
    ------
    ValueError
        If fewer than three readings are given.
    """

    def __init__(
        self, readings_g: FloatArray, covariance_g2: FloatArray, prior: AccelerometerPrior
    ) -> None:
        self._readings = readings_g
        self._whitener = covariance_whitener(covariance_g2)
        self.normal = outboard(fit_cone(readings_g).axis)
        self.tangents = tangents(self.normal)
        self._unknowns = Unknowns({"normal": 2, "offset": 1}, accelerometer_unknowns(prior))
        self.sources = ("noise",) * len(readings_g) + self._unknowns.sources
        self.where = self._unknowns.where("normal")

    def start(self) -> FloatArray:
        """Return where the search begins, shape (p,)."""
        x = self._unknowns.means()
        x[self._unknowns.where("offset")] = float(np.mean(self._readings @ self.normal))
        return x

    def normal_at(self, x: Array) -> Array:
        """Return the plane's normal in the readings' axes, outboard, shape (..., 3)."""
        return unit(self.normal + self._unknowns.part(x, "normal") @ self.tangents)

    def out_of_plane_g(self, x: Array) -> Array:
        """Return how far each reading lies off the plane, shape (..., n)."""
        curve = accelerometer_errors(self._unknowns, x)[..., CURVE]
        bent = curve[..., None, :] * (self._readings**2 - CURVE_LEVEL_G2)
        along = np.einsum("...nj,...j->...n", self._readings - bent, self.normal_at(x))
        return np.asarray(along - self._unknowns.part(x, "offset"))

    def rows(self, x: Array) -> Array:
        """Return all whitened rows, shape (..., m): readings, then priors."""
        return np.concatenate(
            [self.out_of_plane_g(x) @ self._whitener.T, self._unknowns.prior_rows(x)], axis=-1
        )

    def spin(self, x: Array) -> Array:
        """Return the spin axis in pod axes, e along M' n, unit length, shape (..., 3)."""
        return spin_of_normal(self.normal_at(x), accelerometer_errors(self._unknowns, x))

    def yaw_and_tilt(self, x: Array) -> Array:
        """Return yaw and tilt of the spin axis against the pod's +Y, deg, shape (..., 2).

        Positive towards the pod's +X and +Z.
        """
        e = self.spin(x)
        both = np.arctan(np.stack([e[..., 0] / e[..., 1], e[..., 2] / e[..., 1]], axis=-1))
        return np.asarray(both * (180.0 / np.pi))
