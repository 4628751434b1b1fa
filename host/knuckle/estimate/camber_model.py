"""Camber of a wheel from rests of a pod on it: unknowns, rows and outputs."""

from __future__ import annotations

import numpy as np

from knuckle.estimate.priors import Priors
from knuckle.estimate.sensor import chip_turn, covariance_whitener, tangents
from knuckle.estimate.wheel_model import READING_FLOOR_G, Reading
from knuckle.geometry.rotation import Array, unit
from knuckle.geometry.steering import camber, on_pads, wheel_frame


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
        self._spin_tangents = tangents(self._spin)
        pads = np.radians([priors.pads_across.value, priors.pads_along.value])
        pads_sigma = np.radians(
            [priors.pads_across.standard_uncertainty, priors.pads_along.standard_uncertainty]
        )
        turn = np.eye(3) * np.radians(priors.accelerometer.turn_deg) ** 2
        self._up_size = 2 * self.count
        self._blocks = [
            ("mount", np.zeros(2), covariance_whitener(spin_covariance)),
            (
                "calibration",
                np.zeros(12),
                covariance_whitener(priors.accelerometer.covariance),
            ),
            ("chip_turn", np.zeros(3), covariance_whitener(turn)),
            ("pads", pads, covariance_whitener(np.diag(pads_sigma**2))),
        ]
        self.sources = tuple(
            ["noise"] * (3 * self.count)
            + [source for source, mean, _ in self._blocks for _ in range(mean.size)]
        )

    def start(self) -> Array:
        """Return where the search begins, shape (p,)."""
        means = [mean for _, mean, _ in self._blocks]
        return np.concatenate([np.zeros(self._up_size), *means])

    def _split(self, x: Array) -> list[Array]:
        sizes = np.cumsum([self._up_size] + [mean.size for _, mean, _ in self._blocks])[:-1]
        return np.split(x, sizes, axis=-1)

    def _up(self, part: Array) -> Array:
        steps = part.reshape(*part.shape[:-1], self.count, 2)
        return unit(self._ups + np.einsum("...nk,nkj->...nj", steps, self._tangents))

    def rows(self, x: Array) -> Array:
        """Return all whitened rows, shape (..., m): readings, then priors."""
        parts = self._split(x)
        accel = parts[2]
        matrix = np.eye(3) + accel[..., 3:].reshape(*x.shape[:-1], 3, 3) + chip_turn(parts[3])
        modelled = np.einsum("...ij,...nj->...ni", matrix, self._up(parts[0]))
        misfit = modelled + accel[..., None, :3] - self._readings
        rows = [np.einsum("nij,...nj->...ni", self._whitener, misfit)]
        rows = [rows[0].reshape(*x.shape[:-1], -1)]
        rows += [
            (part - mean) @ whitener.T
            for part, (_, mean, whitener) in zip(parts[1:], self._blocks, strict=True)
        ]
        return np.concatenate(rows, axis=-1)

    def cambers(self, x: Array) -> Array:
        """Return the camber at each rest, deg, shape (..., n)."""
        parts = self._split(x)
        up = self._up(parts[0])
        spin = unit(self._spin + parts[1] @ self._spin_tangents)[..., None, :]
        frame = wheel_frame(np.broadcast_to(spin, up.shape), up, self._side)
        normal = on_pads(frame, parts[4][..., None, :], self._side)
        return np.asarray(camber(normal, spin) * (180.0 / np.pi))
