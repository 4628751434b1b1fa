"""The least squares behind a multi-position calibration: every still reading is 1 g long.

reading = a + c (a^2 - 0.6) + b with a = M u; unknowns are b (3), E (9) and t (3) of M = I + E +
[t]x, and c (3), laid out as `knuckle.estimate.sensor` says. The data sheet's tolerances are rows
like the poses', so nothing is ever left out. In a face run the component along +Y is the same in
every reading: the sine of how far the surface leans. Derivation in docs/measurement.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from knuckle.calibrate.pose import Pose
from knuckle.calibrate.scatter import matching_scatter
from knuckle.estimate.calibration import straightened
from knuckle.estimate.data_sheets import AccelerometerSheet
from knuckle.estimate.priors import AccelerometerPrior
from knuckle.estimate.sensor import (
    ACCEL_TERMS,
    BIAS,
    CURVE,
    CURVE_LEVEL_G2,
    GAIN,
    TURN,
    accel_matrix,
)
from knuckle.model.block import BoolArray, FloatArray

LEAST_SIGMA_G: Final = 1e-5
"""No mean is believed better: the order of a count of a 16-bit part."""

SEAT_RAD: Final = 8.7e-4
"""How flat a face sits on a surface before its own readings speak, one sigma: 0.05 mm of dust,
burr or plaster over 60 mm (common practice, no source) ..."""
SEAT_TRUST: Final = 0.35
"""... taken as if it had been seen in so many residuals of it: so few that one residual, all that
four quarter turns leave, soon outweighs it. Chosen so that 95 % intervals hold on walls from flat
to uneven by 0.1 deg (tests/benchmarks/calibration.py)."""

LEAN_PRIOR: Final = 1.0
FACE_TRUST: Final = 2.0
"""A face run's scatter is taken as if the hands' had been seen in so many residuals of it ..."""
_LEAST_SHARE: Final = 0.3
"""... and never less than this share of theirs."""

_MOST_STEPS: Final = 20
_SMALL_STEP: Final = 1e-9


@dataclass(frozen=True)
class Poses:
    """Poses as arrays.

    Attributes
    ----------
    readings_g : ndarray, shape (n, 3)
    covariances_g2 : ndarray, shape (n, 3, 3)
    lengths_g : ndarray, shape (n,)
        What the corrected mean's length should be: the mean along an arc of angle A is
        sin(A/2) / (A/2) long.
    """

    readings_g: FloatArray
    covariances_g2: FloatArray
    lengths_g: FloatArray

    @classmethod
    def of(cls, poses: list[Pose]) -> Poses:
        """Stack poses."""
        half = np.radians([pose.turned_deg for pose in poses]) / 2.0
        return cls(
            np.array([pose.accel_g for pose in poses]).reshape(-1, 3),
            np.array([pose.covariance_g2 for pose in poses]).reshape(-1, 3, 3),
            np.sinc(half / np.pi),
        )

    def some(self, which: BoolArray) -> Poses:
        """Return those marked."""
        return Poses(self.readings_g[which], self.covariances_g2[which], self.lengths_g[which])


def corrected(x: FloatArray, readings_g: FloatArray) -> FloatArray:
    """Return readings, shape (n, 3), corrected by unknowns, shape (18,)."""
    straight = straightened(readings_g - x[BIAS], x[CURVE])
    return np.asarray(np.linalg.solve(accel_matrix(x), straight.T).T)


def slopes(x: FloatArray, u: FloatArray, along: FloatArray) -> FloatArray:
    """Return how a component of the corrected readings moves with the unknowns.

    Parameters
    ----------
    x : ndarray, shape (18,)
    u : ndarray, shape (n, 3)
        Corrected readings.
    along : ndarray, shape (n, 3)
        The component: a unit vector for each.

    Returns
    -------
    ndarray, shape (n, 18)
    """
    matrix = accel_matrix(x)
    a = u @ matrix.T
    g = np.linalg.solve(matrix.T, along.T).T
    bent = g / (1.0 + 2.0 * x[CURVE] * a)
    found = np.empty((u.shape[0], ACCEL_TERMS))
    found[:, BIAS] = -bent
    found[:, CURVE] = -bent * (a**2 - CURVE_LEVEL_G2)
    found[:, GAIN] = -(g[:, :, None] * u[:, None, :]).reshape(-1, 9)
    # d([t]x u)/dt is -[u]x, so that g . ([dt]x u) = dt . (u x g).
    found[:, TURN] = -np.cross(u, g)
    return found


def prior_sigma(sheet: AccelerometerSheet) -> FloatArray:
    """Return the data sheet's standard uncertainties of all unknowns, shape (18,)."""
    variance = np.diag(AccelerometerPrior.data_sheet(sheet).covariance)
    return np.sqrt(np.maximum(variance, 1e-18))


