"""Which poses belong together: a knocked or moved one is dropped, and that is said."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import PoseResidual
from knuckle.calibrate.sphere import Poses, SphereFit, fit_sphere, length_rows
from knuckle.estimate.distributions import student_quantile
from knuckle.estimate.sensor import ACCEL_TERMS
from knuckle.model.block import BoolArray, FloatArray

MOST_TURNED_DEG: Final = 15.0
"""A pose that turns by more while it is held was no pose."""

STEADY_HAND_G: Final = 2e-3
"""Scatter of hand-held poses beyond which one of them is looked for that does not belong:
1 mg is usual (common practice, no source)."""

_PER_TEST: Final = 0.01
"""Chance that a good set of poses loses one."""

_MOST_DROPPED: Final = 0.34
_STARTS: Final = 60
_SHARE: Final = 0.6
_CONCENTRATIONS: Final = 4


def judge(poses: list[Pose], prior: FloatArray) -> list[PoseResidual]:
    """Return each pose with its residual, and whether it is used.

    Parameters
    ----------
    poses : list of Pose
    prior : ndarray, shape (18,)
        Standard uncertainties of the unknowns by the data sheet.
    """
    reasons = [_impossible(pose, prior) for pose in poses]
    used = np.array([not reason for reason in reasons], dtype=bool)
    everything = Poses.of(poses)
    kept = _consistent(everything, used, prior)
    fit = fit_sphere(everything.some(kept), prior)
    residuals, scores = _against(fit, everything, kept)
    found = []
    for i, pose in enumerate(poses):
        reason = reasons[i]
        if used[i] and not kept[i]:
            reason = (
                f"{residuals[i] * 1000.0:+.1f} mg off the length that the others give: it was "
                "moved, knocked or pushed"
            )
        found.append(
            PoseResidual(pose, float(residuals[i]), float(scores[i]), bool(kept[i]), reason)
        )
    return found


def _impossible(pose: Pose, prior: FloatArray) -> str:
    if pose.clipped:
        return "an axis stood at the end of its range"
    if pose.turned_deg > MOST_TURNED_DEG:
        return f"it turned by {pose.turned_deg:.0f} deg while it was held"
    size_g = float(np.linalg.norm(pose.accel_g))
    allowed_g = 0.05 + 4.0 * float(np.hypot(np.max(prior[:3]), np.max(prior[3:12])))
    if abs(size_g - 1.0) > allowed_g:
        return f"it reads {size_g:.2f} g"
    return ""


def _consistent(poses: Poses, candidates: BoolArray, prior: FloatArray) -> BoolArray:
    """Return which of the candidates agree."""
    count = int(np.sum(candidates))
    if count < 5:
        return candidates
    fit = fit_sphere(poses.some(candidates), prior)
    _, scores = _against(fit, poses, candidates)
    limit = _limit(count, fit.degrees_of_freedom - 1.0)
    if fit.scatter_g <= STEADY_HAND_G and np.all(np.abs(scores[candidates]) <= limit):
        return candidates
    core = _core(poses, candidates, prior)
    most = int(np.floor(_MOST_DROPPED * count))
    kept = core
    for _ in range(count):
        fit = fit_sphere(poses.some(kept), prior)
        _, scores = _against(fit, poses, kept)
        limit = _limit(count, fit.degrees_of_freedom)
        inside = candidates & (np.abs(scores) <= limit)
        order = np.argsort(np.where(candidates, np.abs(scores), np.inf))
        # One more at a time: the nearest of those outside is tried first.
        grown = np.zeros_like(kept)
        grown[order[: int(np.sum(kept)) + 1]] = True
        grown = grown & inside
        if np.sum(grown) <= np.sum(kept):
            break
        kept = grown
    if int(np.sum(candidates & ~kept)) > most:
        return candidates
    return kept


def _limit(count: int, dof: float) -> float:
    return student_quantile(1.0 - _PER_TEST / (2.0 * count), max(dof, 1.0))


def _against(fit: SphereFit, poses: Poses, kept: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return each pose's residual, and its score against a fit without it."""
    residuals, jacobian, own = length_rows(fit.x, poses)
    variance = own + fit.scatter_g**2
    covariance = fit.covariance[:ACCEL_TERMS, :ACCEL_TERMS]
    taken = np.einsum("ni,ij,nj->n", jacobian, covariance, jacobian)
    left = np.where(kept, np.maximum(variance - taken, 1e-3 * variance), variance + taken)
    scores = residuals / np.sqrt(left)
    # Externally studentised: the scatter is that of the others (Cook & Weisberg 1982, 2.2.1).
    dof = max(fit.degrees_of_freedom, 1.0)
    if dof > 1.5:
        others = np.maximum((dof - scores**2) / (dof - 1.0), 1e-3)
        scores = np.where(kept, scores / np.sqrt(others), scores)
    return residuals, scores


def _core(poses: Poses, candidates: BoolArray, prior: FloatArray) -> BoolArray:
    """Return the poses that agree best: least trimmed squares.

    Rousseeuw & Van Driessen, Computing LTS regression for large data sets, Data Mining and
    Knowledge Discovery 12 (2006) 29-45: from many random halves, each concentrated on the
    rows nearest to its fit. The priors keep every small set solvable.
    """
    rng = np.random.default_rng(20240229)
    where = np.flatnonzero(candidates)
    size = max(int(np.ceil((1.0 - _MOST_DROPPED) * where.size)), 4)
    first = max(int(_SHARE * size), 4)
    best, least = candidates, np.inf
    for _ in range(_STARTS):
        chosen = np.zeros_like(candidates)
        chosen[rng.choice(where, first, replace=False)] = True
        for _ in range(_CONCENTRATIONS):
            fit = fit_sphere(poses.some(chosen), prior, scatter_g=STEADY_HAND_G / 2.0)
            residuals, _ = _against(fit, poses, chosen)
            squares = np.where(candidates, residuals**2, np.inf)
            nearest = np.argsort(squares)[:size]
            following = np.zeros_like(candidates)
            following[nearest] = True
            if np.array_equal(following, chosen):
                break
            chosen = following
        total = float(np.sum(np.sort(squares)[:size]))
        # The rows' misfit and what the priors pay for it together: else a wild fit wins.
        total = total / (STEADY_HAND_G / 2.0) ** 2 + float(
            np.sum((fit.x[:ACCEL_TERMS] / prior) ** 2)
        )
        if total < least:
            best, least = chosen, total
    return best
