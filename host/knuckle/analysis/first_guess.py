"""Where the search for the steering axis begins: gyro turns, else the cone of 'up'."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.errors import MeasurementRefused
from knuckle.estimate.turns import Turn
from knuckle.geometry.cone import angles_about, fit_cone
from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray

LEAST_FLATNESS = 1e-3
"""Readings nearer to a line than this have no plane."""

LEAST_TURN_RAD = np.radians(2.0)
"""Turns smaller than this say little about the axis."""


@dataclass(frozen=True)
class FirstGuess:
    """A steering axis, shape (3,), and each rest's turn about it from rest 0, shape (n,)."""

    axis: FloatArray
    theta_rad: FloatArray


def guess(
    readings_g: FloatArray, turns: list[Turn], measured_rad: FloatArray | None = None
) -> FirstGuess:
    """Guess the steering axis and all turns.

    Parameters
    ----------
    readings_g : ndarray, shape (n, 3)
    turns : list of Turn
        May be empty, or have holes where the gyro's record was broken.
    measured_rad : ndarray, shape (n,), optional
        Steer angles by the linear sensor, NaN where it has none: used where there is no turn.

    Raises
    ------
    MeasurementRefused
        STEER_UNKNOWN, if neither the gyro nor the cone of 'up' tells the turns apart.
    """
    axis = _axis_from_turns(turns, readings_g)
    if axis is None:
        axis = _axis_from_cone(readings_g, flat_allowed=measured_rad is not None)
    other = angles_about(axis, readings_g, readings_g[0])
    if measured_rad is not None:
        other = _joined(measured_rad, other)
    return FirstGuess(axis, _thetas(axis, other, turns))


def _axis_from_turns(turns: list[Turn], readings_g: FloatArray) -> FloatArray | None:
    vectors = np.array([t.rotation_rad for t in turns]).reshape(-1, 3)
    if not vectors.size or np.max(np.linalg.norm(vectors, axis=1)) < LEAST_TURN_RAD:
        return None
    _, directions = np.linalg.eigh(vectors.T @ vectors)
    axis: FloatArray = directions[:, -1]
    return axis if axis @ readings_g.mean(axis=0) >= 0 else -axis


def _axis_from_cone(readings_g: FloatArray, flat_allowed: bool) -> FloatArray:
    if readings_g.shape[0] < 3:
        raise MeasurementRefused(
            "STRAIGHT_MISSING",
            f"Rests of the wheel: {readings_g.shape[0]}. A sweep needs three at least: straight "
            "ahead, one to the left and one to the right.",
            "Positions were passed over, or the wheel was not held still for long enough.",
            "Sweep again: rest at straight ahead, at each lock, and at straight ahead again.",
        )
    cone = fit_cone(readings_g)
    if cone.flatness > LEAST_FLATNESS:
        return unit(cone.axis)
    if flat_allowed:
        # An axis that stands upright leaves no cone, and is found from there.
        return unit(readings_g.mean(axis=0))
    raise MeasurementRefused(
        "STEER_UNKNOWN",
        "How far the wheel was steered cannot be told.",
        "The wheel was hardly steered, or there is no unbroken gyro record and the readings of "
        "'up' lie on a line.",
        "Steer to both locks, resting at each, or use a pod with a gyro.",
    )


def _joined(measured_rad: FloatArray, by_cone: FloatArray) -> FloatArray:
    """Fill what was not measured by the cone, on the zero of what was."""
    known = np.isfinite(measured_rad)
    shift = float(np.mean(measured_rad[known] - by_cone[known]))
    return np.where(known, measured_rad, by_cone + shift)


def _thetas(axis: FloatArray, other_rad: FloatArray, turns: list[Turn]) -> FloatArray:
    """Chain the gyro's turns; where the chain is broken, join by another source.

    Parameters
    ----------
    other_rad : ndarray, shape (n,)
        Each turn by the linear sensor, or else by the cone of 'up'.
    """
    count = other_rad.size
    measured = {turn.after: turn for turn in turns}
    theta = np.zeros(count)
    for i in range(1, count):
        if i in measured and measured[i].before == i - 1:
            theta[i] = theta[i - 1] + measured[i].rotation_rad @ axis
        else:
            theta[i] = other_rad[i] - other_rad[0]
    return theta
