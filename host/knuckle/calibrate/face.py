"""The face run: where the mounting face's normal, +Y, lies in the chip's axes.

The face is held against an upright surface and turned on it: in every reading the component
along +Y is the same, the sine of how far the surface leans. Two of the chip's three turns follow;
the third, about +Y itself, is a pitch of the pod that no result depends on. Hand-held poses and
face run are fitted together: the face's readings are 1 g long too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import AccelerometerFit, FaceFit
from knuckle.calibrate.sphere import Poses, SphereFit, corrected, fit_sphere, prior_sigma
from knuckle.calibrate.support import camber_freedom, parameters_of, verdict
from knuckle.calibrate.terms import calibration_terms
from knuckle.estimate.sensor import ACCEL_TERMS, BIAS, CURVE, TURN, accel_matrix
from knuckle.model.block import BoolArray, FloatArray

FEWEST: Final = 4
LARGEST_LEAN_DEG: Final = 20.0
FINE_TURN_DEG: Final = 0.15
"""Standard uncertainty of the turn up to which a face run has done its work."""

_SURELY: Final = 4.0
_OFF_G: Final = 0.01
"""A reading so far off is judged without looking at how the others scatter."""


def fit_face(poses: Sequence[Pose], fit: AccelerometerFit) -> FaceFit:
    """Take in the readings of a face run.

    Parameters
    ----------
    poses : sequence of Pose
        The face on the surface in quarter turns; four or more.
    fit : AccelerometerFit
        Of the poses in the hand.
    """
    prior = prior_sigma(fit.sheet)
    hands = Poses.of([one.pose for one in fit.residuals if one.used])
    face = Poses.of(list(poses))
    used = np.array([not pose.clipped for pose in poses], dtype=bool)
    found = fit_sphere(hands, prior, face=face.some(used))
    while (worst := _worst(found, used)) is not None and used.sum() > FEWEST:
        used[worst] = False
        found = fit_sphere(hands, prior, face=face.some(used))
    x = found.x[:ACCEL_TERMS]
    matrix = accel_matrix(x)
    terms = calibration_terms(matrix)
    covariance = terms @ found.covariance[:ACCEL_TERMS, :ACCEL_TERMS] @ terms.T
    lean = float(found.x[ACCEL_TERMS])
    plane_deg = np.degrees(corrected(x, face.readings_g)[:, 1] - lean * face.lengths_g)
    turn_deg = np.degrees(np.sqrt(np.diag(covariance)[TURN]))
    camber, freedom = camber_freedom(found)
    good, reason = _verdict(found, used, turn_deg, plane_deg)
    parameters = parameters_of(found, prior)
    whole = verdict(found, parameters, hands.lengths_g.size)
    return FaceFit(
        bias_g=x[BIAS],
        matrix=matrix,
        nonlinearity_per_g=x[CURVE],
        covariance=covariance,
        degrees_of_freedom=freedom,
        residuals_deg=plane_deg,
        used=tuple(bool(one) for one in used),
        lean_deg=float(np.degrees(np.arcsin(np.clip(lean, -1.0, 1.0)))),
        turn_u_deg=(float(turn_deg[0]), float(turn_deg[1]), float(turn_deg[2])),
        camber_u_deg=float(np.degrees(camber)),
        good=good,
        reason=reason,
        parameters=parameters,
        state=whole.state,
        state_reason=whole.reason,
    )


def _worst(found: SphereFit, used: BoolArray) -> int | None:
    """Return the reading that lies surely off the others; None if all fit."""
    count = int(used.sum())
    if not count:
        return None
    rows = slice(found.hands, None)
    left = np.maximum(1.0 - found.leverage[rows], 0.05)
    sigma = np.minimum(found.sigma_g[rows], _OFF_G / _SURELY)
    scores = np.abs(found.residuals_g[rows]) / (sigma * np.sqrt(left))
    scores = np.maximum(scores[:count], scores[count:])
    worst = int(np.argmax(scores))
    return int(np.flatnonzero(used)[worst]) if scores[worst] > _SURELY else None


def _verdict(
    found: SphereFit, used: BoolArray, turn_deg: FloatArray, plane_deg: FloatArray
) -> tuple[bool, str]:
    count = int(used.sum())
    if count < FEWEST:
        return False, f"{count} readings with the face on the surface, {FEWEST} are needed"
    lean_deg = float(np.degrees(np.arcsin(np.clip(found.x[ACCEL_TERMS], -1.0, 1.0))))
    if abs(lean_deg) > LARGEST_LEAN_DEG:
        return False, (
            f"the surface would lean by {lean_deg:.0f} deg: it is not upright, or another face "
            "than the one that +Y comes out of was held to it"
        )
    if _worst(found, used) is not None:
        return False, (
            f"the readings lie up to {np.max(np.abs(plane_deg[used])):.2f} deg off one plane: the "
            "face was not flat on the surface in one of them"
        )
    unsure_deg = float(max(turn_deg[0], turn_deg[2]))
    if unsure_deg > FINE_TURN_DEG:
        return False, (
            f"the turn of the chip stays {unsure_deg:.2f} deg unsure: the quarter turns are too "
            "alike, or the face was not held flat"
        )
    return True, f"{count} readings fix the turn of the chip to {unsure_deg:.3f} deg"
