"""Judgement of a linear channel's calibration: the fit, and what must be said of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from knuckle.errors import MeasurementRefused
from knuckle.estimate.distributions import student_quantile
from knuckle.estimate.linear_fit import KnownLength, LineFit, fit_line
from knuckle.model.result import Notice, Outcome

LEAST_SPAN_MM: Final = 1.0
NOT_STRAIGHT_SHARE: Final = 0.03
"""Scatter about the line, over the span: more is a slip of a length, not a sensor."""


def calibrate(
    points: Sequence[KnownLength],
    *,
    channel: int,
    linearity_mm: float | None,
    identity: str,
    date: str,
) -> tuple[LineFit, list[Notice]]:
    """Fit the line, and say what must be known of it.

    Parameters
    ----------
    points : sequence of KnownLength
    channel : int
    linearity_mm : float or None
        Largest departure from the straight line as the data sheet states it (independent
        linearity); None if not known. Needed with exactly two lengths.
    identity, date : str
        Kept with the calibration.

    Raises
    ------
    MeasurementRefused
        LENGTHS_MISSING, LENGTHS_ALIKE, LINEARITY_UNKNOWN or NOT_STRAIGHT.
    """
    if len(points) < 2:
        raise MeasurementRefused(
            "LENGTHS_MISSING",
            f"A calibration needs two known lengths or more; there are {len(points)}.",
            "Not all were set, or the sensor did not come to rest at them.",
            "Set each length and keep still until it is taken.",
        )
    length = np.array([point.length_mm for point in points])
    reading = np.array([point.reading_mm for point in points])
    if np.ptp(length) < LEAST_SPAN_MM or np.ptp(reading) < LEAST_SPAN_MM:
        raise MeasurementRefused(
            "LENGTHS_ALIKE",
            f"The lengths span {np.ptp(length):.2f} mm, the readings {np.ptp(reading):.2f} mm.",
            "The sensor did not move with the lengths, or another channel is connected.",
            "Use lengths that lie as far apart as those you will measure.",
        )
    if len(points) == 2 and linearity_mm is None:
        raise MeasurementRefused(
            "LINEARITY_UNKNOWN",
            "With two lengths nothing shows how straight the sensor is.",
            "Its linearity is not known either.",
            "Use three lengths or more (five are good), or give --linearity from its data sheet.",
        )
    stated_mm = 0.0 if linearity_mm is None else linearity_mm / math.sqrt(3.0)
    fit = fit_line(points, channel=channel, linearity_mm=stated_mm, identity=identity, date=date)
    span_mm = float(np.ptp(length))
    if len(points) > 2 and fit.calibration.scatter_mm > NOT_STRAIGHT_SHARE * span_mm:
        worst = int(np.argmax(np.abs(fit.residuals_mm)))
        raise MeasurementRefused(
            "NOT_STRAIGHT",
            f"The readings scatter about the straight line by {fit.calibration.scatter_mm:.2f} mm; "
            f"{points[worst].length_mm:g} mm is {fit.residuals_mm[worst]:+.2f} mm off.",
            "A length was set in another order or typed wrongly, or the sensor slips.",
            "Calibrate again, each length in the order of the command.",
        )
    return fit, _notices(fit, len(points), stated_mm)


def not_all_set(missing: Sequence[str]) -> Outcome:
    """Return the refusal of a calibration in which some lengths were not taken.

    Parameters
    ----------
    missing : sequence of str
        As they are called.
    """
    told = Notice(
        "LENGTHS_MISSING",
        f"Not set: {', '.join(missing)}. It was stopped before, or the sensor did not come to rest "
        "there. Calibrate again with all lengths, or name fewer.",
    )
    return Outcome("linear", "", {}, refused=told)


def _notices(fit: LineFit, count: int, stated_mm: float) -> list[Notice]:
    if count == 2:
        return [
            Notice(
                "TWO_LENGTHS",
                "Two lengths do not show how straight the sensor is: its stated linearity "
                f"({stated_mm:.2f} mm one sigma) stays in every length.",
            )
        ]
    if fit.curved and fit.bow_mm is not None:
        return [
            Notice(
                "SENSOR_CURVED",
                f"The sensor is not straight: it bows by {fit.bow_mm:.2f} mm over the range. That "
                "stays in every length; calibrate over the part that you need, more closely.",
            )
        ]
    return []


def coverage(fit: LineFit) -> float:
    """Return the factor for 95 %: Student's where the scatter is that of the residuals."""
    freedom = fit.calibration.degrees_of_freedom
    return student_quantile(0.975, freedom)
