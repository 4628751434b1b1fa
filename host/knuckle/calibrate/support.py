"""What the poses settle, what they leave to the data sheet, and which poses would help."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from knuckle.calibrate.directions import SECTORS
from knuckle.calibrate.results import FitState, Parameter
from knuckle.calibrate.sphere import SphereFit, slopes
from knuckle.estimate.distributions import normal_quantile, student_quantile
from knuckle.estimate.sensor import ACCEL_TERMS, BIAS, GAIN, TURN
from knuckle.model.block import FloatArray

SHARE_OF_PRIOR: Final = 1.0 / 3.0
"""A parameter is supported when the poses leave less than this of the data sheet's tolerance ..."""

MOST_BIAS_G: Final = 2.5e-3
MOST_RATIO: Final = 2.5e-3
"""... in 95 % of cases, and no more than this as one sigma: 0.14 deg of tilt."""

MOST_INFLATION: Final = 10.0
"""Variance inflation of a parameter beyond which the poses are too alike to tell it from the
others, however little they scatter (Marquardt, Technometrics 12 (1970) 591-612)."""
MOST_OVER_EVEN: Final = 25.0
"""Variance of a parameter over what poses spread evenly leave, beyond which they hardly touch it:
five times the standard uncertainty (no source; a published set of 38 poses has 11 to 14)."""

FEWEST_DIRECTIONS: Final = 10
"""Nine parameters go through any nine directions: only a tenth shows whether they hold."""
SAME_DIRECTION_DEG: Final = 12.0

LEAST_DOF: Final = 1.0
"""With fewer degrees of freedom the poses say nothing of their own scatter."""

GOOD_CAMBER_DEG: Final = 0.055
FEWEST_POSES: Final = 12
_WANTED: Final = 4
_UP: Final = np.array([0.0, 0.0, 1.0])
_OUTBOARD: Final = np.array([0.0, 1.0, 0.0])

_NAMES: Final = (
    *(f"bias_{axis}" for axis in "xyz"),
    *(f"scale_{axis}" for axis in "xyz"),
    "skew_xy",
    "skew_xz",
    "skew_yz",
)


def _rows() -> FloatArray:
    """Return the nine parameters as rows of the unknowns, shape (9, 18)."""
    rows = np.zeros((9, 18))
    rows[:3, :3] = np.eye(3)
    for i in range(3):
        rows[3 + i, 3 + 4 * i] = 1.0
    for row, (i, j) in zip(rows[6:], ((0, 1), (0, 2), (1, 2)), strict=True):
        row[3 + 3 * i + j] = row[3 + 3 * j + i] = 0.5
    return rows


_PARAMETERS: Final = _rows()
_TOGETHER: Final = np.where(_PARAMETERS > 0.0, 1.0, 0.0).T
"""Which unknowns a parameter moves: both cross-axis terms with a skew."""
_EVENLY: Final = np.array([3.0] * 3 + [6.0] * 3 + [3.75] * 3) / FEWEST_POSES
_LIMITS: Final = np.array([MOST_BIAS_G] * 3 + [MOST_RATIO] * 6)


class Verdict(NamedTuple):
    """What a fit is worth, and why."""

    state: FitState
    reason: str
    camber_u_deg: float
    whole_camber_u_deg: float
    camber_dof: float


def parameters_of(fit: SphereFit, prior: FloatArray) -> tuple[Parameter, ...]:
    """Return the nine parameters with what stands behind each."""
    values = _PARAMETERS @ fit.x[:ACCEL_TERMS]
    covariance = fit.covariance[:ACCEL_TERMS, :ACCEL_TERMS]
    sigma = np.sqrt(np.einsum("ki,ij,kj->k", _PARAMETERS, covariance, _PARAMETERS))
    before = np.sqrt(_PARAMETERS**2 @ prior**2)
    widened = sigma * _student(fit.degrees_of_freedom)
    supported = (widened <= SHARE_OF_PRIOR * before) & (sigma <= _LIMITS)
    inflated, over_even = inflation(fit)
    supported &= (inflated <= MOST_INFLATION) & (over_even <= MOST_OVER_EVEN)
    return tuple(
        Parameter(name, float(v), float(s), float(b), bool(ok))
        for name, v, s, b, ok in zip(_NAMES, values, sigma, before, supported, strict=True)
    )


def inflation(fit: SphereFit) -> tuple[FloatArray, FloatArray]:
    """Return by how much each parameter's variance exceeds what good poses leave.

    Of the rows that are lengths, without the data sheet: both depend on where the poses point
    only, not on how well they were held.

    Returns
    -------
    ndarray, shape (9,)
        The variance inflation factor: by what the other parameters leave of it.
    ndarray, shape (9,)
        The variance over that of `FEWEST_POSES` poses spread evenly (E u^2 = 1/3, E u^4 = 1/5,
        E u^2 v^2 = 1/15 over the sphere).
    """
    lengths = fit.jacobian[: fit.lengths, :ACCEL_TERMS] @ _TOGETHER
    size = np.linalg.norm(lengths, axis=0)
    endless = np.full(size.size, np.inf)
    if lengths.shape[0] < size.size or not np.all(size > 0.0):
        return endless, endless
    alike = (lengths / size).T @ (lengths / size)
    if np.linalg.cond(alike) > 1e10:
        return endless, endless
    inflated = np.diag(np.linalg.inv(alike))
    return inflated, inflated / size**2 / _EVENLY


