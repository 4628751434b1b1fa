"""The gyro's scale and cross-axis: gravity must land where the gyro says."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.calibrate.gyro_turns import (
    BIAS,
    GAIN,
    GYRO_TERMS,
    PER_G,
    Landed,
    landed,
    lands,
    skewed,
)
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import AccelerometerFit, FaceFit, FullTurn, GyroFit, GyroTurns
from knuckle.calibrate.scatter import matching_scatter
from knuckle.estimate.calibration import straightened
from knuckle.estimate.data_sheets import CHIP_TURN_DEG, MPU6050_GYRO, GyroSheet
from knuckle.estimate.sensor import tangents
from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray

FEWEST_TURNS: Final = 4
MOST_MISFIT_DEG: Final = 3.0
"""Root-mean-square beyond which gravity does not land where the gyro says."""
LYING_DPS: Final = 0.03
"""How far the zero rate may wander between two rests, one sigma (from memory), with a finger's
touch."""
SHARE_OF_PRIOR: Final = 1.0 / 3.0
SUSPECT_DEG: Final = 10.0
"""Middle misfit from which other axes are tried: the data sheet's tolerances make 4 deg."""
CLEARLY: Final = 0.4
"""Other axes are believed only if they fit so much better than the named ones."""

_TELLING_DEG: Final = 30.0
_STEPS: Final = 12
_LEAST_SIGMA: Final = 1e-4
_SURELY: Final = 4.5
_MOST_DROPPED: Final = 0.34
_AXES: Final = "xyz"


@dataclass(frozen=True)
class _Way:
    """A turn with "up" before and after, corrected, and the variance of their directions."""

    turn: GyroTurns
    before: FloatArray
    after: FloatArray
    variance: float
    full: FullTurn | None


@dataclass(frozen=True)
class _Solved:
    x: FloatArray
    covariance: FloatArray
    residuals: FloatArray
    sigma: FloatArray
    jacobian: FloatArray

    @property
    def leverage(self) -> FloatArray:
        own = np.einsum("ni,ij,nj->n", self.jacobian, self.covariance, self.jacobian)
        return np.asarray(own / self.sigma**2)


def fit_gyro(
    turns: Sequence[GyroTurns],
    accelerometer: AccelerometerFit | FaceFit,
    sheet: GyroSheet = MPU6050_GYRO,
    full_turns: Sequence[FullTurn] = (),
) -> GyroFit:
    """Fit scale and cross-axis to the turns between poses.

    Parameters
    ----------
    turns : sequence of GyroTurns
        From `turns_between`.
    accelerometer : AccelerometerFit or FaceFit
        Corrects the poses' readings; the gyro is fitted in its axes.
    sheet : GyroSheet
        Of the part, as the pod's hello names it.
    full_turns : sequence of FullTurn
        Turns through a known angle about the vertical.
    """
    ways = [_way(turn, accelerometer, None) for turn in turns]
    ways += [_way(full.turn, accelerometer, full) for full in full_turns]
    if len(ways) < FEWEST_TURNS and not full_turns:
        return _none(len(ways), sheet)
    resting = np.median([_resting(way) for way in ways], axis=0)
    axes, misfit = _recognised(ways, resting)
    prior = _prior_sigma(sheet)
    mean = np.zeros(GYRO_TERMS)
    mean[GAIN] = axes.ravel()
    start = mean.copy()
    start[BIAS] = resting
    used = np.ones(len(ways), dtype=bool)
    most = int(_MOST_DROPPED * len(ways))
    found = _solve(ways, start, mean, prior)
    while int(np.sum(~used)) < most:
        worst = _worst(found, [way for way, kept in zip(ways, used, strict=True) if kept])
        if worst is None:
            break
        used[np.flatnonzero(used)[worst]] = False
        kept = [way for way, one in zip(ways, used, strict=True) if one]
        found = _solve(kept, start, mean, prior)
    misfits = np.array([_misfit_deg(way, found.x) for way in ways])
    names = _unsupported(found, prior)
    freedom = float(np.sum(1.0 - found.leverage))
    kept_rms = float(np.sqrt(np.mean(misfits[used] ** 2)))
    good, reason = _verdict(axes, names, freedom, kept_rms, int(used.sum()))
    if kept_rms > MOST_MISFIT_DEG and (unit_hint := _other_unit(ways, resting)):
        reason = f"{reason}; {unit_hint}"
    return GyroFit(
        matrix=found.x[GAIN].reshape(3, 3),
        covariance=found.covariance[GAIN, GAIN],
        bias_dps=found.x[BIAS],
        degrees_of_freedom=freedom,
        misfit_deg=misfits,
        uncorrected_misfit_deg=misfit,
        axes=_names(axes),
        unsupported=names,
        used=tuple(bool(one) for one in used),
        good=good,
        reason=reason,
    )


