"""Which directions the poses cover: for the live picture, and for what to ask for next."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray


def _lattice() -> FloatArray:
    """Six faces, twelve edges and eight corners of a cube, as unit vectors."""
    steps = np.array([[x, y, z] for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1)])
    steps = steps[np.any(steps != 0, axis=1)]
    order = np.argsort(np.abs(steps).sum(axis=1), kind="stable")
    return unit(steps[order].astype(float))


SECTORS: Final = _lattice()
"""Directions, shape (26, 3), in pod axes: faces first, then edges, then corners."""


class Coverage(NamedTuple):
    """How the directions of some poses fill the sphere.

    Attributes
    ----------
    counts : ndarray of int, shape (26,)
        Poses nearest to each of `SECTORS`.
    filled : float
        Share of the sphere within 45 deg of a pose, 0 to 1.
    nearest_deg : ndarray, shape (26,)
        From each sector to the nearest pose; 180 without a pose.
    """

    counts: FloatArray
    filled: float
    nearest_deg: FloatArray


_REACH_DEG: Final = 45.0


def _spiral(count: int) -> FloatArray:
    """Return points spread evenly over the sphere (golden spiral), shape (count, 3)."""
    z = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(count)
    flat = np.sqrt(1.0 - z**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)


_EVEN: Final = _spiral(400)


def coverage(up: FloatArray) -> Coverage:
    """Return how directions fill the sphere.

    Parameters
    ----------
    up : ndarray, shape (n, 3)
        Readings of the poses, of any length but zero.
    """
    directions = unit(np.asarray(up, dtype=float).reshape(-1, 3))
    if directions.shape[0] == 0:
        return Coverage(np.zeros(len(SECTORS)), 0.0, np.full(len(SECTORS), 180.0))
    cosine = np.clip(SECTORS @ directions.T, -1.0, 1.0)
    counts = np.bincount(np.argmax(cosine, axis=0), minlength=len(SECTORS)).astype(float)
    reached = np.max(_EVEN @ directions.T, axis=1) >= np.cos(np.radians(_REACH_DEG))
    return Coverage(counts, float(np.mean(reached)), np.degrees(np.arccos(np.max(cosine, axis=1))))


def words(direction: FloatArray) -> str:
    """Return a direction in words: ``+x up``, ``+x and -z up``.

    Parameters
    ----------
    direction : ndarray, shape (3,)
        What shall point up, in pod axes.
    """
    sector = SECTORS[int(np.argmax(SECTORS @ unit(direction)))]
    names = [f"{'+' if s > 0 else '-'}{a}" for s, a in zip(sector, "xyz", strict=True) if s]
    joined = names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
    return f"{joined} up"