@dataclass(frozen=True)
class SphereFit:
    """Unknowns, and how the readings lie about them.

    Attributes
    ----------
    x : ndarray, shape (19,)
        The accelerometer's 18, then the sine of the lean of a face run's surface.
    covariance : ndarray, shape (19, 19)
    residuals_g : ndarray, shape (m,)
        Lengths of the hand-held poses, then lengths and components along +Y of a face run.
    sigma_g : ndarray, shape (m,)
        Standard uncertainty of each row, the scatter included.
    jacobian : ndarray, shape (m, 19)
    hands : int
        Rows that are of hand-held poses.
    scatter_g, face_scatter_g : float
        Of a reading's length on top of its own covariance.
    seat_rad : float
        The same of a face run's components along +Y: the surface's unevenness, a push of the hand.
    """

    x: FloatArray
    covariance: FloatArray
    residuals_g: FloatArray
    sigma_g: FloatArray
    jacobian: FloatArray
    hands: int
    scatter_g: float
    face_scatter_g: float
    seat_rad: float

    @property
    def lengths(self) -> int:
        """Rows that are lengths: of the hands, then of the face run."""
        return int(_groups(self.hands, self.residuals_g.size)[1].stop)

    @property
    def leverage(self) -> FloatArray:
        """How much of each row the fit took, shape (m,), from 0 to 1."""
        own = np.einsum("ni,ij,nj->n", self.jacobian, self.covariance, self.jacobian)
        return np.asarray(own / self.sigma_g**2)

    @property
    def degrees_of_freedom(self) -> float:
        """Effective: hand-held poses less what the fit took of them."""
        return float(np.sum(1.0 - self.leverage[: self.hands]))

    def noise_parts(self, row: FloatArray) -> tuple[float, tuple[tuple[float, float], ...]]:
        """Return the variance of a combination of unknowns, and what scatter adds to it.

        Returns
        -------
        float
        tuple of (float, float)
            Of the hands', the face run's lengths and its seat: variance, degrees of freedom.
        """
        moved = (self.jacobian @ self.covariance @ row / self.sigma_g) ** 2
        free = 1.0 - self.leverage
        parts = []
        for rows, trust in zip(
            _groups(self.hands, free.size), (0.0, FACE_TRUST, SEAT_TRUST), strict=True
        ):
            parts.append((float(np.sum(moved[rows])), float(np.sum(free[rows])) + trust))
        return float(row @ self.covariance @ row), tuple(parts)


_Scatters = tuple[float, float, float]
"""Of the hands' lengths, a face run's lengths, its components along +Y."""


class _Rows(NamedTuple):
    residuals: FloatArray
    jacobian: FloatArray
    own: FloatArray


def fit_sphere(
    poses: Poses, prior: FloatArray, scatter_g: float | None = None, face: Poses | None = None
) -> SphereFit:
    """Fit the unknowns to poses and, if there is one, a face run.

    The scatter on top of the poses' own covariances is such that the weighted squares of the
    residuals add up to their effective degrees of freedom (Paule & Mandel, Consensus values
    and weighting factors, J. Res. Natl. Bur. Stand. 87 (1982) 377-385, with the trace of the
    residuals' matrix in place of n - 1). A face run has scatters of its own: a surface steadies
    the hands, and is uneven. Its few residuals are pooled with what is known before.

    Parameters
    ----------
    poses : Poses
    prior : ndarray, shape (18,)
        Standard uncertainties before the first pose; their means are zero.
    scatter_g : float, optional
        If known.
    face : Poses, optional
        With the mounting face on an upright surface.
    """
    sigma = np.append(prior, LEAN_PRIOR)
    precision = np.diag(sigma**-2.0)
    x = np.zeros(ACCEL_TERMS + 1)
    hands = poses.lengths_g.size
    known = scatter_g or 1e-3
    scatters = (known, known, SEAT_RAD)
    for _ in range(_MOST_STEPS):
        rows = _rows(x, poses, face)
        if scatter_g is None:
            scatters = _scatters(rows, x, hands, sigma, scatters)
        weight = 1.0 / _variance(rows.own, hands, scatters)
        weighted = rows.jacobian.T * weight
        normal = weighted @ rows.jacobian + precision
        step = np.linalg.solve(normal, -(weighted @ rows.residuals + precision @ x))
        x = x + step
        if float(np.max(np.abs(step))) < _SMALL_STEP:
            break
    rows = _rows(x, poses, face)
    variance = _variance(rows.own, hands, scatters)
    normal = (rows.jacobian.T / variance) @ rows.jacobian + precision
    return SphereFit(
        x,
        np.asarray(np.linalg.inv(normal), dtype=np.float64),
        rows.residuals,
        np.sqrt(variance),
        rows.jacobian,
        hands,
        *scatters,
    )


