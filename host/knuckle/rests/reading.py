"""Turn the samples of a rest into its reading: trim, leave out disturbances, average."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.model.block import Block, BoolArray, FloatArray
from knuckle.model.rest import Rest
from knuckle.rests.cells import cell_means
from knuckle.rests.effective_size import effective_sample_size
from knuckle.rests.lengths import lengths_of
from knuckle.rests.noise_floor import NoiseFloor

LEAST_SIGMA_ACCEL_G = 1e-5
LEAST_SIGMA_GYRO_DPS = 1e-4
LEAST_SIGMA_LINEAR_MM = 1e-4
"""A mean is never said to be surer than this: equal readings hide less than one count."""

_SLOPE_SIGMAS = 5.5
"""Each of one axis, though three are judged together: a chance in 100 000 by noise alone."""
_TRIM_KEEPS_S = 1.0
_TRIM_AT_MOST_S = 6.0
_TAIL_AT_MOST_S = 0.5
_TAIL_NO_GYRO_S = 1.5
"""A rest creeps at its beginning; at its end only a move can begin unnoticed."""
_CREEP_DPS = 0.02
_CREEP_G = 0.6e-3
_STANDS_APART = 12.0
"""Square of a difference of means over its variance (all axes) that is no longer noise."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A rest with what its accelerometer says of drift.

    Attributes
    ----------
    slope_vector_g_s : ndarray, shape (3,)
        Steady change of the accelerometer.
    slope_sigma_g_s : float
        One sigma of it, for each axis.
    """

    rest: Rest
    slope_vector_g_s: FloatArray
    slope_sigma_g_s: float

    def slid(self, tolerance_g_s: float) -> bool:
        """Tell whether the accelerometer changed steadily, beyond noise and a tolerance."""
        return self.slope_g_s > tolerance_g_s + _SLOPE_SIGMAS * self.slope_sigma_g_s

    @property
    def slope_g_s(self) -> float:
        """Magnitude of the steady change of the accelerometer, in g/s."""
        return float(np.sqrt(np.sum(self.slope_vector_g_s**2)))


def lead(means: FloatArray, variance: float, least: float, most: int) -> int:
    """Return how many cells to cut off the front, at most `most`: those that stand apart.

    The cut is where the means on its two sides differ most significantly; it is made again
    on what is left, until nothing stands apart.
    """
    cut = 0
    while cut < most:
        rest = means[cut:]
        n = len(rest)
        room = min(most - cut, n - 1)
        sums = np.cumsum(rest, axis=0)
        sizes = np.arange(1, room + 1, dtype=np.float64)[:, None]
        early = sums[:room] / sizes
        late = (sums[-1] - sums[:room]) / (n - sizes)
        apart = np.sum((early - late) ** 2, axis=1)
        contrast = apart / (variance * (1.0 / sizes[:, 0] + 1.0 / (n - sizes[:, 0])))
        contrast[apart <= least**2] = 0.0
        best = int(np.argmax(contrast))
        if contrast[best] <= _STANDS_APART:
            break
        cut += best + 1
    return cut


def trimmed(
    accel: FloatArray,
    gyro: FloatArray | None,
    floor: NoiseFloor,
    cell_s: float,
    shortest_s: float,
) -> tuple[int, int]:
    """Return first and end cell once creeping ends are cut off.

    At least a second (or the shortest rest) is kept: a mean of less is worth less than the
    creep costs.

    Parameters
    ----------
    accel, gyro : ndarray, shape (n, 3)
        Cell means of undisturbed cells.
    """
    n = len(accel)
    keep = max(4, round(max(_TRIM_KEEPS_S, shortest_s) / cell_s))
    longest = round(_TRIM_AT_MOST_S / cell_s)
    tail_longest = round((_TAIL_AT_MOST_S if gyro is not None else _TAIL_NO_GYRO_S) / cell_s)
    first, end = 0, n
    for means, variance, least in (
        (gyro, floor.gyro.between, _CREEP_DPS),
        (accel, floor.accel.between, _CREEP_G),
    ):
        if means is None:
            continue
        for at_start in (gyro is not None, gyro is None):
            # Without gyro the slow beginning of a move may hide at the end: it goes first.
            part = means[first:end]
            spare = end - first - keep
            # What lies further in says nothing of the end: bias wanders in a long rest.
            near = max(keep, 2 * longest)
            if at_start:
                first += lead(part[:near], variance, least, min(longest, spare))
            else:
                end -= lead(part[::-1][:near], variance, least, min(tail_longest, spare))
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
    places = np.diag_indices(axes)
    covariance[places] = np.maximum(covariance[places], least**2)
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


def _slope(t_s: FloatArray, accel: FloatArray, variance: float) -> tuple[FloatArray, float]:
    """Fit a straight line to the cell means; `variance` is over the axes."""
    centred = t_s - t_s.mean()
    spread = float(np.sum(centred**2))
    if spread <= 0.0:
        return np.zeros(3), float("inf")
    slopes = np.array([float(np.sum(centred * accel[:, k])) / spread for k in range(3)])
    return slopes, float(np.sqrt(variance / 3.0 / spread))


def read_rest(
    block: Block,
    good: BoolArray,
    size: int,
    first_position: int,
    knocks: int,
    floor: NoiseFloor,
    shortest_s: float,
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
    shortest_s : float
        What must be left.
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
        shortest_s,
    )
    kept = kept[first:end]
    if len(kept) < 2 or len(kept) * cell_s < shortest_s - 1e-9:
        return None
    low, high = int(kept[0]) * size, int(kept[-1] + 1) * size
    used = np.zeros(len(good) * size, dtype=np.bool_)
    used.reshape(-1, size)[kept] = True
    accel = block.accel_g[used]
    count = len(accel)
    sizes = _sizes(accel)
    gyro = None if block.gyro_dps is None else block.gyro_dps[used]
    linear_mm, linear_cov_mm2 = None, None
    if block.linear_mm is not None:
        linear_mm, linear_cov_mm2 = lengths_of(block.linear_mm[used], LEAST_SIGMA_LINEAR_MM)
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
        linear_mm=linear_mm,
        linear_cov_mm2=linear_cov_mm2,
        clipped=bool(np.any(block.clipped[used])),
        knocks=knocks,
        ended=ended,
    )
    middle_s = (block.t_s[0 : len(used) : size] + block.t_s[size - 1 : len(used) : size]) / 2.0
    slope, sigma = _slope(middle_s[kept], accel_cells[kept], floor.accel.between)
    return Reading(rest, slope, sigma)
