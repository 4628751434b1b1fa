"""Cut a stretch into cells: fixed groups of samples counted from the stretch's first sample.

Everything the detector decides is decided on cells, so the result cannot depend on how the
samples happened to arrive. To hold that to the last bit, sums run over the samples of a cell
in order, element by element, never by a reduction whose order depends on an array's shape.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from knuckle.model.block import Block, FloatArray


@dataclass(frozen=True, slots=True)
class SensorCells:
    """One sensor's three axes, cell by cell, in the sensor's unit.

    Attributes
    ----------
    mean : ndarray, shape (n, 3)
        Mean of each cell.
    inner : ndarray, shape (n,)
        Variance within the cell about its mean, summed over the axes.
    swing : ndarray, shape (n,)
        Square of the difference between the means of the cell's halves, summed over the axes.
    step : ndarray, shape (n,)
        Square of the difference to the mean of the cell before (0 at the stretch's first).
    """

    mean: FloatArray
    inner: FloatArray
    swing: FloatArray
    step: FloatArray

    def part(self, first: int, end: int) -> SensorCells:
        """Return cells `first` to `end` (exclusive)."""
        return SensorCells(
            *(np.asarray(getattr(self, f.name)[first:end]) for f in fields(SensorCells))
        )


@dataclass(frozen=True, slots=True)
class Cells:
    """Consecutive cells of one stretch. `gyro` is None for a pod without one."""

    start_s: FloatArray
    end_s: FloatArray
    accel: SensorCells
    gyro: SensorCells | None

    def __len__(self) -> int:
        return int(self.start_s.shape[0])

    def part(self, first: int, end: int) -> Cells:
        """Return cells `first` to `end` (exclusive)."""
        return Cells(
            self.start_s[first:end],
            self.end_s[first:end],
            self.accel.part(first, end),
            None if self.gyro is None else self.gyro.part(first, end),
        )


def ordered_sum(grouped: FloatArray, first: int, end: int) -> FloatArray:
    """Add samples `first` to `end` (exclusive) of every cell, in order."""
    total = grouped[:, first].copy()
    for j in range(first + 1, end):
        total += grouped[:, j]
    return total


def group(samples: FloatArray, size: int) -> FloatArray:
    """View samples (n * size, k) as cells (n, size, k); a last incomplete cell is left out."""
    whole = samples.shape[0] // size
    return samples[: whole * size].reshape(whole, size, samples.shape[1])


def cell_means(samples: FloatArray, size: int) -> FloatArray:
    """Return the means of whole cells, shape (n, k), summed in order."""
    grouped = group(samples, size)
    return ordered_sum(grouped, 0, size) / size


def sensor_cells(samples: FloatArray, size: int, before: FloatArray | None) -> SensorCells:
    """Reduce samples (n * size, 3) to cells; `before` is the mean of the cell before."""
    grouped = group(samples, size)
    half = size // 2
    early = ordered_sum(grouped, 0, half)
    late = ordered_sum(grouped, size - half, size)
    total = early + late if size % 2 == 0 else early + grouped[:, half] + late
    mean = total / size
    scatter = (grouped[:, 0] - mean) ** 2
    for j in range(1, size):
        scatter += (grouped[:, j] - mean) ** 2
    scatter /= size - 1
    swing = ((late - early) / half) ** 2
    step = np.zeros_like(mean)
    step[1:] = (mean[1:] - mean[:-1]) ** 2
    if before is not None and len(step):
        step[0] = (mean[0] - before) ** 2

    def over_axes(squares: FloatArray) -> FloatArray:
        return np.asarray(squares[:, 0] + squares[:, 1] + squares[:, 2], dtype=np.float64)

    return SensorCells(mean, over_axes(scatter), over_axes(swing), over_axes(step))


class CellMaker:
    """Collects one stretch's samples and returns whole cells as they fill up.

    Parameters
    ----------
    size : int
        Samples in a cell, at least 2.
    has_gyro : bool
        Whether blocks carry a gyro.
    """

    def __init__(self, size: int, has_gyro: bool) -> None:
        self.size = size
        self._has_gyro = has_gyro
        self._t_s: FloatArray = np.empty(0)
        self._accel: FloatArray = np.empty((0, 3))
        self._gyro: FloatArray = np.empty((0, 3))
        self._last_accel: FloatArray | None = None
        self._last_gyro: FloatArray | None = None

    def push(self, block: Block) -> Cells:
        """Add samples of the stretch and return the cells they complete (perhaps none)."""
        t_s = np.concatenate((self._t_s, block.t_s)) if len(self._t_s) else block.t_s
        accel = np.concatenate((self._accel, block.accel_g)) if len(self._accel) else block.accel_g
        whole = len(t_s) // self.size
        used = whole * self.size
        accel_cells = sensor_cells(accel, self.size, self._last_accel)
        gyro_cells: SensorCells | None = None
        if self._has_gyro:
            assert block.gyro_dps is not None
            gyro = (
                np.concatenate((self._gyro, block.gyro_dps)) if len(self._gyro) else block.gyro_dps
            )
            gyro_cells = sensor_cells(gyro, self.size, self._last_gyro)
            self._gyro = gyro[used:].copy()
            if whole:
                self._last_gyro = gyro_cells.mean[-1].copy()
        if whole:
            self._last_accel = accel_cells.mean[-1].copy()
        self._t_s = t_s[used:].copy()
        self._accel = accel[used:].copy()
        return Cells(
            t_s[0 : used : self.size],
            t_s[self.size - 1 : used : self.size],
            accel_cells,
            gyro_cells,
        )


@dataclass(frozen=True, slots=True)
class SensorWindows:
    """What one sensor says of the last `width` cells, for each cell that ends such a window.

    Attributes
    ----------
    mean : ndarray, shape (n, 3)
        Mean of the window.
    late : ndarray, shape (n, 3)
        Mean of its second half.
    halves : ndarray, shape (n,)
        Square of the difference between the means of its halves.
    stray : ndarray, shape (n,)
        Largest square of a cell mean's distance from the window's.
    slope : ndarray, shape (n,)
        Magnitude of the slope of the cell means, per cell.
    inner, swing, between : ndarray, shape (n,)
        Means of the cells' `inner`, `swing`, and of half the squared steps (the variance of
        a cell mean, blind to slow change).
    burst : ndarray, shape (n,)
        The loudest cell's `inner` over the mean of the quieter half's.
    """

    mean: FloatArray
    late: FloatArray
    halves: FloatArray
    stray: FloatArray
    slope: FloatArray
    inner: FloatArray
    swing: FloatArray
    between: FloatArray
    burst: FloatArray


def sensor_windows(cells: SensorCells, width: int) -> SensorWindows:
    """Slide a window of `width` cells; row i of the result ends at cell i + width - 1."""
    n = len(cells.inner) - width + 1

    def at(array: FloatArray, j: int) -> FloatArray:
        return array[j : j + n]

    def total(array: FloatArray, first: int, end: int) -> FloatArray:
        out = at(array, first).copy()
        for j in range(first + 1, end):
            out += at(array, j)
        return out

    def square(vector: FloatArray) -> FloatArray:
        return np.asarray(
            vector[:, 0] ** 2 + vector[:, 1] ** 2 + vector[:, 2] ** 2, dtype=np.float64
        )

    half = width // 2
    mean = total(cells.mean, 0, width) / width
    early = total(cells.mean, 0, half) / half
    late = total(cells.mean, width - half, width) / half
    stray = np.zeros(n)
    slope = np.zeros((n, 3))
    middle = (width - 1) / 2.0
    for j in range(width):
        stray = np.maximum(stray, square(at(cells.mean, j) - mean))
        slope += (j - middle) * at(cells.mean, j)
    slope /= sum((j - middle) ** 2 for j in range(width))
    ranked = np.sort(np.stack([at(cells.inner, j) for j in range(width)], axis=1), axis=1)
    quieter = ranked[:, 0].copy()
    for j in range(1, half):
        quieter += ranked[:, j]
    return SensorWindows(
        mean=mean,
        late=late,
        halves=square(late - early),
        stray=stray,
        slope=np.sqrt(square(slope)),
        inner=total(cells.inner, 0, width) / width,
        swing=total(cells.swing, 0, width) / width,
        between=total(cells.step, 1, width) / (2.0 * (width - 1)),
        burst=ranked[:, -1] / np.maximum(quieter / half, 1e-30),
    )


def joined(earlier: Cells | None, later: Cells, keep: int) -> Cells:
    """Put the last `keep` cells of `earlier` before `later`."""
    if earlier is None or keep <= 0:
        return later

    def one(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.concatenate((a[max(0, len(a) - keep) :], b))

    def sensor(a: SensorCells, b: SensorCells) -> SensorCells:
        return SensorCells(
            *(one(getattr(a, f.name), getattr(b, f.name)) for f in fields(SensorCells))
        )

    gyro = None
    if earlier.gyro is not None and later.gyro is not None:
        gyro = sensor(earlier.gyro, later.gyro)
    return Cells(
        one(earlier.start_s, later.start_s),
        one(earlier.end_s, later.end_s),
        sensor(earlier.accel, later.accel),
        gyro,
    )
