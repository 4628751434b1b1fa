"""From a recording as plain arrays to a calibration, in one call."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from knuckle.calibrate.accelerometer import fit_accelerometer
from knuckle.calibrate.arrays import Triangular, block_of_arrays, in_units, triangular
from knuckle.calibrate.finder import find_poses
from knuckle.calibrate.gyro import fit_gyro
from knuckle.calibrate.gyro_turns import turns_between
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import AccelerometerFit, FitState, GyroFit
from knuckle.estimate.data_sheets import MPU6050_ACCELEROMETER, AccelerometerSheet
from knuckle.model.block import Block, FloatArray
from knuckle.rests.detector import find_rests

ANY_ACCELEROMETER: Final = dataclasses.replace(
    MPU6050_ACCELEROMETER,
    part="not named",
    bias_mg=(300.0, 300.0, 300.0),
    scale_percent=10.0,
    cross_axis_percent=5.0,
)
"""Wider than any part's tolerances: a nominal scale may be a guess (no source)."""

LEAST_G, MOST_G = 0.5, 2.0
"""Typical length of readings in g; one beyond these is in another unit."""

_RANK: Final = {FitState.GOOD: 0, FitState.COARSE: 1, FitState.ILL_CONDITIONED: 2}
_ENDS: Final = {
    np.dtype(kind): (np.iinfo(kind).min, np.iinfo(kind).max)
    for kind in (np.int8, np.int16, np.uint8, np.uint16)
}


@dataclass(frozen=True)
class RecordedCalibration:
    """What a recording gives.

    Attributes
    ----------
    fit : AccelerometerFit
        `fit.is_calibration` says whether the poses settle all nine parameters; `fit.unsupported`
        names those that they do not, `fit.suggestions` the poses that would.
    gyro : GyroFit or None
        None without a gyro, or without turns between the poses.
    matrix : ndarray, shape (3, 3)
    bias : ndarray, shape (3,)
        reading = matrix @ g + bias, in the arrays' unit, nonlinearity apart.
    poses : tuple of Pose
        In g by the nominal scale.
    found_by : str
        ``"rests"``: by stillness, for a pod that was put down or held steadily; ``"poses"``: by
        the turns between, for a hand.
    notices : tuple of str
        What was left out, and what is not supported, for people.
    """

    fit: AccelerometerFit
    gyro: GyroFit | None
    matrix: FloatArray
    bias: FloatArray
    poses: tuple[Pose, ...]
    found_by: str
    notices: tuple[str, ...]

    def triangular(self, *, lower: bool, gravity: float = 1.0) -> Triangular:
        """Return scale and T of one of the two triangular conventions.

        Parameters
        ----------
        lower : bool
            See `knuckle.calibrate.arrays.triangular`.
        gravity : float
            1 for scales a g, 9.80665 for scales a m/s2.
        """
        return triangular(self.matrix / gravity, lower=lower)


def calibrate_arrays(
    t_s: Any,
    accel: Any,
    *,
    per_g: Any = 1.0,
    zero: Any = 0.0,
    gyro: Any = None,
    per_dps: Any = 1.0,
    gyro_zero: Any = 0.0,
    temp_c: Any = None,
    sheet: AccelerometerSheet = ANY_ACCELEROMETER,
    full_scale: float | None = None,
) -> RecordedCalibration:
    """Find the poses of a recording and calibrate by them.

    Parameters
    ----------
    t_s : array_like, shape (n,), or float
        Time of each sample, s; or the rate, Hz, of evenly spaced ones.
    accel : array_like, shape (n, 3)
        In counts or any unit. Rows with a number that is not finite are left out as gaps.
    per_g, zero, gyro, per_dps, gyro_zero, temp_c
        See `block_of_arrays`.
    sheet : AccelerometerSheet
        Tolerances of the nominal scale and zero.
    full_scale : float, optional
        Largest reading that the sensor gives, in the arrays' unit, either way from `zero`;
        integers of 8 and 16 bits tell it themselves.

    Raises
    ------
    ValueError
        If shapes do not fit, fewer than two samples remain, or the unit is another one.
    """
    block, notices = _block(
        t_s, accel, per_g, zero, gyro, per_dps, gyro_zero, temp_c, full_scale=full_scale
    )
    found_by, poses, fit = _best(block, sheet)
    matrix, bias = in_units(fit, per_g, zero)
    turns = turns_between(block, poses)
    fitted = fit_gyro(turns, fit) if turns else None
    if not fit.is_calibration:
        notices.append(f"No calibration: {fit.reason}.")
    for number, one in enumerate(fit.residuals, start=1):
        if not one.used:
            notices.append(f"Pose {number} is left out: {one.reason}.")
    if block.gyro_dps is not None and (fitted is None or not fitted.good):
        why = "no turns between poses" if fitted is None else fitted.reason
        notices.append(f"The gyro is not calibrated: {why}.")
    return RecordedCalibration(fit, fitted, matrix, bias, poses, found_by, tuple(notices))


