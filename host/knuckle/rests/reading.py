"""Turn the samples of a rest into its reading: trim, leave out disturbances, average."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.model.block import Block, BoolArray, FloatArray
from knuckle.model.rest import Rest
from knuckle.rests.cells import cell_means
from knuckle.rests.effective_size import effective_sample_size
from knuckle.rests.noise_floor import NoiseFloor
from knuckle.rests.settings import RestSettings

LEAST_SIGMA_ACCEL_G = 1e-5
LEAST_SIGMA_GYRO_DPS = 1e-4
LEAST_SIGMA_LINEAR_MM = 1e-4
"""A mean is never said to be surer than this: equal readings hide less than one count."""

_TRIM_KEEPS_S = 1.0
_CREEP_DPS = 0.02


@dataclass(frozen=True, slots=True)
class Reading:
    """A rest with what its accelerometer says of drift.

    Attributes
    ----------
    slope_g_s, slope_sigma_g_s : float
        Magnitude of the steady change of the accelerometer's mean, and one sigma of it for
        each axis.
    """

    rest: Rest
    slope_g_s: float
    slope_sigma_g_s: float


def _excess(means: FloatArray, level: FloatArray, variance: float, width: int) -> FloatArray:
    """Return, for each run of `width` cells, its distance from `level` beyond 3 sigma."""
    total = means[: len(means) - width + 1].copy()
    for j in range(1, width):
        total += means[j : len(means) - width + 1 + j]
    distance = np.sqrt(np.sum((total / width - level) ** 2, axis=1))
    return np.asarray(distance - 3.0 * np.sqrt(variance / width), dtype=np.float64)


def _lead(excess: FloatArray, tolerance: float, most: int) -> int:
    """Count the cells to drop from the front: up to the first run that is within tolerance."""
    within = np.flatnonzero(excess[: most + 1] <= tolerance)
    return int(within[0]) if within.size else most


def trimmed(
    accel: FloatArray,
    gyro: FloatArray | None,
    floor: NoiseFloor,
    cell_s: float,
    tolerance_g: float,
) -> tuple[int, int]:
    """Return first and end cell once creeping ends are cut off.

    Parameters
    ----------
    accel, gyro : ndarray, shape (n, 3)
        Cell means of undisturbed cells.
    """
    n = len(accel)
    keep = max(4, round(_TRIM_KEEPS_S / cell_s))
    if n <= keep:
        return 0, n
    first, end = 0, n
    width = max(3, round(0.3 / cell_s))
    for means, variance, tolerance in (
        (gyro, floor.gyro.between, _CREEP_DPS),
        (accel, floor.accel.between, tolerance_g),
    ):
        if means is None or n <= 2 * width:
            continue
        level = np.median(means, axis=0)
        excess = _excess(means, level, variance, width)
        spare = n - keep
        lead = _lead(excess, tolerance, spare)
        tail = _lead(excess[::-1], tolerance, spare)
        if lead + tail > spare:
            lead, tail = (spare, 0) if lead >= tail else (0, spare)
        first, end = max(first, lead), min(end, n - tail)
    if end - first < keep:
        end = min(n, first + keep)
        first = end - keep
    return first, end


def _covariance(samples: FloatArray, sizes: FloatArray, least: float) -> FloatArray:
    """Covariance of the mean; axis sizes enter so that the matrix stays positive."""
    n = samples.shape[0]
    axes = samples.shape[1]
    columns = [np.ascontiguousarray(samples[:, k]) - samples[:, k].mean() for k in range(axes)]
    covariance = np.empty((axes, axes))
    for i in range(axes):
        for j in range(i, axes):
            value = float(np.sum(columns[i] * columns[j])) / max(n - 1, 1)
            covariance[i, j] = covariance[j, i] = value / np.sqrt(sizes[i] * sizes[j])
    covariance[np.diag_indices(axes)] += least**2
    return covariance


def _mean(samples: FloatArray) -> FloatArray:
    return np.array([np.ascontiguousarray(samples[:, k]).mean() for k in range(samples.shape[1])])


def _sizes(samples: FloatArray) -> FloatArray:
    return np.array(
        [
            effective_sample_size(np.ascontiguousarray(samples[:, k]))
            for k in range(samples.shape[1])
        ]
    )


def _slope(t_s: FloatArray, accel: FloatArray, variance: float) -> tuple[float, float]:
    """Fit a straight line to the cell means; `variance` is over the axes."""
    centred = t_s - t_s.mean()
    spread = float(np.sum(centred**2))
    if spread <= 0.0:
        return 0.0, float("inf")
    slopes = [float(np.sum(centred * accel[:, k])) / spread for k in range(3)]
    return float(np.sqrt(sum(s * s for s in slopes))), float(np.sqrt(variance / 3.0 / spread))


def read_rest(
    block: Block,
    good: BoolArray,
    size: int,
    first_position: int,
    knocks: int,
    floor: NoiseFloor,
    settings: RestSettings,
    ended: bool,
) -> Reading | None:
    """Average a rest.

    Parameters
    ----------
    block : Block
        Whole cells of the rest, of `size` samples each.
    good : ndarray of bool
        One flag a cell; cells without it are left out.
    first_position : int
        Where the block's first sample stands in the whole recording.
    ended : bool
        Goes into the rest.

    Returns
    -------
    Reading or None
        None if less than the shortest rest is left.
    """
    cell_s = size / block.rate_hz
    accel_cells = cell_means(block.accel_g, size)
    gyro_cells = None if block.gyro_dps is None else cell_means(block.gyro_dps, size)
    kept = np.flatnonzero(good)
    first, end = trimmed(
        accel_cells[kept],
        None if gyro_cells is None else gyro_cells[kept],
        floor,
        cell_s,
        settings.level_tolerance_g,
    )
    kept = kept[first:end]
    if len(kept) < 2 or len(kept) * cell_s < settings.shortest_s - 1e-9:
        return None
    low, high = int(kept[0]) * size, int(kept[-1] + 1) * size
    used = np.zeros(len(good) * size, dtype=np.bool_)
    used.reshape(-1, size)[kept] = True
    accel = block.accel_g[used]
    count = len(accel)
    sizes = _sizes(accel)
    gyro = None if block.gyro_dps is None else block.gyro_dps[used]
    linear = None if block.linear_mm is None else block.linear_mm[used]
    rest = Rest(
        start_s=float(block.t_s[low]),
        end_s=float(block.t_s[high - 1]),
        first=first_position + low,
        end=first_position + high,
        stretch=int(block.stretch[0]),
        count=count,
        effective_count=sizes,
        accel_g=_mean(accel),
        accel_cov_g2=_covariance(accel, sizes, LEAST_SIGMA_ACCEL_G),
        gyro_dps=None if gyro is None else _mean(gyro),
        gyro_cov_dps2=(
            None if gyro is None else _covariance(gyro, _sizes(gyro), LEAST_SIGMA_GYRO_DPS)
        ),
        temp_c=None if block.temp_c is None else float(np.array(block.temp_c[used]).mean()),
        linear_mm=None if linear is None else _mean(linear),
        linear_cov_mm2=(
            None if linear is None else _covariance(linear, _sizes(linear), LEAST_SIGMA_LINEAR_MM)
        ),
        clipped=bool(np.any(block.clipped[used])),
        knocks=knocks,
        ended=ended,
    )
    middle_s = (block.t_s[0 : len(used) : size] + block.t_s[size - 1 : len(used) : size]) / 2.0
    slope, sigma = _slope(middle_s[kept], accel_cells[kept], floor.accel.between)
    return Reading(rest, slope, sigma)