def _way(turn: GyroTurns, by: AccelerometerFit | FaceFit, full: FullTurn | None) -> _Way:
    before, after = (_corrected(pose, by) for pose in (turn.before, turn.after))
    variance = float(np.trace(turn.before.covariance_g2) + np.trace(turn.after.covariance_g2)) / 3.0
    return _Way(turn, before, after, variance + _LEAST_SIGMA**2, full)


def _corrected(pose: Pose, by: AccelerometerFit | FaceFit) -> FloatArray:
    straight = straightened(pose.accel_g - by.bias_g, by.nonlinearity_per_g)
    return unit(np.linalg.solve(by.matrix, straight))


def _resting(way: _Way) -> FloatArray:
    poses = (way.turn.before, way.turn.after)
    seen = [pose.gyro_dps for pose in poses if pose.gyro_dps is not None]
    return np.asarray(np.mean(seen, axis=0)) if seen else np.zeros(3)


def _prior_sigma(sheet: GyroSheet) -> FloatArray:
    """Return standard uncertainties of b, M and G, shape (21,); the chip's turn is in M."""
    gain = np.full(
        (3, 3), math.hypot(sheet.cross_axis_percent / 100.0, math.radians(CHIP_TURN_DEG))
    )
    np.fill_diagonal(gain, sheet.scale_percent / 100.0)
    sigma = np.empty(GYRO_TERMS)
    sigma[BIAS] = sheet.bias_dps
    sigma[GAIN] = gain.ravel()
    sigma[PER_G] = sheet.per_g_dps
    return sigma


def _recognised(ways: list[_Way], bias_dps: FloatArray) -> tuple[FloatArray, float]:
    """Return which axes the gyro's follow, as a signed permutation, and the plain misfit, deg.

    The middle misfit judges, so that a turn that went wrong has no say.
    """
    one = np.eye(3)

    def misfits(axes: FloatArray) -> FloatArray:
        ends = [lands(way.turn, way.before, bias_dps, axes) for way in ways]
        pairs = zip(ends, ways, strict=True)
        return np.array([_apart_deg(end, way.after) for end, way in pairs])

    plain = misfits(one)
    root, middle = float(np.sqrt(np.mean(plain**2))), float(np.median(plain))
    if middle < SUSPECT_DEG:
        return one, root
    orders = itertools.product(
        itertools.permutations(range(3)), itertools.product((1.0, -1.0), repeat=3)
    )
    others = [np.diag(signs) @ one[list(order)] for order, signs in orders]
    middles = [float(np.median(misfits(axes))) for axes in others]
    best = int(np.argmin(middles))
    return (others[best] if middles[best] < CLEARLY * middle else one), root


