"""How much a car leans otherwise from reading to reading while its wheel is turned.

What the readings leave of their plane is all there is to tell it by, and three of its degrees of
freedom have gone into the plane. Stops lean independently of each other; a slow turn is read
all the time, and its lean wanders: how fast is not known either, and what wanders once a turn
looks like a mount.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.model.block import FloatArray

USUAL_LEAN_DEG: Final = 0.02
"""How much a lifted car leans otherwise from reading to reading, one sigma, before the run has
shown it: play and spring of a jack stand (no source)."""
USUAL_LEAN_DOF: Final = 1.0
"""Weight of that against the run's own scatter: a scaled inverse chi-squared prior (Gelman et
al., Bayesian Data Analysis, section 2.6), with the widest tails that still have a scale."""
UNUSUAL: Final = 2.5
"""A scatter so many times the usual one is of another kind of car: the usual one counts no more."""

_RMS_DEG: Final = np.geomspace(0.004, 0.64, 12)
_WANDERS_S: Final = (0.25, 0.75, 2.5, 8.0, 25.0)
_TAIL: Final = 0.5
_SOFTENED: Final = 2.0


@dataclass(frozen=True)
class Lean:
    """What the readings of a turn scatter by.

    Attributes
    ----------
    covariance_g2 : ndarray, shape (n, n)
        Of the readings along the spin axis, noise and lean.
    freedom : float
        Degrees of freedom behind it.
    """

    covariance_g2: FloatArray
    freedom: float


def lean_of_stops(off_g: FloatArray, noise_g: FloatArray) -> Lean:
    """Return the lean of a car from stop to stop.

    Parameters
    ----------
    off_g : ndarray, shape (n,)
        How far each reading lies off the plane through all.
    noise_g : ndarray, shape (n,)
        Standard uncertainty of each by noise alone.
    """
    usual = np.radians(USUAL_LEAN_DEG) ** 2
    freedom = max(len(off_g) - 3.0, 0.0)
    total = max(float(np.sum(off_g**2)) - freedom * float(np.mean(noise_g**2)), 0.0)
    variance = (USUAL_LEAN_DOF * usual + total) / (USUAL_LEAN_DOF + freedom)
    weight = USUAL_LEAN_DOF + freedom
    if freedom and total > UNUSUAL**2 * usual * freedom:
        variance, weight = total / freedom, freedom
    return Lean(np.diag(noise_g**2 + variance), weight)


def lean_of_turn(t_s: FloatArray, readings_g: FloatArray, noise_g: FloatArray) -> Lean:
    """Return the lean of a car during a slow turn.

    A lean that wanders, with an exponential correlation, is fitted beside the plane for each
    size and each speed of a grid, weighted by the residuals' likelihood (restricted maximum
    likelihood: Patterson & Thompson 1971, Biometrika 58: 545-554), and averaged. The degrees of
    freedom are those of a variance that is known as well as the average is (Welch-Satterthwaite).

    Parameters
    ----------
    t_s : ndarray, shape (n,)
    readings_g : ndarray, shape (n, 3)
        In axes in which the spin axis is the second.
    noise_g : ndarray, shape (n,)
    """
    read = readings_g[:, 1]
    design = np.column_stack([np.ones(len(read)), readings_g[:, 0], readings_g[:, 2]])
    apart_s = np.abs(t_s[:, None] - t_s[None, :])
    noise = float(np.mean(noise_g**2))
    sizes = np.radians(_RMS_DEG) ** 2
    tail = _TAIL * np.log1p((_RMS_DEG / USUAL_LEAN_DEG) ** 2)
    shapes = [np.exp(-apart_s / wanders_s) for wanders_s in _WANDERS_S]
    likely, variances, normals = [], [], []
    for shape in shapes:
        share, axes = np.linalg.eigh(shape)
        turned_design, turned_read = axes.T @ design, axes.T @ read
        variance = sizes[:, None] * np.maximum(share, 0.0) + noise
        normal = np.einsum("ni,kn,nj->kij", turned_design, 1.0 / variance, turned_design)
        towards = np.einsum("ni,kn->ki", turned_design, turned_read / variance)
        found = np.linalg.solve(normal, towards[..., None])[..., 0]
        left = turned_read - found @ turned_design.T
        cost = np.sum(np.log(variance) + left**2 / variance, axis=1)
        likely.append(-0.5 * (cost + np.linalg.slogdet(normal)[1]) - tail)
        variances.append(np.trace(np.linalg.inv(normal)[:, 1:, 1:], axis1=1, axis2=2))
        normals.append(found[:, 1:])
    weight = np.exp(np.array(likely) - np.max(likely))
    weight /= weight.sum()
    spread = np.array(variances)
    mean = float(np.sum(weight * spread))
    doubt = float(np.sum(weight * (spread - mean) ** 2))
    each = np.array(normals)
    apart = each - np.einsum("ik,ikc->c", weight, each)
    between = float(np.einsum("ik,ikc->", weight, apart**2))
    covariance = np.einsum("ik,k,iab->ab", weight, sizes, np.array(shapes))
    return Lean(
        (covariance + np.eye(len(read)) * noise) * (1.0 + between / mean),
        _SOFTENED + 2.0 * mean**2 / max(doubt, 1e-6 * mean**2),
    )
