"""Checks that every measurement makes of its rests before it computes anything."""

from __future__ import annotations

import numpy as np

from knuckle.analysis.request import Request
from knuckle.errors import MeasurementRefused
from knuckle.estimate.sensor import BIAS, GAIN
from knuckle.estimate.wheel_model import Reading
from knuckle.model.rest import Rest
from knuckle.model.result import Notice

STEEPEST_CAMBER_DEG = 30.0
"""A larger lean means that the pod's +Y does not point outboard."""


def usable_rests(rests: list[Rest], request: Request) -> tuple[list[Rest], list[Notice]]:
    """Return the rests that are readings of a pod on a wheel, and what was left out.

    A pod that lies on the bench before it is hung on the wheel rests too: rests in which its
    +Y is far from level are left out while others remain.

    Raises
    ------
    MeasurementRefused
        NO_REST, ACCELEROMETER_CLIPPED, NOT_GRAVITY or POD_TURNED.
    """
    if not rests:
        raise MeasurementRefused(
            "NO_REST",
            "The wheel never came to rest long enough for a reading.",
            "The pod was being handled, the engine ran, or the recording is too short or damaged.",
            "Let go of the wheel and the car, and keep still for two seconds.",
        )
    check_size(rests, request)
    steepest = np.sin(np.radians(STEEPEST_CAMBER_DEG))
    level = [r for r in rests if abs(r.accel_g[1]) <= steepest * np.linalg.norm(r.accel_g)]
    if not level:
        raise MeasurementRefused(
            "POD_TURNED",
            "The pod's +Y does not lie level: the wheel would have a camber of more than "
            f"{STEEPEST_CAMBER_DEG:.0f} deg.",
            "The pod is mounted with another face outboard, or its axes are swapped.",
            "Mount it with the +Y arrow pointing outboard, away from the car.",
        )
    if any(rest.clipped for rest in level):
        raise MeasurementRefused(
            "ACCELEROMETER_CLIPPED",
            "The accelerometer stood at the end of its range during a rest.",
            "Its range is set too small, or the sensor is damaged.",
            "Set a range of 2 g or more and measure again.",
        )
    notices = []
    if len(level) < len(rests):
        notices.append(
            Notice(
                "REST_LEFT_OUT",
                f"Rests left out: {len(rests) - len(level)}. The pod's +Y was far from level, "
                "so it was not on the wheel then.",
            )
        )
    return level, notices


def check_size(rests: list[Rest], request: Request) -> None:
    """Refuse rests whose size is not that of gravity.

    Raises
    ------
    MeasurementRefused
        NOT_GRAVITY.
    """
    sigma = request.priors.accelerometer.sigma
    tolerance_g = 0.02 + 4.0 * float(np.hypot(np.max(sigma[BIAS]), np.max(sigma[GAIN])))
    for rest in rests:
        size_g = float(np.linalg.norm(rest.accel_g))
        if abs(size_g - 1.0) > tolerance_g and not rest.clipped:
            raise MeasurementRefused(
                "NOT_GRAVITY",
                f"A wheel at rest must read 1 g, but the accelerometer reads {size_g:.3f} g.",
                "The readings are in another unit, uncalibrated, or an axis is dead.",
                "Check the unit of the columns, or give --uncalibrated or a calibration.",
            )


def readings_of(rests: list[Rest]) -> list[Reading]:
    """Return what the estimator needs of each rest."""
    return [Reading(rest.accel_g, rest.accel_cov_g2) for rest in rests]


def noise_degrees_of_freedom(rests: list[Rest]) -> float:
    """Return the degrees of freedom behind the rests' noise, pooled."""
    return max(1.0, float(sum(np.min(rest.effective_count) - 1.0 for rest in rests)))


def sensor_notices(request: Request, gyro_used: bool) -> list[Notice]:
    """Return what must be said of the sensor whatever it read."""
    notices = []
    if not request.priors.accelerometer.calibrated:
        how = "the uncertainty is in degrees, not tenths."
        if request.priors.accelerometer.zero is not None:
            how = "only the zero of the reversal, near upright, holds the camber to tenths."
        notices.append(
            Notice(
                "UNCALIBRATED",
                "The accelerometer is not calibrated: the data sheet's tolerances stand in the "
                f"budget, and {how}",
            )
        )
    if gyro_used and not request.priors.gyro.calibrated:
        notices.append(
            Notice(
                "GYRO_SCALE_UNCALIBRATED",
                "The gyro's scale is not calibrated: 3 % of every steer angle stands in the "
                "budget.",
            )
        )
    return notices