def poses_of_rests(block: Block) -> tuple[Pose, ...]:
    """Return the rests of a recording as poses: where nothing moved but noise."""
    return tuple(
        Pose(
            rest.accel_g,
            rest.accel_cov_g2,
            0.0,
            rest.gyro_dps,
            rest.temp_c,
            rest.start_s,
            rest.end_s,
            rest.stretch,
            rest.clipped,
        )
        for rest in find_rests(block)
    )


def _best(
    block: Block, sheet: AccelerometerSheet
) -> tuple[str, tuple[Pose, ...], AccelerometerFit]:
    """Return the poses of the finder that leaves less in camber.

    Rests are the better where things were still; a hand has none, only poses.
    """
    ways = []
    for name, poses in (("rests", poses_of_rests(block)), ("poses", find_poses(block))):
        ways.append((name, poses, fit_accelerometer(poses, sheet)))
    return min(ways, key=lambda way: (_RANK[way[2].state], way[2].camber_u_deg))


def _block(
    t_s: Any,
    accel: Any,
    per_g: Any,
    zero: Any,
    gyro: Any,
    per_dps: Any,
    gyro_zero: Any,
    temp_c: Any,
    *,
    full_scale: float | None,
) -> tuple[Block, list[str]]:
    raw = np.asarray(accel)
    if raw.ndim != 2 or raw.shape[1:] != (3,):
        raise ValueError(f"readings of shape {raw.shape}: (n, 3) is needed")
    times = np.asarray(t_s, dtype=float)
    if times.ndim == 0:
        if not times > 0.0:
            raise ValueError(f"a rate of {times} Hz is not positive")
        times = np.arange(raw.shape[0]) / times
    if times.shape != raw.shape[:1]:
        raise ValueError(f"{raw.shape} readings at {times.shape} times: (n, 3) at (n,) are needed")
    values = raw.astype(float)
    rates = None if gyro is None else np.asarray(gyro, dtype=float)
    if rates is not None and rates.shape != values.shape:
        raise ValueError(f"the gyro has {rates.shape} readings, the accelerometer {values.shape}")
    notices: list[str] = []
    good = np.isfinite(times) & np.all(np.isfinite(values), axis=1)
    if rates is not None:
        good &= np.all(np.isfinite(rates), axis=1)
    forward = good.copy()
    forward[good] = _increasing(times[good])
    if not np.all(forward):
        notices.append(
            f"{int(np.sum(~forward))} samples are left out: not finite, or out of order."
        )
    if np.sum(forward) < 2:
        raise ValueError("fewer than two samples can be used")
    block = block_of_arrays(
        times[forward],
        values[forward],
        per_g=per_g,
        zero=zero,
        gyro=None if rates is None else rates[forward],
        per_dps=per_dps,
        gyro_zero=gyro_zero,
        temp_c=None if temp_c is None else np.asarray(temp_c, dtype=float)[forward],
    )
    _check_unit(block)
    clipped = _clipped(raw, zero, full_scale)[forward]
    return dataclasses.replace(block, clipped=clipped), notices


def _increasing(times: FloatArray) -> Sequence[bool]:
    """Return which times are later than all before them."""
    latest = np.maximum.accumulate(times)
    later = np.ones(times.size, dtype=bool)
    later[1:] = times[1:] > latest[:-1]
    return later  # type: ignore[return-value]


def _clipped(raw: Any, zero: Any, full_scale: float | None) -> Any:
    if full_scale is not None:
        return np.any(np.abs(raw.astype(float) - zero) >= full_scale, axis=1)
    if raw.dtype in _ENDS:
        low, high = _ENDS[raw.dtype]
        return np.any((raw <= low) | (raw >= high), axis=1)
    return np.zeros(raw.shape[0], dtype=bool)


def _check_unit(block: Block) -> None:
    typical = float(np.median(np.linalg.norm(block.accel_g, axis=1)))
    if LEAST_G <= typical <= MOST_G:
        return
    guess = "m/s2: per_g=9.80665" if 8.0 < typical < 12.0 else "counts, or has an offset"
    if 800.0 < typical < 1200.0:
        guess = "thousandths of a g: per_g=1000"
    raise ValueError(
        f"readings are typically {typical:.3g} long by per_g and zero, where 1 is 1 g: the unit "
        f"seems to be {guess}; per_g and zero say how it becomes g"
    )
