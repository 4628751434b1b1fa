"""From a still record to the floor that the detector of rests starts from."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from knuckle.model.block import Block, BoolArray, FloatArray
from knuckle.rests.cells import sensor_cells
from knuckle.rests.gaps import unbroken
from knuckle.rests.noise_floor import KnownFloor, SensorNoise
from knuckle.rests.settings import RestSettings

LEAST_CELLS = 100
"""Ten seconds: from fewer a floor is no better known than by the detector itself."""


def rest_floor(block: Block, good: BoolArray, settings: RestSettings) -> KnownFloor | None:
    """Return the pod's noise in the detector's cells; None if there are too few, or none has any.

    Parameters
    ----------
    block : Block
    good : ndarray of bool, shape (n,)
        Samples in which nothing but noise speaks.
    settings : RestSettings
        Of the detector.
    """
    size = settings.cell_size(block.rate_hz)
    edges = unbroken(block.t_s, block.stretch, 1.0 / block.rate_hz)
    turns = np.flatnonzero(np.diff(good.astype(np.int8))) + 1
    places = sorted({*edges, *turns.tolist()})
    runs = [(first, end) for first, end in pairwise(places) if good[first] and end - first >= size]
    accel = _sensor(block.accel_g, runs, size)
    gyro = None if block.gyro_dps is None else _sensor(block.gyro_dps, runs, size)
    if accel is None or (gyro is None and block.gyro_dps is not None):
        return None
    return KnownFloor(block.rate_hz, size, accel, gyro)


def _sensor(values: FloatArray, runs: list[tuple[int, int]], size: int) -> SensorNoise | None:
    inner: list[float] = []
    swing: list[float] = []
    between: list[float] = []
    for first, end in runs:
        whole = (end - first) // size
        cells = sensor_cells(values[first : first + whole * size], size, None)
        inner += cells.inner.tolist()
        swing += cells.swing.tolist()
        between += (cells.step[1:] / 2.0).tolist()
    if len(between) < LEAST_CELLS:
        return None
    if not any(inner):
        return None
    return SensorNoise(float(np.mean(inner)), float(np.mean(between)), float(np.mean(swing)))