def directions_of(fit: SphereFit) -> int:
    """Return how many directions the readings point in, those near one another counted once."""
    up = -fit.jacobian[: fit.lengths, BIAS]
    apart: list[FloatArray] = []
    near = math.cos(math.radians(SAME_DIRECTION_DEG))
    for one in up / np.linalg.norm(up, axis=1)[:, None]:
        if all(float(one @ other) < near for other in apart):
            apart.append(one)
    return len(apart)


def student_factor(dof: float) -> float:
    """Return k of a 95 % interval from degrees of freedom (GUM, JCGM 100:2008, G.3)."""
    return student_quantile(0.975, max(dof, 1.0))


def freedom_words(dof: float) -> str:
    """Return degrees of freedom in words, for people."""
    if dof < LEAST_DOF:
        return "less than one degree of freedom"
    whole = f"{dof:.0f}"
    return f"{whole} degree{'' if whole == '1' else 's'} of freedom"


def _student(dof: float) -> float:
    """Return by how much few degrees of freedom widen a 95 % interval."""
    return student_factor(dof) / normal_quantile(0.975)


def camber_row(fit: SphereFit) -> FloatArray:
    """Return how the unknowns move the camber of an upright wheel, rad, shape (19,)."""
    row = np.zeros(ACCEL_TERMS + 1)
    row[:ACCEL_TERMS] = slopes(fit.x[:ACCEL_TERMS], _UP[None, :], _OUTBOARD[None, :])[0]
    return row


def camber_freedom(fit: SphereFit) -> tuple[float, float]:
    """Return the standard uncertainty in a camber near zero, rad, and its degrees of freedom.

    Welch-Satterthwaite, GUM (JCGM 100:2008) G.4.1: the data sheet's share has infinitely many.
    """
    whole, parts = fit.noise_parts(camber_row(fit))
    weight = sum(part**2 / max(freedom, 0.5) for part, freedom in parts)
    return math.sqrt(whole), whole**2 / weight if weight > 0.0 else math.inf


def _camber_without_turn_deg(fit: SphereFit) -> float:
    """Return what the zero-g offset along +Y leaves in a camber: no face run can find that."""
    row = camber_row(fit)
    row[GAIN] = row[TURN] = 0.0
    return float(np.degrees(np.sqrt(row @ fit.covariance @ row)))


def verdict(fit: SphereFit, parameters: tuple[Parameter, ...], count: int) -> Verdict:
    """Say what a fit is worth.

    Parameters
    ----------
    fit : SphereFit
    parameters : tuple of Parameter
    count : int
        Poses used.
    """
    camber = _camber_without_turn_deg(fit)
    whole, camber_dof = camber_freedom(fit)
    left = (camber, math.degrees(whole), camber_dof)
    missing = [p.name for p in parameters if not p.supported]
    if fit.degrees_of_freedom < LEAST_DOF:
        reason = (
            f"{count} poses are too few: with {freedom_words(fit.degrees_of_freedom)} "
            "they do not tell how well they agree"
        )
        return Verdict(FitState.ILL_CONDITIONED, reason, *left)
    directions = directions_of(fit)
    if not missing and directions < FEWEST_DIRECTIONS:
        reason = (
            f"the poses point in {directions} different directions only: nine parameters go "
            f"through any nine, so {FEWEST_DIRECTIONS} or more are needed"
        )
        return Verdict(FitState.ILL_CONDITIONED, reason, *left)
    if missing:
        reason = (
            f"the poses do not settle {', '.join(missing)}: there the data sheet's tolerance "
            "stands, so this is no calibration"
        )
        return Verdict(FitState.ILL_CONDITIONED, reason, *left)
    widened = camber * _student(fit.degrees_of_freedom)
    if widened <= GOOD_CAMBER_DEG and count >= FEWEST_POSES:
        reason = (
            f"{count} poses settle all nine parameters; they leave {camber:.3f} deg (one sigma) "
            f"in camber, with {freedom_words(fit.degrees_of_freedom)}"
        )
        return Verdict(FitState.GOOD, reason, *left)
    reason = (
        f"{count} poses settle all nine parameters, but leave {camber:.3f} deg (one sigma) in "
        f"camber with {freedom_words(fit.degrees_of_freedom)}: more poses help"
    )
    return Verdict(FitState.COARSE, reason, *left)


def suggested(fit: SphereFit, prior: FloatArray) -> tuple[FloatArray, ...]:
    """Return directions to point up in the poses that would help most, the best first.

    Each is the one of `SECTORS` whose reading would lessen the parameters' variances most, in
    units of what is allowed, given those before it.
    """
    wanted = np.minimum(_LIMITS, SHARE_OF_PRIOR * np.sqrt(_PARAMETERS**2 @ prior**2))
    rows = _PARAMETERS / wanted[:, None]
    rows = np.vstack([rows, _PARAMETERS[1] / np.radians(GOOD_CAMBER_DEG)])
    candidates = slopes(fit.x[:ACCEL_TERMS], SECTORS, SECTORS)
    variance = float(np.median(fit.sigma_g) ** 2) if fit.sigma_g.size else 1e-6
    covariance = fit.covariance[:ACCEL_TERMS, :ACCEL_TERMS]
    found = []
    for _ in range(_WANTED):
        moved = candidates @ covariance
        own = np.einsum("ni,ni->n", moved, candidates) + variance
        gain = np.sum((moved @ rows.T) ** 2, axis=1) / own
        best = int(np.argmax(gain))
        found.append(SECTORS[best])
        covariance = covariance - np.outer(moved[best], moved[best]) / own[best]
    return tuple(found)
