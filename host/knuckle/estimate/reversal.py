"""Zero of a pod and slope of a surface from readings turned end for end on it."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.estimate.priors import AccelerometerPrior, Given
from knuckle.estimate.sensor import accel_matrix
from knuckle.estimate.unknowns import (
    Unknowns,
    accelerometer_errors,
    accelerometer_unknowns,
    known_deg,
)
from knuckle.geometry.rotation import Array
from knuckle.model.block import FloatArray

HALF_TURN_DEG: Final = 2.0
"""How far a half turn by eye and edge is off, one sigma (no source)."""

_DEG: Final = 180.0 / np.pi


class ReversalModel:
    """Zero along the two level axes, slope of the surface, and what turns the pod askew.

    A pod that lies with one axis N up reads along its level axes z + G R(-psi) s: z is its own
    zero there, s the slope along the pod's axes as it lay first, psi its half turns, and G the
    level part of the sensor's matrix. z changes no sign with the pod, s does.

    Parameters
    ----------
    readings_g : ndarray, shape (n, 3)
        Of each placing.
    sigma_g : ndarray, shape (n,)
        Standard uncertainty of each, any direction, seating included.
    ends : ndarray of int, shape (n,)
        0 as it lay first, 1 turned end for end.
    up : int
        Which axis is up, 0 to 2.
    prior : AccelerometerPrior
    squareness : Given
        Of base to mounting face, deg.
    """

    def __init__(
        self,
        readings_g: FloatArray,
        sigma_g: FloatArray,
        ends: FloatArray,
        up: int,
        prior: AccelerometerPrior,
        squareness: Given,
    ) -> None:
        self._sign = 1.0 if readings_g[:, up].mean() >= 0.0 else -1.0
        self._up = up
        self.level = [axis for axis in range(3) if axis != up]
        self._read = readings_g[:, self.level]
        self._sigma = sigma_g
        self._flip = np.where(ends == 1, -1.0, 1.0)
        askew = [Given(0.0, HALF_TURN_DEG)] * (len(readings_g) - 1)
        self._unknowns = Unknowns(
            {"zero": 2, "slope": 2},
            [
                *accelerometer_unknowns(prior),
                known_deg("askew", "turned", askew),
                known_deg("square", "squareness", [squareness]),
            ],
        )
        self.where_zero = self._unknowns.where("zero").start
        self.sources = ("seating",) * (2 * len(readings_g)) + self._unknowns.sources

    def start(self) -> FloatArray:
        """Return where the search begins, shape (p,)."""
        x = self._unknowns.means()
        means = [self._read[self._flip == sign].mean(axis=0) for sign in (1.0, -1.0)]
        x[self._unknowns.where("zero")] = (means[0] + means[1]) / 2.0
        x[self._unknowns.where("slope")] = (means[0] - means[1]) / 2.0
        return x

    def off_g(self, x: Array) -> Array:
        """Return what the model leaves of each reading, shape (..., n, 2)."""
        part = self._unknowns.part
        gain = accel_matrix(accelerometer_errors(self._unknowns, x))
        gain = gain[..., self.level, :][..., :, self.level]
        askew = part(x, "askew")
        askew = np.concatenate([np.zeros_like(askew[..., :1]), askew], axis=-1)
        slope = part(x, "slope")[..., None, :]
        across = np.stack([slope[..., 1], -slope[..., 0]], axis=-1)
        seen = slope * np.cos(askew)[..., None] + across * np.sin(askew)[..., None]
        seen = np.einsum("...ij,...nj->...ni", gain, seen * self._flip[:, None])
        return np.asarray(part(x, "zero")[..., None, :] + seen - self._read)

    def rows(self, x: Array) -> Array:
        """Return all whitened rows, shape (..., m): readings, then priors."""
        white = self.off_g(x) / self._sigma[:, None]
        return np.concatenate(
            [white.reshape(*x.shape[:-1], -1), self._unknowns.prior_rows(x)], axis=-1
        )

    def zero_and_slope(self, x: Array) -> Array:
        """Return zeros and slopes along the two level axes, deg, shape (..., 4)."""
        both = [self._unknowns.part(x, name) for name in ("zero", "slope")]
        return np.asarray(np.arcsin(np.concatenate(both, axis=-1)) * _DEG)

    def camber_zero(self, x: Array) -> Array:
        """Return the camber shown where the mounting face is plumb and +Z up, deg, (..., 1).

        With another axis up than +Z the zero along Y is carried over by the sensor's own
        cross-axis terms, with their uncertainty.
        """
        matrix = accel_matrix(accelerometer_errors(self._unknowns, x))
        here = self._sign * matrix[..., 1, self._up]
        zero_y = self._unknowns.part(x, "zero")[..., self.level.index(1)]
        square = self._unknowns.part(x, "square")[..., 0]
        upright = zero_y - here + matrix[..., 1, 2]
        return np.asarray((square - np.arcsin(upright)) * _DEG)[..., None]
