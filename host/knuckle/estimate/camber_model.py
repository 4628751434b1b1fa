"""Camber of a wheel from rests of a pod on it: unknowns, rows and outputs."""

from __future__ import annotations

import numpy as np

from knuckle.estimate.priors import Priors
from knuckle.estimate.sensor import BIAS, CURVE, accel_matrix, read_by, spin_of_normal, tangents
from knuckle.estimate.solver import Pattern
from knuckle.estimate.unknowns import (
    Known,
    Unknowns,
    accelerometer_errors,
    accelerometer_unknowns,
    known_deg,
)
from knuckle.estimate.wheel_model import READING_FLOOR_G, Reading
from knuckle.geometry.rotation import Array, unit
from knuckle.geometry.steering import camber, on_pads, wheel_frame
from knuckle.model.block import FloatArray


class CamberModel:
    """Each rest has its own 'up'; sensor, mount and pads are common to all.

    Parameters
    ----------
    readings : list of Reading
    side : int
        +1 on left wheels, -1 on right wheels.
    priors : Priors
    """

    def __init__(self, readings: list[Reading], side: int, priors: Priors) -> None:
        self.count = len(readings)
        self._side = side
        self._readings = np.stack([r.accel_g for r in readings])
        self._ups = unit(self._readings)
        self._tangents = np.stack([tangents(up) for up in self._ups])
        floor = np.eye(3) * READING_FLOOR_G**2
        covariances = np.stack([r.covariance_g2 for r in readings]) + floor
        self._whitener = np.linalg.inv(np.linalg.cholesky(covariances))
        self._spin, spin_covariance = priors.spin_prior()
        self._spin_measured = priors.spin_axis is not None
        self._spin_tangents = tangents(self._spin)
        accel = priors.accelerometer
        self._unknowns = Unknowns(
            {"up": 2 * self.count},
            [
                Known("spin", "mount", np.zeros(2), spin_covariance),
                *accelerometer_unknowns(accel),
                known_deg("pads", "pads", [priors.pads_across, priors.pads_along]),
            ],
        )
        self.sources = ("noise",) * (3 * self.count) + self._unknowns.sources

    def start(self) -> FloatArray:
        """Return where the search begins, shape (p,)."""
        return self._unknowns.means()

    def pattern(self) -> Pattern:
        """Return which rows each unknown touches: a rest's 'up' only its own."""
        measured = np.ones((3 * self.count, self._unknowns.size), dtype=bool)
        own = np.repeat(np.repeat(np.eye(self.count, dtype=bool), 3, axis=0), 2, axis=1)
        measured[:, self._unknowns.where("up")] = own
        return Pattern.of(np.vstack([measured, self._unknowns.prior_pattern()]))

    def _up(self, x: Array) -> Array:
        steps = self._unknowns.part(x, "up").reshape(*x.shape[:-1], self.count, 2)
        return unit(self._ups + np.einsum("...nk,nkj->...nj", steps, self._tangents))

    def rows(self, x: Array) -> Array:
        """Return all whitened rows, shape (..., m): readings, then priors."""
        accel = accelerometer_errors(self._unknowns, x)
        modelled = read_by(accel_matrix(accel), accel[..., BIAS], accel[..., CURVE], self._up(x))
        misfit = modelled - self._readings
        white = np.einsum("nij,...nj->...ni", self._whitener, misfit)
        rows = [white.reshape(*x.shape[:-1], -1), self._unknowns.prior_rows(x)]
        return np.concatenate(rows, axis=-1)

    def cambers(self, x: Array) -> Array:
        """Return the camber at each rest, deg, shape (..., n)."""
        up = self._up(x)
        tilted = self._unknowns.part(x, "spin") @ self._spin_tangents
        spin = unit(self._spin + tilted)
        if self._spin_measured:
            spin = spin_of_normal(spin, accelerometer_errors(self._unknowns, x))
        spin = spin[..., None, :]
        frame = wheel_frame(np.broadcast_to(spin, up.shape), up, self._side)
        normal = on_pads(frame, self._unknowns.part(x, "pads")[..., None, :], self._side)
        return np.asarray(camber(normal, spin) * (180.0 / np.pi))
