"""Multi-position calibration of an accelerometer: many still poses, nothing level."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from knuckle.calibrate.outliers import judge
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import AccelerometerFit, FitState
from knuckle.calibrate.sphere import Poses, fit_sphere, prior_sigma
from knuckle.calibrate.support import parameters_of, suggested, verdict
from knuckle.calibrate.terms import calibration_terms
from knuckle.estimate.data_sheets import MPU6050_ACCELEROMETER, AccelerometerSheet
from knuckle.estimate.sensor import ACCEL_TERMS, BIAS, CURVE, accel_matrix


def fit_accelerometer(
    poses: Sequence[Pose], sheet: AccelerometerSheet = MPU6050_ACCELEROMETER
) -> AccelerometerFit:
    """Fit bias, scale, cross-axis and nonlinearity to poses in any order.

    How the chip is turned in its case does not show in them: that stays at the data sheet's
    and the common tolerance, until a face run.

    Parameters
    ----------
    poses : sequence of Pose
        May be empty.
    sheet : AccelerometerSheet
        Of the part, as the pod's hello names it.
    """
    prior = prior_sigma(sheet)
    judged = judge(list(poses), prior)
    used = np.array([one.used for one in judged], dtype=bool)
    kept = [one.pose for one in judged if one.used]
    fit = fit_sphere(Poses.of(kept), prior)
    x = fit.x[:ACCEL_TERMS]
    matrix = accel_matrix(x)
    parameters = parameters_of(fit, prior)
    terms = calibration_terms(matrix)
    temperatures = [pose.temp_c for pose in kept if pose.temp_c is not None]
    found = verdict(fit, parameters, int(np.sum(used)))
    return AccelerometerFit(
        bias_g=x[BIAS],
        matrix=matrix,
        nonlinearity_per_g=x[CURVE],
        covariance=terms @ fit.covariance[:ACCEL_TERMS, :ACCEL_TERMS] @ terms.T,
        degrees_of_freedom=fit.degrees_of_freedom,
        camber_degrees_of_freedom=found.camber_dof,
        scatter_g=fit.scatter_g,
        residuals=tuple(judged),
        parameters=parameters,
        suggestions=() if found.state is FitState.GOOD else suggested(fit, prior),
        camber_u_deg=found.camber_u_deg,
        whole_camber_u_deg=found.whole_camber_u_deg,
        state=found.state,
        reason=found.reason,
        temp_c=float(np.mean(temperatures)) if temperatures else None,
        sheet=sheet,
    )
