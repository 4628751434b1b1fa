"""Steer angles from two sources must agree: what was typed is doubted, the gyro is not."""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.analysis.fit import Fit, FitFunction, fit_or_none
from knuckle.errors import MeasurementRefused
from knuckle.estimate.distributions import chi_squared_tail


@dataclass(frozen=True)
class Doubt:
    """Something that was typed, and the fit without it.

    Attributes
    ----------
    without : callable
        Fits what remains.
    degrees_of_freedom : int
        By which chi-squared grows with it, where it agrees with the rest.
    refusal : MeasurementRefused
        What to say where it does not.
    """

    without: FitFunction
    degrees_of_freedom: int
    refusal: MeasurementRefused

    def check_against(self, chosen: Fit, roll_deg: float, significance: float) -> None:
        """Refuse if chi-squared grows by more than chance allows, once this is added.

        In a fit that is sound as a whole a contradiction of two sources may hide among many
        rows; the difference shows it.

        Parameters
        ----------
        chosen : Fit
            With it.
        roll_deg : float
            The prior of the wheel's roll in that fit.
        significance : float
            Chance of refusing what agrees.

        Raises
        ------
        MeasurementRefused
        """
        bare = fit_or_none(self.without, roll_deg)
        if bare is None:
            return
        grown = chosen.chi_squared - bare.chi_squared
        if chi_squared_tail(grown, self.degrees_of_freedom) < significance:
            raise self.refusal


def plates_in_doubt(without: FitFunction, marks: int) -> Doubt:
    """Return the doubt about the turn plates' angles, beside a gyro."""
    return Doubt(
        without,
        marks,
        MeasurementRefused(
            "PLATES_DISAGREE",
            "The turn plates' angles that were typed disagree with the gyro, whose turns fit the "
            "readings.",
            "An angle was misread, or left and right were exchanged.",
            "Correct --plates, or leave it out.",
        ),
    )


def linear_in_doubt(without: FitFunction, readings: int, others: str) -> Doubt:
    """Return the doubt about the linear sensor, beside a gyro or turn plates.

    Parameters
    ----------
    readings : int
        Rests at which it was read; one of them only gives its zero.
    others : str
        What else tells the steer angle, in words.
    """
    return Doubt(
        without,
        readings - 1,
        MeasurementRefused(
            "LINEAR_DISAGREES",
            f"The linear sensor disagrees with {others}: without it the readings fit.",
            "A figure of its linkage or its calibration is wrong, it slipped or caught, or left "
            "and right were exchanged.",
            "Measure the linkage again, or leave --linear out.",
        ),
    )