def _other_unit(ways: list[_Way], bias_dps: FloatArray) -> str:
    """Say so where the gyro turns far less, or far more, than gravity: another unit."""
    ratios = []
    for way in ways:
        needed = _apart_deg(way.before, way.after)
        if needed < _TELLING_DEG:
            continue
        steps = np.diff(way.turn.t_s)[:, None] * (way.turn.rate_dps[:-1] - bias_dps)
        ratios.append(float(np.linalg.norm(steps, axis=1).sum()) / needed)
    if not ratios:
        return ""
    ratio = float(np.median(ratios))
    if ratio < 0.1:
        return f"it turns {1.0 / ratio:.0f} times less than gravity, as in rad/s instead of deg/s"
    return f"it turns {ratio:.0f} times more than gravity, as in counts" if ratio > 10.0 else ""


def _misfit_deg(way: _Way, x: FloatArray) -> float:
    return _apart_deg(landed(way.turn, way.before, x).up, way.after)


def _apart_deg(a: FloatArray, b: FloatArray) -> float:
    return math.degrees(math.atan2(float(np.linalg.norm(np.cross(a, b))), float(a @ b)))


def _solve(ways: list[_Way], start: FloatArray, mean: FloatArray, prior: FloatArray) -> _Solved:
    """Gauss-Newton with the data sheet as rows, scatter from the residuals."""
    x, scatter = start, 0.0
    precision = np.diag(prior**-2.0)
    residuals, jacobian, own = _rows(ways, x)
    gravity = np.arange(residuals.size) < 2 * len(ways)
    spread_of = prior**2
    for _ in range(_STEPS):
        at_mean = residuals - jacobian @ (x - mean)
        spread = (jacobian * spread_of) @ jacobian.T
        scatter = matching_scatter(gravity, at_mean, spread, own, np.zeros(own.size))
        weight = 1.0 / (own + gravity * scatter**2)
        normal = (jacobian.T * weight) @ jacobian + precision
        step = np.linalg.solve(
            normal, -(jacobian.T @ (weight * residuals) + precision @ (x - mean))
        )
        x = x + step
        residuals, jacobian, own = _rows(ways, x)
        if float(np.max(np.abs(step / prior))) < 1e-7:
            break
    variance = own + gravity * scatter**2
    normal = (jacobian.T / variance) @ jacobian + precision
    covariance = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return _Solved(x, covariance, residuals, np.sqrt(variance), jacobian)


