"""The unknowns of a model by name: where each stands, and what is known of it beforehand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from knuckle.estimate.priors import DRIFTING, AccelerometerPrior, Given
from knuckle.estimate.sensor import ACCEL_SOURCES, ACCEL_TERMS, covariance_whitener
from knuckle.geometry.rotation import Array
from knuckle.model.block import BoolArray, FloatArray


class Known(NamedTuple):
    """What is known beforehand of one or more unknowns.

    Attributes
    ----------
    name : str
    source : str or tuple of str
        Of its share in a budget; a tuple names one for each of the unknowns. Where they are
        correlated, an earlier one's share is what the later ones do not explain.
    mean : ndarray, shape (k,)
    covariance : ndarray, shape (k, k)
    """

    name: str
    source: str | tuple[str, ...]
    mean: FloatArray
    covariance: FloatArray


class Seen(NamedTuple):
    """A measurement made before of a linear combination of unknowns.

    Attributes
    ----------
    source : str
        Of its share in a budget.
    of : mapping of str to ndarray, shape (k,)
        What one of each unknown adds, by the unknown's name.
    value, standard_uncertainty : float
    """

    source: str
    of: Mapping[str, FloatArray]
    value: float
    standard_uncertainty: float


def known_deg(name: str, source: str, values: Sequence[Given]) -> Known:
    """Return what is known of unknowns in rad, from values given in deg."""
    sigma = np.radians([value.standard_uncertainty for value in values])
    return Known(name, source, np.radians([v.value for v in values]), np.diag(sigma**2))


def accelerometer_unknowns(prior: AccelerometerPrior) -> list[Known | Seen]:
    """Return what is known of an accelerometer's errors.

    ``accel``, ``drift`` if any, and where a reversal has found its zero that, with the
    squareness (``square``) and the drift since then (``since``) that stand between.
    """
    known: list[Known | Seen] = [
        Known("accel", ACCEL_SOURCES, np.zeros(ACCEL_TERMS), prior.covariance)
    ]
    if prior.zero is not None:
        zero = prior.zero
        one, none = np.ones(1), np.zeros(1)
        of = {"accel": zero.row, "square": one}
        known.append(Known("square", "squareness", none, np.eye(1) * zero.square_rad**2))
        if zero.drift_g > 0.0:
            known.append(Known("since", "temperature", none, np.eye(1) * zero.drift_g**2))
            of["since"] = one
        known.append(Seen("reversal", of, zero.value_g, zero.standard_uncertainty_g))
    if prior.drift_covariance is not None:
        known.append(Known("drift", "temperature", np.zeros(6), prior.drift_covariance))
    return known


class Unknowns:
    """The layout of a vector of unknowns, and the rows of their priors.

    Parameters
    ----------
    free : mapping of str to int
        Names and sizes of unknowns of which nothing is known.
    known : sequence of Known or Seen
    """

    def __init__(self, free: Mapping[str, int], known: Sequence[Known | Seen]) -> None:
        self._seen = [one for one in known if isinstance(one, Seen)]
        self._known = [one for one in known if isinstance(one, Known)]
        sizes = dict(free) | {one.name: one.mean.size for one in self._known}
        self._where: dict[str, slice] = {}
        self.size = 0
        for name, size in sizes.items():
            self._where[name] = slice(self.size, self.size + size)
            self.size += size
        self._whiteners = [_whitener(one) for one in self._known]
        self.sources = tuple(name for one in self._known for name in _sources(one))
        self.sources += tuple(one.source for one in self._seen)

    def __contains__(self, name: str) -> bool:
        return name in self._where

    def where(self, name: str) -> slice:
        """Return where an unknown stands."""
        return self._where[name]

    def part(self, x: Array, name: str) -> Array:
        """Return an unknown out of all of them, shape (..., p) to (..., k)."""
        return x[..., self._where[name]]

    def means(self) -> FloatArray:
        """Return the vector, shape (p,), with every prior's mean, and zero for the free ones."""
        x = np.zeros(self.size)
        for one in self._known:
            x[self._where[one.name]] = one.mean
        return x

    def prior_rows(self, x: Array) -> Array:
        """Return the whitened rows of all priors, shape (..., sum of sizes)."""
        rows = [
            (self.part(x, one.name) - one.mean) @ whitener.T
            for one, whitener in zip(self._known, self._whiteners, strict=True)
        ]
        for seen in self._seen:
            parts = [self.part(x, name) @ weight for name, weight in seen.of.items()]
            told = np.sum(np.stack(parts), axis=0)
            rows.append(((told - seen.value) / seen.standard_uncertainty)[..., None])
        return np.concatenate(rows, axis=-1)

    def prior_pattern(self) -> BoolArray:
        """Return which unknowns the priors' rows touch, shape (sum of sizes, p)."""
        touches = np.zeros((len(self.sources), self.size), dtype=bool)
        first = 0
        for one, whitener in zip(self._known, self._whiteners, strict=True):
            touches[first : first + one.mean.size, self._where[one.name]] = whitener != 0.0
            first += one.mean.size
        for at, seen in enumerate(self._seen, start=first):
            for name in seen.of:
                touches[at, self._where[name]] = True
        return touches


def _whitener(one: Known) -> FloatArray:
    if isinstance(one.source, str):
        return covariance_whitener(one.covariance)
    return np.ascontiguousarray(covariance_whitener(one.covariance[::-1, ::-1])[::-1, ::-1])


def _sources(one: Known) -> tuple[str, ...]:
    return (one.source,) * one.mean.size if isinstance(one.source, str) else one.source


def accelerometer_errors(unknowns: Unknowns, x: Array) -> Array:
    """Return an accelerometer's errors, drift included, shape (..., 18)."""
    accel = unknowns.part(x, "accel")
    if "drift" not in unknowns:
        return accel
    accel = accel.copy()
    accel[..., DRIFTING] += unknowns.part(x, "drift")
    return accel