def length_rows(x: FloatArray, poses: Poses) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return residuals (n,), their slopes (n, 18) and the poses' own variance of them (n,)."""
    u = corrected(x[:ACCEL_TERMS], poses.readings_g)
    length = np.linalg.norm(u, axis=1)
    return (length - poses.lengths_g, *_sloped(x[:ACCEL_TERMS], u, u / length[:, None], poses))


def _sloped(
    x: FloatArray, u: FloatArray, along: FloatArray, poses: Poses
) -> tuple[FloatArray, FloatArray]:
    jacobian = slopes(x, u, along)
    towards = jacobian[:, BIAS]
    own = np.einsum("ni,nij,nj->n", towards, poses.covariances_g2, towards)
    return jacobian, own + LEAST_SIGMA_G**2


def _rows(x: FloatArray, poses: Poses, face: Poses | None) -> _Rows:
    residuals, jacobian, own = length_rows(x, poses)
    if face is not None:
        accel, lean = x[:ACCEL_TERMS], float(x[ACCEL_TERMS])
        lengths, length_slopes, length_own = length_rows(x, face)
        u = corrected(accel, face.readings_g)
        outboard = np.zeros_like(u)
        outboard[:, 1] = 1.0
        plane_slopes, plane_own = _sloped(accel, u, outboard, face)
        plane = u[:, 1] - lean * face.lengths_g
        residuals = np.concatenate([residuals, lengths, plane])
        jacobian = np.vstack([jacobian, length_slopes, plane_slopes])
        own = np.concatenate([own, length_own, plane_own])
    leans = np.zeros((residuals.size, 1))
    if face is not None:
        leans[residuals.size - face.lengths_g.size :, 0] = -face.lengths_g
    return _Rows(residuals, np.hstack([jacobian, leans]), own)


def _groups(hands: int, rows: int) -> tuple[slice, slice, slice]:
    """Return where the rows of the hands, the face's lengths and its components stand."""
    middle = hands + (rows - hands) // 2
    return slice(0, hands), slice(hands, middle), slice(middle, rows)


def _variance(own: FloatArray, hands: int, scatters: _Scatters) -> FloatArray:
    added = np.empty(own.size)
    for rows, scatter in zip(_groups(hands, own.size), scatters, strict=True):
        added[rows] = scatter**2
    return np.asarray(own + added)


def _scatters(
    rows: _Rows, x: FloatArray, hands: int, sigma: FloatArray, now: _Scatters
) -> _Scatters:
    """Return the scatters of hands, face lengths and face components, one after the other."""
    at_zero = rows.residuals - rows.jacobian @ x
    spread = (rows.jacobian * sigma**2) @ rows.jacobian.T
    groups = _groups(hands, rows.own.size)
    found = list(now)
    for which, group in enumerate(groups):
        mine = np.zeros(rows.own.size, dtype=bool)
        mine[group] = True
        if not mine.any():
            found[which] = found[0]
            continue
        others = _variance(rows.own, hands, (found[0], found[1], found[2])) - rows.own
        seen = matching_scatter(mine, at_zero, spread, rows.own, others)
        if which:
            seen = _pooled(seen, which, mine, spread, rows.own, others, found)
        found[which] = seen
    return found[0], found[1], found[2]


def _pooled(
    seen: float,
    which: int,
    mine: BoolArray,
    spread: FloatArray,
    own: FloatArray,
    others: FloatArray,
    found: list[float],
) -> float:
    """Return a face run's scatter, pooled with what is known of it before."""
    variance = own + np.where(mine, max(seen, LEAST_SIGMA_G) ** 2, others)
    inverse = np.linalg.inv(spread + np.diag(variance))
    freedom = float(np.sum((np.diag(inverse) * variance)[mine]))
    if which == 1:
        before, trust, least = found[0] ** 2, FACE_TRUST, (_LEAST_SHARE * found[0]) ** 2
    else:
        before, trust, least = SEAT_RAD**2 + found[1] ** 2, SEAT_TRUST, 0.0
    shared = (freedom * seen**2 + trust * before) / (freedom + trust)
    return float(np.sqrt(max(shared, least)))