def _rows(ways: list[_Way], x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return residuals, slopes and own variances: two rows a turn, then those of full turns."""
    residuals, slopes, own, extra = [], [], [], []
    for way in ways:
        end = landed(way.turn, way.before, x)
        across = tangents(way.after)
        residuals.append(across @ (end.up - way.after))
        # A small rotation p of the axes after moves "up" there by up x p.
        slopes.append(across @ skewed(end.up) @ end.slopes)
        own.append(np.full(2, way.variance))
        if way.full is not None:
            extra.append(_full(way.full, end))
            extra += _lying(way.full.turn.before, way.before, x)
            extra += _lying(way.full.turn.after, way.after, x)
    for residual, slope, variance in extra:
        residuals.append(np.array([residual]))
        slopes.append(slope[None, :])
        own.append(np.array([variance]))
    return np.concatenate(residuals), np.vstack(slopes), np.concatenate(own)


def _full(full: FullTurn, end: Landed) -> tuple[float, FloatArray, float]:
    """Return residual, slopes and variance of the angle of a full turn."""
    wanted = math.radians(math.copysign(full.angle_deg, end.along))
    return end.along - wanted, end.up @ end.slopes, math.radians(full.angle_u_deg) ** 2


def _lying(pose: Pose, up: FloatArray, x: FloatArray) -> list[tuple[float, FloatArray, float]]:
    """Return the rows of a pod that lies still: what its gyro reads is zero rate.

    A hand turns all the while, so only full turns, which begin and end on a surface, have them:
    about the vertical no gravity tells a bias from a scale.
    """
    if pose.gyro_dps is None:
        return []
    apart = x[BIAS] + x[PER_G].reshape(3, 3) @ up - pose.gyro_dps
    slopes = np.zeros((3, GYRO_TERMS))
    slopes[:, BIAS] = np.eye(3)
    slopes[:, PER_G] = np.kron(np.eye(3), up)
    return [(float(a), slope, LYING_DPS**2) for a, slope in zip(apart, slopes, strict=True)]


def _worst(found: _Solved, ways: list[_Way]) -> int | None:
    """Return the turn that lies surely off the others; None if all fit."""
    rows = 2 * len(ways)
    left = found.sigma[:rows] * np.sqrt(np.maximum(1.0 - found.leverage[:rows], 0.05))
    scores = np.max(np.abs(found.residuals[:rows] / left).reshape(-1, 2), axis=1)
    middle = float(np.median(np.max(np.abs(found.residuals[:rows]).reshape(-1, 2), axis=1)))
    sizes = np.max(np.abs(found.residuals[:rows]).reshape(-1, 2), axis=1)
    scores = np.maximum(scores, sizes / max(4.0 * middle, 1e-3))
    worst = int(np.argmax(scores))
    return worst if scores[worst] > _SURELY else None


def _unsupported(found: _Solved, prior: FloatArray) -> tuple[str, ...]:
    sigma = np.sqrt(np.diag(found.covariance))[GAIN]
    open_ones = np.flatnonzero(sigma > SHARE_OF_PRIOR * prior[GAIN])
    names = []
    for i in open_ones:
        row, column = divmod(int(i), 3)
        kind = "scale" if row == column else "cross"
        names.append(f"{kind}_{_AXES[row]}" + ("" if row == column else _AXES[column]))
    return tuple(names)


def _names(axes: FloatArray) -> tuple[str, str, str]:
    found = []
    for row in axes:
        at = int(np.argmax(np.abs(row)))
        found.append(f"{'+' if row[at] > 0 else '-'}{_AXES[at]}")
    return (found[0], found[1], found[2])


def _verdict(
    axes: FloatArray, unsupported: tuple[str, ...], freedom: float, rms_deg: float, count: int
) -> tuple[bool, str]:
    named = ""
    if not np.array_equal(axes, np.eye(3)):
        found = _names(axes)
        pairs = [
            f"{own.upper()} reads {other.upper()}"
            for own, other in zip(_AXES, found, strict=True)
            if other != f"+{own}"
        ]
        named = (
            f"the gyro's axes are not the accelerometer's: {', '.join(pairs)} (reversed or "
            "swapped; it is corrected for)"
        )
        if np.linalg.det(axes) > 0.0:
            named += (
                "; or the accelerometer's are, one reversed or two swapped: each axis must read "
                "+1 g when it points up"
            )
    if rms_deg > MOST_MISFIT_DEG:
        return False, (
            f"gravity lands {rms_deg:.1f} deg (rms) from where the gyro says: it clips, or the "
            "poses are not of one run" + (f"; {named}" if named else "")
        )
    scales = [name for name in unsupported if name.startswith("scale")]
    if scales or freedom < 2.0:
        missing = ", ".join(scales) or "how well the turns agree"
        return False, f"{count} turns do not settle {missing}" + (f"; {named}" if named else "")
    told = (
        f"gravity lands within {rms_deg:.2f} deg (rms) of where the gyro says, over {count} turns"
    )
    return True, f"{told}; {named}" if named else told


def _none(count: int, sheet: GyroSheet) -> GyroFit:
    sigma = _prior_sigma(sheet)
    names = _unsupported_all()
    return GyroFit(
        np.eye(3), np.diag(sigma[GAIN] ** 2), np.zeros(3), 0.0, np.zeros(0), math.nan,
        ("+x", "+y", "+z"), names, (True,) * count, False,
        f"{count} turns between poses, {FEWEST_TURNS} are needed",
    )  # fmt: skip


def _unsupported_all() -> tuple[str, ...]:
    return tuple(
        f"scale_{row}" if row == column else f"cross_{row}{column}"
        for row in _AXES
        for column in _AXES
    )
